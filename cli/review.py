"""``toeline review``: a page on this machine where a person looks, corrects, and confirms or rejects."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def review(
    result: Annotated[
        Path | None,
        typer.Argument(
            metavar="[RESULT|FOLDER]",
            help="Result file, or a folder with result.json; without it, what waits in the records.",
        ),
    ] = None,
    records: Annotated[
        str | None,
        typer.Option(metavar="STORE", help="A file or postgresql:// URL; else TOELINE_RECORDS or the user's folder."),
    ] = None,
    operator: Annotated[
        str | None, typer.Option(metavar="NAME", help="Who decides; the page asks when it is left out.")
    ] = None,
    port: Annotated[int, typer.Option(metavar="N", help="Port on this machine; 0 takes a free one.")] = 0,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address, do not open it in a browser.")
    ] = False,
) -> int:
    """Open a page on this machine to look at what was measured, move points, and confirm or reject."""
    from cli.records import open_kept
    from desk.review.desk import Desk
    from desk.review.items import of_records, of_result
    from desk.review.server import serve

    with open_kept(records, make=result is not None) as store:
        items = of_records(store) if result is None else of_result(result, store)
        if not items:
            print(f"Nothing waits in {store.shown}." if result is None else f"{result}: no picture was measured.")
            return 0
        desk = Desk(items, store, operator=operator)
        try:
            serve(desk, port=port, tell=lambda address: _tell(address, len(items), store.shown, not no_browser))
        finally:
            desk.close()
    print("The desk is closed.")
    return 0


def _tell(address: str, count: int, store: str, browser: bool) -> None:
    print(f"{count} {'weld' if count == 1 else 'welds'} to review, decisions are kept in {store}.")
    print(f"Open this address in a browser on this machine; it opens once:\n  {address}")
    print('Stop with Ctrl-C or with "Close the desk".', flush=True)
    if browser:
        import webbrowser

        webbrowser.open(address)
