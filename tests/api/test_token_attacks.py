"""A list of attacks on the token route and on the admission of bearers: none opens anything, and none is an error of ours.

What is tried is that of RFC 8725 (JSON Web Token best practices), RFC 6749, 6750, 7515, 7519, 7521 and 7523, and of SMART App
Launch 2.2 (backend services). Every signature that a client could make is a good one: what is wrong is what the name says.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import logging
import re
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import uuid4

import httpx
import pytest
from jwcrypto.jwk import JWK
from jwcrypto.jws import JWS

from api.serving import Server, new_key
from api.test_authorization import (
    EC_KEY,
    ISSUER,
    KINDS,
    RSA_KEY,
    SCOPE,
    STRANGER,
    TOKEN_URL,
    Client,
    by_hand,
    on_database,
    outside_token,
    trusting,
)
from quietcuff.security.api_keys import make_key
from quietcuff.storage.rows.api_keys import KeyRow, insert_key
from quietcuff.storage.rows.clients import revoke_client
from quietcuff.storage.rows.tenants import find_or_create_tenant

__all__ = ["trusting"]

Attack = Callable[[Client], str]
FORM = "application/x-www-form-urlencoded"
# RFC 6749, 5.2: what an error_description may be made of.
DESCRIPTION = re.compile(r"[\x20-\x21\x23-\x5b\x5d-\x7e]+")
NOW = int(time.time())
ATTACKERS_KEY = JWK.generate(kty="EC", crv="P-384", kid="ec")
NAMED = {"alg": "RS384", "kid": "rsa", "typ": "JWT"}


def b64(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()


def raw_token(header: bytes, payload: bytes, key: JWK = RSA_KEY, algorithm: str = "RS384") -> str:
    """A token of any bytes, with a good signature over them."""
    signed = f"{b64(header)}.{b64(payload)}".encode()
    if key["kty"] == "RSA":
        from cryptography.hazmat.primitives import hashes
        from cryptography.hazmat.primitives.asymmetric import padding

        private: Any = key.get_op_key("sign")
        digest = {"256": hashes.SHA256(), "384": hashes.SHA384(), "512": hashes.SHA512()}[algorithm[2:]]
        return f"{signed.decode()}.{b64(private.sign(signed, padding.PKCS1v15(), digest))}"
    whole = JWS(payload)
    whole.add_signature(key, None, header.decode(), None)
    return str(whole.serialize(compact=True))


def saying(claims: str, header: str = json.dumps(NAMED)) -> Attack:
    """Claims as they are written, with those of the client beside; what is written comes last."""

    def make(client: Client) -> str:
        said = json.dumps(client.claims())[:-1] + f", {claims}}}"
        return raw_token(header.encode(), said.encode())

    return make


def dated(name: str, number: str) -> Attack:
    """A date that is written so."""

    def make(client: Client) -> str:
        said = json.dumps(client.claims(**{name: ...}))[:-1] + f', "{name}": {number}}}'
        return raw_token(json.dumps(NAMED).encode(), said.encode())

    return make


def whole(payload: Callable[[Client], bytes], header: bytes | None = None) -> Attack:
    return lambda client: raw_token(header or json.dumps(NAMED).encode(), payload(client))


def with_claims(**claims: Any) -> Attack:
    return lambda client: client.assertion(**claims)


def with_header(**header: Any) -> Attack:
    return lambda client: raw_token(json.dumps(NAMED | header).encode(), json.dumps(client.claims()).encode())


def with_secret(secret: Callable[[], bytes], algorithm: str) -> Attack:
    digest = {"HS256": hashlib.sha256, "HS384": hashlib.sha384, "HS512": hashlib.sha512}[algorithm]

    def make(client: Client) -> str:
        return by_hand(NAMED | {"alg": algorithm}, client.claims(), lambda signed: hmac.new(secret(), signed, digest).digest())

    return make


def with_text(change: Callable[[str], str]) -> Attack:
    return lambda client: change(client.assertion())


def with_parts(change: Callable[[list[str]], list[str]]) -> Attack:
    return lambda client: ".".join(change(client.assertion().split(".")))


def unsigned(algorithm: Any, signature: bytes = b"") -> Attack:
    return lambda client: by_hand(NAMED | {"alg": algorithm}, client.claims(), lambda signed: signature)


def other_last_letter(token: str) -> str:
    """The same bytes in base64 that is written otherwise: RSA signatures of 2,048 bits leave four bits of it unused."""
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    return token[:-1] + letters[letters.index(token[-1]) ^ 1]


PUBLIC_KEYS: dict[str, Callable[[], bytes]] = {
    "PEM": lambda: RSA_KEY.export_to_pem(),
    "PEM without its last line": lambda: RSA_KEY.export_to_pem().rstrip(),
    "JWK": lambda: RSA_KEY.export_public().encode(),
    "modulus": lambda: base64.urlsafe_b64decode(RSA_KEY.export_public(as_dict=True)["n"] + "=="),
    "nothing": lambda: b"",
}
NUMBERS: dict[str, str] = {
    "of 400 digits": "1" + "0" * 400,
    "of 5,000 digits": "1" + "0" * 5_000,
    "below nothing": "-1",
    "far below nothing": "-1" + "0" * 400,
    "a great float": "1e300",
    "beyond all floats": "1e400",
    "far below all floats": "-1e400",
    "no number": "NaN",
    "infinity": "Infinity",
    "less than infinity": "-Infinity",
    "text": '"soon"',
    "text of digits": f'"{NOW + 200}"',
    "empty text": '""',
    "null": "null",
    "true": "true",
    "false": "false",
    "a list": f"[{NOW + 200}]",
    "an object": "{}",
    "beyond the year 9999": "253402300800",
    "in milliseconds": str((NOW + 200) * 1000),
}
DATES = {f"{name} that is {what}": dated(name, number) for name in ("exp", "nbf", "iat") for what, number in NUMBERS.items()}
VALUES: dict[str, Any] = {
    "null": None,
    "empty": "",
    "a number": 7,
    "a list": ["x"],
    "an empty list": [],
    "an object": {"x": 1},
    "true": True,
    "with a NUL": "x\0",
    "half a sign": "\ud800",
    "very long": "x" * 5_000,
}
CLAIMED = {
    f"{name} that is {what}": with_claims(**{name: value}) for name in ("iss", "sub", "aud") for what, value in VALUES.items()
} | {
    f"jti that is {what}": with_claims(jti=value) for what, value in VALUES.items() if what not in ("with a NUL", "half a sign")
}
AUDIENCES = {
    f"aud {value!r}": with_claims(aud=value)
    for value in (
        TOKEN_URL + "/",
        TOKEN_URL + "?x=1",
        TOKEN_URL + "#x",
        TOKEN_URL.upper(),
        TOKEN_URL.replace("https", "http"),
        TOKEN_URL.replace("bp.", "bp.evil."),
        TOKEN_URL + " ",
        " " + TOKEN_URL,
        TOKEN_URL + "\0",
        TOKEN_URL[:-1],
        TOKEN_URL.replace("example.org", "example.org:443"),
        TOKEN_URL.replace("/oauth2", "//oauth2"),
        "https://bp.example.org/fhir/R4",
        "*",
        [[TOKEN_URL]],
        ["https://other.example.org", 7],
        {"aud": TOKEN_URL},
        f"https://other.example.org {TOKEN_URL}",
    )
}
WHOSE: dict[str, Attack] = {
    "iss in capitals": lambda client: client.assertion(iss=str(client.id).upper(), sub=str(client.id).upper()),
    "iss in braces": lambda client: client.assertion(iss=f"{{{client.id}}}", sub=f"{{{client.id}}}"),
    "iss as a name of resources": lambda client: client.assertion(iss=f"urn:uuid:{client.id}", sub=f"urn:uuid:{client.id}"),
    "iss without its hyphens": lambda client: client.assertion(iss=client.id.hex, sub=client.id.hex),
    "iss with a space": lambda client: client.assertion(iss=f"{client.id} ", sub=f"{client.id} "),
    "iss with a quote": lambda client: client.assertion(iss=f"{client.id}' OR '1'='1"),
    "iss of another client": lambda client: client.assertion(iss=str(Client(client.server).id)),
    "sub of another client": lambda client: client.assertion(sub=str(Client(client.server).id)),
    "sub in capitals": lambda client: client.assertion(sub=str(client.id).upper()),
    "sub with a space": lambda client: client.assertion(sub=f"{client.id} "),
    "iss that is nil": with_claims(iss="0" * 8 + "-0000-0000-0000-" + "0" * 12),
}
ALGORITHMS: dict[str, Attack] = {
    **{f"alg {name!r}, unsigned": unsigned(name) for name in ("none", "None", "NONE", "nOnE", "", None, 0, [], {}, ["RS384"])},
    **{f"alg {name!r}, with a signature": unsigned(name, b"x" * 256) for name in ("none", "RS384", "ES384", "HS256", None)},
    **{
        f"{algorithm} with the {kind} as a secret": with_secret(secret, algorithm)
        for algorithm in ("HS256", "HS384", "HS512")
        for kind, secret in PUBLIC_KEYS.items()
    },
    **{
        f"alg {name!r} in the header alone": with_header(alg=name)
        for name in ("rs384", "RS384 ", "RS999", "PS384", "EdDSA", "dir")
    },
    "RS256 of the right key": lambda client: raw_token(
        json.dumps(NAMED | {"alg": "RS256"}).encode(), json.dumps(client.claims()).encode(), algorithm="RS256"
    ),
    "RS512 of the right key": lambda client: raw_token(
        json.dumps(NAMED | {"alg": "RS512"}).encode(), json.dumps(client.claims()).encode(), algorithm="RS512"
    ),
    "without alg": lambda client: by_hand({"kid": "rsa"}, client.claims(), lambda signed: b"x" * 256),
    "ES384 of all zeros": lambda client: by_hand({"alg": "ES384", "kid": "ec"}, client.claims(), lambda signed: bytes(96)),
    "ES384 in the form of ASN.1": lambda client: by_hand(
        {"alg": "ES384", "kid": "ec"}, client.claims(), lambda signed: b"0\x06\x02\x01\x01\x02\x01\x01"
    ),
    "a stranger's key of the same name": lambda client: client.assertion(STRANGER),
    "a stranger's curve of the same name": lambda client: client.assertion(ATTACKERS_KEY),
}
KIDS: dict[str, Attack] = {
    f"kid {str(value)[:30]!r} {type(value).__name__}": with_header(kid=value)
    for value in (
        "../../../../dev/null",
        "/dev/null",
        "rsa' OR '1'='1",
        "rsa\0",
        "RSA",
        " rsa",
        "rsa ",
        "",
        "ec",
        "twin",
        "small",
        "*",
        "x" * 5_000,
        "https://keys.example.org/rsa",
        "| whoami",
        None,
        7,
        True,
        ["rsa"],
        {"kid": "rsa"},
    )
}
HEADERS: dict[str, Attack] = {
    **{f"jku {value!r}": with_header(jku=value) for value in ("http://127.0.0.1/keys", "", ["x"], 7, "file:///etc/passwd")},
    **{f"x5u {value!r}": with_header(x5u=value) for value in ("https://keys.example.org/x", "", 7)},
    "x5c": with_header(x5c=["MII="]),
    "a jwk of its own": with_header(jwk=ATTACKERS_KEY.export_public(as_dict=True)),
    "a jwk of its own and its signature": lambda client: raw_token(
        json.dumps({"alg": "RS384", "kid": "rsa", "jwk": STRANGER.export_public(as_dict=True)}).encode(),
        json.dumps(client.claims()).encode(),
        STRANGER,
    ),
    **{f"crit {value!r}": with_header(crit=value) for value in (["exp"], ["b64"], [], "exp", None, {})},
    **{f"b64 {value!r}": with_header(b64=value) for value in (False, True, "false")},
    **{f"typ {value!r}": with_header(typ=value) for value in ("JWE", "at+jwt", "secevent+jwt", "", 7, None, ["JWT"])},
    "zip": with_header(zip="DEF"),
    "cty": with_header(cty="JWT"),
}
TEXTS: dict[str, Attack] = {
    "a name twice in the claims": saying(f'"exp": {NOW + 200}, "exp": {NOW + 201}'),
    "iss twice": lambda client: saying(f'"iss": "{client.id}"')(client),
    "alg twice": saying('"x": 1', '{"alg": "none", "alg": "RS384", "kid": "rsa"}'),
    "kid twice": saying('"x": 1', '{"alg": "RS384", "kid": "ec", "kid": "rsa"}'),
    "a name twice in an object within": saying('"x": {"y": 1, "y": 2}'),
    "claims that are no object": whole(lambda client: b"[]"),
    "claims that are text": whole(lambda client: b'"x"'),
    "claims that are null": whole(lambda client: b"null"),
    "empty claims": whole(lambda client: b"{}"),
    "no JSON": whole(lambda client: b"{"),
    "JSON and more": whole(lambda client: json.dumps(client.claims()).encode() + b"{}"),
    "JSON in UTF-16": whole(lambda client: json.dumps(client.claims()).encode("utf-16")),
    "JSON in UTF-32": whole(lambda client: json.dumps(client.claims()).encode("utf-32-le")),
    "JSON with a mark before it": whole(lambda client: b"\xef\xbb\xbf" + json.dumps(client.claims()).encode()),
    "bytes that are no UTF-8": whole(lambda client: json.dumps(client.claims()).encode()[:-1] + b', "x": "\xff"}'),
    "nested 5,000 deep": whole(lambda client: b'{"x":' + b"[" * 5_000 + b"]" * 5_000 + b"}"),
    "header that is a list": whole(lambda client: json.dumps(client.claims()).encode(), b"[]"),
    "header that is a number": whole(lambda client: json.dumps(client.claims()).encode(), b"7"),
    "header in UTF-16": whole(lambda client: json.dumps(client.claims()).encode(), json.dumps(NAMED).encode("utf-16")),
    "a token in a token": whole(lambda client: client.assertion().encode()),
    "five parts": with_parts(lambda parts: [*parts, "x", "y"]),
    "four parts": with_parts(lambda parts: [*parts, parts[2]]),
    "no signature": with_parts(lambda parts: [*parts[:2], ""]),
    "no header": with_parts(lambda parts: ["", *parts[1:]]),
    "no claims": with_parts(lambda parts: [parts[0], "", parts[2]]),
    "parts in another order": with_parts(lambda parts: [parts[1], parts[0], parts[2]]),
    "half a signature": with_parts(lambda parts: [*parts[:2], parts[2][:100]]),
    "more of a signature": with_parts(lambda parts: [*parts[:2], parts[2] + "AAAA"]),
    "a signature written otherwise": with_text(other_last_letter),
    "a signature padded": with_text(lambda token: token + "=="),
    "a space before": with_text(lambda token: " " + token),
    "a space after": with_text(lambda token: token + " "),
    "a line after": with_text(lambda token: token + "\n"),
    "a sign within that is none of base64": with_text(lambda token: token[:-5] + "!" + token[-5:]),
    "a NUL after": with_text(lambda token: token + "\0"),
    "letters beyond ASCII": with_text(lambda token: token + "ä"),
    "Bearer before": with_text(lambda token: "Bearer " + token),
    "in JSON": with_text(lambda token: json.dumps({"assertion": token})),
    "two with a space": lambda client: f"{client.assertion()} {client.assertion()}",
    "two with a comma": lambda client: f"{client.assertion()},{client.assertion()}",
    "dots alone": lambda client: "..",
    "20,000 dots": lambda client: "." * 20_000,
    "very long": lambda client: client.assertion(x="y" * 17_000),
    "signed for the outside issuer": lambda client: outside_token(),
}
ASSERTIONS: dict[str, Attack] = DATES | CLAIMED | AUDIENCES | WHOSE | ALGORITHMS | KIDS | HEADERS | TEXTS


@pytest.fixture(scope="module")
def registered(server: Server) -> Client:
    return Client(server)


def refused_as_oauth(answer: httpx.Response, *errors: str) -> None:
    """The error of RFC 6749, 5.2, with nothing in it of what was sent."""
    assert answer.status_code in (400, 401), (answer.status_code, answer.text)
    assert answer.headers["Content-Type"] == "application/json" and answer.headers["Cache-Control"] == "no-store"
    said = answer.json()
    assert set(said) == {"error", "error_description"} and said["error"] in errors, said
    assert DESCRIPTION.fullmatch(said["error_description"]), said
    assert (answer.status_code == 401) is (said["error"] == "invalid_client")
    assert answer.status_code == 400 or answer.headers["WWW-Authenticate"].startswith("Bearer")


@pytest.mark.parametrize("name", ASSERTIONS)
def test_no_assertion_of_the_list_is_a_client(registered: Client, caplog: pytest.LogCaptureFixture, name: str) -> None:
    assertion = ASSERTIONS[name](registered)
    with caplog.at_level(logging.DEBUG, "quietcuff"):
        refused_as_oauth(registered.ask(assertion), "invalid_client", "invalid_request")
    told = " ".join(record.getMessage() for record in caplog.records)
    assert assertion[:200] not in told and assertion[-60:] not in told or len(assertion) < 60


def body_of(client: Client, **changed: str | None) -> dict[str, str]:
    form: dict[str, str | None] = {
        "grant_type": "client_credentials",
        "scope": SCOPE,
        "client_assertion_type": KINDS,
        "client_assertion": client.assertion(),
    }
    return {name: value for name, value in (form | changed).items() if value is not None}


def sent(client: Client, body: bytes, headers: list[tuple[str, str]] | None = None, query: str = "") -> httpx.Response:
    said = [("Content-Type", FORM), *(headers or [])]
    return httpx.post(f"{client.server.url}/oauth2/token{query}", content=body, headers=said, trust_env=False)


def encoded(form: dict[str, str]) -> bytes:
    return str(httpx.QueryParams(form)).encode()


def basic(text: str) -> tuple[str, str]:
    return "Authorization", "Basic " + base64.b64encode(text.encode()).decode()


TWICE = {
    f"{name} twice": name for name in ("grant_type", "scope", "client_assertion_type", "client_assertion", "client_id", "x")
}
FIELDS: dict[str, dict[str, str | None]] = {
    **{
        f"grant_type {value!r}": {"grant_type": value}
        for value in (None, "", "password", "authorization_code", "refresh_token")
    },
    **{
        f"grant_type {value!r}": {"grant_type": value}
        for value in (" client_credentials", "client_credentials ", "CLIENT_CREDENTIALS", "client_credentials\0", KINDS)
    },
    **{
        f"client_assertion_type {value!r}": {"client_assertion_type": value}
        for value in (None, "", KINDS.upper(), KINDS + " ", "urn:ietf:params:oauth:client-assertion-type:saml2-bearer")
    },
    **{f"client_assertion {value!r}": {"client_assertion": value} for value in (None, "", " ", "null", "undefined")},
    **{
        f"scope {value!r}": {"scope": value}
        for value in (None, "", "  ", "\0", "openid", "*", "*.*", "system/*", "system/*.", "user/*.rs")
    },
    **{
        f"scope {value!r}": {"scope": value}
        for value in (
            "system/Observation.rs\tsystem/Patient.rs",
            "system/Observation.rs\nsystem/Patient.rs",
            "system/Observation.rs\u00a0system/Patient.rs",
            'system/Observation.rs"',
            "system/Observation.rs\\",
            "system/Observation.rs\0",
            "SYSTEM/OBSERVATION.RS",
            "system/Observation.sr",
            "system/Observation.rr",
            "system/Observation.rs?",
            "system/Observation.rs?patient=1",
            "system/../Observation.rs",
            "patient/Observation.rs",
            "system/Observation.rs,system/Patient.rs",
            "x" * 20_000,
        )
    },
    **{f"client_secret {value!r}": {"client_secret": value} for value in ("secret", " ", "0")},
    **{f"client_id {value!r}": {"client_id": value} for value in ("x", " ", "*", "00000000-0000-0000-0000-000000000000")},
}


@pytest.mark.parametrize("name", FIELDS)
def test_no_form_of_the_list_is_given_a_token(registered: Client, name: str) -> None:
    answer = sent(registered, encoded(body_of(registered, **FIELDS[name])))
    refused_as_oauth(answer, "invalid_request", "invalid_client", "invalid_scope", "unsupported_grant_type")


@pytest.mark.parametrize("name", TWICE)
def test_a_field_that_stands_twice_is_refused(registered: Client, name: str) -> None:
    form = body_of(registered, client_id=str(registered.id), x="y")
    again = encoded({TWICE[name]: form[TWICE[name]]})
    refused_as_oauth(sent(registered, encoded(form) + b"&" + again), "invalid_request")


BODIES: dict[str, Callable[[Client], bytes]] = {
    "empty": lambda client: b"",
    "bytes that are no UTF-8": lambda client: encoded(body_of(client)) + b"&x=%ff",
    "bytes beyond ASCII": lambda client: encoded(body_of(client)) + b"&x=\xc3\xa4",
    "25 fields": lambda client: encoded(body_of(client)) + b"".join(b"&a%d=1" % number for number in range(25)),
    "JSON": lambda client: json.dumps(body_of(client)).encode(),
    "a name written otherwise twice": lambda client: encoded(body_of(client)) + b"&sc%6fpe=system/*.cruds",
    "semicolons": lambda client: encoded(body_of(client)).replace(b"&", b";"),
    "no values": lambda client: b"grant_type&scope&client_assertion_type&client_assertion",
}


@pytest.mark.parametrize("name", BODIES)
def test_no_body_of_the_list_is_given_a_token(registered: Client, name: str) -> None:
    refused_as_oauth(sent(registered, BODIES[name](registered)), "invalid_request", "unsupported_grant_type")


BESIDE: dict[str, tuple[list[tuple[str, str]], str]] = {
    "Basic": ([basic("x:y")], ""),
    "Basic of no base64": ([("Authorization", "Basic !!!")], ""),
    "Basic of nothing": ([("Authorization", "Basic")], ""),
    "Basic without a colon": ([basic("x")], ""),
    "Basic of two colons": ([basic("x:y:z")], ""),
    "basic in small letters": ([("Authorization", "basic eDp5")], ""),
    "Basic after a Bearer": ([("Authorization", "Bearer x"), basic("x:y")], ""),
    "Basic and Bearer in one": ([("Authorization", "Basic eDp5, Bearer x")], ""),
    "Digest": ([("Authorization", "Digest username=x")], ""),
    "Negotiate": ([("Authorization", "Negotiate x")], ""),
    "a scheme without a name": ([("Authorization", "")], ""),
    "client_id in the address": ([], "?client_id=x"),
    "client_id in the address written otherwise": ([], "?client%5Fid=x"),
    "client_secret in the address": ([], "?client_secret=x"),
    "assertion in the address": ([], "?client_assertion=x"),
    "scope in the address": ([], "?scope=system/*.cruds"),
    "grant in the address": ([], "?x=y&grant_type=password"),
}


@pytest.mark.parametrize("name", BESIDE)
def test_no_second_proof_stands_beside_the_assertion(registered: Client, name: str) -> None:
    headers, query = BESIDE[name]
    refused_as_oauth(sent(registered, encoded(body_of(registered)), headers, query), "invalid_request")


def test_what_is_used_or_taken_away_gives_no_token(registered: Client, server: Server) -> None:
    used = registered.assertion()
    assert registered.ask(used).status_code == 200
    refused_as_oauth(registered.ask(used), "invalid_client")
    named = registered.claims()["jti"]
    assert registered.ask(registered.assertion(jti=named)).status_code == 200
    for other in ({"key": EC_KEY}, {"scope": "x"}, {"exp": int(time.time()) + 100}):
        refused_as_oauth(registered.ask(registered.assertion(jti=named, **other)), "invalid_client")
    gone = Client(server)
    on_database(server, lambda connection: revoke_client(connection, gone.id, datetime.now(UTC)))
    refused_as_oauth(gone.ask(), "invalid_client")
    # The key of one client signs for nobody else.
    other = Client(server, tenant="elsewhere")
    refused_as_oauth(registered.ask(other.assertion(STRANGER)), "invalid_client")


def expired(server: Server) -> str:
    key, now = make_key(), datetime.now(UTC)

    def insert(connection: Any) -> None:
        tenant = find_or_create_tenant(connection, "clinic", now).tenant_id
        ended = now - timedelta(seconds=1)
        row = KeyRow(uuid4(), key.prefix, tenant, key.secret_hash, "test", "system/*.cruds", now, expires_at=ended)
        insert_key(connection, row)

    on_database(server, insert)
    return key.text


def nearly(change: Callable[[str], str]) -> Callable[[Server], str]:
    return lambda server: "Bearer " + change(new_key(server.database_url))


BEARERS: dict[str, Callable[[Server], str]] = {
    "expired": lambda server: "Bearer " + expired(server),
    "secret of another letter": nearly(lambda key: key[:-1] + ("A" if key[-1] != "A" else "B")),
    "secret in capitals": nearly(lambda key: key[:12] + key[12:].swapcase()),
    "prefix in capitals": nearly(lambda key: key[:3] + key[3:11].upper() + "X" + key[12:]),
    "prefix of another": nearly(lambda key: "qc_aaaaaaaa_" + key[12:]),
    "without its last letter": nearly(lambda key: key[:-1]),
    "with one letter more": nearly(lambda key: key + "A"),
    "with a NUL": nearly(lambda key: key[:-1] + "%00"),
    "with a quote": nearly(lambda key: key + "'--"),
    "in quotes": nearly(lambda key: f'"{key}"'),
    "twice": nearly(lambda key: f"{key} {key}"),
    "twice with a comma": nearly(lambda key: f"{key}, Bearer {key}"),
    "padded": nearly(lambda key: key + "="),
    "behind a tab": nearly(lambda key: "\t" + key),
    "the prefix alone": nearly(lambda key: key[:11]),
    "as Basic": lambda server: basic("key:" + new_key(server.database_url))[1],
    "as Token": lambda server: "Token " + new_key(server.database_url),
    "without a scheme": lambda server: new_key(server.database_url),
    "with a scheme that is glued on": lambda server: "Bearer" + new_key(server.database_url),
    "with a colon": lambda server: "Bearer: " + new_key(server.database_url),
    "nothing": lambda server: "Bearer",
    "null": lambda server: "Bearer null",
    "20,000 letters": lambda server: "Bearer " + "a" * 20_000,
    "dots": lambda server: "Bearer ..",
    "an assertion": lambda server: "Bearer " + Client(server).assertion(),
    "unsigned": lambda server: "Bearer " + unsigned("none")(Client(server)),
}


@pytest.mark.parametrize("name", BEARERS)
@pytest.mark.parametrize("path", ["/fhir/R4/Observation", "/v1/reading-sets"])
def test_no_bearer_of_the_list_is_let_in(server: Server, caplog: pytest.LogCaptureFixture, name: str, path: str) -> None:
    authorization = BEARERS[name](server)
    with caplog.at_level(logging.DEBUG, "quietcuff"):
        answer = httpx.get(server.url + path, headers={"Authorization": authorization}, trust_env=False)
    assert answer.status_code in (400, 401, 431), answer.text
    assert answer.status_code != 401 or answer.headers["WWW-Authenticate"].startswith('Bearer realm="quietcuff"')
    told = " ".join(record.getMessage() for record in caplog.records) + answer.text
    assert len(authorization) < 40 or authorization[-40:] not in told


def test_two_keys_are_none(server: Server) -> None:
    good = ("Authorization", f"Bearer {new_key(server.database_url)}")
    for lines in ([good, good], [good, ("Authorization", "Bearer x")], [basic("x:y"), good]):
        assert httpx.get(f"{server.url}/fhir/R4/Observation", headers=lines, trust_env=False).status_code == 401


def outside(**said: Any) -> Callable[[], str]:
    return lambda: outside_token(**said)


def outside_text(
    claims: str, header: str = '{"alg": "RS384", "kid": "rsa", "typ": "at+jwt"}', without: str = ""
) -> Callable[[], str]:
    def make() -> str:
        said = {"iss": ISSUER, "aud": "quietcuff", "exp": int(time.time()) + 200, "clinic": "clinic", "scope": SCOPE}
        kept = {name: value for name, value in said.items() if name != without}
        return raw_token(header.encode(), (json.dumps(kept)[:-1] + f", {claims}}}").encode())

    return make


OUTSIDE: dict[str, Callable[[], str]] = {
    **{
        f"{name} that is {what}": outside_text(f'"{name}": {number}', without=name)
        for name in ("exp", "nbf", "iat")
        for what, number in NUMBERS.items()
    },
    **{
        f"{name} {what}": outside(**{name: value})
        for name in ("iss", "aud", "clinic")
        for what, value in VALUES.items()
        if (name, what) != ("clinic", "half a sign")
    },
    **{f"crit {value!r}": outside_text('"x": 1', json.dumps(NAMED | {"crit": value})) for value in (["exp"], [], None)},
    **{
        f"{name} in the header": outside_text('"x": 1', json.dumps(NAMED | {name: value}))
        for name, value in {
            "jwk": {},
            "x5u": "https://x.example.org",
            "x5c": [],
            "b64": False,
            "zip": "DEF",
            "cty": "JWT",
        }.items()
    },
    "alg twice": outside_text('"x": 1', '{"alg": "none", "alg": "RS384", "kid": "rsa"}'),
    "scope twice": outside_text('"scope": "system/*.cruds"'),
    "clinic twice": outside_text('"clinic": "clinic"'),
    "unsigned": lambda: by_hand({"alg": "none"}, {"iss": ISSUER, "aud": "quietcuff", "exp": NOW + 200}, lambda signed: b"x"),
    "a signature written otherwise": lambda: other_last_letter(outside_token()),
    "a stranger's key": outside(key=STRANGER),
}


@pytest.mark.parametrize("name", OUTSIDE)
def test_no_token_of_the_outside_issuer_of_the_list_is_let_in(trusting: Server, name: str) -> None:
    answer = httpx.get(
        f"{trusting.url}/fhir/R4/Observation", headers={"Authorization": f"Bearer {OUTSIDE[name]()}"}, trust_env=False
    )
    assert answer.status_code == 401, (answer.status_code, answer.text)


def test_the_list_is_long_and_what_it_starts_from_is_good(registered: Client, trusting: Server) -> None:
    assert len(ASSERTIONS) + len(FIELDS) + len(TWICE) + len(BODIES) + len(BESIDE) + len(BEARERS) + len(OUTSIDE) >= 275
    assert sent(registered, encoded(body_of(registered))).status_code == 200
    assert registered.ask(whole(lambda client: json.dumps(client.claims()).encode())(registered)).status_code == 200
    assert registered.ask(registered.assertion(EC_KEY)).status_code == 200
    good = outside_text('"x": 1')()
    headers = {"Authorization": f"Bearer {good}"}
    assert httpx.get(f"{trusting.url}/fhir/R4/Observation", headers=headers, trust_env=False).status_code == 200
