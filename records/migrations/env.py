"""What Alembic runs to take a store from one version to the next, on the connection it is given."""

from __future__ import annotations

from alembic import context

from records.migrations import VERSION_TABLE


def migrate() -> None:
    """Run the missing versions inside the transaction that is already open: all of them, or none."""
    context.configure(connection=context.config.attributes["connection"], version_table=VERSION_TABLE)
    with context.begin_transaction():
        context.run_migrations()


if __name__ == "env_py":  # the name under which Alembic loads this file
    migrate()
