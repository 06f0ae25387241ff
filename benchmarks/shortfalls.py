"""What a run of the benchmarks misses of what was set."""

from __future__ import annotations

from statistics import median

from benchmarks.floors import COVERAGE_RANGE
from benchmarks.groups import LEAST_VALUES, STATED_PIXELS_MM, missed
from benchmarks.render.random_looks import GROUNDS
from benchmarks.tables import Run, title

INSIDE_SHARE = 0.9
RATIO_LIMIT, INSIDE_LIMIT, HELP_LIMIT_S, MEASURE_LIMIT_S = 2.0, 1.0, 0.4, 2.5
ENOUGH_VALUES = 40
"""With fewer, a share between 93 and 98 % is a matter of luck."""


WIDEST_RATIO = 3.0
"""Times the median error that a median interval was set to be."""


def is_off(item: Run) -> bool:
    """Tell whether the intervals of enough values held the truth less often, or more often, than was set."""
    return item["n"] >= ENOUGH_VALUES and not COVERAGE_RANGE[0] <= item["coverage"] <= COVERAGE_RANGE[1]


def shortfalls(run: Run) -> list[str]:
    """Return everything in a run that misses what was set, one line each; nothing is left out."""
    found = []
    every = [group for group in run["photographs"] if group["joint"] == "all"]
    for group in (*every, *run["grounds"], *run["laser"]):
        # The floors hold for one range of pixel sizes; what is silently wrong or not measured is so at any.
        # What lies on no plain ground is told to be less sure.
        on_ground = group["kind"] in GROUNDS
        stated = group["source"] == "laser" or (tuple(group["pixel_mm"]) == STATED_PIXELS_MM and not on_ground)
        found += [f"{title(group)}: {text}" for text in missed(group if stated else {**group, "quantities": []})]
    for group in run["laser"]:
        if is_off({"n": group["there"], "coverage": group["there_coverage"]}):
            share = f"{100 * group['there_coverage']:.1f} % of {group['there']}"
            found.append(f"{title(group)}: intervals held the truth in {share}, 93 to 98 % was set")
    for item in run["coverage"]:
        if is_off(item):
            share = f"{100 * item['coverage']:.1f} % of {item['n']}"
            found.append(f"photographs: interval of {item['name']} held the truth in {share}, 93 to 98 % was set")
    told = [item for item in run["coverage"] if item["n"] >= ENOUGH_VALUES and item["interval_ratio"]]
    wide = [item for item in told if round(item["interval_ratio"], 1) > WIDEST_RATIO]
    if wide:
        middle, exact = (median(item[key] for item in told) for key in ("interval_ratio", "exact_ratio"))
        found.append(
            f"photographs: interval / error over {WIDEST_RATIO:g} for {len(wide)} of {len(told)} values, in the middle "
            f"{middle:.1f} ({exact:.1f} if each interval was exact)"
        )
    for name, value, limit in (
        ("processing after decoding / decoding", run["speed"]["ratio"], RATIO_LIMIT),
        *(
            (f"inside of an etched {entry['joint'].replace('_', ' ')} / decoding", entry["ratio"], INSIDE_LIMIT)
            for entry in run["speed"].get("insides", ())
        ),
        ("toeline --help, s", run["speed"]["help_s"], HELP_LIMIT_S),
        ("toeline measure, whole process, s", run["speed"]["measure_s"], MEASURE_LIMIT_S),
    ):
        if value > limit:
            found.append(f"{name}: {value:.2f}, at most {limit:g} was set")
    for item in run["naive"]["verdicts"]:
        if item["behind"]:
            found.append(f"{item['kind']}: behind {', '.join(item['behind'])} in accuracy")
        if item["time_ratio"] is not None and item["time_ratio"] > 1:
            found.append(f"{item['kind']}: {item['time_ratio']:.2f} times the time of {item['fastest_comparable']}")
    if not run["growth"]["memory_flat"]:
        found.append("memory grows with the number of frames")
    for group in run["inside"]["groups"]:
        if group["wrong_kind"]:
            found.append(
                f"inside, {group['name']}: {group['wrong_kind']} of {group['claimed']} lines of the wrong kind"
            )
        for item in group["quantities"]:
            if item["n"] >= LEAST_VALUES and item["within_floor"] < INSIDE_SHARE:
                share = f"{100 * item['within_floor']:.0f} % of {item['n']}"
                found.append(f"inside, {group['name']}: {item['name']} within its floor in {share}")
    if run["inside"]["blank_claimed"]:
        found.append(f"inside: a line claimed in {run['inside']['blank_claimed']} welds without an etch")
    return found
