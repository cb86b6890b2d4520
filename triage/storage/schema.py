"""Tables of the newest schema. Migrations bring older databases here; see `migrations/versions`."""

from __future__ import annotations

from sqlalchemy import Column, ForeignKey, Index, Integer, MetaData, String, Table, Text, UniqueConstraint

metadata = MetaData()

#: One act of a person: everything it changed is kept below it. `hash` covers the act and `previous`, so the acts form a chain.
change = Table(
    "change",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("at", String(40), nullable=False),
    Column("who", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("previous", String(64), nullable=False),
    Column("hash", String(64), nullable=False),
)

#: What an act made of an entry: its whole content (JSON), or nothing where the act removed it. Never updated, never deleted.
revision = Table(
    "revision",
    metadata,
    Column("change_id", Integer, ForeignKey("change.id"), primary_key=True),
    Column("place", Integer, primary_key=True),
    Column("record_id", String(40), nullable=False),
    Column("kind", String(20), nullable=False),
    Column("version", Integer, nullable=False),
    Column("content", Text),
    UniqueConstraint("record_id", "version", name="uq_revision_record_version"),
)

#: The entries as they are now; can be made anew from the revisions.
record = Table(
    "record",
    metadata,
    Column("id", String(40), primary_key=True),
    Column("kind", String(20), nullable=False),
    Column("version", Integer, nullable=False),
    Column("content", Text, nullable=False),
    Index("ix_record_kind", "kind"),
)

#: Which entry points to which, so that the database itself refuses to drop what is pointed to. Since schema 0002.
reference = Table(
    "reference",
    metadata,
    Column("record_id", String(40), ForeignKey("record.id"), primary_key=True),
    Column("field", String(40), primary_key=True),
    Column("target", String(40), ForeignKey("record.id"), nullable=False),
    Index("ix_reference_target", "target"),
)
