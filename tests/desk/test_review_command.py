"""``toeline review`` as a command: its address, its port, and how it ends."""

import http.client
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from core.errors import UnreadableFile, UsageError
from desk.review.items import of_result
from desk.review.server import HOST, _bound
from records.store import open_store

ROOT = Path(__file__).resolve().parents[2]


def test_what_is_no_result_is_told_of(tmp_path: Path, measured: Path) -> None:
    with pytest.raises(UsageError, match=r"no result\.json"):
        of_result(tmp_path, None)
    (measured / "result.json").write_text("{}")
    with pytest.raises(UnreadableFile, match="not a result file"):
        of_result(measured, None)
    with pytest.raises(UnreadableFile, match="no such file"):
        of_result(tmp_path / "none.json", None)


def test_the_command_prints_its_address_and_stops_with_an_interrupt(measured: Path, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "cli.main", "review", str(measured), "--records", str(tmp_path / "own.db")]
    environment = os.environ | {"PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(
        [*command, "--no-browser"], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
    ) as process:
        lines = [process.stdout.readline() for _ in range(4)]
        port = int(lines[2].split(":")[2].split("/")[0])
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        connection.request("GET", lines[2].strip().partition(str(port))[2])
        assert connection.getresponse().status == 303
        connection.close()
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=20)
    assert (process.returncode, err) == (0, "")
    assert "The desk is closed." in out


def test_the_button_closes_the_desk(sitting) -> None:
    assert sitting.client().post("/api/close", {}) == {"closed": True}
    sitting.thread.join(10)
    assert not sitting.thread.is_alive()


def test_nothing_to_review_is_said_and_a_taken_port_too(tmp_path: Path, sitting, capsys) -> None:
    from cli.main import run

    where = str(tmp_path / "empty.db")
    open_store(where).close()
    assert run(["review", "--records", where, "--no-browser"]) == 0
    assert "Nothing waits in" in capsys.readouterr().out
    with open_store(where) as store:
        assert store.records() == []
    measured = str(tmp_path / "measured")
    assert run(["review", measured, "--records", where, "--no-browser", "--port", str(sitting.port)]) == 2
    assert "port cannot be used" in capsys.readouterr().err


def test_a_port_serves_again_at_once() -> None:
    """A desk that was closed left its port waiting for a minute, and the same command was refused."""
    desk = _bound(0)
    port = desk.getsockname()[1]
    with socket.create_connection((HOST, port)) as page:
        answer, _ = desk.accept()
        answer.close()  # the desk ends the connection: it is its side that waits
        assert page.recv(1) == b""
    desk.close()
    with _bound(port) as again:
        assert again.getsockname()[1] == port
        with pytest.raises(UsageError, match="port cannot be used"):
            _bound(port)
