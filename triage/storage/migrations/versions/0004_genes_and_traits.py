"""Nothing moves: from here on genes and traits may stand in the records, which an older program would take for damage."""

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """No table and no entry changes."""
