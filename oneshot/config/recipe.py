"""The recipe: everything a user can ask for, as frozen records that check themselves."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from oneshot.config.settings import check_fields, setting
from oneshot.core.errors import SettingsError
from oneshot.core.grades import GRADES
from oneshot.core.records.kit import Fader

MOST_VOICES = 64


@dataclass(frozen=True, slots=True)
class KitInfo:
    """What the kit says about itself."""

    name: str = setting("", "Name of the kit; empty: the name of the session.")
    version: str = setting("1.0", "Version of the kit, as text.")
    author: str = setting("", "Who made the kit; empty: not said.")
    players: tuple[str, ...] = setting((), "Who plays on it. Ask them before you release what they played.")
    studio: str = setting("", "Where it was recorded; empty: not said.")
    licence: str = setting("", "Under which terms the kit may be used; never assumed, so empty until you say it.")
    perspective: str = setting("player", "Whose left is left: the player's, as the mics are named, or the "
                                                "audience's, which changes the computed sides over.",
                               choices=("player", "audience"))

    def __post_init__(self) -> None:
        check_fields(self, "kit")


@dataclass(frozen=True, slots=True)
class Choosing:
    """Which hits become one-shots."""

    layers: int = setting(8, "Velocity layers a drum may have at most.", low=1, high=127)
    round_robins: int = setting(6, "Alternates a layer may have at most.", low=1, high=100)
    grade: str = setting("B", "Lowest grade wanted in a drum's own close mics: A stands alone, B clean among others, "
                              "C as a layer, D anything.", choices=GRADES)
    grade_far: str = setting("C", "Grade in overheads and rooms from which they play along in mappings and previews. "
                                  "Where most of a drum's hits reach it, those are chosen; where fewer do, these mics "
                                  "are cut and not played. D: always played.", choices=GRADES)
    fallback: bool = setting(True, "Where nothing of some strength reaches that grade, keep the best there is "
                                   "and mark it: hits fit as a layer (C); of a stroke without any, the cleanest.")
    pool_takes: str = setting("alike", "Which takes share a drum's layers and round robins: those that are alike in "
                                       "room, mics and sound, those in doubt as well, all, or none. The others make a "
                                       "set of their own.", choices=("alike", "in doubt", "all", "none"))
    layer_step_db: float = setting(3.0, "Steps between layers, at least (dB); smaller ones merge.", low=0.5, high=20)
    spread_db: float = setting(1.0, "How far alternates may lie from the middle of their layer (dB).", low=0.1, high=20)
    spread_cents: float = setting(15.0, "The same for their pitch (cents), where a drum has one.", low=1, high=1200)
    length_share: float = setting(0.6, "Alternates ring at least this share of each other's length; 0: however long.",
                                  low=0, high=1)

    def __post_init__(self) -> None:
        check_fields(self, "choose")


@dataclass(frozen=True, slots=True)
class Cutting:
    """Where a one-shot starts and ends."""

    pre_roll_ms: float = setting(2.0, "From the start of the file to the first sound of the hit in any of its mics "
                                      "(ms).", low=0, high=100)
    fade_in_ms: float = setting(1.0, "Raised-cosine fade at the start (ms); never longer than the pre-roll.",
                                low=0, high=100)
    fade_out_ms: float = setting(80.0, "Raised-cosine fade at the end of close mics (ms).", low=0, high=5000)
    fade_out_far_ms: float = setting(300.0, "The same for overheads and rooms, and for cymbals in all mics (ms).",
                                     low=0, high=10000)
    above_noise_db: float = setting(6.0, "The tail ends where it meets the noise floor plus this (dB).", low=0, high=40)
    longest_s: float = setting(0.0, "Longest one-shot (s); 0: as long as it rings.", low=0, high=120)
    times: str = setting("recorded", "Times between the mics: as recorded; so, but polarity set right; or, with that, "
                                     "mics moved by whole frames: by one shift a mic for the whole kit (rooms never), "
                                     "or each to the home mic by its drum's delay.",
                         choices=("recorded", "polarity", "kit", "drum"))

    def __post_init__(self) -> None:
        check_fields(self, "cut")


@dataclass(frozen=True, slots=True)
class Exporting:
    """Which mics go into the kit."""

    mics: tuple[str, ...] = setting((), "Names of mics to export; empty: each drum's own close mics, the overheads and "
                                        "the rooms.")
    drums: tuple[str, ...] = setting((), "Drums to build, by name or kind; empty: all. --only writes its drum here, so "
                                         "that a rebuild remembers it.")
    buses: bool = setting(False, "Also export buses (mixes of mics, effect returns).")
    tags: bool = setting(True, "Say in each file what it is: name, kit, licence, key, attack, place in the take, "
                               "loudness. Nothing of the recording's own texts travels.")

    def __post_init__(self) -> None:
        check_fields(self, "export")


@dataclass(frozen=True, slots=True)
class Finishing:
    """What the finished files are. With the defaults they are the recording's own samples, bit for bit."""

    format: str = setting("wav", "Sound format of samples and prints.", choices=("wav", "flac", "aiff"))
    bits: str = setting("source", "Word length; dither (TPDF) is added where bits are lost and nowhere else.",
                        choices=("source", "16", "24", "32 float"))
    sample_rate: int = setting(0, "Sample rate (Hz), converted at soxr's best quality; 0: the source's.",
                               low=0, high=192000)
    level: str = setting("natural", "As recorded; or one trim for each drum or for the whole kit, alike on all its "
                                    "mics and layers; or each file by itself, which makes soft layers as loud as hard "
                                    "ones.", choices=("natural", "drum", "kit", "file"))
    peak_dbtp: float = setting(-1.0, "True peak to which a trim brings the hardest file (dBTP).", low=-40, high=0)
    lite: bool = setting(False, "One stereo mixdown a hit by the balance in place of its mics, at 44.1 kHz unless "
                                "sample_rate is given.")

    def __post_init__(self) -> None:
        check_fields(self, "files")
        if self.sample_rate and self.sample_rate < 44100:
            raise SettingsError(f"files.sample_rate is {self.sample_rate}: give 44100 to 192000, or 0 for the source's")
        if self.format == "flac" and self.sample_rate > 65535 and self.sample_rate % 10:  # RFC 9639, section 7
            raise SettingsError(f"files.sample_rate is {self.sample_rate}, which FLAC is not written at: above 65535 "
                                "Hz give a multiple of 10")
        if self.format != "wav" and self.bits == "32 float":
            raise SettingsError(f"files.bits is '32 float', which files.format {self.format!r} is not written in here: "
                                "choose 'wav', or 24 bits")

    @property
    def rate(self) -> int:
        """The rate that one-shots get, Hz; 0: their source's."""
        return self.sample_rate or (44100 if self.lite else 0)

    @property
    def plain(self) -> bool:
        """Whether files stay as they were cut."""
        asked = (self.format, self.bits, self.sample_rate, self.level, self.lite)
        return asked == ("wav", "source", 0, "natural", False)


@dataclass(frozen=True, slots=True)
class Mixing:
    """Where the balance comes from."""

    learn_from: str = setting("", "A rough mix among the session's buses whose faders are learned: gain, pan and "
                                  "polarity of each mic; empty: the balance is computed. [balance] outranks either.")

    def __post_init__(self) -> None:
        check_fields(self, "mix")


@dataclass(frozen=True, slots=True)
class Processing:
    """What becomes of processed tracks of the same takes: buses, returns, single mics on their way to a mix."""

    use: bool = setting(True, "Cut one-shots from processed tracks as well, where a folder of them is named "
                              "(--processed, or session.toml).")
    play: str = setting("instead", "Processed tracks play instead of the mics that they are made of; beside all mics; "
                                   "or not: they are cut along, and the mics play.",
                        choices=("instead", "beside", "not"))
    keep_mics: bool = setting(True, "Keep the files of mics that processed tracks play instead of.")
    latency: str = setting("compensated", "Each track moved by whole frames to where its mics have the stroke, and "
                                          "refused where its latency changes in a take; or kept as it lies in its "
                                          "file.", choices=("compensated", "kept"))

    def __post_init__(self) -> None:
        check_fields(self, "processed")


@dataclass(frozen=True, slots=True)
class Repairing:
    """What may be done about hits that are not alone in every mic. Nothing unless it is asked for."""

    filters: bool = setting(False, "Low-pass or high-pass on a tail, from 100 ms after the attack on, where beyond its "
                                   "corner the hit has nothing to lose.")
    tails: bool = setting(False, "Where the next stroke cuts a ring short, let it go on in that of a cleaner hit.")
    suppression: bool = setting(False, "Lower other strokes in bands and moments by what all mics tell of them.")
    composites: bool = setting(False, "Overheads and rooms of a cleaner hit of like strength in place of the hit's "
                                      "own, where that is at least 3 dB cleaner.")

    def __post_init__(self) -> None:
        check_fields(self, "repair")

    @property
    def any(self) -> bool:
        """Whether any file may be repaired; composites repair none."""
        return self.filters or self.tails or self.suppression


@dataclass(frozen=True, slots=True)
class Playing:
    """How the kit plays."""

    transpose: int = setting(0, "Semitones by which all keys move that [keys] and [hands] do not set.", low=-60,
                             high=60)

    def __post_init__(self) -> None:
        check_fields(self, "playing")


@dataclass(frozen=True, slots=True)
class PrintPart:
    """One mic's part in a print."""

    gain_db: float = setting(0.0, "Level of the mic in the blend (dB).", low=-60, high=24)
    polarity: int = setting(1, "1 as recorded, -1 inverted.", low=-1, high=1)
    align: bool = setting(False, "Shift the mic to the home mic by its drum's delay.")
    high_pass_hz: float = setting(0.0, "Corner of a high-pass (Hz), 12 dB an octave; 0: none.", low=0, high=20000)
    low_pass_hz: float = setting(0.0, "The same of a low-pass.", low=0, high=96000)

    def __post_init__(self) -> None:
        check_fields(self, "")
        if self.polarity == 0:
            raise SettingsError("polarity is 0: choose 1 or -1")


@dataclass(frozen=True, slots=True)
class TailPart:
    """How one band of a print dies away."""

    low_hz: float = setting(0.0, "From here (Hz); 0: all the lows.", low=0, high=96000)
    high_hz: float = setting(96000.0, "Up to here (Hz).", low=10, high=96000)
    after_ms: float = setting(80.0, "Untouched up to here, counted from the attack (ms).", low=0, high=30000)
    decay_ms: float = setting(200.0, "From there on 60 dB softer in this time (ms), beside its own decay.", low=10,
                              high=60000)

    def __post_init__(self) -> None:
        check_fields(self, "")
        if self.low_hz >= self.high_hz:
            raise SettingsError(f"low_hz is {self.low_hz:g}: it must lie below high_hz, {self.high_hz:g}")


@dataclass(frozen=True, slots=True)
class PrintRecipe:
    """A blend of one drum's mics into a single file."""

    name: str = setting("print", "Name of the print, and of its folder.")
    drum: str = setting("kick", "Drum it is made of.")
    mics: Mapping[str, PrintPart] = field(default_factory=dict)
    length_ms: float = setting(400.0, "Length (ms).", low=20, high=30000)
    fade_out_ms: float = setting(60.0, "Raised-cosine fade at the end (ms).", low=0, high=30000)
    ceiling_dbtp: float = setting(-1.0, "True peak of the hardest candidate (dBTP); all candidates get the same gain.",
                                  low=-40, high=0)
    upward: bool = setting(True, "First excursion of the waveform upward.")
    candidates: int = setting(8, "How many hits to print, best first.", low=1, high=200)
    stereo: bool = setting(False, "Stereo, panned by the kit's balance; false: mono.")
    high_pass_hz: float = setting(0.0, "Corner of a high-pass over the whole print (Hz), 12 dB an octave; 0: none.",
                                  low=0, high=20000)
    low_pass_hz: float = setting(0.0, "The same of a low-pass.", low=0, high=96000)
    tails: Mapping[str, TailPart] = field(default_factory=dict)

    def __post_init__(self) -> None:
        check_fields(self, f"prints.{self.name}")
        if not self.name.strip():
            raise SettingsError("prints.name is empty: each print needs a name of its own")


@dataclass(frozen=True, slots=True)
class FaderRecipe:
    """What a recipe may say of one mic's place in the balance; a value left out stays as computed."""

    gain_db: float | None = setting(None, "Level of the mic in the mix (dB).", low=-96, high=24)
    pan: float | None = setting(None, "From -1 (left) to 1 (right).", low=-1, high=1)
    polarity: int | None = setting(None, "1 as recorded, -1 inverted.", low=-1, high=1)
    on: bool | None = setting(None, "Whether the mic is heard in mixes and mappings.")

    def __post_init__(self) -> None:
        check_fields(self, "")
        if self.polarity == 0:
            raise SettingsError("polarity is 0: choose 1 or -1")

    def over(self, computed: Fader) -> Fader:
        """The computed fader with what the recipe says in place of what it does not leave open."""
        said = {item.name: getattr(self, item.name) for item in dataclasses.fields(self)}
        return dataclasses.replace(computed, **{name: value for name, value in said.items() if value is not None})


@dataclass(frozen=True, slots=True)
class Recipe:
    """What the user wants out."""

    kit: KitInfo = field(default_factory=KitInfo)
    choose: Choosing = field(default_factory=Choosing)
    cut: Cutting = field(default_factory=Cutting)
    export: Exporting = field(default_factory=Exporting)
    files: Finishing = field(default_factory=Finishing)
    repair: Repairing = field(default_factory=Repairing)
    mix: Mixing = field(default_factory=Mixing)
    playing: Playing = field(default_factory=Playing)
    keys: Mapping[str, int] = field(default_factory=dict)
    hands: Mapping[str, int] = field(default_factory=dict)
    voices: Mapping[str, int] = field(default_factory=dict)
    balance: Mapping[str, FaderRecipe] = field(default_factory=dict)
    processed: Processing = field(default_factory=Processing)
    tracks: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    prints: tuple[PrintRecipe, ...] = ()

    def __post_init__(self) -> None:
        for table, keys in (("keys", self.keys), ("hands", self.hands)):
            for name, key in keys.items():
                if not _is_key(key):
                    raise SettingsError(f"{table}.{name} is {key!r}: a MIDI key is a whole number from 0 to 127")
        for name, count in self.voices.items():
            if not _is_key(count) or not 1 <= count <= MOST_VOICES:
                raise SettingsError(f"voices.{name} is {count!r}: it must be a whole number from 1 to {MOST_VOICES}")
        for name, mics in self.tracks.items():
            if not _are_names(mics):
                raise SettingsError(f"tracks.{name} is {mics!r}: it must be a list of mics, [] for an effect return")
        names = [part.name.casefold() for part in self.prints]
        for name in names:
            if names.count(name) > 1:
                raise SettingsError(f"prints.name is {name!r} more than once: each print needs a name of its own")


def _are_names(value: Any) -> bool:
    """Whether a value is a list of texts."""
    return isinstance(value, list | tuple) and all(isinstance(each, str) for each in value)


def _is_key(value: Any) -> bool:
    """Whether a value is a MIDI key number."""
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= 127


SECTIONS: Mapping[str, tuple[type, str]] = {
    "kit": (KitInfo, "What the kit says about itself."),
    "choose": (Choosing, "Which hits become one-shots."),
    "cut": (Cutting, "Where a one-shot starts and ends."),
    "export": (Exporting, "Which mics go into the kit."),
    "files": (Finishing, "What the finished files are."),
    "playing": (Playing, "How the kit plays."),
    "mix": (Mixing, "Where the balance comes from."),
    "processed": (Processing, "What becomes of processed tracks of the same takes."),
    "repair": (Repairing, "What may be done for hits that are not alone; untouched files stay beside repaired ones."),
}
