"""``toeline records`` and ``toeline measure --records`` as a user meets them."""

import json
import sqlite3
from pathlib import Path

import pytest

from cli.main import run
from records.store import open_store

ROOT = Path(__file__).resolve().parents[2]
TEE = ROOT / "sample_images" / "tee.jpg"
TEMPLATE = 'job = "Footbridge"\nwelder = "A. Smith"\nadditional_measures = "none"\n'


@pytest.fixture(autouse=True)
def own_data_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("TOELINE_RECORDS", raising=False)


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A result file of the sample picture."""
    path = tmp_path_factory.mktemp("measured") / "tee.json"
    assert run(["measure", str(TEE), "--scale", "0.028 mm", "--joint", "tee", "--json", str(path)]) == 0
    return path


@pytest.fixture
def template(tmp_path: Path) -> Path:
    path = tmp_path / "job.toml"
    path.write_text(TEMPLATE, encoding="utf-8")
    return path


def toeline(capsys: pytest.CaptureFixture, *arguments: object, status: int = 0) -> str:
    capsys.readouterr()
    assert run([str(argument) for argument in arguments]) == status
    captured = capsys.readouterr()
    if status:
        assert captured.err.startswith("toeline: ")
        assert captured.err.count("\n") == 1
    else:
        assert captured.err == ""
    return captured.out + captured.err


def test_measure_keeps_what_it_measured(tmp_path: Path, template: Path, capsys: pytest.CaptureFixture) -> None:
    told = toeline(capsys, "measure", TEE, "--scale", "0.028 mm", "--joint", "tee", "--records", "default",
                   "--template", template, "--operator", "C. Jones")  # fmt: skip
    assert "W-000001: " in told
    assert "tee.jpg, weld 1: waits for confirmation." in told
    assert "a report of a macro examination still lacks: weld number, parent metal," in told
    assert "safety" not in told.split("still lacks")[1]
    with open_store(tmp_path / "data" / "toeline" / "records.db") as store:
        record = store.record("W-000001")
        assert record.last.who == "C. Jones"
        assert record.identification["job"] == "Footbridge"
        assert store.attachment(record.last.attachments["picture"]) == TEE.read_bytes()
        assert next(iter(record.current["weld"]["measurements"])) == "joint_angle"  # the order of tables


def test_output_for_a_program_stays_clean(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    arguments = ["measure", TEE, "--scale", "0.028 mm", "--joint", "tee", "--records", tmp_path / "r.db", "--json", "-",
                 "--no-picture"]  # fmt: skip
    assert run([str(argument) for argument in arguments]) == 0
    captured = capsys.readouterr()
    assert json.loads(captured.out)["schema"] == "toeline.result/1"
    assert "W-000001" in captured.err
    with open_store(tmp_path / "r.db") as store:
        assert store.record("W-000001").last.attachments == {}


def test_nothing_is_measured_for_a_store_that_cannot_be_used(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    out = tmp_path / "out.json"
    told = toeline(capsys, "measure", TEE, "--scale", "0.028 mm", "--records", tmp_path, "--json", out, status=3)
    assert "this is a folder" in told
    assert not out.exists()
    told = toeline(capsys, "measure", TEE, "--scale", "0.028 mm", "--no-picture", status=2)
    assert "--records" in told


@pytest.mark.parametrize(
    "command",
    [
        ("records", "list"),
        ("records", "show", "W-000001"),
        ("records", "verify"),
        ("records", "export", "--out", "out.csv"),
        ("report", "W-000001", "--out", "out.pdf"),
        ("review", "--no-browser"),
    ],
)
def test_no_empty_store_is_made_for_one_who_only_reads(
    tmp_path: Path, command: tuple[str, ...], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    """A name that is mistyped would hold: of no entry none is wrong."""
    monkeypatch.chdir(tmp_path)
    told = toeline(capsys, *command, "--records", "shp/records.db", status=3)
    assert "shp/records.db: there is no such store of records" in told
    assert not (tmp_path / "shp").exists()
    assert not (tmp_path / "out.csv").exists()


def test_a_report_takes_the_store_in_its_usual_place_by_name(
    tmp_path: Path, measured: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    monkeypatch.chdir(tmp_path)
    toeline(capsys, "records", "add", measured, "--records", "default", "--who", "A")
    toeline(capsys, "report", "W-000001", "--records", "default", "--out", "out.html")
    assert "W-000001" in (tmp_path / "out.html").read_text(encoding="utf-8")
    assert not (tmp_path / "default").exists()


def test_the_whole_way(tmp_path: Path, measured: Path, template: Path, capsys: pytest.CaptureFixture) -> None:
    assert toeline(capsys, "records", "list") == "No records.\n"
    told = toeline(capsys, "records", "add", measured, "--template", template, "--who", "A")
    assert "W-000001" in told
    toeline(capsys, "records", "add", measured, "--who", "A")
    with open_store(tmp_path / "data" / "toeline" / "records.db") as store:
        confirmed = store.add("W-000001", "confirmed", {}, who="B", why="seen\x1b[31m")

    told = toeline(capsys, "records", "list")
    assert "W-000001" in told
    assert "W-000002" in told
    assert "W-000002" not in toeline(capsys, "records", "list", "--state", "confirmed")
    assert "W-000002" not in toeline(capsys, "records", "list", "--job", "Footbridge")
    assert toeline(capsys, "records", "list", "--job", "Foot") == "No records.\n"

    told = toeline(capsys, "records", "show", "W-000001", "--files", tmp_path / "files")
    for text in ("W-000001: confirmed", "job: Footbridge", "welder: A. Smith", "leg, left", "measured by A",
                 "confirmed by B: seen", confirmed.hash):  # fmt: skip
        assert text in told
    assert "\x1b" not in told
    assert (tmp_path / "files" / "W-000001-1-picture.jpg").read_bytes() == TEE.read_bytes()

    told = toeline(capsys, "records", "verify")
    assert "The chain holds: 3 entries." in told
    assert confirmed.hash in told
    assert "--expect" not in toeline(capsys, "records", "verify", "--expect", confirmed.hash[:20])
    assert "not as written" in toeline(capsys, "records", "verify", "--expect", "0" * 64, status=3)

    for name in ("o.csv", "o.xlsx", "o.json"):
        told = toeline(capsys, "records", "export", "--out", tmp_path / name, "--state", "confirmed")
        assert told == f"{tmp_path / name}: 1 record.\n"
        assert (tmp_path / name).stat().st_size > 500


def test_outcomes_are_shown_as_proposals(tmp_path: Path, measured: Path, capsys: pytest.CaptureFixture) -> None:
    judged, store = tmp_path / "judged.json", tmp_path / "r.db"
    limits = ["--criteria", "aws-d1.1-2020-static", "--require", "leg >= 9 mm"]
    toeline(capsys, "assess", measured, *limits, "--json", judged)
    toeline(capsys, "records", "add", judged, "--records", store)
    shown = " ".join(toeline(capsys, "records", "show", "W-000001", "--records", store).split())
    assert "✗ does not meet leg >= 9 mm left" in shown
    assert "* from memory, no source was at hand" in shown
    assert "the governing code in its valid edition prevails, and a qualified person decides" in shown


def test_a_changed_store(tmp_path: Path, measured: Path, capsys: pytest.CaptureFixture) -> None:
    store = tmp_path / "r.db"
    toeline(capsys, "records", "add", measured, "--records", store)
    connection = sqlite3.connect(store)
    connection.execute("DROP TRIGGER toeline_entry_update")
    connection.execute("UPDATE toeline_entry SET who = 'somebody'")
    connection.commit()
    connection.close()
    told = toeline(capsys, "records", "verify", "--records", store, status=3)
    assert "entry 1 of W-000001 was changed after it was written" in told
    assert "the guard against changes was taken away: toeline_entry_update" in told
    assert "2 places are not as written" in told
    assert "was changed" in toeline(capsys, "records", "show", "W-000001", "--records", store, status=3)
    out = tmp_path / "o.csv"
    assert "was changed" in toeline(capsys, "records", "export", "--records", store, "--out", out, status=3)
    assert not out.exists()


@pytest.mark.parametrize(
    ("arguments", "status", "message"),
    [
        (("list", "--records", "mysql://host/db"), 2, "not served"),
        (("list", "--state", "lost"), 2, "use waiting, confirmed, rejected"),
        (("show", "W-000009"), 2, "no record 'W-000009'"),
        (("show", "W-000009", "--units", "ells"), 2, "--units"),
        (("export", "--out", "table.ods"), 2, "must end in .csv, .xlsx, .json"),
        (("verify", "--expect", "abc"), 2, "16 or more"),
        (("verify", "--expect", "%" * 20), 2, "16 or more"),
        (("add", "none.json"), 3, "no such file"),
        (("add", str(TEE)), 3, "not a result file"),
        (("list", "--records", str(TEE)), 3, "no store of records"),
    ],
)
def test_wrong_use(arguments: tuple, status: int, message: str, capsys: pytest.CaptureFixture) -> None:
    assert message in toeline(capsys, "records", *arguments, status=status)


def test_template_that_is_wrong(tmp_path: Path, measured: Path, capsys: pytest.CaptureFixture) -> None:
    (tmp_path / "t.toml").write_text('weldr = "x"')
    told = toeline(capsys, "records", "add", measured, "--template", tmp_path / "t.toml", status=3)
    assert "do you mean 'welder'" in told
    assert not (tmp_path / "data").exists()
