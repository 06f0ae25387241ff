"""Places for a store, on SQLite and, where a server is named, on PostgreSQL; and a way round the fence, to tamper."""

import copy
import os
import random
import uuid
from pathlib import Path

import pytest
from sqlalchemy import create_engine, make_url, text

from records.location import locate
from records.store import open_store

WELD = {
    "id": "1",
    "joint": "tee",
    "measurements": {
        "leg_left": {
            "value": 6.39,
            "unit": "mm",
            "expanded_uncertainty": 0.06,
            "coverage_factor": 2.0,
            "state": "measured",
            "label": "leg, left",
        },
        "toe_radius_left": {"value": None, "unit": "mm", "state": "not_measurable", "reason": "an undercut"},
    },
    "outcomes": [],
}
BODY = {
    "source": {"name": "tee.jpg", "sha256": "a" * 64},
    "weld": WELD,
    "identification": {"job": "Footbridge", "weld_number": "7"},
}


@pytest.fixture
def postgres():
    """A schema of its own on the server, dropped afterwards; its URL."""
    server = os.environ.get("TOELINE_TEST_POSTGRES")
    if not server:
        pytest.skip("TOELINE_TEST_POSTGRES names no server")
    url = make_url(server).set(drivername="postgresql+psycopg")
    schema = f"t{uuid.uuid4().hex}"
    engine = create_engine(url)
    with engine.begin() as connection:
        connection.execute(text(f"CREATE SCHEMA {schema}"))
    yield url.update_query_dict({"options": f"-csearch_path={schema}"}).render_as_string(hide_password=False)
    with engine.begin() as connection:
        connection.execute(text(f"DROP SCHEMA {schema} CASCADE"))
    engine.dispose()


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request, tmp_path: Path) -> str:
    """A place for a store that is not there yet."""
    if request.param == "postgresql":
        return request.getfixturevalue("postgres")
    return str(tmp_path / "records.db")


@pytest.fixture
def body() -> dict:
    return copy.deepcopy(BODY)


@pytest.fixture
def tamper():
    """Change a store as somebody does who knows how to step over the triggers, and leaves them as they were."""

    def change(where: str, *statements: str, **values: object) -> None:
        engine = create_engine(locate(where).url)
        with engine.begin() as connection:
            triggers = []
            if engine.dialect.name == "sqlite":
                query = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
                triggers = connection.execute(text(query)).all()
                for name, _ in triggers:
                    connection.exec_driver_sql(f"DROP TRIGGER {name}")
            else:
                connection.execute(text("SET session_replication_role = replica"))
            for statement in statements:
                done = connection.execute(text(statement), values)
                assert done.rowcount > 0, statement
            for _, sql in triggers:
                connection.exec_driver_sql(sql)
        engine.dispose()

    return change


@pytest.fixture
def filled(tmp_path: Path) -> Path:
    """A store of four records, one of them confirmed."""
    body = {"source": {"name": "tee.jpg"}, "weld": {"id": "1"}, "identification": {"job": "J"}, "fill": "x" * 2000}
    path = tmp_path / "records.db"
    with open_store(path) as store:
        for _ in range(4):
            store.add(None, "measured", body, who="A", attachments={"picture": random.Random(1).randbytes(20_000)})
        store.add("W-000001", "confirmed", {}, who="B")
    return path
