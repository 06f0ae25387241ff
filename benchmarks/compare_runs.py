"""What changed between two runs: ``python -m benchmarks.compare_runs OLD.json NEW.json``; status 1 when worse.

Errors of two runs with the same seed and plan are of the same pictures, and any change is the program's. Times are
compared as multiples of decoding the same file, since machines differ.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

Run = Mapping[str, Any]
WORSE_ERROR, WORSE_TIME = 1.1, 1.25
LEAST_ERROR = 0.002
"""Changes of an error below this, mm or degrees, are of no consequence."""


@dataclass(frozen=True, slots=True)
class Change:
    """One figure of both runs; ``factor`` above 1 is worse, and worse than ``allowed`` is told."""

    name: str
    old: float
    new: float
    allowed: float
    least: float = 0.0

    @property
    def worse(self) -> bool:
        """Whether the new figure is worse by more than is allowed."""
        return self.new > self.allowed * self.old and self.new - self.old > self.least

    @property
    def better(self) -> bool:
        """Whether it is better by as much."""
        return self.old > self.allowed * self.new and self.old - self.new > self.least


def figures(run: Run) -> Iterator[tuple[str, float, float, float]]:
    """Yield name, value, allowed factor and least change of every figure that is better when smaller."""
    for group in (*run["photographs"], *run["laser"]):
        title = f"{group['source']} {group['kind']} {group['joint']} {group['pixel_mm']}"
        yield f"{title}: not measured", group["pictures"] - group["measured"], 1.0, 0.0
        yield f"{title}: silently wrong", group["silent_pictures"], 1.0, 0.0
        for item in group["quantities"]:
            if item["p95"] is not None:
                yield f"{title}: {item['name']}, 95 %", item["p95"], WORSE_ERROR, LEAST_ERROR
    yield "inside: a line claimed without an etch", run["inside"]["blank_claimed"], 1.0, 0.0
    steps = run["speed"]["steps_ms"]
    for name, ms in steps.items():
        if name != "decode":
            yield f"time of {name} / decoding", ms / steps["decode"], WORSE_TIME, 0.02
    for entry in run["speed"].get("insides", ()):
        yield f"time of the inside of an etched {entry['joint']} / decoding", entry["ratio"], WORSE_TIME, 0.02
    yield "toeline --help, s", run["speed"]["help_s"], WORSE_TIME, 0.02
    most = run["growth"]["frames"][-1]
    yield "frames: processor time, s per frame", most["processor_s"] / most["frames"], WORSE_TIME, 0.0
    yield "largest picture: memory, MB", run["growth"]["pictures"][-1]["peak_mb"], WORSE_ERROR, 0.0


def changes(old: Run, new: Run) -> list[Change]:
    """Return every figure that both runs have."""
    before = {name: value for name, value, _, _ in figures(old)}
    return [
        Change(name, before[name], value, allowed, least)
        for name, value, allowed, least in figures(new)
        if name in before
    ]


def comparable(old: Run, new: Run) -> str:
    """Say why two runs should not be set side by side, empty when they may be."""
    if old["schema"] != new["schema"]:
        return f"the files are of different kinds: {old['schema']} and {new['schema']}"
    if old["plan"] != new["plan"]:
        return "the runs measured different amounts: run both with --quick or both without"
    if old["seed"] != new["seed"]:
        return f"the runs measured different pictures: seeds {old['seed']} and {new['seed']}"
    return ""


def main(arguments: Sequence[str] | None = None) -> int:
    """Print what changed; 0 when nothing got worse, 1 when something did, 2 when the runs cannot be compared."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.compare_runs", description=__doc__)
    parser.add_argument("old", type=Path)
    parser.add_argument("new", type=Path)
    options = parser.parse_args(arguments)
    old, new = (json.loads(path.read_text(encoding="utf-8")) for path in (options.old, options.new))
    why = comparable(old, new)
    if why:
        print(why)
        return 2
    every = changes(old, new)
    for word, chosen in (("worse", [c for c in every if c.worse]), ("better", [c for c in every if c.better])):
        print(f"{word}: {len(chosen)} of {len(every)} figures")
        for change in chosen:
            print(f"  {change.name}: {change.old:.4g} -> {change.new:.4g}")
    return int(any(change.worse for change in every))


if __name__ == "__main__":
    raise SystemExit(main())
