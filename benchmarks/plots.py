"""Plots of a run, as SVG that is the same for the same run."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from benchmarks.groups import KINDS, PIXELS_MM

Run = Mapping[str, Any]
SHOWN = ("leg_left", "throat", "reinforcement", "misalignment", "thickness_left", "root_gap")
COLOURS = {"normal": "#1f6f8b", "hard": "#c4572d", "smooth": "#6b8e23", "camera": "#7a5195"}
MARKERS = {"normal": "o", "hard": "s", "smooth": "^", "camera": "D"}
LEAST_MM = 1e-4
"""Errors below are drawn here: some are exactly 0 where there is nothing, as the height of a flush face."""

WAYS = ("#1f6f8b", "#c4572d", "#6b8e23", "#7a5195")


def draw(run: Run, folder: Path) -> None:
    """Write the plots of a run into a folder."""
    import matplotlib as mpl

    mpl.use("Agg")
    style = {"svg.hashsalt": "benchmarks", "font.size": 9, "axes.spines.top": False, "axes.spines.right": False}
    with mpl.rc_context(style):
        _save(_accuracy(run), folder / "benchmarks-accuracy.svg")
        _save(_naive(run), folder / "benchmarks-naive.svg")
        _save(_growth(run), folder / "benchmarks-growth.svg")


def _save(figure: Any, path: Path) -> None:
    from matplotlib import pyplot as plt

    figure.savefig(path, metadata={"Date": None})
    plt.close(figure)


def _accuracy(run: Run) -> Any:
    """95th percentile of the error of main values by pixel size and kind of picture, with their floor."""
    from matplotlib import pyplot as plt

    figure, panels = plt.subplots(2, 3, figsize=(9, 5.2), layout="constrained", sharex=True, sharey=True)
    groups = {(g["kind"], tuple(g["pixel_mm"])): g for g in run["photographs"] if g["joint"] == "all"}
    for axes, name in zip(panels.flat, SHOWN, strict=True):
        for step, kind in enumerate(KINDS):
            items = [_quantity(groups[kind, pixel], name) for pixel in PIXELS_MM]
            at = [i + 0.18 * (step - 1.5) for i, item in enumerate(items) if item]
            axes.plot(
                at,
                [max(item["p95"], LEAST_MM) for item in items if item],
                f"{MARKERS[kind]}-",
                color=COLOURS[kind],
                label=kind,
                ms=4,
                lw=1,
            )
        floors = [item["floor"] for group in groups.values() for item in [_quantity(group, name)] if item]
        if floors:
            axes.axhline(floors[0], color="#777777", lw=0.9, ls="--", label="floor")
        axes.set_title(name.replace("_", " "), fontsize=9)
        axes.set_yscale("log")
        axes.set_xticks(range(len(PIXELS_MM)), [f"{low:g}–{high:g}" for low, high in PIXELS_MM])
        axes.set_xlim(-0.4, len(PIXELS_MM) - 0.6)
    shown = [item["p95"] for group in groups.values() for name in SHOWN for item in [_quantity(group, name)] if item]
    panels[0, 0].set_ylim(0.7 * LEAST_MM, 2 * max(0.06, *shown))
    for axes in panels[-1]:
        axes.set_xlabel("mm per pixel")
    for axes in panels[:, 0]:
        axes.set_ylabel("95 % of errors, mm")
    figure.legend(*panels[0, 0].get_legend_handles_labels(), loc="outside upper center", ncols=4, frameon=False)
    return figure


def _quantity(group: Run, name: str) -> Run | None:
    return next((item for item in group["quantities"] if item["name"] == name and item["n"]), None)


def _naive(run: Run) -> Any:
    """Error against time of each way, for photographs, clean frames and spoiled ones."""
    from matplotlib import pyplot as plt

    figure, panels = plt.subplots(1, 3, figsize=(9.6, 4.0), layout="constrained")
    entries = [*run["naive"]["photographs"], *run["naive"]["stripes"]]
    for axes, kind, name in zip(
        panels, ("photograph", "clean", "spoiled"), ("photographs", "laser, clean", "laser, spoiled"), strict=True
    ):
        chosen = [entry for entry in entries if entry["kind"] == kind]
        for entry, colour in zip(chosen, WAYS, strict=False):
            marker = "D" if entry["ours"] else "o"
            label = f"{entry['name']}: {100 * entry['found']:.0f} % found"
            axes.plot(entry["time_ms"], entry["rms_px"], marker, color=colour, ms=8, label=label, ls="none")
        axes.set_title(name, fontsize=9)
        axes.set_xscale("log")
        axes.set_yscale("log")
        axes.set_xlabel("time, ms")
        axes.set_xlim(1, 1000)
        axes.set_ylim(0.01, 100)
        axes.legend(loc="upper center", bbox_to_anchor=(0.45, -0.2), frameon=False, fontsize=8)
    panels[0].set_ylabel("rms error, px")
    return figure


def _growth(run: Run) -> Any:
    """Time and memory by megapixels and by frames."""
    from matplotlib import pyplot as plt
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    figure, panels = plt.subplots(1, 2, figsize=(8.4, 3.4), layout="constrained")
    for axes, key, size, label in (
        (panels[0], "pictures", "megapixels", "megapixels"),
        (panels[1], "frames", "frames", "frames"),
    ):
        items = run["growth"][key]
        x = [item[size] for item in items]
        axes.plot(x, [item["processor_s"] for item in items], "o-", color=WAYS[0], lw=1.2, ms=4, label="time")
        axes.set_xscale("log")
        axes.set_yscale("log")
        axes.set_xlabel(label)
        axes.set_ylabel("processor time, s", color=WAYS[0])
        axes.set_ylim(0.5 * min(item["processor_s"] for item in items), 2 * max(item["processor_s"] for item in items))
        axes.yaxis.set_minor_formatter(NullFormatter())
        axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0) if key == "pictures" else (1.0,)))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        other = axes.twinx()
        other.spines["right"].set_visible(True)
        other.plot(x, [item["peak_mb"] for item in items], "s--", color=WAYS[1], lw=1.2, ms=4)
        other.set_ylim(0, 1.25 * max(item["peak_mb"] for item in items))
        other.set_ylabel("peak memory, MB", color=WAYS[1])
    return figure
