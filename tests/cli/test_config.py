"""Defaults from the configuration file: they serve every command, and what is on the command line wins."""

import json
from pathlib import Path

import pytest

from cli.config import MAX_BYTES, VARIABLE
from cli.main import run

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"


@pytest.fixture
def configured(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    def write(text: str | bytes) -> Path:
        path = tmp_path / "config.toml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        monkeypatch.setenv(VARIABLE, str(path))
        return path

    return write


def measured(capsys: pytest.CaptureFixture, *options: str) -> tuple[str, dict]:
    target = ["measure", str(SAMPLES / "tee.jpg"), "--scale", "0.028 mm"]
    assert run([*target, *options]) == 0
    shown = capsys.readouterr().out
    assert run([*target, *options, "--json", "-"]) == 0
    return shown, json.loads(capsys.readouterr().out)


def test_shared_keys_serve_a_command_and_flags_win(configured, capsys: pytest.CaptureFixture) -> None:
    configured('units = "inch"\noperator = "A. Technician"\n')
    shown, document = measured(capsys)
    assert "1/64 in" in shown
    assert document["results"][0]["settings"]["operator"] == "A. Technician"
    shown, document = measured(capsys, "--units", "metric", "--operator", "B. Technician")
    assert "1/64 in" not in shown
    assert document["results"][0]["settings"]["operator"] == "B. Technician"


def test_a_commands_own_table_comes_before_the_shared_keys(configured, capsys: pytest.CaptureFixture) -> None:
    configured('units = "inch"\n[measure]\nunits = "metric"\njoint = "tee"\n')
    shown, document = measured(capsys)
    assert "1/64 in" not in shown
    assert document["results"][0]["settings"]["joint"] == "tee"


def test_options_of_a_nested_command(configured, tmp_path: Path) -> None:
    configured('[calibrate.ruler]\nspacing = "1 mm"\n')
    out = tmp_path / "tee.cal.json"
    assert run(["calibrate", "ruler", str(SAMPLES / "tee.jpg"), "--out", str(out)]) == 0
    assert out.exists()


def test_user_folder_is_looked_into(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.setattr("cli.config.sys.platform", "linux")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    (tmp_path / "toeline").mkdir()
    (tmp_path / "toeline" / "config.toml").write_text('units = "inch"\n')
    assert "1/64 in" in measured(capsys)[0]


@pytest.mark.parametrize(
    ("text", "status", "words"),
    [
        ('units = "inch', 3, "is not TOML"),
        (b"\xff\xfe\x00", 3, "is not TOML"),
        ("[" * 5000, 3, "is not TOML"),
        (b"# " + b"x" * MAX_BYTES, 3, "is too large"),
        ('colour = "red"', 2, "'colour' is not known at the top"),
        ("[measure]\ncolour = 1", 2, "'colour' is no option"),
        ('[weld]\nunits = "inch"', 2, "[weld] is no command"),
        ("units = true", 2, "takes text or a number"),
        ("units = [1, 2]", 2, "takes one value"),
        ('[measure]\nscale-from-metadata = "yes"', 2, "takes true or false"),
        ('units = "furlong"', 2, "--units 'furlong' is not known"),
    ],
)
def test_a_bad_file_gets_its_sentence(
    configured, text: str | bytes, status: int, words: str, capsys: pytest.CaptureFixture
) -> None:
    configured(text)
    assert run(["measure", str(SAMPLES / "tee.jpg"), "--scale", "0.028 mm"]) == status
    error = capsys.readouterr().err
    assert words in error
    assert len(error.splitlines()) == 1


def test_a_named_file_must_be_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    monkeypatch.setenv(VARIABLE, str(tmp_path / "none.toml"))
    assert run(["--help"]) == 3
    assert "is not there" in capsys.readouterr().err
