"""Draw the pictures of docs/photographing.md, measure them, and print what the program says of each.

``python docs/make_pictures.py`` from the root of the project. Every picture is the fillet of ``sample_images/tee.jpg``
with one thing wrong; the truth is the same for all. Small copies go into docs/pictures, what was said into
docs/pictures/said.json, which a test compares with the text of the page.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
sys.path.insert(0, str(ROOT))

from benchmarks.render.camera import coverage  # noqa: E402
from benchmarks.render.scenario import Scenario, render  # noqa: E402
from benchmarks.render.targets import Target  # noqa: E402
from sample_images.make_samples import sample_tee  # noqa: E402

Picture = NDArray[np.uint8] | NDArray[np.uint16]
SMALL_PX = 720
VALUES = ("leg_left", "leg_right", "throat", "undercut_left", "toe_angle_left")


@dataclass(frozen=True, slots=True)
class Case:
    """One picture: how the scene is spoilt before it is taken, and the picture after it."""

    name: str
    scene: Callable[[Scenario], Scenario] = lambda scene: scene
    after: Callable[[Picture], Picture] = lambda picture: picture


def _coarse(scene: Scenario) -> Scenario:
    camera = scene.camera
    shift = (camera.shift_px[0] / 8, camera.shift_px[1] / 8)
    coarse = replace(camera, width_px=375, height_px=281, mm_per_px=8 * camera.mm_per_px, shift_px=shift)
    return replace(scene, camera=coarse, exposure=replace(scene.exposure, blur_px=0.7))


def _faint(scene: Scenario) -> Scenario:
    look = replace(scene.look, background=0.44, plate=0.50, weld=0.46, haz=0.48, grain=0.02)
    return replace(scene, look=replace(look, background_tint=(1, 1, 1), metal_tint=(1, 1, 1)))


def _on_wood(scene: Scenario) -> Scenario:
    look = replace(scene.look, plate=0.46, weld=0.41, haz=0.44, backdrop="wood")
    return replace(scene, look=look, exposure=replace(scene.exposure, colour=True))


def _tilted(scene: Scenario) -> Scenario:
    return replace(scene, camera=replace(scene.camera, tilt_deg=12.0, tilt_axis_deg=0.0, distance_mm=200.0))


def _tilted_board(scene: Scenario) -> Scenario:
    board = Target("charuco", (-15.0, -29.5), 2.0, corners=(8, 3), square_mm=2.5)
    return replace(_tilted(scene), targets=(board,))


def _lower_rule(picture: Picture) -> Picture:
    """Let the section lie 10 mm nearer than the rule to a camera 310 mm above it: it looks larger by 310 / 300."""
    scene = sample_tee()
    nearer = replace(scene.camera, mm_per_px=scene.camera.mm_per_px * 300 / 310)
    section = render(replace(scene, camera=nearer, targets=())).picture
    rule = scene.targets[0]
    width, height = rule.size_mm
    box = np.array([[-0.2, -0.3], [width + 0.3, -0.3], [width + 0.3, height + 0.2], [-0.2, height + 0.2]])
    share = coverage([scene.camera.to_px(rule.to_section(box))], *picture.shape[:2])[..., None]
    return np.asarray(picture * share + section * (1 - share) + 0.5, np.uint8)


def _cropped(picture: Picture) -> Picture:
    """Cut so close that a millimetre or two of each plate is left beyond the toes."""
    return np.asarray(picture[990:, 1080:1940], np.uint8)


def _glare(picture: Picture) -> Picture:
    """A lamp mirrored in the ground face, so bright that it spreads over the edge of the weld."""
    glow = np.zeros(picture.shape[:2], np.float32)
    cv2.ellipse(glow, (1700, 1090), (260, 120), -40, 0, 360, 1.0, -1)
    glow = cv2.GaussianBlur(glow, (0, 0), 35)[..., None]
    return np.clip(picture + 400 * glow, 0, 255).astype(np.uint8)


CASES = (
    Case("good"),
    Case("blurred", lambda scene: replace(scene, exposure=replace(scene.exposure, blur_px=9.0))),
    Case("faint", _faint),
    Case("wood", _on_wood),
    Case("low-rule", after=_lower_rule),
    Case("tilted", _tilted),
    Case("tilted-board", _tilted_board),
    Case("cropped", after=_cropped),
    Case("coarse", _coarse),
    Case("glare", after=_glare),
)


RULE = ("ruler", "--spacing", "1 mm")
BOARD = ("board", "--pattern", "charuco", "--corners", "8x3", "--square", "2.5 mm")
OFFSET = ("--plane-offset", "10 mm", "--camera-distance", "310 mm")


def said_of(picture: Path, folder: Path, target: tuple[str, ...]) -> dict[str, object]:
    """Calibrate on what lies in the picture and measure, as a person would; return what both commands said."""
    calibration = folder / f"{picture.stem}.cal.json"
    result = folder / f"{picture.stem}.json"
    entry: dict[str, object] = {}
    status, _, said = _toeline("calibrate", target[0], str(picture), *target[1:], "--out", str(calibration))
    if status:
        entry["calibrate"] = said.replace(f"{folder}/", "").strip()
        calibration = folder / "good.cal.json"
    status, _, said = _toeline(
        "measure", str(picture), "--calibration", str(calibration), "--joint", "tee", "--inside", "off",
        "--json", str(result), "--overlay", str(folder / f"{picture.stem}.overlay.png"),
    )  # fmt: skip
    if status:
        return entry | {"measure": said.replace(f"{folder}/", "").strip()}
    weld = json.loads(result.read_text(encoding="utf-8"))["results"][0]["welds"][0]
    entry["values"] = {name: _value(weld["measurements"], name) for name in VALUES}
    entry["flags"] = [f"{flag['code']}: {flag['message']}" for flag in weld["flags"]]
    return entry


def _value(measurements: dict[str, dict[str, Any]], name: str) -> list[object]:
    entry = measurements[name]
    return (
        [round(entry[key], 4) for key in ("value", "expanded_uncertainty")]
        if entry["state"] == "measured"
        else [entry["reason"]]
    )


def _toeline(*arguments: str) -> tuple[int, str, str]:
    done = subprocess.run(
        [sys.executable, "-m", "cli.main", *arguments], cwd=ROOT, capture_output=True, text=True, check=False
    )
    return done.returncode, done.stdout, done.stderr


def _read(path: Path) -> Picture:
    picture = cv2.imread(str(path))
    if picture is None:
        raise FileNotFoundError(path)
    return np.asarray(picture, np.uint8)


def small(picture: Picture, width_px: int = SMALL_PX) -> Picture:
    """Return a picture reduced to a width for the page, or enlarged with its pixels to be seen."""
    share = width_px / picture.shape[1]
    how = cv2.INTER_AREA if share < 1 else cv2.INTER_NEAREST
    return np.asarray(cv2.resize(picture, None, fx=share, fy=share, interpolation=how), np.uint8)


def draw_overlay(path: Path, folder: Path) -> None:
    """Measure the sample as docs/first-hour.md does, and keep a small copy of the overlay."""
    sample, calibration = ROOT / "sample_images" / "tee.jpg", folder / "tee.cal.json"
    _toeline("calibrate", *RULE[:1], str(sample), *RULE[1:], "--out", str(calibration))
    _toeline("measure", str(sample), "--calibration", str(calibration), "--overlay", str(folder / "overlay.png"))
    cv2.imwrite(str(path), small(_read(folder / "overlay.png"), 900), [cv2.IMWRITE_JPEG_QUALITY, 85])


def draw_report(path: Path, folder: Path) -> None:
    """Write the report of docs/first-hour.md, with the calibration of the overlay, and draw its page with poppler."""
    template, store, report = folder / "job.toml", str(folder / "coupons.db"), folder / "report.pdf"
    page = (HERE / "first-hour.md").read_text(encoding="utf-8")
    template.write_text(page.split("```toml\n")[1].split("```")[0], encoding="utf-8")
    _toeline(
        "measure", str(ROOT / "sample_images" / "tee.jpg"), "--calibration", str(folder / "tee.cal.json"),
        "--operator", "A. Technician", "--records", store, "--template", str(template),
    )  # fmt: skip
    _toeline("report", "W-000001", "--records", store, "--out", str(report))
    options = ("-r", "100", "-jpeg", "-jpegopt", "quality=85", "-singlefile")
    subprocess.run(["pdftoppm", *options, str(report), str(path.with_suffix(""))], check=True)


def main() -> None:
    """Draw, measure, write."""
    shown = HERE / "pictures"
    said: dict[str, object] = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for case in CASES:
            picture = case.after(render(case.scene(sample_tee())).picture)
            path = folder / f"{case.name}.png"
            cv2.imwrite(str(path), picture)
            said[case.name] = said_of(path, folder, BOARD if case.name == "tilted-board" else RULE)
            if case.name == "low-rule":
                said["low-rule-corrected"] = said_of(path, folder, (*RULE, *OFFSET))
            cv2.imwrite(str(shown / f"{case.name}.jpg"), small(picture), [cv2.IMWRITE_JPEG_QUALITY, 85])
        draw_overlay(shown / "overlay.jpg", folder)
        draw_report(shown / "report.jpg", folder)
    (shown / "said.json").write_text(json.dumps(said, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
