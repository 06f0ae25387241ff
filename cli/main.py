"""The command line: one command a file, joined here; errors become one line and an exit status."""

from __future__ import annotations

import io
import logging
import os
import sys
from typing import Annotated, Any

import typer

from cli import (
    assess,
    calibrate,
    compare,
    config,
    demo,
    explain,
    limits,
    measure,
    records,
    report,
    review,
    scan,
    study,
    watch,
)
from cli.options import complain, mute_stdout
from core.errors import ToelineError

app = typer.Typer(
    help="Measure weld profiles from photographs of sections, with uncertainty.",
    epilog="What is measured is a proposal: a qualified person confirms it, and the governing code prevails.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["--help", "-h"]},
)
app.command("measure", epilog=measure.EPILOG)(measure.measure)
app.command("scan", epilog=scan.EPILOG)(scan.scan)
app.command("assess", epilog=assess.EPILOG)(assess.assess)
app.command("limits")(limits.limits)
app.add_typer(calibrate.app, name="calibrate")
app.command("explain")(explain.explain)
app.command("compare", epilog=compare.EPILOG)(compare.compare)
app.command("study", epilog=study.EPILOG)(study.study)
app.add_typer(records.app, name="records")
app.command("review")(review.review)
app.command("watch", epilog=watch.EPILOG)(watch.watch)
app.command("report")(report.report)
app.command("demo")(demo.demo)

ClickUsageError: type[Exception] = typer.BadParameter.__mro__[1]
ClickException: type[Exception] = typer.BadParameter.__mro__[2]


INTERRUPTED = 130
"""128 and the number of the signal, as shells have it."""


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        print(f"toeline {version('toeline')}")
        raise typer.Exit


@app.callback()
def toeline(
    _: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")] = False,
) -> None:
    """Measure weld profiles from photographs of sections, with uncertainty."""


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and leave with its exit status."""
    # Decoders of damaged pictures write to stderr themselves; the one line there is ours.
    os.environ.setdefault("OPENCV_LOG_LEVEL", "SILENT")
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    logging.getLogger("tifffile").addHandler(logging.NullHandler())
    raise SystemExit(run(sys.argv[1:] if arguments is None else arguments))


def run(arguments: list[str]) -> int:
    """Run the command line and return its exit status.

    Exit statuses: 0 done, 2 wrong use, 3 unreadable file, 4 nothing measurable,
    5 a limit is not met (only with --fail-on-reject), 130 interrupted.
    """
    try:
        status = app(arguments, prog_name="toeline", standalone_mode=False, default_map=_defaults())
        sys.stdout.flush()
        if status == INTERRUPTED:  # the command line library has turned the interrupt into a status
            return complain("interrupted.", INTERRUPTED)
        return status if isinstance(status, int) else 0
    except ToelineError as error:
        return complain(str(error), error.exit_status)
    except ClickException as error:
        message = error.format_message()  # type: ignore[attr-defined]
        if not message or type(error).__name__ == "NoArgsIsHelpError":
            print(message)
            return 2
        stop = "" if message[-1] in ".?!" else "."
        return complain(f"{message}{stop} See --help.", 2)
    except (KeyboardInterrupt, typer.Abort):
        return complain("interrupted.", INTERRUPTED)
    except BrokenPipeError:
        mute_stdout()
        return 0


def _defaults() -> dict[str, Any] | None:
    """Return the defaults of the configuration file, None without one, which costs no more than a look."""
    if not os.environ.get(config.VARIABLE) and not config.location().is_file():
        return None
    return config.defaults(typer.main.get_command(app))


if __name__ == "__main__":
    main()
