"""What was found: hits, the drums they are of, and how sound reaches the mics."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Partner:
    """Another drum struck within 15 ms of a hit; ``level_db`` as in ``Hit``."""

    drum: str
    level_db: float | None


@dataclass(frozen=True, slots=True)
class Delay:
    """How much later than its drum's home mic one mic hears a drum. ``hits``: clear readings behind it; ``spread_ms``:
    half the range from their 16th to their 84th percentile; ``path_m``: how much further sound goes, m, at the
    session's air temperature.
    """

    ms: float | None = None
    spread_ms: float | None = None
    hits: int = 0
    path_m: float | None = None


@dataclass(frozen=True, slots=True)
class Ornament:
    """Ties strokes 20 to 40 ms apart ("flam", "drag"); all strokes of one ornament share ``id``."""

    kind: str
    id: int


@dataclass(frozen=True, slots=True)
class Hit:
    """One stroke, heard by all mics of a take. Field by field what manifest.json says of it; ``predicted``: mics whose
    onset was not read in the recording but follows from the drum's delays; from ``hand`` on, what a label says.
    ``clean_s``: mic -> seconds from its arrival for which everything else stays 10 dB below it there.
    ``added``: the user said that it is there.
    """

    id: int
    take: str
    onset: int
    onsets: Mapping[str, int | None]
    drum: str
    articulation: str
    confidence: float
    level_db: float | None
    bleed_db: Mapping[str, float | None]
    isolated: bool
    usable: tuple[str, ...]
    predicted: tuple[str, ...] = ()
    partners: tuple[Partner, ...] = ()
    ornament: Ornament | None = None
    layer: int | None = None
    kept: bool = False
    fallback: bool = False
    reason: str | None = None
    hand: str | None = None
    wires: str | None = None
    tool: str | None = None
    strength: str | None = None
    told_by: str | None = None
    clean_s: Mapping[str, float | None] = field(default_factory=dict)
    added: bool = False


ORDINARY = ("hit", "centre", "center", "bow", "closed", "normal")
"""Names of a drum's ordinary stroke, the first of them that it has."""


def plain_name(articulation: str) -> str:
    """An articulation's name in small letters and single spaces."""
    return " ".join(articulation.casefold().replace("_", " ").replace("-", " ").split())


def ordinary(articulations: Sequence[str]) -> str | None:
    """The articulation whose name says that a drum is ordinarily struck so; None where none does."""
    return next((each for name in ORDINARY for each in articulations if plain_name(each) == name), None)


@dataclass(frozen=True, slots=True)
class Articulation:
    """One way of striking a drum, and the MIDI key (0 to 127) it plays on; ``second_key`` that of the left hand, where
    the two hands have a key each.
    """

    name: str
    key: int
    second_key: int | None = None


@dataclass(frozen=True, slots=True)
class Drum:
    """What was struck. ``kind`` is one of the table in ``roles.py`` (kick, snare, tom, hat, ride, crash ...);
    ``voices``: strokes of one key that may sound at once, None for what is usual for its kind.
    """

    name: str
    kind: str
    home: str
    articulations: tuple[Articulation, ...]
    choke: str | None = None
    voices: int | None = None
