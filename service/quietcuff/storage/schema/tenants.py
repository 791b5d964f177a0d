"""Tables of tenants, and of the keys and clients that act for them: what commands about these need, without people's tables."""

from __future__ import annotations

from sqlalchemy import BigInteger, Column, Index, Integer, LargeBinary, String, Table, Text

from quietcuff.storage.schema.base import Id, Instant, metadata

tenant = Table(
    "tenant",
    metadata,
    Column("tenant_id", Integer, primary_key=True),
    Column("name", String(255), nullable=False, unique=True),
    Column("secret", LargeBinary(32), nullable=False, doc="key of every digest and derived id of the tenant"),
    Column("settings", LargeBinary, nullable=False, doc="JSON"),
    Column("created_at", Instant, nullable=False),
)

installation = Table(
    "installation",
    metadata,
    Column("installation_id", Integer, primary_key=True, autoincrement=False, doc="1: there is one"),
    Column("public_url", Text, nullable=False, doc="what links and identifiers begin with"),
    Column("set_at", Instant, nullable=False),
)

api_key = Table(
    "api_key",
    metadata,
    Column("key_id", Id, primary_key=True),
    Column("prefix", String(8), nullable=False, unique=True),
    Column("tenant_id", Integer, nullable=False),
    Column("secret_hash", LargeBinary(32), nullable=False),
    Column("name", String(255), nullable=False),
    Column("scopes", Text, nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("expires_at", Instant),
    Column("revoked_at", Instant),
    Column("last_used_at", Instant),
    Column("client_id", Id, doc="of a token: the client it was given to; null of a key"),
    Index("ix_api_key_client", "client_id"),
)

key_use = Table(
    "key_use",
    metadata,
    Column("key_digest", LargeBinary(32), primary_key=True, doc="SHA-256 of the name of who asks"),
    Column("minute", BigInteger, nullable=False, doc="minutes since 1970"),
    Column("taken", Integer, nullable=False),
)
client = Table(
    "client",
    metadata,
    Column("client_id", Id, primary_key=True),
    Column("tenant_id", Integer, nullable=False),
    Column("name", String(255), nullable=False),
    Column("scopes", Text, nullable=False, doc="the most that a token of it may carry"),
    Column("key_set", LargeBinary, doc="JSON Web Key Set of public keys; null where it stands at an address"),
    Column("key_set_url", Text),
    Column("created_at", Instant, nullable=False),
    Column("revoked_at", Instant),
)

assertion_use = Table(
    "assertion_use",
    metadata,
    Column("client_id", Id, primary_key=True),
    Column("assertion_digest", LargeBinary(32), primary_key=True, doc="SHA-256 of the assertion's jti"),
    Column("expires_at", Instant, nullable=False),
    Index("ix_assertion_use_expires", "expires_at"),
    sqlite_with_rowid=False,
)
