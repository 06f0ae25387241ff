"""The errors a user can act on.

::

    ToelineError
    ├── UsageError           wrong use of a command or an option      exit status 2
    ├── UnreadableFile       a file that is not what it says it is    exit status 3
    └── NothingMeasurable    the picture does not show what is asked  exit status 4
        └── CalibrationRefused   the scale cannot be trusted          exit status 4

Each holds one sentence for the user: what is wrong, where, what to do.
"""

from __future__ import annotations


class ToelineError(Exception):
    """Base of all errors a user can act on."""

    exit_status = 1
    code = "error"

    def __init__(self, message: str, *, code: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        if code is not None:
            self.code = code

    def __str__(self) -> str:
        return self.message


class UsageError(ToelineError, ValueError):
    """A command or an option is used in a way that cannot be served."""

    exit_status = 2
    code = "usage"


class UnreadableFile(ToelineError):
    """A file is missing, damaged, too large or of another kind than it says."""

    exit_status = 3
    code = "unreadable_file"


class NothingMeasurable(ToelineError):
    """The picture does not show what is to be measured."""

    exit_status = 4
    code = "nothing_measurable"


class CalibrationRefused(NothingMeasurable):
    """The picture does not give a scale that can be trusted."""

    code = "calibration_refused"
