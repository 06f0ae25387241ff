"""``toeline assess``: the values of a result file compared with limits."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from cli.limit_options import (
    REJECTED,
    Category,
    ChosenRule,
    Criteria,
    FailOnReject,
    NominalLeg,
    NominalThroat,
    Require,
    Seam,
    Service,
)

EPILOG = (
    "Exit status: 0 assessed, 2 wrong use, 3 a file that cannot be read, 4 the result holds no weld, 5 a limit is not "
    "met (only with --fail-on-reject). Outcomes are proposals: the governing code in its valid edition prevails, and a "
    "qualified person decides."
)


def assess(
    result: Annotated[Path, typer.Argument(metavar="RESULT.json", help="Written by toeline measure --json.")],
    criteria: Criteria = None,
    require: Require = None,
    thickness: Annotated[
        str | None, typer.Option(metavar="LENGTH", help='Nominal thickness of the thinner plate: "10 mm".')
    ] = None,
    nominal_throat: NominalThroat = None,
    nominal_leg: NominalLeg = None,
    category: Category = None,
    service: Service = None,
    seam: Seam = None,
    units: Annotated[
        str, typer.Option(metavar="SYSTEM", help="metric or inch: which table of a code that has both.")
    ] = "metric",
    rule: ChosenRule = "guarded",
    json_file: Annotated[
        Path | None, typer.Option("--json", metavar="FILE|-", help="Write the result with its outcomes.")
    ] = None,
    fail_on_reject: FailOnReject = False,
) -> int:
    """Compare the values of a result with published limits or a drawing's own; outcomes are proposals."""
    from cli.limit_options import chosen_limits, limit_files
    from cli.options import choose, refuse_overwriting
    from core.errors import NothingMeasurable, UsageError
    from inspection.document import as_text, write_text
    from inspection.outcomes import judged, rejected
    from inspection.schema import read_result

    choose(units, ("metric", "inch"), "--units")
    by = chosen_limits(
        criteria,
        require,
        rule,
        units,
        fail_on_reject,
        thickness=thickness,
        nominal_throat=nominal_throat,
        nominal_leg=nominal_leg,
        category=category,
        service=service,
        seam=seam,
    )
    if by is None:
        raise UsageError('name limits: --criteria NAME ("toeline limits" lists them) or --require "z6".')
    refuse_overwriting([json_file], [result, *limit_files(criteria)])
    document = read_result(result).model_dump(mode="json", by_alias=True)
    document["results"] = [judged(entry, by) for entry in document["results"]]
    if not any(entry["welds"] for entry in document["results"]):
        raise NothingMeasurable(f"{result}: the result holds no weld to assess: measure the picture again.")
    if str(json_file) == "-":
        print(as_text(document), end="")
    else:
        _print(document["results"])
    if json_file is not None and str(json_file) != "-":
        write_text(json_file, as_text(document))
    return REJECTED if fail_on_reject and rejected(document["results"]) else 0


def _print(entries: list[dict[str, Any]]) -> None:
    from rich.console import Console

    from cli.outcome_table import print_outcomes
    from inspection.outcomes import PROPOSAL

    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console.width = max(console.width, 140)
    with console.capture() as captured:
        for entry in entries:
            for weld in entry["welds"]:
                console.print(f"\n{entry['source']['path']}, weld {weld['id']}: {weld['joint']}", style="bold")
                print_outcomes(console, weld, entry["assessment"])
        console.print(PROPOSAL)
    print(captured.get(), flush=True)
