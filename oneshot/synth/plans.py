"""What a generated session is made of: a room, drums and mics at places in it, and the strokes of each take.

Places are (x, y, z) in metres: x to the audience's right, y from the player towards the audience, z up from the floor,
with the origin on the floor below the middle of the kick. Everything is a literal, so that a plan can be read, compared
and rendered again. A plan that cannot be rendered raises ``SettingsError`` when it is made.
"""

from __future__ import annotations

from dataclasses import dataclass

from oneshot.core.air import speed_of_sound
from oneshot.core.errors import SettingsError

Place = tuple[float, float, float]

KINDS = {
    "kick": ("hit",),
    "snare": ("centre", "rimshot", "side stick", "brush"),
    "tom": ("hit",),
    "hat": ("closed", "half open", "open", "foot"),
    "ride": ("bow", "bell"),
    "crash": ("hit", "mallet"),
}
"""The kinds of drum that can be struck, each with its articulations."""


@dataclass(frozen=True, slots=True)
class RoomPlan:
    """A box-shaped room: ``corner`` is its lowest corner seen from the origin, ``t60_s`` its decay over frequency.

    ``t60_s`` is (hertz, seconds) pairs; between them the decay is interpolated over the logarithm of the frequency.
    """

    size: Place = (9.0, 11.0, 4.5)
    corner: Place = (-4.0, -3.5, 0.0)
    t60_s: tuple[tuple[float, float], ...] = ((125.0, 0.7), (1000.0, 0.55), (4000.0, 0.45), (12000.0, 0.3))
    temperature_c: float = 20.0

    def __post_init__(self) -> None:
        if min(self.size) <= 0.5:
            raise SettingsError(f"room size is {self.size}: every side must exceed 0.5 m")
        if not self.t60_s or min(t for _, t in self.t60_s) <= 0:
            raise SettingsError(f"room t60_s is {self.t60_s}: give (hertz, seconds) pairs above zero")

    @property
    def speed(self) -> float:
        """Speed of sound, m/s."""
        return speed_of_sound(self.temperature_c)


@dataclass(frozen=True, slots=True)
class DrumPlan:
    """A drum or cymbal at its place.

    ``tune_hz``: lowest mode of a drum (cymbals ignore it). ``decay_s``: time constant of that mode, or of the slowest
    band of an open cymbal. ``loudness_db``: peak of its hardest plain stroke at one metre, against the other drums.
    ``buzz_db``: how a drum answers others, against a full stroke of its own: wires the kick, the head of a tom every
    kick, snare and tom; None where it keeps quiet.
    """

    name: str
    kind: str
    place: Place
    tune_hz: float = 100.0
    decay_s: float = 0.4
    size_m: float = 0.35
    loudness_db: float = 0.0
    buzz_db: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise SettingsError(f"drum {self.name}: kind is {self.kind!r}: choose one of {', '.join(KINDS)}")
        if self.decay_s <= 0 or self.tune_hz <= 0 or self.size_m <= 0:
            raise SettingsError(f"drum {self.name}: tune_hz, decay_s and size_m must be above zero")


@dataclass(frozen=True, slots=True)
class MicPlan:
    """A microphone: where it stands, where it looks, and what is wrong with it.

    ``drum``: the drum it stands at, None for overheads and rooms. ``inside``: the drum in whose shell it lies.
    ``file``: stem of the file it is a channel of, None for a file of its own. ``headroom_db``: how far the hardest
    single stroke stays below full scale. ``low_cut_hz``: the desk's second-order high-pass, None without. ``driven_db``
    adds gain and clips. ``gate_dbfs``: below it the channel is digital black. ``crushed``: a compressor is in the way.
    ``dead``: nothing but noise arrives. ``talk``: it is there for speech, and no stroke is measured in it.
    ``trigger``: it is no mic but a contact pickup on its ``drum``, which hears the head and next to nothing else.
    ``offset``: the converter's steady (DC) offset, full scale 1.0.
    """

    name: str
    place: Place
    aim: Place
    pattern: str = "cardioid"
    drum: str | None = None
    inside: str | None = None
    file: str | None = None
    noise_dbfs: float = -88.0
    headroom_db: float = 8.0
    low_cut_hz: float | None = None
    polarity: int = 1
    hum_dbfs: float | None = None
    hum_hz: float = 50.0
    driven_db: float = 0.0
    gate_dbfs: float | None = None
    crushed: bool = False
    dead: bool = False
    talk: bool = False
    trigger: bool = False
    offset: float = 0.0

    @property
    def judged(self) -> bool:
        """Whether anything can be known of a stroke in it: a mic, alive, linear and there for the drums."""
        return not (self.dead or self.crushed or self.talk or self.trigger)

    def __post_init__(self) -> None:
        if self.pattern not in ("cardioid", "omni"):
            raise SettingsError(f"mic {self.name}: pattern is {self.pattern!r}: choose cardioid or omni")
        if self.polarity not in (1, -1):
            raise SettingsError(f"mic {self.name}: polarity is {self.polarity}: choose 1 or -1")
        if self.trigger and self.drum is None:
            raise SettingsError(f"mic {self.name}: a trigger needs the drum it sits on")
        if self.place == self.aim:
            raise SettingsError(f"mic {self.name}: it must look somewhere else than where it stands")


@dataclass(frozen=True, slots=True)
class KitPlan:
    """A kit in a room before its mics.

    ``mixdown``: name of a stereo file that is written instead of the mics, their sum panned by where they stand.
    ``subtype`` is soundfile's name of the sample format.
    """

    name: str
    room: RoomPlan
    drums: tuple[DrumPlan, ...]
    mics: tuple[MicPlan, ...]
    sample_rate: int = 48000
    subtype: str = "PCM_24"
    mixdown: str | None = None

    def __post_init__(self) -> None:
        for what, names in (("drum", [d.name for d in self.drums]), ("mic", [m.name for m in self.mics])):
            if not names or len(set(names)) != len(names):
                raise SettingsError(f"plan {self.name}: {what} names are {names}: give at least one, each once")
        if not 8000 <= self.sample_rate <= 384000:
            raise SettingsError(f"plan {self.name}: sample_rate is {self.sample_rate}: choose 8000 to 384000 Hz")
        if not any(m.judged for m in self.mics):
            raise SettingsError(f"plan {self.name}: every mic is dead, crushed, a trigger or for talk: add one")
        known = {d.name for d in self.drums}
        for mic in self.mics:
            for drum in (mic.drum, mic.inside):
                if drum is not None and drum not in known:
                    raise SettingsError(f"plan {self.name}: mic {mic.name} stands at {drum!r}, which is no drum of it")

    def drum(self, name: str) -> DrumPlan:
        """The drum of that name; SettingsError if the plan has none."""
        for drum in self.drums:
            if drum.name == name:
                return drum
        raise SettingsError(f"plan {self.name}: no drum is called {name!r}")


@dataclass(frozen=True, slots=True)
class Stroke:
    """One stroke, ``at_s`` seconds into the take.

    ``strength_db``: 0 is the hardest, -40 a ghost note. ``choke_s``: a hand stops the ring that long after the stroke.
    """

    at_s: float
    drum: str
    articulation: str
    strength_db: float = 0.0
    choke_s: float | None = None

    def __post_init__(self) -> None:
        if self.at_s < 0 or not -60 <= self.strength_db <= 6:
            raise SettingsError(f"stroke at {self.at_s:g} s: it must start at 0 s or later, at -60 to 6 dB")


@dataclass(frozen=True, slots=True)
class TakePlan:
    """The strokes of one take, and what else is heard in it.

    ``talk``: (start, length) of speech, seconds. ``sticks_s``: when two sticks are struck together, as in a count-in
    (no stroke). ``click_bpm``: tempo of a click that leaks from headphones. ``knocks``: when a stand is knocked
    against, and the mic that is on it. ``talk_db``, ``click_db``: how much louder than usual those are.
    ``inverted``: mics whose cable is turned in this take only. ``tail_s``: how long it runs after the last stroke.
    """

    name: str
    strokes: tuple[Stroke, ...]
    tail_s: float = 4.0
    talk: tuple[tuple[float, float], ...] = ()
    sticks_s: tuple[float, ...] = ()
    click_bpm: float | None = None
    knocks: tuple[tuple[float, str], ...] = ()
    talk_db: float = 0.0
    click_db: float = 0.0
    inverted: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.strokes:
            raise SettingsError(f"take {self.name}: it has no strokes")
        if self.click_bpm is not None and not 20 <= self.click_bpm <= 400:
            raise SettingsError(f"take {self.name}: click_bpm is {self.click_bpm:g}: choose 20 to 400")
