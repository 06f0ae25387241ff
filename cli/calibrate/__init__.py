"""``toeline calibrate``: what a pixel is in mm, from a target of known size."""

from __future__ import annotations

import typer

from cli.calibrate import board, check, laser, lens, points, resolution, ruler, target

app = typer.Typer(
    help="Find what a pixel is in mm, from a target in the plane of the section.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
app.command("points")(points.points)
app.command("ruler")(ruler.ruler)
app.command("board")(board.board)
app.command("lens")(lens.lens)
app.command("laser", epilog=laser.EPILOG)(laser.laser)
app.command("resolution")(resolution.resolution)
app.command("check")(check.check)
app.command("target")(target.target)
