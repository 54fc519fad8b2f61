"""What is played: strokes one by one for a slate, and patterns for a groove."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from oneshot.synth.plans import Stroke, TakePlan

SlateRow = tuple[str, str, float, float, int, float]
"""Drum, articulation, softest and hardest stroke (dB), how many, seconds from one to the next."""
Lanes = Mapping[tuple[str, str], str]
"""Drum and articulation -> what it plays in a bar of sixteen steps; see ``groove``."""

LEVELS_DB = {"X": -2.0, "x": -8.0, "o": -15.0, "g": -29.0, "q": -35.0, "F": -4.0, "D": -4.0, "r": -14.0}
BEAT: Lanes = {
    ("kick", "hit"): "X.....x.X.......", ("snare", "centre"): "....X..g....X..g",
    ("hat", "closed"): "x.o.x.o.x.o.x...", ("hat", "open"): "..............x.",
}
FILL: Lanes = {
    ("kick", "hit"): "X...X...X.......", ("snare", "centre"): "XrrrX...........", ("rack", "hit"): "....x.xx........",
    ("floor", "hit"): "........X.xx....", ("hat", "foot"): "....o...o...o...",
}
START: Lanes = {
    ("crash", "hit"): "X...............", ("kick", "hit"): "X...............", ("snare", "centre"): "........F.......",
}
BOW: Lanes = {
    ("ride", "bow"): "x..ox...x..ox...", ("ride", "bell"): "......x.........", ("hat", "foot"): "....x.......x...",
    ("snare", "centre"): "...g..g....g..o.", ("kick", "hit"): "o.......o.....o.",
}
BUSY: Lanes = {
    ("kick", "hit"): "X..xX...X..x..x.", ("snare", "centre"): "g.ggX.ggg.g.F.gg", ("hat", "closed"): "xoxoxoxoxoxoxo..",
    ("hat", "open"): "..............X.", ("floor", "hit"): "X...............",
}
ROLL: Lanes = {
    ("snare", "centre"): "rrrrrrrrrrrrrrX.", ("hat", "foot"): "o...o...o...o...", ("kick", "hit"): "X.......X.......",
}
ACCENTS: Lanes = {
    ("crash", "hit"): "X.......X.......", ("kick", "hit"): "X.......X.......", ("snare", "rimshot"): "....X.......X...",
}
SOFT: Lanes = {
    ("kick", "hit"): "X......qX..q....", ("snare", "centre"): "..q.X.qg..q.X.g.", ("hat", "closed"): "x.o.x.o.x.o.x.o.",
}
RING: Lanes = {
    ("crash", "hit"): "X...............", ("hat", "open"): "........X.......", ("hat", "closed"): "..............x.",
    ("floor", "hit"): "............X...", ("kick", "hit"): "...o.....o...o..", ("snare", "centre"): ".....g....g....g",
}
ORNAMENTS: Lanes = {
    ("snare", "centre"): "F...D...x.F...D.", ("rack", "hit"): "......F.........", ("floor", "hit"): "...........F....",
    ("kick", "hit"): "X.......X.......",
}
SIDE: Lanes = {
    ("snare", "side stick"): "....x..o....x...", ("kick", "hit"): "X.....o.X.......",
    ("hat", "closed"): "x.o.x.o.x.o.x.o.",
}
BRUSHES: Lanes = {
    ("snare", "brush"): "o.g.x..oo.g.x.o.", ("kick", "hit"): "o.......o.....g.", ("ride", "bow"): "o...o..oo...o..o",
    ("hat", "foot"): "....x.......x...",
}
SLATE_ROWS: tuple[SlateRow, ...] = (
    ("kick", "hit", -18.0, 0.0, 6, 1.3), ("snare", "centre", -30.0, 0.0, 8, 1.3), ("rack", "hit", -21.0, 0.0, 4, 2.0),
    ("floor", "hit", -21.0, 0.0, 4, 2.2), ("hat", "closed", -18.0, 0.0, 4, 0.9), ("hat", "open", -10.0, 0.0, 3, 3.0),
    ("crash", "hit", -10.0, 0.0, 3, 5.0),
)


def slate(name: str, rows: Sequence[SlateRow]) -> TakePlan:
    """A take of strokes one by one, soft to hard; after each row the drums ring out almost one stride longer."""
    at, strokes = 0.0, []
    for drum, articulation, low, high, count, gap in rows:
        for level in np.linspace(low, high, count):
            strokes.append(Stroke(at, drum, articulation, float(level)))
            at += gap
        at += 0.9 * gap
    return TakePlan(name, tuple(strokes))


def groove(name: str, bars: int, bpm: float, lanes: Lanes, seed: int) -> TakePlan:
    """Bars of a pattern in sixteenths, played with small differences in time (4 ms rms) and strength (1.5 dB rms).

    Marks: ``X`` hard, ``x`` middle, ``o`` soft, ``g`` ghost, ``q`` the softest there is, ``F`` a flam of 20 to 40 ms,
    ``D`` a drag, two strokes ahead of it, ``r`` two strokes as in a roll; anything else rests.
    """
    rng = np.random.default_rng([seed, 8])
    step = 60 / bpm / 4
    strokes = []
    for bar in range(bars):
        for (drum, articulation), pattern in lanes.items():
            for k, mark in enumerate(pattern):
                if mark not in LEVELS_DB:
                    continue
                at = 0.05 + (bar * 16 + k) * step + float(np.clip(rng.normal(0, 0.004), -0.01, 0.01))
                level = LEVELS_DB[mark] + float(np.clip(rng.normal(0, 1.5), -3, 2))
                if mark == "F":
                    strokes.append(Stroke(at - float(rng.uniform(0.02, 0.04)), drum, articulation, level - 9))
                if mark == "D":
                    apart = float(rng.uniform(0.022, 0.036))
                    graces = [(at - n * apart, level - 11 - n) for n in (2, 1) if at > n * apart]
                    strokes += [Stroke(early, drum, articulation, soft) for early, soft in graces]
                if mark == "r":
                    strokes.append(Stroke(at + step / 2, drum, articulation, level - float(rng.uniform(0, 3))))
                strokes.append(Stroke(at, drum, articulation, level))
    return TakePlan(name, tuple(strokes))


def song(name: str, parts: Sequence[TakePlan]) -> TakePlan:
    """Grooves one after another as one take; each begins half a second after the last stroke of the one before."""
    at, strokes = 0.0, list[Stroke]()
    for part in parts:
        strokes += [replace(s, at_s=s.at_s + at) for s in part.strokes]
        at = max(s.at_s for s in strokes) + 0.45
    return TakePlan(name, tuple(strokes))


def playing(name: str, seed: int, bpm: float = 100, rounds: int = 2, extra: Sequence[Lanes] = ()) -> TakePlan:
    """Crash, beat and fill, ``rounds`` times over, with two bars of each of ``extra`` between."""
    parts = []
    for k in range(rounds):
        parts += [groove("", 1, bpm, START, seed + 9 * k), groove("", 4, bpm, BEAT, seed + 9 * k + 1)]
        parts += [groove("", 2, bpm, lanes, seed + 9 * k + 3 + j) for j, lanes in enumerate(extra)]
        parts += [groove("", 1, bpm, FILL, seed + 9 * k + 2)]
    return song(name, parts)


def mixed(name: str, seed: int, bpm: float, order: Sequence[tuple[int, Lanes]]) -> TakePlan:
    """So many bars of each pattern, one after another."""
    return song(name, [groove("", bars, bpm, lanes, seed + k) for k, (bars, lanes) in enumerate(order)])


def dense(name: str, seed: int, bpm: float = 100) -> TakePlan:
    """Busy playing of a kit without a ride: ghost notes, flams, drags, a roll, accents on crashes."""
    order = ((1, START), (4, BUSY), (1, ORNAMENTS), (1, ROLL), (1, FILL), (4, BUSY), (1, RING), (1, ACCENTS))
    return mixed(name, seed, bpm, order)


def swell(name: str, seed: int, low_db: float = -30.0, high_db: float = -4.0) -> TakePlan:
    """A cymbal swell: eight strokes of two mallets, ever harder, and a kick; a hand stops it a second later."""
    rng = np.random.default_rng([seed, 9])
    at, strokes = 0.0, []
    for k, level in enumerate(np.linspace(low_db, high_db, 8)):
        strokes.append(Stroke(at, "crash", "mallet", float(level), choke_s=None if k < 7 else 1.0))
        at += float(rng.uniform(0.11, 0.14))
    return TakePlan(name, (*strokes, Stroke(at, "kick", "hit", -5.0)))


def counted_in(take: TakePlan, bpm: float) -> TakePlan:
    """The take after a bar of four sticks."""
    beat = 60 / bpm
    later = tuple(replace(s, at_s=s.at_s + 4 * beat) for s in take.strokes)
    return replace(take, strokes=later, sticks_s=(0.0, beat, 2 * beat, 3 * beat))


def broken_off(take: TakePlan, rest_s: float, again: TakePlan) -> TakePlan:
    """The take, a rest, in which a click runs on, and then ``again``."""
    at = max(s.at_s for s in take.strokes) + rest_s
    return replace(take, strokes=(*take.strokes, *(replace(s, at_s=s.at_s + at) for s in again.strokes)))


def crowded(name: str, seed: int, bpm: float = 118) -> TakePlan:
    """The hard cases in one take: flams, rolls, ghost notes, three drums at once, choked crashes, foot hats."""
    order = ((1, ACCENTS), (6, BUSY), (1, ROLL), (4, BOW), (1, ACCENTS), (4, BUSY))
    made = mixed(name, seed, bpm, order)
    hits = [k for k, s in enumerate(made.strokes) if s.drum == "crash"]
    choked = {k: replace(made.strokes[k], choke_s=0.35) for k in hits[1::2]}
    return replace(made, strokes=tuple(choked.get(k, s) for k, s in enumerate(made.strokes)))
