"""A run of the benchmarks as tables and plots: ``python -m benchmarks.report [benchmarks/results.json]``.

It writes docs/benchmarks.md and the plots beside it from the JSON file alone.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path

from benchmarks.groups import KINDS
from benchmarks.plots import draw
from benchmarks.shortfalls import HELP_LIMIT_S, MEASURE_LIMIT_S, RATIO_LIMIT, is_off, shortfalls
from benchmarks.tables import Run, number, percent, table, title

ROOT = Path(__file__).resolve().parents[1]
NO_ERROR = 1e-6
"""A median error below this is that of zeros found as zeros: nothing is told by dividing by it."""


def summary(groups: Sequence[Run]) -> str:
    """Return one line for each group."""
    head = (
        "pictures",
        "n",
        "measured",
        "welds too many",
        "silently wrong",
        "values",
        "in interval, %",
        "of these there",
        "in interval, %",
    )
    return table(
        head,
        [
            (
                title(group),
                str(group["pictures"]),
                str(group["measured"]),
                "–" if group["extra_welds"] is None else str(group["extra_welds"]),
                str(group["silent_pictures"]),
                str(group["values"]),
                percent(group["coverage"]),
                str(group["there"]),
                percent(group["there_coverage"]),
            )
            for group in groups
        ],
    )


def quantities(group: Run) -> str:
    """Return one line for each quantity of a group; those with no value at all are left out."""
    head = (
        "value",
        "n",
        "bias",
        "rms",
        "95 %",
        "floor",
        "in floor, %",
        "in interval, %",
        "interval / error",
        "not measured, %",
        "silent",
    )
    rows = []
    for item in group["quantities"]:
        if not item["n"]:
            continue
        floor = "–" if item["floor"] is None else f"{item['floor']:g}" + ("" if item["floor_stated"] else "?")
        ratio = item["median_interval"] / item["median_error"] if (item["median_error"] or 0) > NO_ERROR else None
        rows.append(
            (
                item["name"],
                str(item["n"]),
                number(item["bias"], 4),
                number(item["rms"], 4),
                number(item["p95"], 4),
                floor,
                percent(item["within_floor"]),
                percent(item["coverage"]),
                number(ratio, 1),
                percent(item["not_measured"]),
                str(item["silent"]),
            )
        )
    return table(head, rows)


def held(run: Run) -> str:
    """Return how often the interval of each value held the truth; ``*`` marks a share outside what was set."""
    rows = []
    for item in run["coverage"]:
        if not item["n"]:
            continue
        off = is_off(item)
        rows.append(
            (
                item["name"],
                str(item["n"]),
                percent(item["coverage"]) + ("*" if off else ""),
                number(item["interval_ratio"], 1),
                number(item["exact_ratio"], 1),
                number(item["pooled_ratio"], 1),
                *(percent(item["by_kind"][kind]) for kind in KINDS),
                str(item["absent"]),
                percent(item["absent_held"]),
            )
        )
    head = ("value", "n", "in interval, %", "interval / error", "exact", "pooled", *KINDS, "not there", "0 held, %")
    return table(head, rows)


def speed(run: Run) -> str:
    """Return the times of the steps as multiples of decoding, and of whole processes."""
    item = run["speed"]
    decode = item["steps_ms"]["decode"]
    steps = table(
        ("step, 12-megapixel JPEG", "ms", "times decoding"),
        [(name, number(ms, 1), number(ms / decode, 2)) for name, ms in item["steps_ms"].items()],
    )
    whole = table(
        ("whole", "measured", "at most"),
        [
            ("processing after decoding / decoding", number(item["ratio"], 2), f"{RATIO_LIMIT:g}"),
            ("`toeline --help`, s", number(item["help_s"], 2), f"{HELP_LIMIT_S:g}"),
            ("`toeline measure`, whole process, s", number(item["measure_s"], 2), f"{MEASURE_LIMIT_S:g}"),
        ],
    )
    insides = table(
        ("inside of an etched 12-megapixel JPEG, on one core", "ms", "decoding, ms", "times decoding"),
        [
            (e["joint"].replace("_", " "), number(e["inside_ms"], 1), number(e["decode_ms"], 1), number(e["ratio"], 2))
            for e in item.get("insides", ())
        ],
    )
    return "\n\n".join([steps, *([insides] if item.get("insides") else []), whole])


def comparison(run: Run) -> str:
    """Return our outlines and lines beside naive ones."""
    entries = [*run["naive"]["photographs"], *run["naive"]["stripes"]]
    rows = [
        (
            f"{entry['kind']}: {entry['name']}",
            number(entry["rms_px"]),
            number(entry["rms_near_px"]),
            number(entry["p95_px"]),
            percent(entry["found"]),
            number(entry["time_ms"], 1),
        )
        for entry in entries
    ]
    return table(("way", "rms, px", "rms where found, px", "95 %, px", "found, %", "ms"), rows)


def verdicts(run: Run) -> str:
    """Say in words who is ahead."""
    lines = []
    for item in run["naive"]["verdicts"]:
        ahead = (
            "ahead of every other way in accuracy"
            if not item["behind"]
            else "**behind " + ", ".join(item["behind"]) + " in accuracy**"
        )
        near = [name for name in item["behind_where_found"] if name not in item["behind"]]
        ahead += f" (where it finds the line at all, {', '.join(near)} is nearer)" if near else ""
        fast = "no other way comes within three times its error"
        if item["fastest_comparable"] is not None:
            ratio = item["time_ratio"]
            fast = f"{ratio:.2f} times the time of the fastest comparable way, {item['fastest_comparable']}"
            fast = fast if ratio <= 1 else f"**{fast}**"
        lines.append(f"- {item['kind']}: {ahead}; {fast}.")
    return "\n".join(lines)


def growth(run: Run) -> str:
    """Return time and memory by size."""
    item = run["growth"]
    pictures = table(
        ("megapixels", "decode, s", "decode and measure, s", "processor, s", "peak memory, MB", "MB per megapixel"),
        [
            (
                f"{e['megapixels']:g}",
                number(e["decode_s"]),
                number(e["seconds"]),
                number(e["processor_s"]),
                number(e["peak_mb"], 0),
                number(e["peak_mb"] / e["megapixels"], 1),
            )
            for e in item["pictures"]
        ],
    )
    frames = table(
        ("frames", "s", "processor, s", "processor, ms per frame", "peak memory, MB"),
        [
            (
                str(e["frames"]),
                number(e["seconds"], 2),
                number(e["processor_s"], 2),
                number(1000 * e["processor_s"] / e["frames"], 2),
                number(e["peak_mb"], 0),
            )
            for e in item["frames"]
        ],
    )
    flat = "flat" if item["memory_flat"] else "**not flat**"
    return (
        f"{pictures}\n\nThe processor's time grows with the power {item['picture_exponent']:.2f} of the pixels "
        f"({item['picture_last_exponent']:.2f} over the last step).\n\n{frames}\n\n"
        f"The processor's time grows with the power {item['frame_exponent']:.2f} of the frames; memory is {flat}."
    )


def inside(run: Run) -> str:
    """Return what became of the inside of etched sections."""
    item = run["inside"]
    parts = []
    for group in item["groups"]:
        line, led = group["line_rms_px"], group["clicked_rms_px"]
        parts.append(
            f"**{group['name']}**: {group['welds']} welds, a line in {group['claimed']}, {group['wrong_kind']} of them "
            f"of the wrong kind; {group['pores_found']} of {group['pores']} pores found, {group['pores_false']} false."
        )
        if line is not None:
            parts[-1] += (
                f" Line rms: median {line['p50']:.2f} px, 90 % {line['p90']:.2f} px, within 1.5 px "
                f"{percent(group['line_within_1_5_px'])} %."
            )
        if led is not None:
            parts[-1] += (
                f" With five clicks: median {led['p50']:.2f} px, within 1 px {percent(group['clicked_within_1_px'])} %."
            )
        rows = [
            (
                q["name"],
                str(q["n"]),
                number(q["bias"]),
                number(q["rms"]),
                number(q["p95"]),
                percent(q["within_floor"]),
                percent(q["coverage"]),
                str(q["not_given"]),
            )
            for q in group["quantities"]
        ]
        if rows:
            head = ("value", "n", "bias", "rms", "95 %", "in floor, %", "in interval, %", "not given")
            parts.append(table(head, rows))
    parts.append(
        f"{item['not_outlined']} of {item['pictures']} sections were not outlined right and are left out. In sections "
        f"without an etch a line was claimed in {item['blank_claimed']} of {item['blank_welds']} welds."
    )
    return "\n\n".join(parts)


def about(run: Run) -> str:
    """Return where, when and of what the figures are."""
    machine = run["machine"]
    libraries = ", ".join(f"{name} {version}" for name, version in machine["libraries"].items())
    quick = " A quick run: its figures are coarse." if run["quick"] else ""
    return (
        f"Version {run['version']}, {run['date']}, seed {run['seed']}, {run['seconds']} s. {machine['processor']}, "
        f"{machine['cores']} cores, {machine['memory_gb']} GB, {machine['system']}, Python {machine['python']}, "
        f"{libraries}; load average {machine['load_at_start']:g} at the start "
        f"(other work, which lengthens times).{quick}"
    )


def sections(run: Run) -> list[tuple[str, str]]:
    """Return the parts of a report, heading and Markdown."""
    every = [group for group in run["photographs"] if group["joint"] == "all"]
    short = shortfalls(run)
    return [
        ("What misses what was set", "\n".join(f"- {line}" for line in short) or "Nothing."),
        ("Accuracy at a glance", summary([*run["photographs"], *run["laser"]])),
        ("Grounds that are not plain", summary(run["grounds"])),
        ("Coverage by value", held(run)),
        ("Speed", speed(run)),
        ("Against OpenCV and scikit-image alone", f"{comparison(run)}\n\n{verdicts(run)}"),
        ("Growth", growth(run)),
        ("The inside of etched sections", inside(run)),
        *((title(group).capitalize(), quantities(group)) for group in (*every, *run["laser"])),
    ]


def text(run: Run) -> str:
    """Return a run as the command prints it."""
    return "\n\n".join([about(run), *(f"{heading}\n\n{body}" for heading, body in sections(run))])


NOTES = {
    "Accuracy at a glance": """
Photographs are drawn (`benchmarks/render`), 3000 x 2250 pixels, all joints; the program is given the size of a pixel
and nothing else. *Normal* and *hard* surfaces wander 3 to 12 µm about the ideal outline that is the truth, *smooth*
ones do not. *Measured* counts pictures whose every weld was found as what it is. *Silently wrong*: beyond the floor and
more than five expanded uncertainties off. The floors are set for 0.025 to 0.04 mm per pixel.

![95th percentile of errors of six values by pixel size and kind of picture](benchmarks-accuracy.svg)
""",
    "Grounds that are not plain": """
The same sections on wood, cloth, squared paper, a cutting mat, coloured card and stone, and on a pale bench under one
lamp, whose shadow takes 35 to 70 % of the light beside them. Tones are drawn without regard for the section's: some
are as bright as it is, and can be told by colour alone, or not at all.
""",
    "Coverage by value": """
All sizes of pixels and both sides together. A share between 93 and 98 % was set; `*` marks one outside it that more
than forty values tell. *Interval / error* was set to 3 at most for every kind of picture: interval and error are taken
in what is usual for their own kind and size of pixel. It is 2.97 for normal errors that are stated alike, and larger
where pictures differ in how well they can be measured: *exact* is what it were if every interval of these pictures was
exact, *pooled* what it is over all kinds and sizes at once. Values that are not there (no undercut, a flat face) are
measured as 0 within a bound: *0 held*. In *camera* pictures light is stored on a curve, elsewhere in proportion; the
program is told which (`--tone-curve`).
""",
    "Against OpenCV and scikit-image alone": """
The same pictures, the same truth, one process. Photographs: Otsu's threshold and its contours; the naive ways are
helped, for of their contours the one that fits the truth best is taken. Errors of a photograph are the median over
pictures of 12 megapixels, each from found outline to true one and back; *found* counts pictures within 3 px. Lines: the
brightest pixel of each column, the centroid of what exceeds half of the brightest, the strongest Hessian ridge (sigma 2
px); errors across the line, none counted above 100 px; *found* counts columns within 3 px. Our time for a photograph
includes recognising the joint and fitting plates, faces and toes.

![Error against time of Toeline and of naive ways, three kinds of picture](benchmarks-naive.svg)
""",
    "Growth": """
One drawn section, resized, and folders of hard links of one laser frame of 1024 x 544 pixels, each size in a process of
its own.

![Time and memory against megapixels and against frames](benchmarks-growth.svg)
""",
}


def markdown(run: Run) -> str:
    """Return docs/benchmarks.md."""
    parts = [
        "# Benchmarks",
        "Written by `python -m benchmarks.report` from [benchmarks/results.json](../benchmarks/results.json), which is "
        "one run of `python -m benchmarks`. Lengths in mm, angles in degrees. `?` marks a floor that only the "
        "benchmark sets; *interval / error* is the median stated uncertainty over the median error.",
        about(run),
    ]
    for heading, body in sections(run):
        parts += [f"## {heading}", *([NOTES[heading].strip()] if heading in NOTES else []), body]
    return "\n\n".join(parts) + "\n"


def main(arguments: Sequence[str] | None = None) -> int:
    """Write the page and its plots."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.report", description=__doc__)
    parser.add_argument("run", type=Path, nargs="?", default=ROOT / "benchmarks" / "results.json")
    parser.add_argument("--folder", type=Path, default=ROOT / "docs")
    options = parser.parse_args(arguments)
    run = json.loads(options.run.read_text(encoding="utf-8"))
    (options.folder / "benchmarks.md").write_text(markdown(run), encoding="utf-8")
    draw(run, options.folder)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
