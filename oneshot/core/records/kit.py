"""What comes out: one-shots and their files, prints, the balance, and the kit that holds them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from oneshot.core.records.hits import Delay, Drum, Hit
from oneshot.core.records.session import Problem, Session


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
    kit's balance; its ``mics`` are then the two sides of a bus of the kit (``cutting/mix/mixdown.py``). ``plays``:
    whether mappings and previews sound it; ``far``: whether it is of overheads or rooms only, and not of the home mic,
    so that the mapping of the close mics leaves it out. ``processed``: "track" where cut from a processed track,
    "outside" where processed after the build; its grade then judges nothing of it. ``recovering_db``: by how much a
    compressor in it still held the level down as the stroke began; ``outside``: what processing after the build did to
    it, as in the manifest.
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
    far: bool = False

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
    ``cut.CutPlan``. ``close_only``: it plays in the mapping of the close mics alone, since overheads and rooms play
    with its drum and bring too much bleed along with it; ``close_db``: as ``mix_db``, of the files that are not far,
    None where that is the same.
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
    close_only: bool = False
    close_db: float | None = None


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
    """What is steady in a take's mics: ``noise_dbfs``, the noise floor (dBFS rms; None where the mic is digitally
    silent), and ``offset``, the steady (DC) offset of those that have one (full scale 1.0).
    """

    take: str
    noise_dbfs: Mapping[str, float | None]
    offset: Mapping[str, float] = field(default_factory=dict)


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
    polarity against the home mic of the drum the mic stands at, and ``polarity_measured`` take -> the mics in which it
    was measured: that of the others is as declared; ``dynamics`` is take -> mic -> "compressor" or
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
    polarity_measured: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def prints_alone(self) -> bool:
        """Whether it holds prints and no one-shot."""
        return bool(self.prints) and not self.one_shots


def kit_info(kit: Kit) -> dict[str, Any]:
    """What the kit says about itself; what the recipe leaves empty is null, the name is then the session's."""
    said = kit.recipe.get("kit")
    info = said if isinstance(said, Mapping) else {}
    return {"name": info.get("name") or kit.session.name, "version": info.get("version") or "1.0",
            "author": info.get("author") or None, "players": list(info.get("players") or []),
            "studio": info.get("studio") or None, "licence": info.get("licence") or None,
            "perspective": info.get("perspective") or "player"}
