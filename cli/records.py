"""``toeline records``: what is kept in the store is listed, shown, exported and verified; results are added."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from core.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from records.entry import Record
    from records.keep import Kept
    from records.store import Store

app = typer.Typer(help="Keep results in a store that nothing overwrites, and look them up.", no_args_is_help=True)

Where = Annotated[
    str | None,
    typer.Option(
        "--records", metavar="STORE", help="File or postgresql:// URL; else TOELINE_RECORDS or the user's data folder."
    ),
]
State = Annotated[str | None, typer.Option(metavar="STATE", help="Only those waiting, confirmed or rejected.")]
Job = Annotated[str | None, typer.Option(metavar="TEXT", help="Only those of this job.")]
DEFAULT = "default"
"""What ``--records`` of other commands says for the store in its usual place."""
DAMAGED = 3
"""Exit status: a store that is not what it should be."""


@app.command("list")
def list_(records: Where = None, state: State = None, job: Job = None) -> None:
    """List the records, oldest first."""
    from rich import box
    from rich.console import Console
    from rich.table import Table

    with open_kept(records) as store:
        found = store.records(state=_state(state), job=job)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for name in ("record", "state", "job", "weld no.", "source", "weld", "joint", "changed (UTC)"):
        table.add_column(name, no_wrap=name in ("record", "state", "changed (UTC)"))
    for line in found:
        cells = (line.id, line.state, line.job, line.weld_number, line.source, line.weld, line.joint)
        table.add_row(*(_plain(cell) for cell in cells), line.changed[:16].replace("T", " "))
    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console.width = max(console.width, 140)
    with console.capture() as captured:
        console.print(table)
    print(captured.get() if found else "No records.")


@app.command()
def show(
    record: Annotated[str, typer.Argument(metavar="RECORD", help="As listed: W-000001.")],
    records: Where = None,
    units: Annotated[str, typer.Option(metavar="SYSTEM", help="metric or inch.")] = "metric",
    files: Annotated[Path | None, typer.Option(metavar="DIR", help="Write the kept files into a folder.")] = None,
) -> None:
    """Show one record: its identification, every entry, the values that count."""
    from cli.options import choose

    choose(units, ("metric", "inch"), "--units")
    with open_kept(records) as store:
        found = store.record(record)
        _print_record(found, units)
        if files is not None:
            _write_files(store, found, files)


@app.command()
def export(
    out: Annotated[Path, typer.Option(metavar="FILE", help="Ends in .csv, .xlsx or .json.")],
    records: Where = None,
    state: State = None,
    job: Job = None,
) -> None:
    """Write the records into a table (CSV, XLSX) or a file with every entry (JSON)."""
    from inspection.document import write_bytes
    from records.export import WRITERS

    writer = WRITERS.get(out.suffix.lower())
    if writer is None:
        raise UsageError(f"--out {str(out)!r} must end in {', '.join(WRITERS)}.")
    with open_kept(records) as store:
        found = [store.record(line.id) for line in store.records(state=_state(state), job=job)]
    write_bytes(out, writer(found))
    print(f"{out}: {len(found)} {'record' if len(found) == 1 else 'records'}.")


@app.command()
def verify(
    records: Where = None,
    expect: Annotated[
        str | None, typer.Option(metavar="HASH", help="A hash printed on a report: it must be in the chain.")
    ] = None,
) -> int:
    """Go through the whole chain and tell of every entry changed, taken out or put in."""
    from cli.options import complain

    with open_kept(records) as store:
        problems = store.verify(expect)
        number, head = store.head()
    for problem in problems:
        print(problem.message)
    if problems:
        count = f"{len(problems)} {'place is' if len(problems) == 1 else 'places are'}"
        return complain(f"{store.shown}: {count} not as written: keep this store as it is, compare with a backup.",
                        DAMAGED)  # fmt: skip
    print(f"The chain holds: {number} {'entry' if number == 1 else 'entries'}.")
    if number:
        print(f"Last hash: {head}")
        if expect is None:
            print("Whether the last entries are all there, only a hash noted elsewhere can tell: --expect HASH.")
    return 0


@app.command()
def add(
    result: Annotated[Path, typer.Argument(metavar="RESULT.json", help="Written by toeline measure --json.")],
    records: Where = None,
    template: Annotated[
        Path | None, typer.Option(metavar="FILE.toml", help="Job, drawing, welder, etchant ... of the welds.")
    ] = None,
    who: Annotated[str | None, typer.Option(metavar="NAME", help="Who measured; else the name of the login.")] = None,
    no_picture: Annotated[
        bool, typer.Option("--no-picture", help="Keep the hash of the picture, not the picture.")
    ] = False,
) -> None:
    """Add each weld of a result file as a record that waits for confirmation."""
    from inspection.schema import read_result

    content = read_result(result).model_dump(mode="json", by_alias=True)
    with Keeper(records, template, who) as keeper:
        keeper.keep(content["results"], with_picture=not no_picture, tool=content["tool"], folder=result.parent)


class Keeper:
    """A store that is open before anything is measured, so that a wrong name is told at once."""

    def __init__(self, where: str | None, template: Path | None, who: str | None) -> None:
        from records.identification import Identification, read_template
        from records.keep import Earlier

        self._identification = Identification() if template is None else read_template(template)
        self._who = who or login()
        self._store = open_kept(where, make=True)
        self._earlier = Earlier(self._store)

    def __enter__(self) -> Keeper:
        return self

    def __exit__(self, *_: object) -> None:
        self._store.close()

    def keep(
        self,
        results: list[dict[str, Any]],
        *,
        with_picture: bool,
        tool: dict[str, Any] | None = None,
        folder: Path | None = None,
        to_stderr: bool = False,
    ) -> None:
        """Add results and say what became of each; ``to_stderr`` when the output is for another program."""
        import sys

        from records.keep import keep_results

        kept = keep_results(
            self._store,
            results,
            who=self._who,
            identification=self._identification,
            tool=tool,
            with_picture=with_picture,
            folder=folder,
            earlier=self._earlier,
        )
        _tell(kept, sys.stderr if to_stderr else sys.stdout)


def login() -> str:
    """Return the name under which the person is logged in."""
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        raise UsageError("nobody is named who measured: give a name.") from None


def _tell(kept: Iterable[Kept], stream: Any) -> None:
    missing: dict[tuple[str, ...], list[str]] = {}
    told: set[str] = set()
    count = 0
    for item in kept:
        count += 1
        said = "is in the store already, nothing is added" if item.again else "waits for confirmation"
        print(f"{item.record}: {_plain(item.source)}, weld {item.weld}: {said}.", file=stream)
        for note in item.notes:
            if note not in told:
                print(f"  {_plain(note)}", file=stream)
            told.add(note)
        if item.missing:
            missing.setdefault(item.missing, []).append(item.record)
    if not count:
        print("No weld was measured, nothing is kept.", file=stream)
    for labels, names in missing.items():
        which = names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}"
        print(f"{which}: a report of a macro examination still lacks: {', '.join(labels)}.", file=stream)


def open_kept(where: str | None, *, make: bool = False) -> Store:
    """Open the store that an option names; for one who only reads, a named one that is not there is refused."""
    from records.store import open_store

    return open_store(None if where == DEFAULT else where, make=make)


def _state(state: str | None) -> str | None:
    from cli.options import choose

    return None if state is None else choose(state, ("waiting", "confirmed", "rejected"), "--state")


def _print_record(record: Record, units: str) -> None:
    from rich.console import Console

    from cli.table import print_weld
    from records.identification import FIELDS

    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console.width = max(console.width, 110)
    body = record.current
    with console.capture() as captured:
        console.print(f"{record.id}: {record.state}", style="bold")
        console.print(f"{body.get('source', {}).get('name')}, weld {body.get('weld', {}).get('id')}")
        for name, value in record.identification.items():
            console.print(f"  {FIELDS[name].label if name in FIELDS else name}: {_plain(value)}")
        if "weld" in body:
            console.print()
            print_weld(console, body["weld"], {"settings": {"joint": (body.get("settings") or {}).get("joint")}}, units)
            _print_outcomes(console, body)
        console.print("\nEntries")
        for entry in record.entries:
            why = "" if entry.why is None else f": {_plain(entry.why)}"
            console.print(f"  {entry.number}  {entry.at[:16].replace('T', ' ')} UTC  {entry.kind} by "
                          f"{_plain(entry.who)}{why}  [{entry.hash[:16]}]")  # fmt: skip
        console.print(f"Hash: {record.last.hash}")
    print(captured.get(), end="")


def _print_outcomes(console: Any, body: Mapping[str, Any]) -> None:
    """Print what the values were compared with, where the record tells all of it."""
    from cli.outcome_table import SHOWN, print_outcomes
    from inspection.outcomes import PROPOSAL

    weld, limits = body["weld"], body.get("limits")
    outcomes = weld.get("outcomes") or ()
    if outcomes and isinstance(limits, Mapping) and all(outcome.keys() >= SHOWN for outcome in outcomes):
        print_outcomes(console, weld, dict(limits))
        console.print(PROPOSAL)


def _write_files(store: Store, record: Record, folder: Path) -> None:
    from inspection.document import write_bytes

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"--files {folder}: the folder cannot be made: {error.strerror}.") from None
    name = Path(str(record.current.get("source", {}).get("name") or "")).suffix
    suffixes = {"picture": name, "profile": name, "calibration": ".json"}
    # Names come from the store: only our own ones become file names.
    for entry in record.entries:
        for kind, sha256 in entry.attachments.items():
            stem = kind if kind in suffixes else "file"
            target = folder / f"{record.id}-{entry.number}-{stem}{suffixes.get(kind, '')}"
            write_bytes(target, store.attachment(sha256))
            print(f"{target} written.")


def _plain(text: str | None) -> str:
    """Return text for the screen: signs that would steer a terminal are shown, not obeyed."""
    return "" if text is None else "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in text)
