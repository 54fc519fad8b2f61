"""Targets: where a command may write what it was asked for.

Never over a file that is not an earlier result of the same command, and never into a session: recordings cannot be
made again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from oneshot.core.errors import SettingsError
from oneshot.core.files import real
from oneshot.core.user_state import known_sessions
from oneshot.session.session_file import FILE


def check_outside_sessions(path: Path, more: Iterable[Path | None] = ()) -> None:
    """Raise SettingsError where a path lies in a session: one that a kit was built from on this machine, one of
    ``more``, or a folder with a session.toml.
    """
    place = real(path)
    for root in (*known_sessions(), *(each for each in more if each is not None)):
        if place.is_relative_to(real(root)):
            raise SettingsError(f"{path} lies inside the session {root}, which holds recordings only: choose a place "
                                "outside")
    marked = next((folder for folder in (place, *place.parents) if (folder / FILE).is_file()), None)
    if marked is not None:
        raise SettingsError(f"{path} lies inside the session {marked}, which holds recordings only: choose a place "
                            "outside")


def check_target(path: Path, *, sessions: Iterable[Path | None], ours: Callable[[Path], bool]) -> None:
    """Raise SettingsError where a file must not be written: inside a session (``sessions`` as ``more`` above), over a
    folder or a link, or over a file that ``ours`` does not know for an earlier result of the same kind.
    """
    if path.is_symlink():
        raise SettingsError(f"{path} is a link: give the file itself, or another one")
    if path.is_dir():
        raise SettingsError(f"{path} is a folder: give a file in it")
    check_outside_sessions(path, sessions)
    if path.exists() and not ours(path):
        raise SettingsError(f"{path} exists and was not written by this command: choose another name with "
                            "--out, or move it away")
