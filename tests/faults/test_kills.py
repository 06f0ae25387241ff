"""A batch that keeps records is killed for real, a few times; ``python -m benchmarks.kill`` does it 200 times."""

from __future__ import annotations

from benchmarks import kill


def test_nothing_confirmed_is_lost_and_the_batch_can_be_completed() -> None:
    tally = kill.run(2, seed=11, each_round=2)
    assert tally.faults == []
    assert tally.kills == 2
    assert tally.rounds >= 2


def test_what_is_lost_is_told(tmp_path) -> None:
    tally = kill.Tally()
    output = tmp_path / "out"
    output.mkdir()
    kill.looked_at(tmp_path / "none.db", output, {"W-000001": "0" * 64}, tally)
    (output / "result.json").write_text('{"results": [')
    with kill.open_store(tmp_path / "r.db") as store:
        store.add(None, "measured", {"weld": {"id": "1"}}, who="A")
    kill.looked_at(tmp_path / "r.db", output, {"W-000001": "0" * 64}, tally)
    assert [fault.split(": ")[1] for fault in tally.faults] == [
        "the store is gone", "the confirmed W-000001 is lost or changed", "result.json is cut off",
    ]  # fmt: skip
