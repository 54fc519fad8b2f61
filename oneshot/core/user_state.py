"""Where the recordings of a kit lie: kept in the user's state folder, never in the kit, which may be given away.

One small text file per kit, named by a digest of the kit's path. ``ONESHOT_STATE`` names another folder.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import platformdirs

from oneshot.core.errors import KitError
from oneshot.core.files import real, remove_parts, write_atomic

TRACKS = "tracks"
"""Ends the note of where a kit's processed tracks lie."""


def remember(kit: Path, session: Path, tracks: Path | None = None) -> None:
    """Note which session a kit was built from, and from which folder of processed tracks. A state folder that cannot be
    written is passed over: nothing but having to name them again depends on it.
    """
    try:
        path = _note(kit)
        path.parent.mkdir(parents=True, exist_ok=True)
        remove_parts(path.parent)
        write_atomic(path, os.fsencode(session.resolve()) + b"\n")
        if tracks is None:
            note_beside(kit, TRACKS).unlink(missing_ok=True)
        else:
            write_atomic(note_beside(kit, TRACKS), os.fsencode(tracks.resolve()) + b"\n")
    except OSError:
        return


def session_of(kit: Path) -> Path | None:
    """The folder of the session that a kit was built from on this machine; None where nobody knows or it is gone."""
    return _folder(_note(kit))


def recordings_of(kit: Path) -> Path:
    """The same, for who cannot do without. Raises KitError that tells where they were, as far as that is known."""
    found = session_of(kit)
    if found is None:
        was = _noted(_note(kit))
        raise KitError(f"{kit}: its recordings were in {was} and are not there any more: name their folder with "
                       "--session" if was is not None else
                       f"{kit}: the folder of its recordings is not known on this machine: name it with --session")
    return found


def tracks_of(kit: Path) -> Path | None:
    """The same for the folder of processed tracks."""
    return _folder(note_beside(kit, TRACKS))


def _folder(note: Path) -> Path | None:
    try:
        path = _noted(note)
        return path if path is not None and path.is_dir() else None
    except OSError:
        return None


def _noted(note: Path) -> Path | None:
    """The path that a note holds, whether or not there is anything."""
    try:
        return Path(os.fsdecode(note.read_bytes().rstrip(b"\r\n")))
    except (OSError, UnicodeDecodeError):
        return None


def known_sessions() -> list[Path]:
    """The folders of all sessions that kits were built from on this machine, those that are still there."""
    try:
        notes = sorted(_notes().glob("*.txt"))
    except OSError:
        return []
    found = (_folder(note) for note in notes)
    return list(dict.fromkeys(folder for folder in found if folder is not None))


def note_beside(kit: Path, ending: str) -> Path:
    """Where this machine keeps something else about a kit, out of the kit's folder; the file may not exist."""
    return _note(kit).with_suffix(f".{ending}")


def _notes() -> Path:
    given = os.environ.get("ONESHOT_STATE")
    return (Path(given) if given else Path(platformdirs.user_state_dir("oneshot", appauthor=False))) / "kits"


def _note(kit: Path) -> Path:
    return _notes() / f"{hashlib.sha256(os.fsencode(real(kit))).hexdigest()[:32]}.txt"
