"""What the command line says: results to stdout, everything else to stderr, one line for what went wrong."""

from __future__ import annotations

import json
import os
import sys
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from oneshot.core.records.session import Problem
    from oneshot.kit.report.lines import Line

STYLES: dict[str, dict[str, Any]] = {
    "head": {"bold": True}, "warn": {"fg": "yellow"}, "quiet": {"dim": True}, "text": {},
}
"""How each kind of line looks where colour is welcome; without colour every line reads the same."""


@contextmanager
def plainly(*, debug: bool) -> Iterator[None]:
    """Turn what the user can put right into one line on stderr and an exit code."""
    from oneshot.core.errors import OneshotError

    try:
        yield
    except KeyboardInterrupt:
        say_error("interrupted", debug=debug)
        raise typer.Exit(130) from None
    except BrokenPipeError:
        raise
    except OneshotError as error:
        say_error(str(error), debug=debug)
        raise typer.Exit(1) from None
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        say_error(f"{where}{error.strerror or error}", debug=debug)
        raise typer.Exit(1) from None
    except MemoryError:
        say_error("not enough memory: close other programs, or use fewer workers (--jobs 1)", debug=debug)
        raise typer.Exit(1) from None


def say_error(text: str, *, debug: bool) -> None:
    """One line, whatever the error's text holds; the traceback only where it was asked for."""
    from oneshot.kit.report.lines import plain

    if debug:
        traceback.print_exc()
    print("oneshot: " + plain(" ".join(text.split())), file=sys.stderr)


def show(lines: Sequence[Line], stream: IO[str] | None = None) -> None:
    """Print lines of text, styled by their kind where the stream is a terminal that wants colour."""
    stream = stream or sys.stdout
    coloured = stream.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"
    for kind, text in lines:
        style = STYLES[kind] if coloured else {}
        print(typer.style(text, **style) if style and text else text, file=stream)


def show_json(record: object) -> None:
    """Print a record as JSON that any reader takes: no NaN, no Infinity."""
    print(json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False))


def warn(problems: Sequence[Problem]) -> None:
    """Tell all warnings once, after the result."""
    from oneshot.kit.report.text import problem_lines

    sys.stdout.flush()
    show(problem_lines(problems), sys.stderr)


def there(path: Path) -> None:
    """Raise WorkError, before anything heavy is imported, where there is nothing at a path."""
    from oneshot.core.errors import WorkError

    if not os.path.lexists(path):
        raise WorkError(f"{path}: no such file or folder")


def kit_there(path: Path) -> None:
    """Raise WorkError where there is nothing at a path, KitError where it is no kit."""
    from oneshot.core.errors import KitError

    there(path)
    if not (path / "manifest.json").is_file():
        raise KitError(f"{path} is no kit, it has no manifest.json: "
                       + ("unpack it and give the folder" if path.suffix == ".zip" else
                          "give a folder that oneshot build wrote"))


def beside(path: Path, ending: str) -> Path:
    """What is called as a folder is, with an ending, and lies beside it; a folder may be given as ``.`` or ``..``."""
    from oneshot.core.files import real

    whole = real(path) if path.name in ("", "..") else path
    return whole.with_name(f"{whole.name}{ending}")
