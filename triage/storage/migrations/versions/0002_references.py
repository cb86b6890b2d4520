"""References between entries as rows of their own, which the next migration fills; an index by kind."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.create_index("ix_record_kind", "record", ["kind"])
    op.create_table(
        "reference",
        sa.Column("record_id", sa.String(40), sa.ForeignKey("record.id"), primary_key=True),
        sa.Column("field", sa.String(40), primary_key=True),
        sa.Column("target", sa.String(40), sa.ForeignKey("record.id"), nullable=False),
    )
    op.create_index("ix_reference_target", "reference", ["target"])
