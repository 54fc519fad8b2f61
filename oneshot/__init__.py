"""oneshot: playable multi-mic drum one-shot kits from multitrack recordings.

For scripts and notebooks; docs/python.md shows it in use::

    import oneshot

    session = oneshot.open_session("Tuesday session")
    built = oneshot.build("Tuesday session", "Tuesday kit")
    kit = oneshot.read_kit("Tuesday kit")
    table = oneshot.columns(kit.hits)

What goes wrong and can be put right is a ``OneshotError``, whose text is one line. The functions load what they need
when they are called, so that the import itself takes no time.
"""

from __future__ import annotations

from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from oneshot.core.columns import columns
from oneshot.core.errors import OneshotError
from oneshot.core.version import __version__

if TYPE_CHECKING:
    from oneshot.core.progress import Progress
    from oneshot.core.records.kit import Kit
    from oneshot.core.records.session import Session
    from oneshot.pipeline import BuildResult


__all__ = ["OneshotError", "__version__", "build", "columns", "open_session", "read_kit"]


def open_session(path: str | PathLike[str]) -> Session:
    """The session in a folder: takes, mics with their roles, labels and problems. Reads names and headers only.

    Raises SessionError where the folder is missing, is no session or holds no audio; AudioError for a file that cannot
    be read or sample rates that differ inside a take; SettingsError for a bad value in session.toml.

    >>> session = open_session("Tuesday session")
    >>> [(take.name, take.sample_rate, len(take.mics)) for take in session.takes]
    [('take 1', 44100, 6)]
    >>> session.take("take 1").mic("Kick In").role.value
    'close'
    """
    from oneshot.session.open import open_session as opened

    return opened(Path(path))


def build(session: str | PathLike[str], kit: str | PathLike[str], *, recipe: str | PathLike[str] | None = None,
          only: str | None = None, fresh: bool = False, jobs: int | None = None, progress: Progress | None = None,
          last: str | PathLike[str] | None = None, processed: str | PathLike[str] | None = None,
          prints_only: bool = False) -> BuildResult:
    """Build a kit from a session, as ``oneshot build`` does; a kit that is there is rebuilt and keeps its corrections.

    ``session``, ``kit``: their folders. ``recipe``: a recipe.toml, or the name of one that comes with the program;
    None: that of the kit which is rebuilt, else the defaults. ``only``: build this drum alone. ``fresh``: use nothing
    stored. ``jobs``: workers, one per core unless given; they change nothing in the result. ``progress``: called with
    the stage and the share done, 0 to 1, or with a line to be read and -1. ``last``: the zip of a release whose names,
    layers, velocities and keys are kept, in place of those that the kit remembers. ``processed``: a folder of processed
    tracks of the same takes, in place of the one that session.toml names or the kit was last built with.
    ``prints_only``: write prints, and no samples or mappings.

    Raises SessionError, AudioError, SettingsError, KitError or WorkError, all of them ``OneshotError``: one line, what
    is wrong, where, and what to do. The kit that was there before is left as it was then.

    >>> built = build("Tuesday session", "Tuesday kit")
    >>> [drum.name for drum in built.kit.drums]
    ['floor', 'kick', 'snare']
    """
    from oneshot.pipeline import build as built

    def folder(path: str | PathLike[str] | None) -> Path | None:
        """What was given as a path, where it was."""
        return None if path is None else Path(path)

    return built(Path(session), Path(kit), recipe_path=folder(recipe), only=only, fresh=fresh, jobs=jobs,
                 progress=progress, last=folder(last), processed=folder(processed), prints_only=prints_only)


def read_kit(path: str | PathLike[str]) -> Kit:
    """The finished kit in a folder, as its manifest has it: session, drums, hits, one-shots, prints, balance.

    The kit's ``session.root`` is the folder itself, so a file of a one-shot is at ``kit.session.root / file.path``.
    Hits and one-shots are plain records; ``columns`` makes tables of them. Raises KitError where the folder is no kit
    or its manifest is damaged.

    >>> kit = read_kit("Tuesday kit")
    >>> sorted({(hit.drum, hit.articulation) for hit in kit.hits})
    [('floor', 'hit'), ('kick', 'hit'), ('snare', 'centre')]
    >>> shot = kit.one_shots[0]
    >>> all((kit.session.root / file.path).is_file() for file in shot.files)
    True
    """
    from oneshot.kit.read import read_kit as read

    return read(Path(path))
