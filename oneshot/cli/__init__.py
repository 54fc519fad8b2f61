"""The command line: thin commands over the package.

Everything heavy is imported inside a command, so that ``--help`` answers at once. Results go to stdout; progress,
warnings and errors to stderr. Exit codes: 0 done, 1 could not be done or ``verify`` found a difference, 2 wrong usage,
130 interrupted.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Sequence

from oneshot.cli.commands import app

__all__ = ["app", "main"]


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line; leaves by SystemExit with one of the exit codes above.

    Parameters
    ----------
    arguments
        The words after the program's name; None: those of the process.
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # names of files may hold what the terminal's encoding has not
            stream.reconfigure(errors="backslashreplace")
    try:
        app(args=None if arguments is None else list(arguments), prog_name="oneshot")
    except KeyboardInterrupt:
        sys.exit(130)
