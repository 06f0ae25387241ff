"""``toeline explain``: the budget of one value, part by part, and the same value by random trials."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from core.errors import NothingMeasurable, ToelineError, UsageError
from core.units import MM_PER_INCH

if TYPE_CHECKING:
    from measurement.monte_carlo import Trials


def explain(
    result: Annotated[Path, typer.Argument(metavar="RESULT.json", help="Written by toeline measure.")],
    quantity: Annotated[
        list[str] | None,
        typer.Option(
            "--quantity",
            metavar="NAME",
            help="Name of a value, like throat; may be repeated. Without it: all, in brief.",
        ),
    ] = None,
    weld: Annotated[str | None, typer.Option(metavar="ID", help="Which weld, when there are several.")] = None,
    file: Annotated[str | None, typer.Option(metavar="NAME", help="Which picture, when there are several.")] = None,
    calibration: Annotated[
        Path | None, typer.Option(metavar="CAL.json", help="Where the calibration lies now, if it was moved.")
    ] = None,
    draws: Annotated[int, typer.Option(metavar="N", help="Number of random trials; 0 leaves them out.")] = 4000,
    units: Annotated[str, typer.Option(metavar="SYSTEM", help="metric or inch.")] = "metric",
) -> int:
    """Show where the uncertainty of a value comes from, and check it by random trials on the same picture."""
    from cli.options import choose
    from inspection.schema import read_result

    choose(units, ("metric", "inch"), "--units")
    if draws != 0 and not 100 <= draws <= 1_000_000:
        raise UsageError(f"--draws takes 0, or 100 to 1000000 trials, got {draws}.")
    document = read_result(result).model_dump(mode="json", by_alias=True)
    entry = _one(document["results"], "--file", file, _pictures(document["results"], file))
    chosen = _one(entry["welds"], "--weld", weld, [str(item["id"]) for item in entry["welds"]])
    if not quantity:
        _overview(entry, chosen, units)
        return 0
    names = dict.fromkeys(name for written in quantity for name in _names(written, list(chosen["measurements"])))
    again = _again(entry, chosen, result.parent, calibration, draws)
    for name in names:
        _print(entry, chosen, name, again, _scale(chosen["measurements"][name]["unit"], units))
    return 0


@dataclass(frozen=True, slots=True)
class _Scale:
    """How a value is shown: factor from the unit of the document, decimals, its unit, and that of words beside it."""

    factor: float
    decimals: int
    unit: str
    system: str

    def figure(self, value: float) -> str:
        return f"{value * self.factor:.{self.decimals}f}"

    def told(self, value: float) -> str:
        """Return a figure with its unit; that of degrees follows without a space."""
        return f"{self.figure(value)}{'' if self.unit == '°' else ' '}{self.unit}"


def _scale(unit: str, units: str) -> _Scale:
    power = {"mm": 1, "mm2": 2}.get(unit, 0) if units == "inch" else 0
    if power:
        return _Scale(MM_PER_INCH**-power, 5, {1: "in", 2: "in²"}[power], units)
    return _Scale(1.0, 4, {"mm2": "mm²", "deg": "°", "percent": "%"}.get(unit, unit), units)


@dataclass(frozen=True, slots=True)
class _Again:
    """What measuring once more gave: trials and degrees of freedom by value, or why there are none."""

    trials: Mapping[str, Trials]
    degrees: Mapping[str, Mapping[str, float]]
    doubt: str


def _pictures(entries: list[dict[str, Any]], wanted: str | None) -> list[str]:
    """Return what each picture is called: its path when that is asked for or when names are met twice."""
    paths = [str(entry["source"]["path"]) for entry in entries]
    names = [Path(path).name for path in paths]
    return paths if wanted in paths or len(set(names)) < len(names) else names


def _one(items: list[dict[str, Any]], option: str, wanted: str | None, names: list[str]) -> dict[str, Any]:
    if not items:
        raise NothingMeasurable("the result holds no weld to explain: measure the picture again.")
    if wanted is None and len(items) > 1:
        raise UsageError(f"the result holds several, name one with {option}: {', '.join(names)}.")
    if wanted is not None and wanted not in names:
        raise UsageError(f"{option} {wanted!r} is not in the result, use {', '.join(names)}.")
    return items[0 if wanted is None else names.index(wanted)]


def _names(written: str, known: list[str]) -> list[str]:
    """Return the values that a name means, both sides where it has none; as files or tables write it."""
    from difflib import get_close_matches

    from measurement.names import as_name

    name = as_name(written)
    found = [each for each in (name, f"{name}_left", f"{name}_right") if each in known]
    if not found:
        near = get_close_matches(name, known, n=3, cutoff=0.5)
        hint = f"did you mean {', '.join(near)}? Without --quantity all are listed" if near else ", ".join(known)
        raise UsageError(f"--quantity {written!r} is not a value of this weld: {hint}.")
    return found[:1] if found[0] == name else found


def _again(entry: dict[str, Any], weld: dict[str, Any], folder: Path, calibration: Path | None, draws: int) -> _Again:
    """Measure again and draw."""
    if draws == 0:
        return _Again({}, {}, "left out with --draws 0")
    from inspection.repeat import repeat
    from measurement.degrees import degrees_by_value
    from measurement.monte_carlo import simulate

    try:
        inspection = repeat(entry, folder=folder, calibration=calibration)
    except ToelineError as error:
        return _Again({}, {}, str(error))
    if inspection.error is not None:
        return _Again({}, {}, str(inspection.error))
    numbers = [str(item["id"]) for item in entry["welds"]]
    index = numbers.index(str(weld["id"]))
    if inspection.found is None or index >= len(inspection.measured):
        return _Again({}, {}, "the picture gives other welds now than when it was measured")
    section = inspection.found.welds[index].section
    measured = inspection.measured[index]
    return _Again(simulate(section, measured, draws=draws), degrees_by_value(section, measured), "")


def _print(entry: dict[str, Any], weld: dict[str, Any], name: str, again: _Again, scale: _Scale) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table

    from desk.value_text import worded
    from measurement.meanings import REMEDIES, SOURCES, meaning_of

    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console.width = max(console.width, 110)
    item = weld["measurements"][name]
    console.print(
        f"{entry['source']['path']}, weld {weld['id']} ({weld['joint']}): {item.get('label', name)}", style="bold"
    )
    meaning = meaning_of(name)
    if meaning is not None:
        console.print(f"  {meaning}")
    if item["state"] == "not_measurable":
        console.print(f"  not measurable: {worded(item['reason'], scale.system)}\n")
        return
    console.print(f"  {scale.told(item['value'])}{_plus_minus(item, scale)}")
    if item.get("note"):
        console.print(f"  {worded(item['note'], scale.system)}")
    budget = sorted(item.get("budget", ()), key=lambda part: -part["standard_uncertainty"])
    variance = sum(part["standard_uncertainty"] ** 2 for part in budget)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("part", no_wrap=True)
    table.add_column(f"u in {'inches' if scale.unit == 'in' else scale.unit}", no_wrap=True, justify="right")
    table.add_column("share", no_wrap=True, justify="right")
    table.add_column("what it is")
    for part in budget:
        std = part["standard_uncertainty"]
        share = f"{100 * std**2 / variance:.1f} %" if variance > 0 else "-"
        table.add_row(part["source"], scale.figure(std), share, SOURCES.get(part["source"], ""))
    table.add_row(
        "together", scale.figure(variance**0.5), "", "root of the sum of squares (JCGM 100:2008, 5.1.2)", style="bold"
    )
    console.print(table)
    console.print(_checked(item, again.trials.get(name), again.doubt, scale))
    if again.degrees.get(name) and variance > 0:
        console.print(_known_to(budget, again.degrees[name]))
    if budget and variance > 0 and budget[0]["source"] in REMEDIES:
        console.print(f"  What would help most: {REMEDIES[budget[0]['source']]}.")
    console.print()


def _overview(entry: dict[str, Any], weld: dict[str, Any], units: str) -> None:
    """Print every value with its uncertainty and the largest parts of it."""
    from rich import box
    from rich.console import Console
    from rich.table import Table

    from desk.value_text import align, value_cells

    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console.width = max(console.width, 120)
    measured = {name: item for name, item in weld["measurements"].items() if item["state"] == "measured"}
    cells = [value_cells(item, units) for item in measured.values()]
    figures = align([figure for figure, _, _, _ in cells])
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading in ("name", "value", "± (k = 2)", "unit", "largest parts"):
        right = heading in ("value", "± (k = 2)")
        table.add_column(heading, no_wrap=heading != "largest parts", justify="right" if right else "left")
    for (name, item), figure, (_, doubt, unit, _) in zip(measured.items(), figures, cells, strict=True):
        table.add_row(name, figure, doubt, unit, _largest(item.get("budget") or ()))
    console.print(f"{entry['source']['path']}, weld {weld['id']} ({weld['joint']})", style="bold")
    console.print(table)
    console.print("--quantity NAME shows all parts of one value, and checks its interval by random trials.")


def _largest(budget: Sequence[dict[str, Any]], most: int = 3) -> str:
    """Return the largest parts of a budget with their shares of the variance."""
    parts = sorted(budget, key=lambda part: -part["standard_uncertainty"])
    variance = sum(part["standard_uncertainty"] ** 2 for part in parts)
    if variance <= 0:
        return "-"
    shares = [(part["source"], 100 * part["standard_uncertainty"] ** 2 / variance) for part in parts[:most]]
    return ", ".join(f"{source} {share:.0f} %" for source, share in shares if share >= 0.5)


def _plus_minus(item: dict[str, Any], scale: _Scale) -> str:
    if item["expanded_uncertainty"] is None:
        return ", its uncertainty was not evaluated"
    interval = item.get("interval")
    ends = f", {scale.figure(interval[0])} to {scale.told(interval[1])}" if interval else ""
    return f" ± {scale.told(item['expanded_uncertainty'])} (k = {item['coverage_factor']:g}){ends}"


def _known_to(budget: list[dict[str, Any]], degrees: Mapping[str, float]) -> str:
    """Say how well the uncertainty is itself known, and what k that would ask for."""
    from measurement.degrees import coverage_factor, effective_degrees_of_freedom

    effective = effective_degrees_of_freedom(
        (part["standard_uncertainty"], degrees.get(part["source"], math.inf)) for part in budget
    )
    many = "over 1000" if effective > 1000 else f"{max(1, math.floor(effective + 1e-9))}"
    factor = coverage_factor(effective)
    return (
        f"  Effective degrees of freedom: {many} (JCGM 100:2008, G.4.1); k for a level of 0.95 would be {factor:.2f}."
    )


def _checked(item: dict[str, Any], trials: Trials | None, no_trials: str, scale: _Scale) -> str:
    """Say what random trials give for the same value (JCGM 101:2008, clause 8)."""
    if trials is None or item["expanded_uncertainty"] is None:
        return f"  Random trials: none: {no_trials or 'this value has no budget to draw from'}"
    low, high = item.get("interval") or (
        item["value"] - item["expanded_uncertainty"],
        item["value"] + item["expanded_uncertainty"],
    )
    text = f"  Random trials ({trials.draws}): {scale.figure(trials.low)} to {scale.told(trials.high)}"
    apart = max(abs(trials.low - low), abs(trials.high - high))
    if apart <= 0.1 * item["expanded_uncertainty"]:
        return f"{text}, as stated within {scale.told(apart)}."
    inside = low <= trials.low + 1e-9 and trials.high <= high + 1e-9
    wider = "the stated interval is the wider one" if inside else "the model bends: take the wider of the two"
    return f"{text}, {scale.told(apart)} from the stated ends; {wider}."
