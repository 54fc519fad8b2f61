"""The recipe: everything a user can ask for, as frozen records that check themselves."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import PureWindowsPath
from typing import Any

from oneshot.config.name_pattern import KIT_LENGTH, check_pattern, short_name
from oneshot.config.settings import check_fields, setting
from oneshot.core.errors import SettingsError
from oneshot.core.grades import GRADES
from oneshot.core.records.kit import Fader

MOST_VOICES = 64


@dataclass(frozen=True, slots=True)
class KitInfo:
    """Name, credits and terms of the kit."""

    name: str = setting("", "Name of the kit; empty: the name of the session.")
    version: str = setting("1.0", "Version of the kit, as text.")
    author: str = setting("", "Who made the kit; empty: not stated.")
    players: tuple[str, ...] = setting((), "Who plays on it. Get their consent before you release it.")
    studio: str = setting("", "Where it was recorded; empty: not stated.")
    licence: str = setting("", "Terms of use of the kit; never assumed, so empty until you set it.", lines=True)
    perspective: str = setting("player", "Stereo perspective: player, as the mics are named, or audience, "
                               "which swaps left and right in the computed balance.",
                               choices=("player", "audience"))

    def __post_init__(self) -> None:
        check_fields(self, "kit")


@dataclass(frozen=True, slots=True)
class Choosing:
    """Which hits become one-shots."""

    layers: int = setting(8, "Most velocity layers per articulation.", low=1, high=127)
    round_robins: int = setting(6, "Most round robins per layer.", low=1, high=100)
    grade: str = setting("B", "Lowest grade required in a drum's own close mics: A stands alone, B clean among "
                              "others, C as a layer, D anything.", choices=GRADES)
    grade_far: str = setting("C", "Lowest grade of overheads and rooms for them to play in mappings and previews, with "
                                  "bleed as loud as the balance makes it. With most of a drum's one-shots clean, they "
                                  "play with those, and the others in close.sfz alone; with fewer, they are exported "
                                  "but not played. D: always played.", choices=GRADES)
    fallback: bool = setting(True, "If no hit of a velocity reaches that grade, keep the best available and mark it: "
                                   "hits of grade C; if an articulation has none, its cleanest hit.")
    pool_takes: str = setting("alike", "Which takes share a drum's layers and round robins: those that match in "
                                       "room, mics and sound, those in doubt as well, all, or none. The others form "
                                       "separate sets.", choices=("alike", "in doubt", "all", "none"))
    layer_step_db: float = setting(3.0, "Smallest step between layers (dB); smaller ones are merged, "
                                         "unless hits would be spare.", low=0.5, high=20)
    spread_cents: float = setting(50.0, "Largest pitch offset of a round robin from the middle of its layer (cents), "
                                        "for drums with a pitch; several others are a layer of their own.",
                                  low=1, high=1200)
    length_share: float = setting(0.5, "Shortest decay of a round robin, as a share of its layer's decay; several "
                                       "shorter ones are a layer of their own. 0: any.",
                                  low=0, high=1)

    def __post_init__(self) -> None:
        check_fields(self, "choose")


@dataclass(frozen=True, slots=True)
class Cutting:
    """Where a one-shot starts and ends."""

    pre_roll_ms: float = setting(2.0, "From the start of the file to the earliest onset of the hit in any of its "
                                      "mics (ms).", low=0, high=100)
    fade_in_ms: float = setting(1.0, "Raised-cosine fade at the start (ms); never longer than the pre-roll.",
                                low=0, high=100)
    fade_out_ms: float = setting(80.0, "Raised-cosine fade at the end of close mics (ms).", low=0, high=5000)
    fade_out_far_ms: float = setting(300.0, "The same for overheads and rooms, and for cymbals in all mics (ms).",
                                     low=0, high=10000)
    above_noise_db: float = setting(6.0, "The tail ends this far above the noise floor (dB).", low=0, high=40)
    longest_s: float = setting(0.0, "Longest one-shot (s); 0: the whole decay.", low=0, high=120)
    times: str = setting("recorded", "Time alignment of the mics: recorded (unchanged); polarity (corrects polarity "
                                     "only); or, with polarity corrected, whole-frame shifts: kit (one shift per mic "
                                     "for the whole kit, rooms excepted) or drum (each mic to the home mic by its "
                                     "drum's delay).",
                         choices=("recorded", "polarity", "kit", "drum"))

    def __post_init__(self) -> None:
        check_fields(self, "cut")


@dataclass(frozen=True, slots=True)
class Exporting:
    """Which mics go into the kit."""

    mics: tuple[str, ...] = setting((), "Names of mics to export; empty: each drum's own close mics, the overheads and "
                                        "the rooms.")
    drums: tuple[str, ...] = setting((), "Drums to build, by name or kind; empty: all. --only writes its drum here, so "
                                         "that a rebuild keeps it.")
    samples: bool = setting(True, "Export one-shots and mappings; false: prints alone. --prints-only writes false "
                                  "here.")
    buses: bool = setting(False, "Also export buses (mixes of mics, effect returns).")
    tags: bool = setting(True, "Write metadata into each file: name, kit, licence, key, attack, position in the take, "
                               "loudness. Metadata of the recordings is not copied.")

    def __post_init__(self) -> None:
        check_fields(self, "export")


@dataclass(frozen=True, slots=True)
class Naming:
    """What the files are called."""

    samples: str = setting("{kit}_{drum}_{articulation}_V{layer}_RR{round_robin}_{mic}",
                           "Name of each one-shot's files, without suffix: {kit} {drum} {articulation} {layer} "
                           "{velocity} {round_robin} {hit} {mic}, with letters, digits, _ and - between. {velocity} is "
                           "the highest of the layer, {hit} the number in hits.csv. At most 64 letters; no two files "
                           "of a kit share a name.")
    prints: str = setting("{kit}_{drum}_{articulation}_V{layer}_RR{round_robin}_h{hit}_{mic}",
                          "The same of prints; {mic} is the name of the print.")
    kit: str = setting("", "The kit in file names; empty: the first words of its name.")
    every_articulation: bool = setting(False, "Also name a drum's ordinary articulation (hit, centre, bow, closed).")

    def __post_init__(self) -> None:
        check_fields(self, "names")
        check_pattern(self.samples, "names.samples")
        check_pattern(self.prints, "names.prints")
        if self.kit != short_name(self.kit) and self.kit:
            raise SettingsError(f"names.kit is {self.kit!r}: use at most {KIT_LENGTH} small letters, digits and "
                                f"hyphens, such as {short_name(self.kit)!r}")


@dataclass(frozen=True, slots=True)
class Finishing:
    """What the finished files are. With the defaults they are the recording's own samples, bit for bit."""

    format: str = setting("wav", "File format of samples and prints.", choices=("wav", "flac", "aiff"))
    bits: str = setting("source", "Bit depth; TPDF dither is added only where it is reduced.",
                        choices=("source", "16", "24", "32 float"))
    sample_rate: int = setting(0, "Sample rate (Hz), converted at highest quality (soxr); 0: that of the source.",
                               low=0, high=192000)
    level: str = setting("natural", "Normalisation: natural (as recorded); drum or kit (one trim per drum or for the "
                                    "whole kit, the same on all mics and layers); file (each file by itself, which "
                                    "makes soft layers as loud as hard ones).",
                         choices=("natural", "drum", "kit", "file"))
    peak_dbtp: float = setting(-1.0, "True peak of the loudest file after a trim (dBTP).", low=-40, high=0)
    lite: bool = setting(False, "One stereo mixdown per hit, by the balance, in place of its mics; at 44.1 kHz unless "
                                "sample_rate is given.")

    def __post_init__(self) -> None:
        check_fields(self, "files")
        if self.sample_rate and self.sample_rate < 44100:
            raise SettingsError(f"files.sample_rate is {self.sample_rate}: give 44100 to 192000, or 0 for that of the "
                                "source")
        if self.format == "flac" and self.sample_rate > 65535 and self.sample_rate % 10:  # RFC 9639, section 7
            raise SettingsError(f"files.sample_rate is {self.sample_rate}, which FLAC does not support: above 65535 "
                                "Hz give a multiple of 10")
        if self.format != "wav" and self.bits == "32 float":
            raise SettingsError(f"files.bits is '32 float', which files.format {self.format!r} does not support: "
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

    learn_from: str = setting("", "A rough mix among the session's buses from which to estimate gain, pan and polarity "
                                  "of each mic; empty: the balance is computed. [balance] overrides both.")

    def __post_init__(self) -> None:
        check_fields(self, "mix")


@dataclass(frozen=True, slots=True)
class Processing:
    """What becomes of processed tracks of the same takes: buses, returns, single mics on their way to a mix."""

    use: bool = setting(True, "Also cut one-shots from processed tracks, if a folder of them is named (--processed, or "
                              "session.toml).")
    play: str = setting("instead", "Processed tracks play instead of the mics they are made of; beside all mics; or "
                                   "not: they are exported, and the mics play.",
                        choices=("instead", "beside", "not"))
    keep_mics: bool = setting(True, "Keep the files of mics that processed tracks replace.")
    latency: str = setting("compensated", "compensated: each track is shifted by whole frames to line up with its "
                                          "mics, and refused if its latency changes within a take; kept: as in its "
                                          "file.", choices=("compensated", "kept"))

    def __post_init__(self) -> None:
        check_fields(self, "processed")


@dataclass(frozen=True, slots=True)
class Repairing:
    """What may be done about hits that are not alone in every mic. Nothing unless it is asked for."""

    filters: bool = setting(False, "Low-pass or high-pass on the tail, from 100 ms after the attack on, where the hit "
                                   "has no energy of its own beyond the corner frequency.")
    tails: bool = setting(False, "If the next hit cuts a tail short, continue it with the tail of a cleaner hit.")
    suppression: bool = setting(False, "Attenuate other hits per band and moment, estimated from all mics.")
    composites: bool = setting(False, "Overheads and rooms of a cleaner hit of like strength in place of the hit's "
                                      "own, if at least 3 dB cleaner.")

    def __post_init__(self) -> None:
        check_fields(self, "repair")

    @property
    def any(self) -> bool:
        """Whether any file may be repaired; composites repair none."""
        return self.filters or self.tails or self.suppression


@dataclass(frozen=True, slots=True)
class Playing:
    """How the mappings play the kit."""

    transpose: int = setting(0, "Semitones by which all keys not set in [keys] or [hands] are moved.", low=-60,
                             high=60)

    def __post_init__(self) -> None:
        check_fields(self, "playing")


@dataclass(frozen=True, slots=True)
class Packing:
    """What a pack shows and tells; read when it is packed, so that a change needs no new build."""

    cover: str = setting("", "Cover picture of a pack, PNG or JPEG: its path from the kit's folder; empty: one is "
                             "drawn from the kit.")
    recording_details: bool = setting(True, "Packs tell where the sounds were recorded: names of session, takes and "
                                            "files, positions, all hits (hits.csv), settings (recipe.toml) and the "
                                            "page; false: only what it takes to play the kit.")

    def __post_init__(self) -> None:
        check_fields(self, "pack")
        path = PureWindowsPath(self.cover)  # knows the separators of both worlds
        if path.drive or path.root or ".." in path.parts or self.cover.startswith("~"):
            raise SettingsError(f"pack.cover is {self.cover!r}: put the picture into the kit's folder and give its "
                                f"path from there, such as {path.name or 'cover.png'!r}")


@dataclass(frozen=True, slots=True)
class PrintPart:
    """One mic's part in a print."""

    gain_db: float = setting(0.0, "Level of the mic in the blend (dB).", low=-60, high=24)
    polarity: int = setting(1, "1 as recorded, -1 inverted.", low=-1, high=1)
    align: bool = setting(False, "Align the mic to the home mic by its drum's delay.")
    high_pass_hz: float = setting(0.0, "Corner of a high-pass (Hz), 12 dB an octave; 0: none.", low=0, high=20000)
    low_pass_hz: float = setting(0.0, "The same of a low-pass.", low=0, high=96000)

    def __post_init__(self) -> None:
        check_fields(self, "")
        if self.polarity == 0:
            raise SettingsError("polarity is 0: choose 1 or -1")


@dataclass(frozen=True, slots=True)
class TailPart:
    """How one band of a print dies away."""

    low_hz: float = setting(0.0, "Lower edge of the band (Hz); 0: none.", low=0, high=96000)
    high_hz: float = setting(96000.0, "Upper edge of the band (Hz).", low=10, high=96000)
    after_ms: float = setting(80.0, "Unchanged until this time after the attack (ms).", low=0, high=30000)
    decay_ms: float = setting(200.0, "Extra decay from there on: 60 dB in this time (ms).", low=10,
                              high=60000)

    def __post_init__(self) -> None:
        check_fields(self, "")
        if self.low_hz >= self.high_hz:
            raise SettingsError(f"low_hz is {self.low_hz:g}: it must lie below high_hz, {self.high_hz:g}")


PRINT_LENGTHS_MS = {"kick": 400.0, "snare": 500.0, "hat": 500.0, "tom": 900.0, "ride": 3000.0, "crash": 4000.0,
                    "splash": 1500.0, "china": 3000.0, "cymbal": 4000.0}
OTHER_PRINT_MS = 800.0
"""Lengths of prints by kind of drum, and of all other kinds: what is left of a drum by then is 40 dB down or is room
(common practice, no source).
"""
PRINT_FADE_SHARE = 0.15
"""The fade of such a print, as a share of its length."""
SHORTEST_PRINT_MS = 20.0


@dataclass(frozen=True, slots=True)
class PrintRecipe:
    """A blend of one drum's mics into a single file."""

    name: str = setting("print", "Name of the print, and of its folder.")
    drum: str = setting("", "Drum to print; a kind (tom) names all of its drums, a print each; empty: each drum "
                            "built.")
    mics: Mapping[str, PrintPart] = field(default_factory=dict)
    length_ms: float = setting(400.0, "Length (ms); 0: length and fade by the kind of drum.", low=0, high=30000)
    fade_out_ms: float = setting(60.0, "Raised-cosine fade at the end (ms).", low=0, high=30000)
    ceiling_dbtp: float = setting(-1.0, "True peak of the hardest candidate (dBTP); all candidates get the same gain.",
                                  low=-40, high=0)
    upward: bool = setting(True, "Flip polarity where needed, so that the waveform first moves upward.")
    candidates: int = setting(8, "How many hits to print, best first.", low=1, high=200)
    per_layer: bool = setting(False, "So many of each velocity layer, for a trigger that plays layers; false: of all "
                                     "hits together, which favours hard ones.")
    stereo: bool = setting(False, "Stereo, panned by the kit's balance; false: mono.")
    high_pass_hz: float = setting(0.0, "Corner of a high-pass over the whole print (Hz), 12 dB an octave; 0: none.",
                                  low=0, high=20000)
    low_pass_hz: float = setting(0.0, "The same of a low-pass.", low=0, high=96000)
    tails: Mapping[str, TailPart] = field(default_factory=dict)

    def __post_init__(self) -> None:
        check_fields(self, f"prints.{self.name}")
        if not self.name.strip():
            raise SettingsError("prints.name is empty: each print needs a name of its own")
        if 0 < self.length_ms < SHORTEST_PRINT_MS:
            raise SettingsError(f"prints.{self.name}.length_ms is {self.length_ms:g}: give {SHORTEST_PRINT_MS:g} to "
                                "30000, or 0 for a length by the kind of drum")

    @property
    def longest_ms(self) -> float:
        """The length that it has at most."""
        return self.length_ms or max(PRINT_LENGTHS_MS.values())

    def of(self, drum: str, kind: str, name: str) -> PrintRecipe:
        """The same for one drum of a kind, called ``name``: with that kind's length and fade where it has none."""
        length = self.length_ms or PRINT_LENGTHS_MS.get(kind, OTHER_PRINT_MS)
        fade = self.fade_out_ms if self.length_ms else PRINT_FADE_SHARE * length
        return dataclasses.replace(self, name=name, drum=drum, length_ms=length, fade_out_ms=fade)


@dataclass(frozen=True, slots=True)
class FaderRecipe:
    """What a recipe may say of one mic's place in the balance; a value left out stays as computed."""

    gain_db: float | None = setting(None, "Level of the mic in the mix (dB).", low=-96, high=24)
    pan: float | None = setting(None, "From -1 (left) to 1 (right).", low=-1, high=1)
    polarity: int | None = setting(None, "1 as recorded, -1 inverted.", low=-1, high=1)
    on: bool | None = setting(None, "Whether the mic plays in mixes and mappings.")

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
    names: Naming = field(default_factory=Naming)
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
    pack: Packing = field(default_factory=Packing)

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
    "kit": (KitInfo, "Name, credits and terms of the kit."),
    "choose": (Choosing, "Which hits become one-shots."),
    "cut": (Cutting, "Where a one-shot starts and ends."),
    "export": (Exporting, "Which mics go into the kit."),
    "names": (Naming, "What the files are called; a released kit keeps its names."),
    "files": (Finishing, "Format and level of the finished files."),
    "playing": (Playing, "How the mappings play the kit."),
    "mix": (Mixing, "Where the balance comes from."),
    "processed": (Processing, "How processed tracks of the same takes are used."),
    "repair": (Repairing, "Repairs of hits with bleed or cut tails; unprocessed files stay beside repaired ones."),
    "pack": (Packing, "What oneshot pack adds and leaves out; a change needs no new build."),
}
