"""Backend authorization over HTTP: who is given a token, who is not and why, and what a token opens.

Assertions are signed with ``jwcrypto``, which is not what the service reads them with.
Sources: SMART App Launch 2.2 (backend services, asymmetric authentication), RFC 6749, 7515, 7519, 7521 and 7523.
"""

from __future__ import annotations

import asyncio
import base64
import hashlib
import hmac
import json
import re
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from threading import Thread
from typing import Any
from uuid import uuid4

import httpx
import pytest
from jwcrypto.jwk import JWK
from jwcrypto.jwt import JWT

from api.serving import Server, new_key, serving
from bodies import OPENED_SET
from databases import SqliteFiles
from quietcuff.security.outside_issuer import Issuer
from quietcuff.storage.engine.store import NO_TENANT, open_store
from quietcuff.storage.rows.api_keys import revoke_tokens
from quietcuff.storage.rows.clients import ClientRow, insert_client, revoke_client
from quietcuff.storage.rows.tenants import find_or_create_tenant

TOKEN_URL = "https://bp.example.org/oauth2/token"
KINDS = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
SCOPE = "system/Observation.rs"
RSA_KEY = JWK.generate(kty="RSA", size=2048, kid="rsa")
EC_KEY = JWK.generate(kty="EC", crv="P-384", kid="ec")
TWIN = JWK.generate(kty="RSA", size=2048, kid="twin")
OTHER_TWIN = JWK.generate(kty="RSA", size=2048, kid="twin")
SMALL_CURVE = JWK.generate(kty="EC", crv="P-256", kid="small")
STRANGER = JWK.generate(kty="RSA", size=2048, kid="rsa")


def key_set(*keys: JWK) -> bytes:
    return json.dumps({"keys": [key.export_public(as_dict=True) for key in keys]}).encode()


def on_database(server: Server, work: Callable[[Any], Any]) -> Any:
    async def run() -> Any:
        store = open_store(server.database_url)
        try:
            return await store.write(NO_TENANT, work)
        finally:
            await store.close()

    return asyncio.run(run())


class Client:
    """A registered client and how it signs."""

    def __init__(
        self, server: Server, *, scopes: str = "system/*.cruds", url: str | None = None, tenant: str = "clinic"
    ) -> None:
        self.server, self.id = server, uuid4()
        keys = None if url else key_set(RSA_KEY, EC_KEY, TWIN, OTHER_TWIN, SMALL_CURVE)

        def insert(connection: Any) -> None:
            now = datetime.now(UTC)
            tenant_id = find_or_create_tenant(connection, tenant, now).tenant_id
            insert_client(connection, ClientRow(self.id, tenant_id, "analyst's reader", scopes, keys, url, now))

        on_database(server, insert)

    def claims(self, **other: Any) -> dict[str, Any]:
        said = {"iss": str(self.id), "sub": str(self.id), "aud": TOKEN_URL, "jti": str(uuid4()), "exp": int(time.time()) + 240}
        return {name: value for name, value in (said | other).items() if value is not ...}

    def assertion(self, key: JWK = RSA_KEY, header: dict[str, Any] | None = None, **other: Any) -> str:
        said = {"alg": "RS384" if key["kty"] == "RSA" else "ES384", "kid": key["kid"], "typ": "JWT"} | (header or {})
        token = JWT(header={name: value for name, value in said.items() if value is not ...}, claims=self.claims(**other))
        token.make_signed_token(key)
        return str(token.serialize())

    def ask(self, assertion: str | None = None, **other: Any) -> httpx.Response:
        form = {
            "grant_type": "client_credentials",
            "scope": SCOPE,
            "client_assertion_type": KINDS,
            "client_assertion": assertion or self.assertion(),
        }
        fields = {name: value for name, value in (form | other).items() if value is not ...}
        return httpx.post(f"{self.server.url}/oauth2/token", data=fields, trust_env=False)

    def token(self, scope: str = SCOPE) -> str:
        return str(self.ask(scope=scope).json()["access_token"])


@pytest.fixture(scope="module")
def registered(server: Server) -> Client:
    return Client(server)


def by_hand(header: dict[str, Any], claims: dict[str, Any], sign: Callable[[bytes], bytes]) -> str:
    """A token put together without a library, for what no library would sign."""

    def part(raw: bytes) -> str:
        return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()

    signed = f"{part(json.dumps(header).encode())}.{part(json.dumps(claims).encode())}"
    return f"{signed}.{part(sign(signed.encode()))}"


def unsigned(client: Client) -> str:
    return by_hand({"alg": "none", "typ": "JWT"}, client.claims(), lambda signed: b"")


def signed_with_the_public_key_as_a_secret(client: Client) -> str:
    """The confusion of algorithms that RFC 8725, 2.1 warns of."""
    secret = RSA_KEY.export_to_pem()
    header = {"alg": "HS256", "typ": "JWT", "kid": "rsa"}
    return by_hand(header, client.claims(), lambda signed: hmac.new(secret, signed, hashlib.sha256).digest())


def with_another_payload(client: Client) -> str:
    header, _, signature = client.assertion().split(".")
    payload = base64.urlsafe_b64encode(json.dumps(client.claims()).encode()).rstrip(b"=").decode()
    return f"{header}.{payload}.{signature}"


def with_a_foreign_signature(client: Client) -> str:
    """Of the right length, of another message."""
    return ".".join([*client.assertion().split(".")[:2], client.assertion().split(".")[2]])


BAD_ASSERTIONS: dict[str, Callable[[Client], str]] = {
    "not a token": lambda client: "no token",
    "two parts": lambda client: ".".join(client.assertion().split(".")[:2]),
    "not base64": lambda client: "!.!.!",
    "far too long": lambda client: client.assertion(filler="x" * 17_000),
    "expired": lambda client: client.assertion(exp=int(time.time()) - 60),
    "more than five minutes ahead": lambda client: client.assertion(exp=int(time.time()) + 600),
    "for ever": lambda client: client.assertion(exp=1e300),
    "for longer than a float can say": lambda client: client.assertion(exp=10**400),
    "for infinity": lambda client: client.assertion(exp=float("inf")),
    "until no number": lambda client: client.assertion(exp=float("nan")),
    "exp that is a list": lambda client: client.assertion(exp=[1]),
    "nbf that is nothing": lambda client: client.assertion(nbf=None),
    "nbf that is a list": lambda client: client.assertion(nbf=[]),
    "iat that is an object": lambda client: client.assertion(iat={}),
    "iat far beyond all floats": lambda client: client.assertion(iat=10**400),
    "exp that is text": lambda client: client.assertion(exp=str(int(time.time()) + 200)),
    "exp that is no number": lambda client: client.assertion(exp="soon"),
    "exp that is true": lambda client: client.assertion(exp=True),
    "without exp": lambda client: client.assertion(exp=...),
    "not valid yet": lambda client: client.assertion(nbf=int(time.time()) + 120),
    "issued in the future": lambda client: client.assertion(iat=int(time.time()) + 120),
    "for somebody else": lambda client: client.assertion(aud="https://other.example.org/token"),
    "for the server and not its token route": lambda client: client.assertion(aud="https://bp.example.org"),
    "for nobody": lambda client: client.assertion(aud=...),
    "of an unknown client": lambda client: client.assertion(iss=str(uuid4()), sub=str(uuid4())),
    "iss that is no id": lambda client: client.assertion(iss="reader", sub="reader"),
    "iss that is a number": lambda client: client.assertion(iss=7),
    "without iss": lambda client: client.assertion(iss=...),
    "sub of another": lambda client: client.assertion(sub=str(uuid4())),
    "without sub": lambda client: client.assertion(sub=...),
    "without jti": lambda client: client.assertion(jti=...),
    "empty jti": lambda client: client.assertion(jti=""),
    "jti far too long": lambda client: client.assertion(jti="x" * 300),
    "jti that is a number": lambda client: client.assertion(jti=7),
    "unsigned": unsigned,
    "signed with the public key as a secret": signed_with_the_public_key_as_a_secret,
    "another algorithm of the right key": lambda client: client.assertion(header={"alg": "RS256"}),
    "signed by a stranger's key of the same name": lambda client: client.assertion(STRANGER),
    "another payload": with_another_payload,
    "another signature": with_a_foreign_signature,
    "unknown kid": lambda client: client.assertion(header={"kid": "unknown"}),
    "without kid": lambda client: client.assertion(header={"kid": ...}),
    "kid of two keys": lambda client: client.assertion(TWIN),
    "a key of another kind": lambda client: client.assertion(header={"kid": "ec"}),
    "a curve that is too small": lambda client: client.assertion(SMALL_CURVE, header={"alg": "ES256"}),
    "typ of another kind": lambda client: client.assertion(header={"typ": "secevent+jwt"}),
    "a jku that was not registered": lambda client: client.assertion(header={"jku": "https://keys.example.org"}),
}


@pytest.mark.parametrize("name", BAD_ASSERTIONS)
def test_an_assertion_that_does_not_hold_is_no_client(registered: Client, name: str) -> None:
    answer = registered.ask(BAD_ASSERTIONS[name](registered))
    assert (answer.status_code, answer.json()["error"]) == (401, "invalid_client"), answer.text
    assert set(answer.json()) == {"error", "error_description"}
    assert answer.headers["Content-Type"] == "application/json" and answer.headers["Cache-Control"] == "no-store"
    assert answer.headers["WWW-Authenticate"].startswith("Bearer")


BAD_FORMS: dict[str, tuple[dict[str, Any], str]] = {
    "without grant_type": ({"grant_type": ...}, "invalid_request"),
    "another grant": ({"grant_type": "authorization_code"}, "unsupported_grant_type"),
    "without kind of assertion": ({"client_assertion_type": ...}, "invalid_request"),
    "another kind of assertion": ({"client_assertion_type": "urn:example"}, "invalid_request"),
    "without assertion": ({"client_assertion": ...}, "invalid_request"),
    "without scope": ({"scope": ...}, "invalid_request"),
    "empty scope": ({"scope": " "}, "invalid_request"),
    "scopes of somebody else": ({"scope": "user/Observation.rs openid"}, "invalid_scope"),
    "scope given twice": ({"scope": [SCOPE, SCOPE]}, "invalid_request"),
    "a secret beside the assertion": ({"client_secret": "s"}, "invalid_request"),
}


@pytest.mark.parametrize("name", BAD_FORMS)
def test_a_form_with_a_fault_is_a_bad_request(registered: Client, name: str) -> None:
    fields, code = BAD_FORMS[name]
    answer = registered.ask(**fields)
    assert (answer.status_code, answer.json()["error"]) == (400, code), answer.text


def test_a_client_proves_itself_in_one_way_only(registered: Client) -> None:
    """Sources: RFC 6749, 2.3 (one method a request) and 2.3.1 (nothing in the address); RFC 7521, 4.2 (``client_id``)."""
    url, other = f"{registered.server.url}/oauth2/token", Client(registered.server)

    def ask(address: str = url, headers: list[tuple[str, str]] | None = None, **more: str) -> httpx.Response:
        form = {
            "grant_type": "client_credentials",
            "scope": SCOPE,
            "client_assertion_type": KINDS,
            "client_assertion": registered.assertion(),
        }
        return httpx.post(address, data=form | more, headers=headers, trust_env=False)

    basic = ("Authorization", "Basic " + base64.b64encode(f"{registered.id}:secret".encode()).decode())
    for refused in (
        ask(headers=[basic]),
        ask(headers=[("Authorization", "Bearer x"), basic]),
        ask(client_secret="secret"),
        ask(f"{url}?client_id={registered.id}"),
        ask(f"{url}?client_assertion=x&scope=y"),
    ):
        assert (refused.status_code, refused.json()["error"]) == (400, "invalid_request")
    for client_id in (str(other.id), str(registered.id).upper(), "x"):
        refused = ask(client_id=client_id)
        assert (refused.status_code, refused.json()["error"]) == (401, "invalid_client")
    for given in (ask(client_id=str(registered.id)), ask(client_id=""), ask(headers=[("Authorization", "Bearer old")])):
        assert given.status_code == 200


def test_a_name_of_any_signs_serves_once(registered: Client) -> None:
    assertion = registered.assertion(jti="\ud800")
    assert [registered.ask(assertion).status_code for _ in range(2)] == [200, 401]


def test_a_token_that_is_no_good_is_told_so(server: Server, stranger: httpx.Client) -> None:
    """Source: RFC 6750, 3.1: an error for whoever sent a token, none for who sent nothing."""
    for path in ("/fhir/R4/Observation", "/v1/reading-sets"):
        assert stranger.get(path).headers["WWW-Authenticate"] == 'Bearer realm="quietcuff"'
        basic = stranger.get(path, headers={"Authorization": "Basic eDp5"})
        assert basic.headers["WWW-Authenticate"] == 'Bearer realm="quietcuff"'
        for key in ("x", "qc_00000000_" + 43 * "A", "a.b.c"):
            answer = stranger.get(path, headers={"Authorization": f"Bearer {key}"})
            assert answer.status_code == 401
            assert answer.headers["WWW-Authenticate"] == 'Bearer realm="quietcuff", error="invalid_token"'


def test_other_bodies_and_methods_have_oauths_fields_too(server: Server) -> None:
    url = f"{server.url}/oauth2/token"
    answers = {
        415: httpx.post(url, json={"grant_type": "client_credentials"}, trust_env=False),
        413: httpx.post(url, data={"client_assertion": "x" * 300_000}, trust_env=False),
        405: httpx.get(url, trust_env=False),
        400: httpx.post(
            url, content=b"scope=%FF", headers={"Content-Type": "application/x-www-form-urlencoded"}, trust_env=False
        ),
    }
    for status, answer in answers.items():
        assert (answer.status_code, answer.json()["error"]) == (status, "invalid_request"), answer.text


@pytest.mark.parametrize("key", [RSA_KEY, EC_KEY], ids=["RS384", "ES384"])
def test_a_good_assertion_is_given_a_token_that_opens_what_was_granted(service: Server, key: JWK) -> None:
    client = Client(service, scopes="system/Observation.rs system/Patient.r")
    answer = client.ask(client.assertion(key), scope="system/*.rs system/Binary.c")
    assert answer.status_code == 200, answer.text
    given = answer.json()
    assert set(given) == {"access_token", "token_type", "expires_in", "scope"}
    assert (given["token_type"], given["expires_in"]) == ("bearer", 300)
    assert given["scope"].split() == ["system/Observation.rs", "system/Patient.r"]
    assert answer.headers["Cache-Control"] == "no-store"
    with service.client_of(given["access_token"]) as http:
        assert http.get("/fhir/R4/Observation").status_code == 200
        assert http.post("/v1/evaluations", json=OPENED_SET).status_code == 403
        assert http.post("/v1/subjects/find", json={}).status_code == 403


def test_an_audience_may_be_a_list_and_a_little_clock_error_is_borne(registered: Client) -> None:
    """Source: RFC 7519, 4.1.3 and 4.1.4: a small leeway for clocks that differ."""
    assert registered.ask(registered.assertion(aud=[TOKEN_URL, "https://other.example.org"])).status_code == 200
    assert registered.ask(registered.assertion(iat=int(time.time()) + 2, nbf=int(time.time()) + 2)).status_code == 200


def test_an_assertion_serves_once_even_when_twenty_send_it_at_once(service: Server) -> None:
    client = Client(service)
    assertion = client.assertion()
    with ThreadPoolExecutor(20) as pool:
        answers = list(pool.map(lambda _: client.ask(assertion), range(20)))
    assert sorted(answer.status_code for answer in answers) == [200] + 19 * [401]
    assert {answer.json().get("error") for answer in answers} == {None, "invalid_client"}


def test_the_same_name_of_another_client_is_another_assertion(server: Server) -> None:
    first, second = Client(server), Client(server)
    assert [client.ask(client.assertion(jti="same")).status_code for client in (first, second)] == [200, 200]


def test_a_revoked_client_gets_no_token_and_its_tokens_die(server: Server) -> None:
    client = Client(server)
    token = client.token()

    def revoke(connection: Any) -> None:
        revoke_tokens(connection, client.id, datetime.now(UTC))
        assert revoke_client(connection, client.id, datetime.now(UTC))

    # Before its first use: what was used is remembered for five seconds.
    on_database(server, revoke)
    assert client.ask().json()["error"] == "invalid_client"
    with server.client_of(token) as http:
        answer = http.get("/fhir/R4/Observation")
        assert answer.status_code == 401 and answer.headers["WWW-Authenticate"].startswith("Bearer")


def test_a_token_opens_its_own_tenant_only(service: Server) -> None:
    with service.client() as ours, service.client_of(Client(service, tenant="other clinic").token("system/*.rs")) as theirs:
        stored = ours.post(
            "/v1/reading-sets", json={**OPENED_SET, "identifier": {"system": "urn:t", "value": str(uuid4())}}
        ).json()
        assert theirs.get(f"/v1/reading-sets/{stored['id']}").status_code == 404
        assert ours.get(f"/v1/reading-sets/{stored['id']}").status_code == 200


def test_the_configuration_is_found_at_both_places_and_names_what_is_served(stranger: httpx.Client) -> None:
    found = [stranger.get(f"{base}/.well-known/smart-configuration") for base in ("", "/fhir/R4")]
    assert found[0].content == found[1].content and found[0].headers["Content-Type"] == "application/json"
    said = found[0].json()
    assert said["token_endpoint"] == TOKEN_URL
    assert set(said["token_endpoint_auth_signing_alg_values_supported"]) == {"RS384", "ES384"}
    assert said["token_endpoint_auth_methods_supported"] == ["private_key_jwt"]
    assert said["grant_types_supported"] == ["client_credentials"]
    assert {"client-confidential-asymmetric", "permission-v2", "permission-v1"} <= set(said["capabilities"])
    assert "S256" in said["code_challenge_methods_supported"] and SCOPE in said["scopes_supported"]


def test_a_token_may_be_for_measures_alone(server: Server, stranger: httpx.Client) -> None:
    said = stranger.get("/.well-known/smart-configuration").json()["scopes_supported"]
    assert {"system/Quality.r", "system/FollowUp.s"} <= set(said)
    period = {"periodStart": "2026", "periodEnd": "2026"}
    with server.client_of(Client(server).token("system/Quality.r")) as client:
        assert client.get("/fhir/R4/Measure/talking/$evaluate-measure", params=period).status_code == 200
        for path in ("Patient", "Observation", "Group/follow-ups"):
            assert client.get(f"/fhir/R4/{path}").status_code == 403


def test_older_clients_find_the_token_route_in_the_capability_statement(stranger: httpx.Client) -> None:
    """Source: SMART App Launch, the extension oauth-uris that clients of before ``smart-configuration`` read."""
    security = stranger.get("/fhir/R4/metadata").json()["rest"][0]["security"]
    assert security["extension"][0]["extension"] == [{"url": "token", "valueUri": TOKEN_URL}]
    assert security["service"][0]["coding"][0]["code"] == "SMART-on-FHIR"


def test_the_example_of_the_guide_gets_a_token_and_reads_with_it(registered: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_PROXY", "*")
    page = (Path(__file__).parents[2] / "docs/authorization.md").read_text("utf-8")
    (example,) = re.findall(r"^```python\n(.*?)^```$", page, re.M | re.S)
    said: dict[str, Any] = {
        "CLIENT": str(registered.id),
        "TOKEN_URL": TOKEN_URL,
        "BASE": registered.server.url,
        "PRIVATE_KEY": RSA_KEY.export_to_pem(private_key=True, password=None),
        "KID": "rsa",
    }
    exec(example, said)  # noqa: S102
    assert said["found"]["resourceType"] == "Bundle"


class KeyServer:
    """A server of a key set, whose owner may change it."""

    def __init__(self) -> None:
        self.document, self.status = key_set(RSA_KEY), 200
        owner = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                self.send_response(owner.status)
                self.send_header("Location", "http://127.0.0.1:1/")
                self.end_headers()
                self.wfile.write(owner.document)

            def log_message(self, *_: Any) -> None:
                pass

        self.http = HTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.http.server_address[1]}/keys"
        self.thread = Thread(target=self.http.serve_forever)


@contextmanager
def key_server() -> Iterator[KeyServer]:
    running = KeyServer()
    running.thread.start()
    try:
        yield running
    finally:
        running.http.shutdown()
        running.thread.join()
        running.http.server_close()


def test_a_client_whose_keys_stand_at_an_address_signs_with_them(server: Server) -> None:
    with key_server() as keys:
        client = Client(server, url=keys.url)
        assert client.ask(client.assertion(header={"jku": keys.url})).status_code == 200
        assert client.ask(client.assertion(header={"jku": keys.url + "2"})).status_code == 401
        assert client.ask(client.assertion(EC_KEY)).status_code == 401


@pytest.mark.parametrize(("status", "document"), [(302, b""), (500, b""), (200, b"x" * 300_000), (200, b"{}")])
def test_an_address_without_a_key_set_makes_nobody_a_client(server: Server, status: int, document: bytes) -> None:
    with key_server() as keys:
        keys.status, keys.document = status, document
        client = Client(server, url=keys.url)
        assert client.ask().json()["error"] == "invalid_client"


ISSUER = "https://login.example.org"


@pytest.fixture(scope="module")
def trusting(sqlite_files: SqliteFiles) -> Iterator[Server]:
    """A server that trusts an outside issuer as well."""
    with key_server() as keys:
        issuer = Issuer(name=ISSUER, audience="quietcuff", key_set_url=keys.url, tenant_claim="clinic")
        with serving(sqlite_files.new(), issuer) as running:
            new_key(running.database_url)
            yield running


def outside_token(key: JWK = RSA_KEY, header: dict[str, Any] | None = None, **other: Any) -> str:
    claims = {"iss": ISSUER, "aud": "quietcuff", "exp": int(time.time()) + 240, "clinic": "clinic", "scope": SCOPE, "sub": "u1"}
    said = {name: value for name, value in (claims | other).items() if value is not ...}
    token = JWT(header={"alg": "RS256", "kid": key["kid"], "typ": "at+jwt"} | (header or {}), claims=said)
    token.make_signed_token(key)
    return str(token.serialize())


def opened(server: Server, token: str) -> int:
    with server.client_of(token) as http:
        return http.get("/fhir/R4/Observation").status_code


GOOD_OUTSIDE: dict[str, dict[str, Any]] = {
    "RS256": {},
    "RS384": {"header": {"alg": "RS384"}},
    "of the older kind": {"header": {"typ": "JWT"}},
    "for several": {"aud": ["quietcuff", "else"]},
    "scopes as a list": {"scope": ..., "scp": ["system/Observation.read", "openid"]},
}


@pytest.mark.parametrize("name", GOOD_OUTSIDE)
def test_a_good_token_of_the_outside_issuer_opens_what_its_scopes_say(trusting: Server, name: str) -> None:
    token = GOOD_OUTSIDE[name]
    assert opened(trusting, outside_token(**token)) == 200
    with trusting.client_of(outside_token(**token)) as http:
        assert http.post("/v1/evaluations", json=OPENED_SET).status_code == 403


BAD_OUTSIDE: dict[str, tuple[dict[str, Any], int]] = {
    "a tenant that no database can hold": ({"clinic": "clinic\0"}, 401),
    "a tenant that is no text in UTF-8": ({"clinic": "\ud800"}, 401),
    "nbf that is a list": ({"nbf": []}, 401),
    "words of others": ({"scope": "openid"}, 403),
    "without scope": ({"scope": ...}, 403),
    "scope that is a number": ({"scope": 7}, 403),
    "scope of another type": ({"scope": "system/Patient.rs"}, 403),
    "a stranger's key": ({"key": STRANGER}, 401),
    "unknown kid": ({"header": {"kid": "unknown"}}, 401),
    "another issuer": ({"iss": "https://evil.example.org"}, 401),
    "without issuer": ({"iss": ...}, 401),
    "another audience": ({"aud": "else"}, 401),
    "without audience": ({"aud": ...}, 401),
    "expired": ({"exp": 1_700_000_000}, 401),
    "without end": ({"exp": ...}, 401),
    "not valid yet": ({"nbf": 9_000_000_000}, 401),
    "unknown tenant": ({"clinic": "no such clinic"}, 401),
    "without tenant": ({"clinic": ...}, 401),
    "tenant that is a number": ({"clinic": 7}, 401),
    "another kind": ({"header": {"typ": "logout+jwt"}}, 401),
    "far too long": ({"filler": "x" * 17_000}, 401),
}


@pytest.mark.parametrize("name", BAD_OUTSIDE)
def test_a_token_of_the_outside_issuer_that_does_not_hold_opens_nothing(trusting: Server, name: str) -> None:
    token, status = BAD_OUTSIDE[name]
    assert opened(trusting, outside_token(**token)) == status


def test_a_key_of_the_service_goes_on_working_beside_the_outside_issuer(trusting: Server) -> None:
    assert opened(trusting, new_key(trusting.database_url)) == 200
    assert opened(trusting, Client(trusting).token()) == 200


def test_where_no_outside_issuer_is_set_its_tokens_open_nothing(server: Server) -> None:
    assert opened(server, outside_token()) == 401
