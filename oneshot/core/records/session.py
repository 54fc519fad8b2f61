"""What is recorded: sessions, takes, mics, where their samples lie, and what a person says of them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from oneshot.core.names import shown
from oneshot.core.records.roles import Role

Frames = NDArray[np.int64]
Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]



@dataclass(frozen=True, slots=True)
class Chunk:
    """One RIFF chunk: its four letters and its data, without size and padding."""

    id: bytes
    data: bytes


@dataclass(frozen=True, slots=True)
class Source:
    """A stretch of one channel of one file, laid on the take's clock.

    ``path`` is relative to the session folder, with forward slashes; ``at`` is the take frame of the file's first
    frame.
    """

    path: str
    channel: int
    at: int
    frames: int


@dataclass(frozen=True, slots=True)
class Mic:
    """One signal of one microphone.

    ``place`` tells several close mics of one drum apart ("in", "out", "sub", "top", "bottom"), ``side`` the two of a
    pair ("L", "R"); ``polarity`` is -1 where session.toml declares the mic inverted. ``recorded`` is
    False for what was mixed or processed afterwards: a lite kit's mixdown, a processed track. ``found``: its name
    before any session.toml, from its file, and ``called`` the name that told its role, which may be the recorder's
    track name; both are empty for what was not read from a file. ``note``: what the user wrote about it;
    ``nameless``: whether neither its name nor the user told its role.
    """

    name: str
    role: Role
    drum: str | None = None
    place: str | None = None
    pair: str | None = None
    side: str | None = None
    polarity: int = 1
    sources: tuple[Source, ...] = ()
    recorded: bool = True
    found: str = field(default="", compare=False)
    called: str = field(default="", compare=False)
    note: str | None = field(default=None, repr=False)  # by its repr a session's results are stored: no note moves them
    nameless: bool = field(default=False, compare=False, repr=False)

    def stands_at(self, drum: str) -> bool:
        """Whether this is a close mic of that drum, by the drum's name in the kit (hyphens for spaces)."""
        return self.role is Role.CLOSE and self.drum is not None and self.drum.replace(" ", "-") == drum


@dataclass(frozen=True, slots=True)
class Take:
    """Recordings made together on one clock. ``subtype`` is the widest sample format among the files (soundfile's
    name).

    ``ignored`` holds stretches [start, stop) in frames in which no hit may be found. ``found``: its name before any
    session.toml, from its folder and files.
    """

    name: str
    sample_rate: int
    frames: int
    subtype: str
    mics: tuple[Mic, ...]
    ignored: tuple[tuple[int, int], ...] = ()
    found: str = field(default="", compare=False)

    @property
    def recorded(self) -> tuple[Mic, ...]:
        """The mics that were recorded, without what was mixed or processed afterwards."""
        return tuple(mic for mic in self.mics if mic.recorded)

    def mic(self, name: str) -> Mic:
        """The mic of that name; KeyError if the take has none."""
        for mic in self.mics:
            if mic.name == name:
                return mic
        raise KeyError(name)

    def index(self, name: str) -> int:
        """The row of that mic in every (mics, frames) array of this take; KeyError if the take has none."""
        for i, mic in enumerate(self.mics):
            if mic.name == name:
                return i
        raise KeyError(name)


@dataclass(frozen=True, slots=True)
class Label:
    """What the person says about a stretch [start, stop) of a take, in frames: outranks what is computed.

    ``told_by``: where it was said ("session.toml", "cue" or "take name").
    """

    take: str
    start: int
    stop: int
    drum: str | None = None
    articulation: str | None = None
    hand: str | None = None
    wires: str | None = None
    strength: str | None = None
    tool: str | None = None
    told_by: str = "session.toml"


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """Something worth telling that stops nothing: where it is, what is wrong and what to do about it.

    Names of files in it are text, whatever the disk calls them: it is told on pages and in the manifest.
    """

    where: str
    what: str
    todo: str

    def __post_init__(self) -> None:
        for name in ("where", "what", "todo"):
            object.__setattr__(self, name, shown(getattr(self, name)))


def collect(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Problems of all stages in one order, by place and text, each once."""
    return tuple(sorted(set(problems)))


@dataclass(frozen=True, slots=True)
class Session:
    """A folder of takes, read as headers only. ``air_c``: how warm the air was, °C, which turns delays into metres;
    ``processed``: a folder of processed tracks, from the session folder.
    """

    name: str
    root: Path
    takes: tuple[Take, ...]
    labels: tuple[Label, ...] = ()
    problems: tuple[Problem, ...] = ()
    air_c: float = 20.0
    processed: str | None = None

    def take(self, name: str) -> Take:
        """The take of that name; KeyError if the session has none."""
        for take in self.takes:
            if take.name == name:
                return take
        raise KeyError(name)


SILENT_PEAK = 1e-6
"""Peak (re full scale) up to which a mic counts as dead: -120 dBFS, far below the noise of any preamp."""
