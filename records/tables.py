"""The tables of the store as they are in its present version; `records.migrations` makes them."""

from __future__ import annotations

from sqlalchemy import Column, Index, Integer, LargeBinary, MetaData, Table, Text

METADATA = MetaData()

ENTRY = Table(
    "toeline_entry",
    METADATA,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("record", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("why", Text),
    Column("body", Text, nullable=False),
    Column("attachments", Text, nullable=False),
    Column("previous", Text, nullable=False),
    Column("hash", Text, nullable=False, unique=True),
    Column("summary", Text, nullable=False, server_default="{}"),
    Index("toeline_entry_record", "record"),
)
"""Body, attachments and summary are JSON as text; what is hashed is its canonical form."""

ATTACHMENT = Table(
    "toeline_attachment",
    METADATA,
    Column("sha256", Text, primary_key=True),
    Column("data", LargeBinary, nullable=False),
)

HEAD = Table(
    "toeline_head",
    METADATA,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("number", Integer, nullable=False),
    Column("hash", Text, nullable=False),
)
"""One row: number and hash of the last entry. Writers lock it, so that they come one after the other."""
