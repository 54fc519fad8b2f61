"""One session of a batch: built, or found finished, or in one line why there is no kit.

A finished kit leaves a note in the user's state folder: what it was made of and for, and what came out. A batch that
was cut off and is started again goes on from these notes; nothing else is remembered.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from oneshot.config.recipe_file import load_recipe
from oneshot.core.bounded_text import read_json
from oneshot.core.cache.keys import key_of
from oneshot.core.errors import OneshotError
from oneshot.core.files import sha256_of, write_atomic
from oneshot.core.progress import Progress
from oneshot.core.text import shortened
from oneshot.core.user_state import note_beside
from oneshot.cutting.processed import folder_of
from oneshot.pipeline import build
from oneshot.session.open import fingerprint_parts, open_session

NOTE = "finished"
"""Ends the names of the notes."""
OWN = ("recipe.toml", "corrections.toml", "released.json")
"""Files of a kit that a build of it reads."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What is wanted of all sessions. ``recipe``: a file or the name of one; ``fresh``: use nothing stored, and build
    what is finished, too; ``jobs``: workers of each build.
    """

    recipe: Path | None = None
    fresh: bool = False
    jobs: int = 1


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one session: figures of its kit, plain types, or in one line why there is none. ``unchanged``: it
    was finished before.
    """

    session: Path
    kit: Path
    figures: Mapping[str, int] | None
    error: str | None
    unchanged: bool = False


def build_one(session: Path, kit: Path, asked: Asked, progress: Progress | None = None) -> Outcome:
    """Build a kit from a session, unless it is finished already. What a user can put right in that session, or a disk
    or memory that is full, is told in the outcome.
    """
    try:
        key = None if asked.fresh else _key(session, kit, asked)
        known = _noted(kit, key)
        if known is not None:
            return Outcome(session, kit, known, None, unchanged=True)
        built = build(session, kit, recipe_path=asked.recipe, fresh=asked.fresh, jobs=asked.jobs, progress=progress)
        figures = {"takes": len(built.kit.session.takes), "hits": len(built.kit.hits),
                   "kept": sum(hit.kept for hit in built.kit.hits), "drums": len(built.kit.drums), "files": built.files,
                   "size_bytes": built.size_bytes, "warnings": len(built.kit.problems)}
        _note(kit, _key(session, kit, asked), figures)
    except OneshotError as error:
        return Outcome(session, kit, None, shortened(error))
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        return Outcome(session, kit, None, f"{where}{error.strerror or error}")
    except MemoryError:
        return Outcome(session, kit, None, "not enough memory: close other programs, or use fewer workers (--jobs 1)")
    return Outcome(session, kit, figures, None)


def record(outcome: Outcome) -> dict[str, Any]:
    """An outcome as plain types, for programs and for the lines that people read."""
    return {"session": str(outcome.session), "kit": str(outcome.kit), "error": outcome.error,
            "unchanged": outcome.unchanged, **(outcome.figures or {})}


def _key(session: Path, kit: Path, asked: Asked) -> str:
    """All that a kit is made by: recordings, processed tracks, session.toml, recipe, what the kit's own files say, and
    the program.
    """
    opened = open_session(session)
    own = {name: _digest(kit / name) for name in OWN}
    recipe = None if asked.recipe is None else asdict(load_recipe(asked.recipe)[0])
    return key_of({"files": fingerprint_parts(opened), "tracks": _stamps(folder_of(opened, kit)),
                   "said": _digest(session / "session.toml"), "own": own, "recipe": json.loads(json.dumps(recipe))})


def _stamps(folder: Path | None) -> list[tuple[str, int, int]]:
    """Path, size and time of every file of a folder of processed tracks; none where there is no such folder."""
    files = sorted(path for path in folder.rglob("*") if path.is_file()) if folder is not None else []
    return [(str(path), path.stat().st_size, path.stat().st_mtime_ns) for path in files]


def _digest(path: Path) -> str | None:
    """Sum of a small file; None where it is not there."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return None


def _note(kit: Path, key: str, figures: Mapping[str, int]) -> None:
    """Leave the note of a finished kit; where this machine keeps no notes, it is built again the next time."""
    place = note_beside(kit, NOTE)
    with suppress(OSError):
        place.parent.mkdir(parents=True, exist_ok=True)
        write_atomic(place, json.dumps({"key": key, "manifest": sha256_of(kit / "manifest.json"), "figures": figures}))


def _noted(kit: Path, key: str | None) -> Mapping[str, int] | None:
    """The figures of a kit that is finished, by this key and as its note says; None where it has to be built."""
    try:
        said = read_json(note_beside(kit, NOTE))
        if key is None or said["key"] != key or said["manifest"] != sha256_of(kit / "manifest.json"):
            return None
        return {str(name): int(value) for name, value in said["figures"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
