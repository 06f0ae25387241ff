"""The desk behind the page: what it lists, measures again, keeps, and what it says when it cannot."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from inspection.document import as_text, document, write_text
from inspection.gauges import with_gauges
from inspection.picture import Inspection, inspect_file, measure_file
from inspection.settings import Settings, shared_calibration
from records.identification import Identification
from records.keep import keep_results
from records.store import Store

ROOT = Path(__file__).resolve().parents[2]


def handle(opened: dict, name: str) -> np.ndarray:
    return np.array(opened["handles"][name])


def toe_out(opened: dict, px: float) -> list[float]:
    """Return the right toe moved away from the root, along its plate."""
    root, toe = handle(opened, "root")[0], handle(opened, "toe_right")[0]
    return list(toe + px * (toe - root) / np.hypot(*(toe - root)))


def test_every_weld_of_the_result_waits(sitting) -> None:
    lines = sitting.client().get("/api/items")["items"]
    assert [(line["name"], line["weld"], line["joint"]) for line in lines] == [
        ("tee.jpg", "1", "tee"), ("butt.jpg", "1", "butt"), ("double_tee.jpg", "1", "tee"),
        ("double_tee.jpg", "2", "tee"),
    ]  # fmt: skip
    assert {(line["state"], line["problem"], line["record"]) for line in lines} == {("waiting", None, None)}


def test_looking_and_moving_keeps_nothing(sitting, store: Store) -> None:
    client = sitting.client()
    opened = client.get("/api/items/1")
    client.post("/api/items/1/measure", {"moves": {"toe_right": toe_out(opened, 10)}})
    client.ask("GET", "/api/items/1/picture/small")
    assert store.records() == []


def test_values_follow_a_moved_toe(sitting) -> None:
    client = sitting.client()
    opened = client.get("/api/items/1")
    before = opened["weld"]["measurements"]["leg_right"]["value"]
    answer = client.post("/api/items/1/measure", {"moves": {"toe_right": toe_out(opened, 10)}})
    after = answer["weld"]["measurements"]["leg_right"]["value"]
    assert after - before == pytest.approx(10 * 0.028, abs=2e-3)
    assert answer["lines"]["values"]["leg_right"][0][1] == pytest.approx(toe_out(opened, 10), abs=0.02)
    assert opened["found"]["measurements"]["leg_right"]["value"] == before


def test_the_outline_of_a_section_ends_where_it_began(sitting) -> None:
    outline = sitting.client().get("/api/items/1")["outlines"][0]
    assert outline[0] == outline[-1]


def test_the_second_weld_of_a_picture_is_the_second(sitting) -> None:
    client = sitting.client()
    first, second = client.get("/api/items/3"), client.get("/api/items/4")
    assert handle(first, "root")[0][0] < handle(second, "root")[0][0]
    assert second["weld"]["id"] == "2"
    moved = client.post("/api/items/4/measure", {"moves": {"toe_left": second["handles"]["toe_left"][0]}})
    assert moved["weld"]["id"] == "2"
    near = [
        value["value"]
        for value in (moved["weld"]["measurements"]["leg_left"], second["weld"]["measurements"]["leg_left"])
    ]
    assert near[0] == pytest.approx(near[1], abs=0.02)


def test_confirmation_keeps_measurement_and_decision(sitting, store: Store, measured: Path) -> None:
    client = sitting.client()
    line = client.post("/api/items/1/decision", {"decision": "confirm", "who": " Ada Example ", "note": "seen at 20x"})
    record = store.record(line["record"])
    assert [entry.kind for entry in record.entries] == ["measured", "note", "confirmed"]
    assert (record.state, record.decision.who) == ("confirmed", "Ada Example")
    assert record.entries[1].body["text"] == "seen at 20x"
    result = json.loads((measured / "result.json").read_text())
    assert record.current["weld"] == result["results"][0]["welds"][0]
    assert store.attachment(record.entries[0].attachments["picture"]) == (measured / "tee.jpg").read_bytes()
    assert record.entries[2].body["entry"] == record.entries[1].number
    assert store.verify() == []


def test_correction_is_an_entry_of_its_own_with_what_was_moved(sitting, store: Store) -> None:
    client = sitting.client()
    opened = client.get("/api/items/1")
    moves = {"toe_right": toe_out(opened, 10), "plate_left": opened["handles"]["plate_left"]}
    refused = client.post("/api/items/1/decision", {"decision": "confirm", "who": "Ada", "moves": moves}, 422)
    assert refused["code"] == "why_missing"
    assert store.records() == []
    line = client.post("/api/items/1/decision", {"decision": "confirm", "who": "Ada", "why": "spatter", "moves": moves})
    record = store.record(line["record"])
    assert [entry.kind for entry in record.entries] == ["measured", "corrected", "confirmed"]
    corrected = record.entries[1]
    assert (corrected.who, corrected.why) == ("Ada", "spatter")
    by_name = {part["name"]: part for part in corrected.body["moved"]}
    assert by_name["toe_right"]["to"] == moves["toe_right"]
    assert by_name["toe_right"]["from"] == pytest.approx(list(handle(opened, "toe_right")[0]))
    assert len(by_name["plate_left"]["from"]) == 2
    longer = record.current["weld"]["measurements"]["leg_right"]["value"]
    assert longer > record.entries[0].body["weld"]["measurements"]["leg_right"]["value"] + 0.2
    assert {key: corrected.body[key] for key in ("source", "calibration")} == {
        key: record.entries[0].body[key] for key in ("source", "calibration")
    }


def test_rejection_needs_a_reason_and_a_name(sitting, store: Store) -> None:
    client = sitting.client()
    for decision in (
        {"decision": "reject", "who": "Ada"},
        {"decision": "reject", "why": "blurred"},
        {"decision": "reject", "who": "  ", "why": "blurred"},
        {"decision": "perhaps", "who": "Ada"},
        {"decision": ["reject"], "who": "Ada"},
        {"who": "Ada"},
        {"decision": "confirm", "who": 7},
        {"decision": "confirm", "who": "A" * 201},
        {"decision": "confirm", "who": "A\x00da"},
        {"decision": "confirm", "who": "Ada", "note": "x" * 2001},
        {"decision": "confirm", "who": "Ada", "note": "\ud800"},
        {"decision": "confirm", "who": "Ada", "moves": {"toe_left": [1e9, 0]}},
    ):
        client.post("/api/items/2/decision", decision, 422)
    assert store.records() == []
    line = client.post("/api/items/2/decision", {"decision": "reject", "who": "Ada", "why": "blurred"})
    assert store.record(line["record"]).decision.why == "blurred"
    assert line["state"] == "rejected"


def test_a_decision_is_found_again_at_the_next_sitting(sit, measured: Path, store: Store) -> None:
    sit(measured).client().post("/api/items/1/decision", {"decision": "confirm", "who": "Ada"})
    lines = sit(measured).client().get("/api/items")["items"]
    assert [line["state"] for line in lines] == ["confirmed", "waiting", "waiting", "waiting"]
    assert lines[0]["decided"]["who"] == "Ada"
    assert len(store.records()) == 1


def test_deciding_again_adds_to_the_same_record(sitting, store: Store) -> None:
    client = sitting.client()
    first = client.post("/api/items/1/decision", {"decision": "confirm", "who": "Ada"})
    again = client.post("/api/items/1/decision", {"decision": "reject", "who": "Bo", "why": "wrong picture"})
    assert again["record"] == first["record"]
    assert [entry.kind for entry in store.record(first["record"]).entries] == ["measured", "confirmed", "rejected"]


def test_what_waits_in_the_records_is_reviewed_without_a_result_file(sit, measured: Path, store: Store) -> None:
    result = json.loads((measured / "result.json").read_text())
    kept = Identification({"job": "Footbridge"})
    list(keep_results(store, result["results"], who="Cy", identification=kept, folder=measured))
    (measured / "tee.jpg").unlink()  # the records keep it
    client = sit(None).client()
    lines = client.get("/api/items")["items"]
    assert [line["record"] for line in lines] == [line.id for line in store.records()]
    opened = client.get("/api/items/1")
    assert opened["identification"] == {"job": "Footbridge"}
    status, headers, data = client.ask("GET", "/api/items/1/picture/full")
    assert (status, headers["content-type"]) == (200, "image/jpeg")
    assert cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR).shape == (2250, 3000, 3)
    moves = {"toe_right": toe_out(opened, 5)}
    line = client.post("/api/items/1/decision", {"decision": "confirm", "who": "Ada", "why": "seen", "moves": moves})
    record = store.record(line["record"])
    assert [entry.kind for entry in record.entries] == ["measured", "corrected", "confirmed"]
    assert record.current["source"] == record.entries[0].body["source"]
    assert record.current["source"]["path"] == "tee.jpg"
    assert len(store.records(state="waiting")) == 3


def test_a_correction_that_waits_is_opened_with_its_points(sit, measured: Path, store: Store) -> None:
    client = sit(measured).client()
    opened = client.get("/api/items/1")
    moves = {"toe_right": toe_out(opened, 5)}
    line = client.post("/api/items/1/decision", {"decision": "confirm", "who": "Ada", "why": "seen", "moves": moves})
    record = store.record(line["record"])
    store.add(record.id, "corrected", record.current, who="Bo", why="look again")
    later = sit(None).client().get("/api/items/1")
    assert later["moves"] == {"toe_right": [pytest.approx(moves["toe_right"])]}
    assert later["weld"]["measurements"]["leg_right"] == record.current["weld"]["measurements"]["leg_right"]


def test_taking_a_correction_back_is_a_correction(sit, measured: Path, store: Store) -> None:
    client = sit(measured).client()
    opened = client.get("/api/items/1")
    moves = {"toe_right": toe_out(opened, 5)}
    client.post("/api/items/1/decision", {"decision": "confirm", "who": "Ada", "why": "seen", "moves": moves})
    again = {"decision": "confirm", "who": "Bo", "moves": {}}
    assert client.post("/api/items/1/decision", again, 422)["code"] == "why_missing"
    line = client.post("/api/items/1/decision", again | {"why": "it was right"})
    record = store.record(line["record"])
    assert [entry.kind for entry in record.entries] == ["measured", "corrected", "confirmed", "corrected", "confirmed"]
    assert record.current["weld"]["measurements"] == record.entries[0].body["weld"]["measurements"]
    assert record.current["moved"] == []


def test_a_record_that_moved_on_is_not_decided_unseen(sit, measured: Path, store: Store) -> None:
    result = json.loads((measured / "result.json").read_text())
    list(keep_results(store, result["results"][:1], who="Cy", identification=Identification(), folder=measured))
    client = sit(None).client()
    line = client.get("/api/items/1")["line"]
    store.add(line["record"], "note", {"text": "wait"}, who="Bo")
    refused = client.post("/api/items/1/decision", {"decision": "confirm", "who": "Ada"}, 409)
    assert "somebody else" in refused["message"]
    client.get("/api/items/1")
    assert client.post("/api/items/1/decision", {"decision": "confirm", "who": "Ada"})["state"] == "confirmed"


def test_pictures_that_left_or_changed_are_told_of_in_the_list(sit, measured: Path) -> None:
    (measured / "tee.jpg").unlink()
    (measured / "butt.jpg").write_bytes((measured / "double_tee.jpg").read_bytes())
    client = sit(measured).client()
    lines = client.get("/api/items")["items"]
    assert "neither there" in lines[0]["problem"]
    assert "no longer the file" in lines[1]["problem"]
    assert lines[2]["problem"] is None
    for id in ("1", "2"):
        status, _, body = client.ask("GET", f"/api/items/{id}")
        assert (status, json.loads(body)["message"]) == (410, lines[int(id) - 1]["problem"])


def test_a_calibration_that_left_is_told_of_in_the_list(sit, measured: Path) -> None:
    result = json.loads((measured / "result.json").read_text())
    result["results"][0]["settings"] |= {"calibration": "tee.cal.json", "scale_mm_per_px": None}
    write_text(measured / "result.json", as_text(result))
    lines = sit(measured).client().get("/api/items")["items"]
    assert lines[0]["problem"].startswith("tee.cal.json: the file is neither there nor beside")
    assert lines[1]["problem"] is None


def test_a_picture_that_changes_under_the_desk_is_told_of(sitting, measured: Path) -> None:
    client = sitting.client()
    client.get("/api/items/1")
    (measured / "tee.jpg").write_bytes((measured / "butt.jpg").read_bytes())
    status, _, body = client.ask("GET", "/api/items/1/picture/full")
    assert status == 410
    assert "no longer the picture" in json.loads(body)["message"]


def test_a_file_that_gave_nothing_is_listed_with_its_sentence(sit, measured: Path) -> None:
    bad = measured / "bad.jpg"
    bad.write_bytes(b"no picture")
    entry = measure_file(bad, Settings(scale_mm_per_px=0.028))
    write_text(measured / "result.json", as_text(document([entry])))
    line = sit(measured).client().get("/api/items")["items"][0]
    assert line["problem"] == entry["error"]["message"]
    assert line["weld"] is None


def test_a_tiff_of_16_bits_is_shown(sit, tmp_path: Path) -> None:
    import tifffile

    gray = cv2.imread(str(ROOT / "sample_images" / "tee.jpg"), cv2.IMREAD_GRAYSCALE)
    path = tmp_path / "deep.tif"
    tifffile.imwrite(path, gray.astype(np.uint16) * 200)
    write_text(tmp_path / "result.json", as_text(document([measure_file(path, Settings(scale_mm_per_px=0.028))])))
    client = sit(tmp_path).client()
    assert client.get("/api/items/1")["size"] == [3000, 2250]
    status, _, data = client.ask("GET", "/api/items/1/picture/small")
    assert status == 200
    assert cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR).shape == (1500, 2000, 3)


def test_a_profile_is_shown_without_a_picture(sit, tmp_path: Path) -> None:
    x = np.linspace(-20, 20, 801)
    rows = "\n".join(
        f"{a:.4f},{b:.5f}" for a, b in zip(x, 2 * np.sqrt(np.clip(1 - (x / 6) ** 2, 0, None)), strict=True)
    )
    (tmp_path / "cap.csv").write_text("x_mm,z_mm\n" + rows)
    entry = measure_file(tmp_path / "cap.csv", Settings(joint="butt"))
    write_text(tmp_path / "result.json", as_text(document([entry])))
    client = sit(tmp_path).client()
    opened = client.get("/api/items/1")
    assert opened["picture"] is False
    outline = opened["outlines"][0]
    assert outline[0] != outline[-1]  # a line, not a section
    assert client.ask("GET", "/api/items/1/picture/full")[0] == 404
    client.post("/api/items/1/decision", {"decision": "confirm", "who": "Ada"})


def test_outcomes_found_for_other_points_do_not_stand(sit, measured: Path) -> None:
    result = json.loads((measured / "result.json").read_text())
    weld = result["results"][0]["welds"][0]
    weld["outcomes"] = [
        {
            "criterion": "own",
            "source": "drawing",
            "quantity": "leg_right",
            "limit": 6.0,
            "unit": "mm",
            "outcome": "meets",
        }
    ]
    weld["gauges"] = [
        {
            "state": "modelled", "gauge": "leg blade", "quantity": "leg_right", "reading": 7.0, "unit": "mm",
            "step_reading": 7.0, "step_text": "7 mm", "true": 7.6, "difference": -0.6, "why": "blades come in steps",
            "contacts_mm": [], "contacts_px": [],
        }
    ]  # fmt: skip
    write_text(measured / "result.json", as_text(result))
    client = sit(measured).client()
    opened = client.get("/api/items/1")
    assert [part["outcome"] for part in opened["weld"]["outcomes"]] == ["meets"]
    assert opened["weld"]["gauges"][0]["reading"] == 7
    moved = client.post("/api/items/1/measure", {"moves": {"toe_right": toe_out(opened, 40)}})["weld"]
    assert [part["outcome"] for part in moved["outcomes"]] == ["not_assessed"]
    moving = {"moves": {"toe_right": toe_out(opened, 40)}, "moving": True}
    assert "gauges" not in client.post("/api/items/1/measure", moving)["weld"]
    blade = next(part for part in moved["gauges"] if part["quantity"] == "leg_right")
    assert blade["true"] == pytest.approx(moved["measurements"]["leg_right"]["value"], abs=1e-6)


@pytest.mark.parametrize("rule", ["guarded", "simple", "guarded-acceptance", "guarded:0.95"])
def test_outcomes_are_found_anew_with_the_limits_of_the_result(sit, measured: Path, rule: str) -> None:
    from criteria import Given, parse_rule
    from inspection.outcomes import judged, judgement

    result = json.loads((measured / "result.json").read_text())
    by = judgement([], ["leg <= 7.8 mm", "throat >= 5 mm"], Given(), parse_rule(rule), "metric")
    result["results"] = [judged(entry, by) for entry in result["results"]]
    write_text(measured / "result.json", as_text(result))
    client = sit(measured).client()
    opened = client.get("/api/items/1")

    def outcomes(weld: dict) -> dict[str, str]:
        return {part["quantity"]: part["outcome"] for part in weld["outcomes"]}

    assert set(outcomes(opened["weld"]).values()) == {"meets"}
    moved = client.post("/api/items/1/measure", {"moves": {"toe_right": toe_out(opened, 20)}})["weld"]
    assert outcomes(moved)["leg_right"] == "does_not_meet"
    assert outcomes(moved)["throat"] == "meets"
    assert {part["rule"] for part in moved["outcomes"]} == {part["rule"] for part in opened["weld"]["outcomes"]}


def test_limits_that_are_gone_leave_no_outcome_standing(sit, measured: Path) -> None:
    from criteria import Given, parse_rule
    from inspection.outcomes import judged, judgement

    result = json.loads((measured / "result.json").read_text())
    by = judgement([], ["throat >= 5 mm"], Given(), parse_rule("guarded"), "metric")
    result["results"] = [judged(entry, by) for entry in result["results"]]
    for words in ({"criteria": ["no-such-set"]}, {"rule": "by eye"}, {"given": {"luck": 3}}):
        broken = [entry | {"assessment": entry["assessment"] | words} for entry in result["results"]]
        write_text(measured / "result.json", as_text(result | {"results": broken}))
        client = sit(measured).client()
        opened = client.get("/api/items/1")
        moved = client.post("/api/items/1/measure", {"moves": {"toe_right": toe_out(opened, 20)}})["weld"]
        assert [part["outcome"] for part in moved["outcomes"]] == ["not_assessed"], words


def inspect_large(path: Path) -> Inspection:
    settings = Settings(scale_mm_per_px=0.021)
    return inspect_file(path, settings, shared_calibration(settings))


def test_values_follow_within_150_ms_on_12_megapixels(sit, tmp_path: Path, processor_s) -> None:
    """The whole way of a request, median of 15, on a picture of 4000 x 3000."""
    tee = cv2.imread(str(ROOT / "sample_images" / "tee.jpg"))
    path = tmp_path / "large.jpg"
    cv2.imwrite(str(path), cv2.resize(tee, (4000, 3000), interpolation=cv2.INTER_CUBIC))
    inspection, _ = with_gauges(inspect_large(path))
    write_text(tmp_path / "result.json", as_text(document([inspection.entry])))
    client = sit(tmp_path).client()
    opened = client.get("/api/items/1")
    assert opened["weld"]["gauges"]
    times = []
    for step in range(15):
        moves = {"toe_right": toe_out(opened, step), "plate_left": opened["handles"]["plate_left"]}
        asked = {"moves": moves, "moving": step < 14}
        times.append(processor_s(lambda asked=asked: client.post("/api/items/1/measure", asked)))
    assert sorted(times)[len(times) // 2] < 0.150
