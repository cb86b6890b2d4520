"""Entries as the typed kinds write them: photo evidence, stated evidence, sorts; see `triage/storage/upgrade.py`."""

from alembic import op

from triage.storage.archive import bring_up_to_date

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    bring_up_to_date(op.get_bind())
