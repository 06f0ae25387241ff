"""Measure pictures that hold no weld and count how often one is made up.

``python -m benchmarks.not_welds --cases 200 --seed 1 [--joint each] [--keep wrong/]``: drawn pictures of
many kinds in turn, and those that scikit-image brings along, each given to ``toeline measure`` as a user would.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from benchmarks.render.more_not_welds import ALL, Image

PHOTOGRAPHS = (
    "astronaut", "brick", "camera", "cat", "cell", "chelsea", "coffee", "coins", "colorwheel", "grass", "gravel",
    "horse", "immunohistochemistry", "logo", "moon", "page", "retina", "rocket", "text",
)  # fmt: skip
"""Of `skimage.data`; those that it would have to download are left out."""


JOINTS = ("auto", "tee", "lap", "butt", "groove")


@dataclass(frozen=True, slots=True)
class Claim:
    """What was said of one picture: the welds that were claimed, none where it was refused."""

    asked: str
    kind: str
    number: int
    joints: tuple[str, ...]
    values: int


def drawn(cases: int, seed: int) -> Iterator[tuple[str, int, Image]]:
    """Yield kind, number and picture: every kind in turn, sizes from 0.5 to 3 megapixels."""
    names = sorted(ALL)
    for number in range(cases):
        name = names[number % len(names)]
        rng = np.random.default_rng([seed, number])
        width = int(rng.integers(800, 2000))
        yield name, number, ALL[name](rng, width, round(0.75 * width))


def photographs() -> Iterator[tuple[str, int, Image]]:
    """Yield the pictures of scikit-image that lie on this machine."""
    from skimage import data

    for number, name in enumerate(PHOTOGRAPHS):
        try:
            picture = getattr(data, name)()
        except Exception:  # no network, no file: each version of the library says it in another way
            continue
        picture = np.asarray(picture * 255 if picture.dtype == bool else picture, np.uint8)
        if picture.ndim == 3:
            picture = cv2.cvtColor(picture[..., :3], cv2.COLOR_RGB2BGR)
        yield f"photograph: {name}", number, picture


def claimed(kind: str, number: int, picture: Image, *, joint: str = "auto", keep: Path | None = None) -> Claim:
    """Measure one picture and return what was claimed of it."""
    from inspection.picture import measure_file
    from inspection.settings import Settings

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "picture.png"
        cv2.imwrite(str(path), picture, [cv2.IMWRITE_PNG_COMPRESSION, 1])
        entry = measure_file(path, Settings(joint=joint, scale_mm_per_px=60 / picture.shape[1]))  # type: ignore[arg-type]
    values = sum(
        value["state"] != "not_measurable" and bool(value["value"])
        for weld in entry["welds"]
        for value in weld["measurements"].values()
    )
    if keep is not None and entry["welds"]:
        keep.mkdir(parents=True, exist_ok=True)
        cv2.imwrite(str(keep / f"{kind.replace(': ', '-')}-{number}-{joint}.png"), picture)
    return Claim(joint, kind, number, tuple(str(weld["joint"]) for weld in entry["welds"]), values)


def report(claims: Sequence[Claim]) -> str:
    """Return a table by kind, and each false claim."""
    by_kind: dict[str, list[Claim]] = defaultdict(list)
    for claim in claims:
        by_kind[claim.kind].append(claim)
    false = [claim for claim in claims if claim.joints]
    lines = []
    for asked in JOINTS:
        of_joint = [claim for claim in claims if claim.asked == asked]
        if of_joint:
            made_up = sum(bool(claim.joints) for claim in of_joint)
            lines.append(f"--joint {asked}: {len(of_joint)} pictures without a weld, {made_up} false measurements")
    lines += [
        f"  {kind:<28}{len(of_kind):>4} pictures{sum(bool(c.joints) for c in of_kind):>4} false"
        for kind, of_kind in sorted(by_kind.items())
    ]
    lines += [
        f"  false: --joint {c.asked}: {c.kind} {c.number}: {', '.join(c.joints)}, {c.values} values" for c in false
    ]
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run it from the command line; exit status 1 when a weld was made up."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.not_welds", description=__doc__)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--joint", default="auto", choices=(*JOINTS, "each"),
                        help="insist on a joint, as a user may; each: all in turn, auto too")  # fmt: skip
    parser.add_argument("--keep", type=Path, help="keep the pictures of false claims in this folder")
    options = parser.parse_args(arguments)
    claims = [
        claimed(kind, number, picture, joint=joint, keep=options.keep)
        for source in (drawn(options.cases, options.seed), photographs())
        for kind, number, picture in source
        for joint in (JOINTS if options.joint == "each" else (options.joint,))
    ]
    print(report(claims))
    return 1 if any(claim.joints for claim in claims) else 0


if __name__ == "__main__":
    raise SystemExit(main())
