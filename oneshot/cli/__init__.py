"""The command line: thin commands over the package.

Everything heavy is imported inside a command, so that ``--help`` answers at once. Results go to stdout; progress,
warnings and errors to stderr. Exit codes: 0 done, 1 could not be done or ``verify`` found a difference, 2 wrong usage,
130 interrupted.
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Sequence
from contextlib import suppress

from oneshot.cli.commands import app

__all__ = ["app", "main"]


ONE_EACH = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
"""Who asks for threads of the linear algebra gets them. Nobody else does: there is a worker per core already, and
threads of each that wait for each other cost more than they do, most of all where another program is busy.
"""


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line; leaves by SystemExit with one of the exit codes above.

    Parameters
    ----------
    arguments
        The words after the program's name; None: those of the process.
    """
    for name in ONE_EACH:
        os.environ.setdefault(name, "1")
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # names of files may hold what the terminal's encoding has not
            stream.reconfigure(errors="backslashreplace")
    try:
        app(args=None if arguments is None else list(arguments), prog_name="oneshot")
    except KeyboardInterrupt:
        sys.exit(130)
    finally:
        for stream in (sys.stdout, sys.stderr):
            with suppress(OSError, ValueError):  # whoever read them may be gone
                stream.flush()
