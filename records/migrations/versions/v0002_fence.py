"""Version 2: the head of the chain, a quick summary of each entry, and triggers that refuse changes.

A version is never edited once it is in use, so it holds its own copy of what it needs.
"""

from __future__ import annotations

import json
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

NEVER = "toeline: what is kept is never changed"


def upgrade() -> None:
    """Add the column and the table, fill both from the entries that are there, and raise the fence."""
    op.add_column("toeline_entry", sa.Column("summary", sa.Text, nullable=False, server_default="{}"))
    op.create_index("toeline_entry_record", "toeline_entry", ["record"])
    op.create_table(
        "toeline_head",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("hash", sa.Text, nullable=False),
    )
    connection = op.get_bind()
    entries = connection.execute(sa.text("SELECT number, kind, body, hash FROM toeline_entry ORDER BY number")).all()
    for number, kind, body, _ in entries:
        connection.execute(
            sa.text("UPDATE toeline_entry SET summary = :summary WHERE number = :number"),
            {"number": number, "summary": _summary(kind, json.loads(body))},
        )
    head = (entries[-1][0], entries[-1][3]) if entries else (0, "0" * 64)
    connection.execute(
        sa.text("INSERT INTO toeline_head (id, number, hash) VALUES (1, :number, :hash)"),
        {"number": head[0], "hash": head[1]},
    )
    for statement in _fence_sqlite() if connection.dialect.name == "sqlite" else _fence_postgresql():
        op.execute(statement)


def _summary(kind: str, body: Any) -> str:
    part: dict[str, str | None] = {}
    if kind in ("measured", "corrected"):
        source, weld = _mapping(body.get("source")), _mapping(body.get("weld"))
        named = {"source": source.get("name"), "weld": weld.get("id"), "joint": weld.get("joint")}
        part = {name: str(value) for name, value in named.items() if value is not None}
    if kind in ("measured", "identified"):
        fields = _mapping(body.get("identification"))
        for name in ("job", "weld_number"):
            if name in fields:
                part[name] = None if fields[name] is None else str(fields[name])
    return json.dumps(part, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def _mapping(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


ENTRY_OUT_OF_LINE = """NOT EXISTS (
    SELECT 1 FROM toeline_head WHERE number = NEW.number - 1 AND hash = NEW.previous)"""
HEAD_OUT_OF_LINE = """NEW.id <> OLD.id OR NEW.number <> OLD.number + 1 OR NOT EXISTS (
    SELECT 1 FROM toeline_entry WHERE number = NEW.number AND hash = NEW.hash)"""


def _fence_sqlite() -> list[str]:
    # The guards of INSERT are needed because INSERT OR REPLACE takes rows away without a DELETE.
    guards = [
        ("toeline_entry", "UPDATE", "1"),
        ("toeline_entry", "DELETE", "1"),
        ("toeline_entry", "INSERT", ENTRY_OUT_OF_LINE),
        ("toeline_attachment", "UPDATE", "1"),
        ("toeline_attachment", "DELETE", "1"),
        ("toeline_attachment", "INSERT", "EXISTS (SELECT 1 FROM toeline_attachment WHERE sha256 = NEW.sha256)"),
        ("toeline_head", "UPDATE", HEAD_OUT_OF_LINE),
        ("toeline_head", "DELETE", "1"),
        ("toeline_head", "INSERT", "1"),
    ]
    return [
        f"CREATE TRIGGER {table}_{event.lower()} BEFORE {event} ON {table} WHEN {condition} "
        f"BEGIN SELECT RAISE(ABORT, '{NEVER}'); END"
        for table, event, condition in guards
    ]


def _fence_postgresql() -> list[str]:
    statements = [
        f"""CREATE FUNCTION toeline_never() RETURNS trigger LANGUAGE plpgsql AS $$
            BEGIN RAISE EXCEPTION '{NEVER}'; END $$""",
        f"""CREATE FUNCTION toeline_entry_in_line() RETURNS trigger LANGUAGE plpgsql AS $$
            BEGIN IF {ENTRY_OUT_OF_LINE} THEN RAISE EXCEPTION '{NEVER}'; END IF; RETURN NEW; END $$""",
        f"""CREATE FUNCTION toeline_head_in_line() RETURNS trigger LANGUAGE plpgsql AS $$
            BEGIN IF {HEAD_OUT_OF_LINE} THEN RAISE EXCEPTION '{NEVER}'; END IF; RETURN NEW; END $$""",
        """CREATE TRIGGER toeline_entry_insert BEFORE INSERT ON toeline_entry
            FOR EACH ROW EXECUTE FUNCTION toeline_entry_in_line()""",
        """CREATE TRIGGER toeline_head_update BEFORE UPDATE ON toeline_head
            FOR EACH ROW EXECUTE FUNCTION toeline_head_in_line()""",
    ]
    never = [("toeline_entry", "UPDATE OR DELETE"), ("toeline_attachment", "UPDATE OR DELETE"),
             ("toeline_head", "INSERT OR DELETE")]  # fmt: skip
    for table, events in never:
        statements.append(
            f"CREATE TRIGGER {table}_never BEFORE {events} ON {table} FOR EACH ROW EXECUTE FUNCTION toeline_never()"
        )
        statements.append(
            f"CREATE TRIGGER {table}_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION toeline_never()"
        )
    return statements
