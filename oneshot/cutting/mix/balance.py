"""How the mics of a kit are mixed: the computed balance, and prints of one drum made from several mics.

Conventions: audio is float64, (frames,) per mic or (channels, frames), full scale 1.0; gains in dB; pan from -1 (left)
to 1 (right) with constant power, so a centred mic is 3.01 dB down on both sides. A print's sample i takes from each mic
the take frame ``source_start + i + delay_frames``: a positive ``delay_frames`` moves a mic that hears the drum later
forward by that much.

The balance is a place to start from (common practice, no source): own close mics 0 dB, the snare's bottom mic so that
the snare is 8 dB softer in it than on top, overheads so that the snare sits 6 dB below its close mic, rooms so that it
sits 12 dB below; pairs hard left and right, kick and snare in the centre, toms and cymbals where overheads hear them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from oneshot.audio.filters import filtered, tail_shaped
from oneshot.audio.loudness import true_peak
from oneshot.config.recipe import FaderRecipe, PrintPart, PrintRecipe
from oneshot.core.records.hits import Drum
from oneshot.core.records.kit import Fader, PrintMic
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Mic, Session

BOTTOM_DB = -8.0
OVERHEAD_DB = -6.0
ROOM_DB = -12.0
"""The three common-practice places above, each relative to the reference drum in its own close mic."""
REFERENCE_KINDS = ("snare", "tom", "kick")
"""Whose close mic the overheads and rooms are set against: the first of these that has one."""
LIMITS_DB = (-30.0, 12.0)
"""A computed gain never leaves this range, however odd the measured levels."""
CENTRED = ("kick", "snare")
LOUD_KINDS = ("kick", "snare", "crash", "cymbal")
FULL_DBTP = -6.0
"""The loud kinds, kick, snare and crash, struck together at full level stay at or below this (common practice, no
source). A cymbal that no name tells from a crash may be one.
"""

START_MS = 0.1
"""A print starts at most this long before its attack."""
EXCURSION_DB = -20.0
"""The first excursion is the first half-wave that passes this re the peak of the attack: an onset counts from -30 dB,
but bleed and ripple ahead of the attack can reach that.
"""
EXCURSION_MS = 10.0
"""The attack: later a kick or a floor tom swings up so far that its first half-wave is a small part of that."""
GUARD_MS = 2.0


# ------------------------------------------------------------------------------------------------------------- balance


def compute_balance(session: Session, drums: Sequence[Drum], *,
                    bleed: Mapping[str, Mapping[str, Mapping[str, float | None]]],
                    polarity: Mapping[str, Mapping[str, int]]) -> dict[str, Fader]:
    """A starting mix for the whole kit, mic name -> fader, in the session's order; no talk, triggers or ignored mics.

    ``bleed``: take -> drum -> mic, level of the drum in the mic against its home mic (dB); ``polarity``: take -> mic ->
    1 or -1 against the home mic of the drum it stands at. Buses are off, being mixes of the others, unless there is
    nothing else. Gains are rounded to 0.1 dB, pans to 0.01.
    """
    mics = {mic.name: mic for take in reversed(session.takes) for mic in take.mics if mic.role.means.plays}
    order = list(dict.fromkeys(mic.name for take in session.takes for mic in take.mics if mic.name in mics))
    only_buses = all(mic.role is Role.BUS for mic in mics.values())
    heard = drum_levels_db(bleed)
    reference = _reference_drum(drums, mics)
    gains = _far_gains(list(mics.values()), heard.get(reference.name, {}) if reference else {})
    faders = {}
    for name in order:
        mic = mics[name]
        drum = _drum_at(mic, drums)
        gain = gains.get(name, _close_gain(mic, drum, heard))
        faders[name] = Fader(gain_db=round(min(max(gain, LIMITS_DB[0]), LIMITS_DB[1]), 1),
                             pan=_pan(mic, drum, list(mics.values()), heard), polarity=_polarity(mic, drum, polarity),
                             on=mic.role is not Role.BUS or only_buses)
    return faders


def drum_levels_db(bleed: Mapping[str, Mapping[str, Mapping[str, float | None]]]) -> dict[str, dict[str, float]]:
    """Drum -> mic -> level against the home mic, the median over the takes that know it."""
    found: dict[str, dict[str, list[float]]] = {}
    for drums in bleed.values():
        for drum, mics in drums.items():
            for mic, level in mics.items():
                if level is not None:
                    found.setdefault(drum, {}).setdefault(mic, []).append(level)
    return {drum: {mic: median(levels) for mic, levels in mics.items()} for drum, mics in found.items()}


def _reference_drum(drums: Sequence[Drum], mics: Mapping[str, Mic]) -> Drum | None:
    """The drum against whose close mic overheads and rooms are set; None where no drum has one."""
    for kind in REFERENCE_KINDS:
        for drum in drums:
            if drum.kind == kind and drum.home in mics and mics[drum.home].role is Role.CLOSE:
                return drum
    return None


def _drum_at(mic: Mic, drums: Sequence[Drum]) -> Drum | None:
    """The drum a close mic stands at; None for all other mics and where that drum was never struck."""
    if mic.role is not Role.CLOSE:
        return None
    return next((drum for drum in drums if mic.name == drum.home or (mic.drum and mic.drum == drum.name)), None)


def _close_gain(mic: Mic, drum: Drum | None, heard: Mapping[str, Mapping[str, float]]) -> float:
    """0 dB, but a snare's bottom mic lies a fixed step below the top one, whatever its preamp was set to."""
    if drum is None or drum.kind != "snare" or mic.place != "bottom" or mic.name == drum.home:
        return 0.0
    return BOTTOM_DB - heard.get(drum.name, {}).get(mic.name, 0.0)


def _far_gains(mics: Sequence[Mic], levels: Mapping[str, float]) -> dict[str, float]:
    """Gains of overheads and rooms: all mics of one pair get the same; several pairs of rooms share the rooms' level.

    ``levels``: of the reference drum in each mic; without them rooms get their level as a plain gain, overheads 0 dB
    (they may be all there is).
    """
    gains: dict[str, float] = {}
    for role, target, plain in ((Role.OVERHEAD, OVERHEAD_DB, 0.0), (Role.ROOM, ROOM_DB, ROOM_DB)):
        groups: dict[str, list[str]] = {}
        for mic in mics:
            if mic.role is role:
                groups.setdefault(mic.pair or mic.name, []).append(mic.name)
        for names in groups.values():
            known = [levels[name] for name in names if name in levels]
            share = 10 * math.log10(len(groups))
            level = 10 * math.log10(sum(10 ** (value / 10) for value in known)) if known else None
            gains.update(dict.fromkeys(names, plain if level is None else target - share - level))
    return gains


def _pan(mic: Mic, drum: Drum | None, mics: Sequence[Mic], heard: Mapping[str, Mapping[str, float]]) -> float:
    """Hard to its side for one of a pair; a tom's or cymbal's close mic at the drum's place in the overheads."""
    if mic.side in {"L", "R"} and mic.pair:
        return -1.0 if mic.side == "L" else 1.0
    if drum is None or drum.kind in CENTRED:
        return 0.0
    levels = heard.get(drum.name, {})
    sides = {side: [levels[other.name] for other in mics
                    if other.role is Role.OVERHEAD and other.pair and other.side == side and other.name in levels]
             for side in ("L", "R")}
    if not sides["L"] or not sides["R"]:
        return 0.0
    difference = max(sides["R"]) - max(sides["L"])
    return round(math.atan(10 ** (difference / 20)) * 4 / math.pi - 1, 2)


def _polarity(mic: Mic, drum: Drum | None, measured: Mapping[str, Mapping[str, int]]) -> int:
    """-1 where the session says so, and for a second close mic that the takes measured as inverted.

    Overheads and rooms are left alone: with a distance in between, the sign of the correlation is not a wiring fault.
    """
    if mic.polarity == -1:
        return -1
    if drum is None or mic.name == drum.home:
        return 1
    votes = [signs[mic.name] for signs in measured.values() if mic.name in signs]
    return -1 if sum(votes) < 0 else 1


def mirrored(balance: Mapping[str, Fader]) -> dict[str, Fader]:
    """The balance with left and right exchanged: mics are named as the player sits, the audience faces the kit."""
    return {name: replace(fader, pan=-fader.pan + 0.0) for name, fader in balance.items()}


def override(balance: Mapping[str, Fader], said: Mapping[str, FaderRecipe]) -> tuple[dict[str, Fader], tuple[str, ...]]:
    """The balance with the recipe's entries in it, and the names in the recipe that no mic has."""
    faders = {name: said[name].over(fader) if name in said else fader for name, fader in balance.items()}
    return faders, tuple(name for name in said if name not in balance)


def pan_gains(pan: float) -> tuple[float, float]:
    """Left and right factors of constant power: (1, 0) at -1, 0.7071 each at 0, (0, 1) at 1."""
    angle = (pan + 1) * math.pi / 4
    return math.cos(angle), math.sin(angle)


def mix(audio: Mapping[str, Floats], balance: Mapping[str, Fader]) -> Floats:
    """Stereo mix, float64 (2, frames), of mics that start together, each (frames,); mics that are off stay out."""
    out = np.zeros((2, max((len(x) for x in audio.values()), default=0)))
    for name, x in audio.items():
        fader = balance.get(name)
        if fader is not None and fader.on:
            factor = fader.polarity * 10 ** (fader.gain_db / 20)
            for side, share in enumerate(pan_gains(fader.pan)):
                out[side, :len(x)] += factor * share * x
    return out


def trim(balance: Mapping[str, Fader], hits: Iterable[Mapping[str, Floats]], *, sample_rate: int,
         ceiling_dbtp: float = FULL_DBTP) -> dict[str, Fader]:
    """The balance, all gains lowered alike if those hits struck together would pass the ceiling; never raised.

    ``hits``: for the hardest kick, snare and crash the audio of each mic, all with the attack at the same frame.
    """
    mixes = [mix(audio, balance) for audio in hits]
    total = np.zeros((2, max((x.shape[1] for x in mixes), default=0)))
    for x in mixes:
        total[:, :x.shape[1]] += x
    peak = true_peak(total, sample_rate)
    over = 20 * math.log10(peak) - ceiling_dbtp if peak > 0 else 0.0
    step = math.ceil(over * 10) / 10 if over > 0 else 0.0
    return {name: replace(fader, gain_db=round(fader.gain_db - step, 1)) for name, fader in balance.items()}


# -------------------------------------------------------------------------------------------------------------- prints


@dataclass(frozen=True, slots=True)
class PrintPlan:
    """What to read for one print: for each mic the take frames [start + delay, start + delay + frames)."""

    hit: int
    start: int
    frames: int
    offset_frames: int
    fade_out_frames: int
    mics: Mapping[str, PrintMic]


@dataclass(frozen=True, slots=True, eq=False)
class Blend:
    """A print's audio, float64 (1 or 2, frames), and the plan it follows; ``mics`` hold the gains and signs applied."""

    plan: PrintPlan
    mics: Mapping[str, PrintMic]
    x: Floats
    first_excursion: int


def print_parts(recipe: PrintRecipe, close: Sequence[str], balance: Mapping[str, Fader]) -> dict[str, PrintPart]:
    """The mics of a print and their parts: the recipe's, or else the drum's own close mics as the balance has them."""
    if recipe.mics:
        return dict(recipe.mics)
    return {name: PrintPart(gain_db=balance[name].gain_db, polarity=balance[name].polarity)
            for name in close if name in balance and balance[name].on}


def plan_print(recipe: PrintRecipe, parts: Mapping[str, PrintPart], *, hit: int, attack: int, limit: int | None,
               delays: Mapping[str, int], sample_rate: int, end: int | None = None, fade_out: int | None = None,
               gain_db: float = 0.0) -> PrintPlan:
    """Window of a print around one hit.

    ``attack``: take frame of the home-mic attack, which will lie at most 0.1 ms into the file; ``limit``: take frame of
    the next stroke's earliest onset in these mics, or None; ``delays``: mic -> frames by which it hears the drum after
    the home mic, used for the mics that the recipe aligns; ``end`` (frames after the attack), ``fade_out`` (frames) and
    ``gain_db``: what a person said of that hit, which outranks the next stroke and the recipe.
    """
    offset = int(START_MS * sample_rate / 1000)
    start = attack - offset
    frames = round(recipe.length_ms * sample_rate / 1000)
    if end is not None:
        frames = max(offset + 1, min(frames, offset + end))
    elif limit is not None:
        frames = max(offset + 1, min(frames, limit - round(GUARD_MS * sample_rate / 1000) - start))
    wanted = round(recipe.fade_out_ms * sample_rate / 1000) if fade_out is None else fade_out
    fade = min(wanted, frames - offset)
    mics = {name: PrintMic(gain_db=part.gain_db + gain_db, delay_frames=delays.get(name, 0) if part.align else 0,
                           polarity=part.polarity) for name, part in parts.items()}
    return PrintPlan(hit, start, frames, offset, fade, mics)


def blend_print(recipe: PrintRecipe, plan: PrintPlan, audio: Mapping[str, Floats], *, balance: Mapping[str, Fader],
                sample_rate: int) -> Blend:
    """Mix a print's mics and fade its ends.

    ``audio``: mic -> (frames,), read as the plan says. Mono, or stereo by the pans of ``balance`` if the recipe asks.
    The fade-in lies wholly before the attack. Not yet turned upward (``print_polarity.py``), nor at its final level:
    see ``level_prints``.
    """
    out = np.zeros((2 if recipe.stereo else 1, plan.frames))
    for name, part in plan.mics.items():
        shares = pan_gains(balance[name].pan if name in balance else 0.0) if recipe.stereo else (1.0,)
        asked = recipe.mics.get(name, PrintPart())
        heard = filtered(audio[name], high_pass_hz=asked.high_pass_hz, low_pass_hz=asked.low_pass_hz,
                         sample_rate=sample_rate)
        for channel, share in enumerate(shares):
            out[channel] += share * part.polarity * 10 ** (part.gain_db / 20) * heard
    out = filtered(out, high_pass_hz=recipe.high_pass_hz, low_pass_hz=recipe.low_pass_hz, sample_rate=sample_rate)
    for tail in recipe.tails.values():
        out = tail_shaped(out, low_hz=tail.low_hz, high_hz=tail.high_hz, decay_s=tail.decay_ms / 1000,
                          start=plan.offset_frames + round(tail.after_ms * sample_rate / 1000), sample_rate=sample_rate)
    rise = np.arange(plan.offset_frames) / max(plan.offset_frames, 1)
    out[:, :plan.offset_frames] *= 0.5 - 0.5 * np.cos(np.pi * rise)
    fall = np.arange(plan.fade_out_frames)[::-1] / max(plan.fade_out_frames, 1)
    out[:, plan.frames - plan.fade_out_frames:] *= 0.5 - 0.5 * np.cos(np.pi * fall)
    return Blend(plan, plan.mics, out, first_excursion(out.sum(axis=0), sample_rate=sample_rate))


def first_excursion(x: Floats, *, sample_rate: int) -> int:
    """1 where the first excursion of a waveform, (frames,), points up or nothing sounds, -1 where it points down."""
    head = x[:round(EXCURSION_MS * sample_rate / 1000)]
    peak = float(np.max(np.abs(head), initial=0.0))
    if peak == 0.0:
        return 1
    return 1 if head[int(np.argmax(np.abs(head) >= peak * 10 ** (EXCURSION_DB / 20)))] > 0 else -1


def level_prints(blends: Sequence[Blend], *, ceiling_dbtp: float, sample_rate: int) -> list[Blend]:
    """All candidates with one gain, the hardest's true peak at the ceiling, so that they stay as hard as they were.

    The gain is added to each mic's: what a print's ``mics`` say is all that was done to the source.
    """
    peak = max((true_peak(blend.x, sample_rate) for blend in blends), default=0.0)
    if peak <= 0.0:
        return list(blends)
    factor = 10 ** (ceiling_dbtp / 20) / peak
    gain = 20 * math.log10(factor)
    return [replace(blend, x=blend.x * factor, mics={name: replace(part, gain_db=part.gain_db + gain)
                                                     for name, part in blend.mics.items()}) for blend in blends]


# ------------------------------------------------------------------------------------------------------------- ranking


@dataclass(frozen=True, slots=True)
class PrintFacts:
    """What a candidate is ranked by.

    ``bleed_db``: bleed over the print's mics (dB); ``level_db``: of the hit (dB); ``ring_s``: how long it rings before
    the noise, the next stroke or the end of the print (s); ``wanted_s``: the print's length.
    """

    hit: int
    bleed_db: float | None
    level_db: float | None
    ring_s: float
    wanted_s: float


CLEAN_ENOUGH_DB = 50.0
"""Bleed further down than this is inaudible under a drum that others play on top of."""
UNKNOWN_COST = 40.0
SHOWN_RING_S = 0.005
"""A ring is told to a hundredth of a second."""
RING_COST = 30.0
"""A candidate without any tail costs as much as one with 30 dB more bleed; one dB softer as much as one dB more
bleed.
"""


RANKED_BY = (f"Against a hit counts: bleed less than {CLEAN_ENOUGH_DB:.0f} dB down, each dB below the hardest (where "
             "layers are printed: each dB away from the middle of the layer), and a ring that ends before the print.")
"""The ranking in words, for whoever reads the prints' list."""


def rank_prints(facts: Sequence[PrintFacts], *, alike: bool = False) -> list[tuple[int, str]]:
    """Candidates best first: (index into ``facts``, what of it was ranked, in plain words). Equal ones stand by hit
    number. ``alike``: they shall take turns, so that the middle of their levels is best, not the hardest.
    """
    levels = [fact.level_db for fact in facts if fact.level_db is not None]
    best = 0.0 if not levels else float(np.median(levels)) if alike else max(levels)

    def cost(fact: PrintFacts) -> float:
        """What speaks against a hit, dB: dirt, another level than the best, a ring that is cut short."""
        dirt = UNKNOWN_COST if fact.bleed_db is None else max(0.0, CLEAN_ENOUGH_DB + fact.bleed_db)
        off = UNKNOWN_COST if fact.level_db is None else abs(best - fact.level_db)
        return dirt + off + RING_COST * max(0.0, 1 - fact.ring_s / fact.wanted_s)

    def why(fact: PrintFacts) -> str:
        """Its bleed, level and ring, in words."""
        words = ["bleed could not be measured" if fact.bleed_db is None else
                 f"bleed {-fact.bleed_db:.0f} dB down" if fact.bleed_db < 0 else
                 f"bleed {fact.bleed_db:.0f} dB louder"]
        if fact.level_db is None:
            words.append("level could not be measured")
        elif alike:
            words.append(f"{fact.level_db - best + 0.0:+.1f} dB from the middle of its layer")
        else:
            words.append(f"{best - fact.level_db:.1f} dB below the hardest" if fact.level_db < best else "the hardest")
        whole = fact.ring_s > fact.wanted_s - SHOWN_RING_S
        return ", ".join([*words, "rings to its end" if whole else
                          f"rings {fact.ring_s:.2f} of {fact.wanted_s:.2f} s"])

    order = sorted(range(len(facts)), key=lambda index: (cost(facts[index]), facts[index].hit))
    return [(index, why(facts[index])) for index in order]
