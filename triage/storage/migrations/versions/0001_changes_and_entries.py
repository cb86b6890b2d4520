"""Acts with what they changed, and the entries as they are now."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "change",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("at", sa.String(40), nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("previous", sa.String(64), nullable=False),
        sa.Column("hash", sa.String(64), nullable=False),
    )
    op.create_table(
        "revision",
        sa.Column("change_id", sa.Integer, sa.ForeignKey("change.id"), primary_key=True),
        sa.Column("place", sa.Integer, primary_key=True),
        sa.Column("record_id", sa.String(40), nullable=False),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("content", sa.Text),
        sa.UniqueConstraint("record_id", "version", name="uq_revision_record_version"),
    )
    op.create_table(
        "record",
        sa.Column("id", sa.String(40), primary_key=True),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.Column("content", sa.Text, nullable=False),
    )
