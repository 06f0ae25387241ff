"""What goes wrong with stores, done for real: kills, full disks, many writers, files that may only be read."""

import random
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from core.errors import UnreadableFile
from records.store import open_store

ROOT = Path(__file__).resolve().parents[2]
BODY = {"source": {"name": "tee.jpg"}, "weld": {"id": "1"}, "identification": {"job": "J"}, "fill": "x" * 2000}

WRITER = """
import os, sys
from records.store import open_store
where, count, size = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
with open_store(where) as store:
    for _ in range(count):
        files = {"picture": os.urandom(size)} if size else {}
        entry = store.add(None, "measured", {"weld": {"id": "1"}}, who=str(os.getpid()), attachments=files)
        print(entry.hash, flush=True)
"""

GATE = """
import sys
import records.store, records.upgrade
print("ready", flush=True)
sys.stdin.readline()
"""

DIES_BEFORE_COMMIT = """
import os, signal, sys
from sqlalchemy import event
from records.store import open_store
store = open_store(sys.argv[1])
@event.listens_for(store._engine, "commit")
def die(connection):
    os.kill(os.getpid(), signal.SIGKILL)
store.add("W-000001", "rejected", {}, who="B", why="x", attachments={"picture": os.urandom(8 << 20)})
"""

FULL = """
import os, resource, sys
from core.errors import UnreadableFile
from records.store import open_store
where, limit = sys.argv[1], int(sys.argv[2])
with open_store(where) as store:
    if limit:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    try:
        for _ in range(200):
            entry = store.add(None, "measured", {}, who="A", attachments={"picture": os.urandom(50_000)})
            print(entry.hash, flush=True)
    except UnreadableFile as error:
        print(error.code, error, file=sys.stderr)
        sys.exit(3)
"""


def start(program: str, *arguments: object) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-c", program, *map(str, arguments)],
        cwd=ROOT, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def open_gate(children: list[subprocess.Popen]) -> None:
    """Let programs go on at the same moment, once all have loaded what they need."""
    for child in children:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
    for child in children:
        assert child.stdin is not None
        child.stdin.write("go\n")
        child.stdin.flush()


def kept_hashes(where: str) -> set[str]:
    with open_store(where) as store:
        return {entry.hash for line in store.records() for entry in store.record(line.id).entries}


def test_killed_before_the_commit_leaves_nothing_of_the_entry(where: str) -> None:
    with open_store(where) as store:
        store.add(None, "measured", BODY, who="A")
        confirmed = store.add("W-000001", "confirmed", {}, who="B")
    child = start(DIES_BEFORE_COMMIT, where)
    child.communicate(timeout=60)
    assert child.returncode == -signal.SIGKILL
    if not where.startswith("postgresql"):
        assert Path(f"{where}-wal").stat().st_size > 0  # it did die in the middle of its writing
    with open_store(where) as store:
        assert store.head() == (2, confirmed.hash)
        assert store.record("W-000001").state == "confirmed"
        assert store.verify(confirmed.hash) == []
        assert store.add("W-000001", "note", {}, who="C").number == 3  # no lock is left behind


def test_killed_at_any_moment_what_was_reported_is_there(where: str) -> None:
    with open_store(where):
        pass
    told: set[str] = set()
    delays = random.Random(7)
    for _ in range(4):
        child = start(WRITER, where, 10_000, 300_000)
        assert child.stdout is not None
        told.add(child.stdout.readline().strip())
        time.sleep(delays.uniform(0, 0.15))
        child.kill()
        rest, errors = child.communicate(timeout=60)
        assert errors == ""
        told |= {line for line in rest.split("\n")[:-1] if len(line) == 64}
        with open_store(where) as store:
            assert store.verify() == []
    assert len(told) >= 4
    assert told <= kept_hashes(where)


def test_writers_at_once_come_one_after_the_other(where: str) -> None:
    with open_store(where):
        pass
    children = [start(WRITER, where, 12, 5000) for _ in range(3)]
    told = set()
    for child in children:
        output, errors = child.communicate(timeout=120)
        assert (child.returncode, errors) == (0, "")
        told |= set(output.split())
    assert len(told) == 36
    assert kept_hashes(where) == told
    with open_store(where) as store:
        assert store.head()[0] == 36
        assert store.verify() == []
        assert len({store.record(line.id).entries[0].who for line in store.records()}) == 3


def test_writers_that_make_the_store_at_once(where: str) -> None:
    children = [start(GATE + WRITER, where, 2, 0) for _ in range(4)]
    open_gate(children)
    for child in children:
        _, errors = child.communicate(timeout=120)
        assert (child.returncode, errors) == (0, "")
    with open_store(where) as store:
        assert store.head()[0] == 8
        assert store.verify() == []
    if not where.startswith("postgresql"):
        assert [path.name for path in Path(where).parent.iterdir()] == ["records.db"]


def test_a_writer_that_waits_too_long_says_so(filled: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("records.engine.WAIT_S", 0.1)
    other = sqlite3.connect(filled)
    other.execute("BEGIN IMMEDIATE")
    with open_store(filled) as store:
        with pytest.raises(UnreadableFile, match="busy with other writers, nothing was written"):
            store.add(None, "measured", BODY, who="A")
        assert len(store.records()) == 4  # readers do not wait
    other.close()


def test_a_server_that_waits_too_long_says_so(postgres: str, monkeypatch: pytest.MonkeyPatch) -> None:
    from sqlalchemy import create_engine, text

    monkeypatch.setattr("records.engine.WAIT_S", 1)
    with open_store(postgres) as store:
        engine = create_engine(postgres)
        with engine.begin() as other:
            other.execute(text("SELECT * FROM toeline_head FOR UPDATE"))
            with pytest.raises(UnreadableFile, match="busy with other writers, nothing was written"):
                store.add(None, "measured", BODY, who="A")
        engine.dispose()
        assert store.add(None, "measured", BODY, who="A").number == 1


def test_a_server_with_other_defaults(postgres: str) -> None:
    """Under serializable transactions a writer that waited would be sent away."""
    from sqlalchemy import make_url

    url = make_url(postgres)
    options = f"{url.query['options']} -cdefault_transaction_isolation=serializable"
    where = url.update_query_dict({"options": options}).render_as_string(hide_password=False)
    with open_store(where):
        pass
    children = [start(WRITER, where, 10, 0) for _ in range(3)]
    for child in children:
        _, errors = child.communicate(timeout=120)
        assert (child.returncode, errors) == (0, "")


def test_connections_cut_by_the_server(postgres: str) -> None:
    """A server that is started again cuts every connection; the next call gets a new one."""
    from sqlalchemy import create_engine, make_url, text

    name = "cut by a test"
    where = make_url(postgres).update_query_dict({"application_name": name}).render_as_string(hide_password=False)
    with open_store(where) as store:
        store.add(None, "measured", BODY, who="A")
        engine = create_engine(postgres)
        with engine.begin() as other:
            query = "SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity WHERE application_name = :name"
            assert other.execute(text(query), {"name": name}).scalar() == 1
        engine.dispose()
        assert store.add(None, "measured", BODY, who="A").number == 2


def out_of_room(where: Path, limit: int, code: str) -> None:
    """Fill the store until the disk takes no more: what was reported is there, the rest is told in one line."""
    with open_store(where) as store:
        store.add(None, "measured", BODY, who="A")
        confirmed = store.add("W-000001", "confirmed", {}, who="B")
    child = start(FULL, where, limit)
    output, errors = child.communicate(timeout=120)
    assert child.returncode == 3
    assert errors.startswith(code)
    assert errors.count("\n") == 1
    told = set(output.split())
    assert told
    with open_store(where) as store:
        assert store.record("W-000001").state == "confirmed"
        assert store.verify(confirmed.hash) == []
    assert told <= kept_hashes(str(where))


def test_a_limit_of_the_file_size(tmp_path: Path) -> None:
    out_of_room(tmp_path / "records.db", 400_000, "store_unwritable")
    with open_store(tmp_path / "records.db") as store:  # and with room again it goes on
        store.add("W-000001", "note", {}, who="A")
        assert store.verify() == []


def test_a_full_disk(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", disk], capture_output=True, check=False)
    if mounted.returncode != 0:
        pytest.skip("no small disk can be mounted here")
    try:
        out_of_room(disk / "records.db", 0, "store_full")
    finally:
        subprocess.run(["umount", disk], check=True)


def test_a_disk_too_full_to_make_a_store(tmp_path: Path) -> None:
    code = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (9000, 9000))\n" + FULL
    child = start(code, tmp_path / "records.db", 0)
    _, errors = child.communicate(timeout=60)
    assert child.returncode != 0
    assert "nothing was written; check the disk and try again" in errors
    assert list(tmp_path.iterdir()) == []


READ_ONLY = """
import os, sys
from core.errors import UnreadableFile
from records.store import open_store
if os.geteuid() == 0:  # root may write everywhere
    open_store(sys.argv[1]).close()  # loads everything while it may be read
    os.setuid(65534)
try:
    with open_store(sys.argv[1]) as store:
        store.add("W-000001", "note", {}, who="A")
except UnreadableFile as error:
    sys.exit(error.code)
"""


def test_a_store_that_may_only_be_read(filled: Path) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shutil.copy(filled, folder)
        (folder / filled.name).chmod(0o444)
        folder.chmod(0o555)
        _, errors = start(READ_ONLY, folder / filled.name).communicate(timeout=60)
        folder.chmod(0o755)
        assert errors.strip() == "store_unwritable"


def test_limits_of_this_process_are_untouched() -> None:
    """The tests above set limits in children only."""
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] in (resource.RLIM_INFINITY, -1)
