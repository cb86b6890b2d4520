"""References between entries as rows of their own, filled from the entries that are there; an index by kind."""

import json

import sqlalchemy as sa
from alembic import op

from triage.storage.kinds import references

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.create_index("ix_record_kind", "record", ["kind"])
    table = op.create_table(
        "reference",
        sa.Column("record_id", sa.String(40), sa.ForeignKey("record.id"), primary_key=True),
        sa.Column("field", sa.String(40), primary_key=True),
        sa.Column("target", sa.String(40), sa.ForeignKey("record.id"), nullable=False),
    )
    op.create_index("ix_reference_target", "reference", ["target"])
    rows = op.get_bind().execute(sa.text("SELECT id, kind, content FROM record")).all()
    found = [
        {"record_id": row.id, "field": field, "target": target}
        for row in rows
        for field, target, _ in references(row.kind, json.loads(row.content))
    ]
    if found:
        op.bulk_insert(table, found)
