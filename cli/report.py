"""``toeline report``: records or result files as pages to print and to file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from core.errors import UnreadableFile, UsageError

SUFFIXES = (".pdf", ".html")


def report(
    what: Annotated[
        list[str], typer.Argument(metavar="RECORD|RESULT.json...", help="Names of records (W-000001) or result files.")
    ],
    out: Annotated[Path, typer.Option(metavar="FILE", help="Where the report goes: .pdf or .html.")],
    records: Annotated[
        str | None,
        typer.Option(
            metavar="STORE", help="File or postgresql:// URL; else TOELINE_RECORDS or the user's data folder."
        ),
    ] = None,
    units: Annotated[str, typer.Option(metavar="SYSTEM", help="metric or inch.")] = "metric",
    paper: Annotated[str, typer.Option(metavar="SIZE", help="A4 or Letter.")] = "A4",
    title: Annotated[str | None, typer.Option(metavar="TEXT", help="What stands in the file's title.")] = None,
) -> None:
    """Write a report: one page for each weld, and a summary where there are several."""
    import datetime

    from cli.options import choose, refuse_overwriting
    from inspection.document import write_bytes

    choose(units, ("metric", "inch"), "--units")
    choose(paper, ("A4", "Letter"), "--paper")
    if out.suffix.lower() not in SUFFIXES:
        raise UsageError(f"--out {str(out)!r} must end in .pdf or .html.")
    files = [Path(name) for name in what if name.lower().endswith(".json")]
    refuse_overwriting([out], files)
    sheets, pictures = _sheets(what, records, units)
    if not sheets and not pictures:
        raise UnreadableFile("there is no weld to report in what was named: measure a picture first.")
    made = datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%d %H:%M UTC")
    name = title or ", ".join(dict.fromkeys(sheet.name for sheet in sheets))[:120] or "Weld report"
    if out.suffix.lower() == ".pdf":
        from desk.report_pdf import as_pdf

        data = as_pdf(sheets, title=name, made=made, paper=paper, pictures=pictures)
    else:
        from desk.report_html import as_html

        data = as_html(sheets, title=name, made=made, pictures=pictures)
    write_bytes(out, data)
    confirmed = sum(sheet.confirmed for sheet in sheets)
    print(f"{out}: {len(sheets)} weld{'' if len(sheets) == 1 else 's'}, {confirmed} confirmed.")


def _sheets(what: list[str], where: str | None, units: str):  # type: ignore[no-untyped-def]
    """Return the sheets in the order in which they were named, and the plan views of seams."""
    from desk.report_seam import is_seam, seam_sheet
    from desk.report_sheet import sheet_of_record, sheets_of_result

    sheets, pictures = [], []
    store = None
    try:
        for name in what:
            if name.lower().endswith(".json"):
                path = Path(name)
                if is_seam(path):
                    sheet, drawn = seam_sheet(path, units)  # type: ignore[arg-type]
                    sheets.append(sheet)
                    pictures += drawn
                else:
                    sheets += sheets_of_result(path, units)  # type: ignore[arg-type]
                continue
            if store is None:
                from cli.records import open_kept

                store = open_kept(where)
            sheets.append(sheet_of_record(store, store.record(name), units))  # type: ignore[arg-type]
    finally:
        if store is not None:
            store.close()
    return sheets, pictures
