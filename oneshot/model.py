"""The frozen records of sessions and kits.

Conventions, everywhere in the package:

- A position in time is a frame: an int64 count at the take's own sample rate. Seconds and milliseconds appear only in
  settings, on the command line and in reports, and then carry their unit in the name (``_s``, ``_ms``).
- A quantity in decibels, hertz, seconds or milliseconds carries the unit in its name (``_db``, ``_dbfs``, ``_hz``).
- Arrays are (mics, frames), or (hits, mics): time and mics never trade places outside ``audio.py``.
- "Not known" is ``None`` in a record, -1 in an array of frames and NaN in a float array; never a made-up number.
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
    pair ("L", "R"); ``polarity`` is -1 where session.toml declares the mic inverted. ``recorded`` is
    False for what was mixed or processed afterwards: a lite kit's mixdown, a processed track.
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
    """Something worth telling that stops nothing: where it is, what is wrong and what to do about it."""

    where: str
    what: str
    todo: str


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


# ------------------------------------------------------------------------------------------------------------------ kit


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


@dataclass(frozen=True, slots=True)
class Fader:
    """One mic's place in the kit's balance. ``pan`` runs from -1 (left) to 1 (right)."""

    gain_db: float = 0.0
    pan: float = 0.0
    polarity: int = 1
    on: bool = True


@dataclass(frozen=True, slots=True)
class Sample:
    """One exported file of a one-shot: one mic, or a pair.

    ``source_start + onset_frame`` is the attack in the home mic, in take frames; one value for all files of a
    one-shot. ``nudged_frames``: by how much the user moved it from where it was measured. ``bleed_db`` of a pair is
    that of the worse side. ``hit`` differs from the one-shot's where a composite was asked for. ``repaired``: what was
    done to it, and ``repairs`` the same with figures; grade and ``bleed_db`` are those of the untouched file.
    ``crest_db``: peak over rms; ``brightness_hz``: spectral centroid; ``time_reference``: frames from midnight (or from
    the take's start, where no recorder said) to the file's first, None where it carries no tags.
    ``sample_rate``: the file's, None for its take's; its frames, onset and fades count at that rate.
    ``shift_frames``: take frames by which its mics were moved against the window, forward where positive: the file's
    frame 0 is take frame ``source_start + shift_frames``. ``mix_of``: of a mixdown, the mics that were mixed by the
    kit's balance; its ``mics`` are then the two sides of a bus of the kit (``mixdown.py``). ``plays``: whether mappings
    and previews sound it. ``processed``: "track" where cut from a processed track, "outside" where processed after the
    build; its grade then judges nothing of it. ``recovering_db``: by how much a compressor in it still held the level
    down as the stroke began; ``outside``: what processing after the build did to it, as in the manifest.
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
    nudged_frames: int = 0
    crest_db: float | None = None
    brightness_hz: float | None = None
    time_reference: int | None = None
    sample_rate: int | None = None
    shift_frames: int = 0
    plays: bool = True
    mix_of: tuple[str, ...] = ()
    processed: str = ""
    recovering_db: float | None = None
    outside: Mapping[str, object] = field(default_factory=dict)
    repairs: tuple[Mapping[str, object], ...] = ()

    @property
    def mixdown(self) -> bool:
        """Whether the file is a mixdown of several mics."""
        return bool(self.mix_of)


@dataclass(frozen=True, slots=True)
class OneShot:
    """One hit cut from its mics at once. ``velocity`` is the inclusive MIDI range of its layer; ``grade`` the home
    file's; ``mix_db`` the level of its mics mixed by the kit's balance over the first 300 ms (10·log10 of the mean
    square, full scale 1.0, both sides added), None where all of them are off or silent. ``files`` are those that play;
    ``untouched``: of those of them that were repaired, the files as cut. ``decay_s`` is T20, or T10 where no more can
    be told; ``edt_s`` and ``t20_s`` as in ``measures.Decay``; ``ended_by``: why its files end where they do, as in
    ``cut.CutPlan``.
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
    untouched: tuple[Sample, ...] = ()
    edt_s: float | None = None
    t20_s: float | None = None
    ended_by: str | None = None


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
    first excursion of the waveform points up, -1 where it points down. ``fade_out_frames``: at its end; the fade-in
    reaches from its start to the attack.
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
    time_reference: int | None = None
    sample_rate: int | None = None
    fade_out_frames: int | None = None


@dataclass(frozen=True, slots=True)
class TakeNoise:
    """Noise floor of each mic of a take, dBFS rms; None where the mic is digitally silent."""

    take: str
    noise_dbfs: Mapping[str, float | None]


@dataclass(frozen=True, slots=True)
class BandBleed:
    """One drum in one mic, against itself in its home mic, from hits that stand alone in both.

    ``bands_db``: band by band (``scan.BAND_EDGES_HZ``), None where it was never clear; ``spread_db``: half the distance
    between the 16th and 84th percentile of the level over all bands; ``hits``: how many stand behind it.
    """

    bands_db: tuple[float | None, ...]
    spread_db: float | None
    hits: int


@dataclass(frozen=True, slots=True)
class MicView:
    """A hard stroke of another drum in a mic: ``level_db`` against one of its own over all bands, and ``band_db`` the
    same from ``low_hz`` to ``high_hz``, where it stands out most.
    """

    mic: str
    own: str
    drum: str
    level_db: float
    low_hz: float
    high_hz: float
    band_db: float


@dataclass(frozen=True, slots=True)
class Kit:
    """A finished kit, all of it: what ``export/`` writes and nothing it has to compute.

    ``recipe`` is every value used, as plain TOML types. ``bleed`` and ``delays_ms`` are take -> drum -> mic, against
    the drum's home mic, and ``delays`` says how well each of those delays is known; ``polarity`` is take -> mic ->
    measured polarity against the home mic of the drum the mic stands at; ``dynamics`` is take -> mic -> "compressor" or
    "gate", for mics that have one in their way. ``tracks``: take -> its processed tracks; ``learned``: where the
    balance comes from, both as in the manifest.
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
    tracks: Mapping[str, tuple[Mapping[str, object], ...]] = field(default_factory=dict)
    learned: Mapping[str, object] = field(default_factory=dict)
    bleed_bands: Mapping[str, Mapping[str, Mapping[str, BandBleed]]] = field(default_factory=dict)
    mic_views: Mapping[str, tuple[MicView, ...]] = field(default_factory=dict)
    dynamics: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
