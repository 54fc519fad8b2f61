"""The frozen records that flow between the stages, and the errors of the whole package.

Conventions, everywhere in the package:

- A position in time is a frame: an int64 count at the take's own sample rate. Seconds and milliseconds appear only in
  settings, on the command line and in reports, and then carry their unit in the name (``_s``, ``_ms``).
- A quantity in decibels, hertz, seconds or milliseconds carries the unit in its name (``_db``, ``_dbfs``, ``_hz``).
- Arrays are (mics, frames), or (hits, mics): time and mics never trade places outside ``audio.py``.
- "Not known" is ``None`` in a record, -1 in an integer array of frames and NaN in a float array; never a made-up
  number.

Errors: ``OneshotError`` is the root of all that a user can put right (one line: what, where, what to do); below it
``SessionError`` (with ``AudioError``), ``SettingsError``, ``KitError`` and ``WorkError``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Frames = NDArray[np.int64]
Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]


# --------------------------------------------------------------------------------------------------------------- errors


class OneshotError(Exception):
    """Root of all errors that the user can put right. ``str(error)`` is one clear line."""


class SessionError(OneshotError):
    """The session folder, its layout or its session.toml is at fault."""


class AudioError(SessionError):
    """One sound file cannot be read as what it claims to be."""


class SettingsError(OneshotError):
    """A value in a settings file or an option is at fault; the text names field, limit and value."""


class KitError(OneshotError):
    """A kit folder is not ours, damaged, or not what its manifest says."""


class WorkError(OneshotError):
    """The input can be read, but the job cannot be done on it."""


# -------------------------------------------------------------------------------------------------------------- session


@dataclass(frozen=True, slots=True)
class Chunk:
    """One RIFF chunk: its four letters and its data, without size and padding."""

    id: bytes
    data: bytes


class Role(StrEnum):
    """What a mic is for; see the table of words in docs/words.md."""

    CLOSE = "close"
    OVERHEAD = "overhead"
    ROOM = "room"
    BUS = "bus"
    TRIGGER = "trigger"
    TALK = "talk"
    IGNORE = "ignore"


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
    pair ("L", "R"); ``polarity`` is -1 where session.toml declares the mic inverted.
    """

    name: str
    role: Role
    drum: str | None = None
    place: str | None = None
    pair: str | None = None
    side: str | None = None
    polarity: int = 1
    sources: tuple[Source, ...] = ()

    def stands_at(self, drum: str) -> bool:
        """Whether this is a close mic of that drum, by the drum's name in the kit (hyphens for spaces)."""
        return self.role is Role.CLOSE and self.drum is not None and self.drum.replace(" ", "-") == drum


@dataclass(frozen=True, slots=True)
class Take:
    """Recordings made together on one clock. ``subtype`` is the widest sample format among the files (soundfile's
    name).

    ``ignored`` holds stretches [start, stop) in frames in which no hit may be found.
    """

    name: str
    sample_rate: int
    frames: int
    subtype: str
    mics: tuple[Mic, ...]
    ignored: tuple[tuple[int, int], ...] = ()

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
    """Something worth telling that stops nothing: where it is, what is wrong and what to do about it."""

    where: str
    what: str
    todo: str


@dataclass(frozen=True, slots=True)
class Session:
    """A folder of takes, read as headers only. ``air_c``: how warm the air was, °C, which turns delays into metres."""

    name: str
    root: Path
    takes: tuple[Take, ...]
    labels: tuple[Label, ...] = ()
    problems: tuple[Problem, ...] = ()
    air_c: float = 20.0

    def take(self, name: str) -> Take:
        """The take of that name; KeyError if the session has none."""
        for take in self.takes:
            if take.name == name:
                return take
        raise KeyError(name)


# --------------------------------------------------------------------------------------------------------------- stages


SILENT_PEAK = 1e-6
"""Peak (re full scale) up to which a mic counts as dead: -120 dBFS, far below the noise of any preamp."""


@dataclass(frozen=True, slots=True, eq=False)
class TakeScan:
    """What one pass over a take measured (``scan.py``).

    ``level_db``: float16 (mics, steps, bands), mean square in dB re full scale, step i centred on frame ``i * hop``.
    ``noise_db``: float64 (mics, bands), the steady noise in the same unit. ``draw``: float32 (mics, points, 2),
    minimum and maximum of every 1024 frames. ``peak``: float32 (mics,), largest magnitude. ``clipped``: int64
    (mics,), frames at full scale. ``bad_frame``: int64 (mics,), first frame that is NaN or infinite, -1 where there
    is none.
    """

    take: str
    sample_rate: int
    hop: int
    level_db: NDArray[np.float16]
    noise_db: Floats
    draw: Floats32
    peak: Floats32
    clipped: Frames
    bad_frame: Frames

    @property
    def noise_dbfs(self) -> Floats:
        """Noise (mics,) over all bands, dBFS rms."""
        total: Floats = 10 * np.log10(np.sum(10 ** (self.noise_db / 10), axis=1))
        return total


@dataclass(frozen=True, slots=True, eq=False)
class Onsets:
    """Candidates for hits in one take, in order of time (``detect.py``).

    ``frame``: int64 (hits,), within about 6 ms of the earliest sound. ``rise_db``: float64 (hits,), mean rise over
    mics and bands. ``mic_rise_db``: float64 (hits, mics), the same mic by mic; 0 in mics that were not listened to.
    """

    take: str
    frame: Frames
    rise_db: Floats
    mic_rise_db: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Arrivals:
    """First arrival of each hit in each mic (``align.py``).

    ``first``: int64 (hits,), the earliest arrival. ``frame``: int64 (hits, mics), -1 where the hit does not stand
    clear. ``depth_db``: float64 (hits, mics), how far below the peak of its first 50 ms the sound could be followed
    back (30 is all the definition of an onset asks; NaN where nothing was found). ``lag``: float64 (mics,), the mic's
    typical arrival after ``first``, in frames.
    """

    take: str
    first: Frames
    frame: Frames
    depth_db: Floats
    lag: Floats


STRETCH_STEPS = ((0, 4), (4, 8), (8, 16), (16, 32), (32, 72))
"""Stretches after the arrival in steps of the scan: about 0-11, 11-22, 22-45, 45-90 and 90-200 ms."""


@dataclass(frozen=True, slots=True, eq=False)
class HitFeatures:
    """What every mic hears of each hit, in bands and stretches of time after its arrival (``features.py``).

    ``energy``: float64 (hits, mics, bands, stretches), mean squares; ``before``: float64 (hits, mics, bands), what
    was there just before; ``fade_db``: float64 (hits, mics, bands), how fast that was fading, dB per step; ``noise``:
    float64 (hits, mics, bands), the steady noise; ``valid``: bool (hits, mics, stretches), False where the mic is
    absent from the hit's take or a later hit falls into the stretch. Mics are the session's, by name, in a fixed
    order.
    """

    mics: tuple[str, ...]
    energy: Floats
    before: Floats
    fade_db: Floats
    noise: Floats
    valid: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Templates:
    """What one stroke of each kind looks like to all mics (``group.py``).

    ``energy``: float64 (kinds, mics, bands, stretches), mean squares of a stroke of 0 dB, 0 where it was never heard;
    ``limit``: float64 of the same shape, where it was never heard, the energy that it stays below; ``delay_ms``:
    float64 (kinds, mics), usual arrival after the earliest one, NaN where it is not known; ``drum``: int64 (kinds,),
    which kinds are strokes of one drum; ``members``: int64 (kinds,), hits behind each.
    """

    energy: Floats
    limit: Floats
    delay_ms: Floats
    drum: Frames
    members: Frames


# ------------------------------------------------------------------------------------------------------------------ kit


@dataclass(frozen=True, slots=True)
class Partner:
    """Another drum struck within 15 ms of a hit; ``level_db`` as in ``Hit``."""

    drum: str
    level_db: float | None


@dataclass(frozen=True, slots=True)
class Delay:
    """How much later than its drum's home mic one mic hears a drum, and how well that is known.

    ``hits``: clear readings behind it; ``spread_ms``: half the range from their 16th to their 84th percentile;
    ``path_m``: how much further sound goes, m, at the session's air temperature.
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


@dataclass(frozen=True, slots=True)
class Articulation:
    """One way of striking a drum, and the MIDI key (0 to 127) it plays on."""

    name: str
    key: int


@dataclass(frozen=True, slots=True)
class Drum:
    """What was struck. ``kind`` is one of the table in ``roles.py`` (kick, snare, tom, hat, ride, crash ...)."""

    name: str
    kind: str
    home: str
    articulations: tuple[Articulation, ...]
    choke: str | None = None


@dataclass(frozen=True, slots=True)
class Fader:
    """One mic's place in the kit's balance. ``pan`` runs from -1 (left) to 1 (right)."""

    gain_db: float = 0.0
    pan: float = 0.0
    polarity: int = 1
    on: bool = True


@dataclass(frozen=True, slots=True)
class Sample:
    """One exported file of a one-shot: one mic, or a pair as left and right.

    ``source_start + onset_frame`` is the attack in the home mic, in take frames; one value for all files of a
    one-shot. ``bleed_db`` of a pair is that of the worse side. ``hit`` differs from the one-shot's where a composite
    was asked for.
    """

    mics: tuple[str, ...]
    path: str
    frames: int
    source_start: int
    onset_frame: int
    fade_in_frames: int
    fade_out_frames: int
    gain_db: float
    inverted: bool
    grade: str
    hit: int
    repaired: tuple[str, ...]
    peak_dbfs: float | None
    true_peak_dbtp: float | None
    momentary_lufs: float | None
    integrated_lufs: float | None
    bleed_db: float | None
    sha256: str


@dataclass(frozen=True, slots=True)
class OneShot:
    """One hit cut from its mics at once. ``velocity`` is the inclusive MIDI range of its layer; ``grade`` the home
    file's; ``mix_db`` the level of its mics mixed by the kit's balance over the first 300 ms (10·log10 of the mean
    square, full scale 1.0, both sides added), None where all of them are off or silent.
    """

    hit: int
    drum: str
    articulation: str
    layer: int
    round_robin: int
    velocity: tuple[int, int]
    grade: str
    fundamental_hz: float | None
    decay_s: float | None
    ring_kept_db: float | None
    files: tuple[Sample, ...]
    mix_db: float | None = None


@dataclass(frozen=True, slots=True)
class PrintMic:
    """A mic's part in a print."""

    gain_db: float
    delay_frames: int
    polarity: int


@dataclass(frozen=True, slots=True)
class Print:
    """A one-shot mixed down from several mics by the recipe.

    ``offset_frames``: frames from the file's start to the attack in the home mic. ``first_excursion``: 1 where the
    first excursion of the waveform points up, -1 where it points down.
    """

    print: str
    hit: int
    drum: str
    articulation: str
    layer: int
    round_robin: int
    velocity: tuple[int, int]
    mics: Mapping[str, PrintMic]
    path: str
    frames: int
    source_start: int
    offset_frames: int
    first_excursion: int
    peak_dbfs: float | None
    true_peak_dbtp: float | None
    momentary_lufs: float | None
    sha256: str
    rank: int = 1
    why: str = ""


@dataclass(frozen=True, slots=True)
class TakeNoise:
    """Noise floor of each mic of a take, dBFS rms; None where the mic is digitally silent."""

    take: str
    noise_dbfs: Mapping[str, float | None]


@dataclass(frozen=True, slots=True)
class Kit:
    """A finished kit, all of it: what ``export/`` writes and nothing it has to compute.

    ``recipe`` is every value used, as plain TOML types. ``bleed`` and ``delays_ms`` are take -> drum -> mic, against
    the drum's home mic, and ``delays`` says how well each of those delays is known; ``polarity`` is take -> mic ->
    measured polarity against the home mic of the drum the mic stands at.
    """

    session: Session
    generator: str
    recipe: Mapping[str, object]
    noise: tuple[TakeNoise, ...]
    polarity: Mapping[str, Mapping[str, int]]
    balance: Mapping[str, Fader]
    drums: tuple[Drum, ...]
    bleed: Mapping[str, Mapping[str, Mapping[str, float | None]]]
    delays_ms: Mapping[str, Mapping[str, Mapping[str, float | None]]]
    hits: tuple[Hit, ...]
    one_shots: tuple[OneShot, ...]
    prints: tuple[Print, ...] = ()
    problems: tuple[Problem, ...] = field(default=())
    delays: Mapping[str, Mapping[str, Mapping[str, Delay]]] = field(default_factory=dict)
