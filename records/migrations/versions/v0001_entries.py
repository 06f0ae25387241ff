"""Version 1: entries and the files kept with them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the two tables."""
    op.create_table(
        "toeline_entry",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("record", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("at", sa.Text, nullable=False),
        sa.Column("who", sa.Text, nullable=False),
        sa.Column("why", sa.Text),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("attachments", sa.Text, nullable=False),
        sa.Column("previous", sa.Text, nullable=False),
        sa.Column("hash", sa.Text, nullable=False, unique=True),
    )
    op.create_table(
        "toeline_attachment",
        sa.Column("sha256", sa.Text, primary_key=True),
        sa.Column("data", sa.LargeBinary, nullable=False),
    )
