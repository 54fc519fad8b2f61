"""Naming: what the drums that were found are called, and how each was struck, in the trade's words.

A drum's own close mic names it: of all drums the one that stands highest in that mic, against the kind's mean over
the near mics. Drums that no mic names are named by what they sound like: where most of their energy lies and how fast
it fades; several toms are numbered from the highest down. The borders below are what is true of drums at large (common
practice, no source): a kick has weight below 140 Hz, a tom below 280 Hz, a snare there too and wires that ring above
1 kHz; cymbals speak above 3 kHz, and a closed hat loses more than 10 dB in a tenth of a second, a crash less than 5.
Where sound says kick or snare twice, what is struck most is meant.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from oneshot.analysis.records import STRETCH_STEPS, Templates
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Mic
from oneshot.session.mic_names import kind_of

HIGH_BAND = 6
"""From this band of the scan on (3.2 kHz) sound is a cymbal's."""

LOW_BANDS = 2
"""Up to this band (280 Hz) sound is a kick's or a low tom's."""

NEAR_TOP_DB = 4.0
"""Drums found that stand within this of the highest in a close mic may be the one it stands at."""


def drum_names(templates: Templates, standing_db: Floats, mics: Sequence[Mic],
               said: Mapping[int, str] | None = None) -> tuple[dict[int, str], dict[int, str]]:
    """Names and kinds of the drums by their number.

    ``standing_db``: float64 (kinds, mics), as from ``features.standing_db``; ``mics``: the mics of both; ``said``:
    the names, by number, that a person gave. Each other drum with close mics names at most one of the drums found, the
    one that stands highest there; the rest are named by their sound.
    """
    numbers = sorted({int(d) for d in templates.drum})
    standing = _standing(templates, standing_db, mics)
    members = {n: int(templates.members[templates.drum == n].sum()) for n in numbers}
    names: dict[int, str] = dict(said or {})
    kinds: dict[int, str] = {number: kind_of(name) for number, name in names.items()}
    mine = {d for d, _ in standing if d.replace(" ", "-") not in names.values()}
    for drum in sorted(mine, key=lambda d: -max(v for (e, _), v in standing.items() if e == d)):
        heights = {n: standing[drum, n] for n in numbers if n not in names}
        top = max(heights.values(), default=0.0)
        # a rest of two drums may stand higher than the drum itself: of those near the top, the most frequent one
        able = [n for n, v in heights.items() if v >= top - NEAR_TOP_DB]
        if able:
            number = max(able, key=lambda n: (members[n], heights[n]))
            names[number], kinds[number] = drum.replace(" ", "-"), kind_of(drum)
    by_sound: dict[str, list[int]] = {}
    for number in numbers:
        if number not in names:
            kinds[number] = kind_by_sound(_mean_stroke(templates, number))
    kinds = _one_kick_one_snare(templates, kinds, set(names))
    for number in numbers:
        if number not in names:
            by_sound.setdefault(kinds[number], []).append(number)
    for kind, found in by_sound.items():
        used = set(names.values())
        found.sort(key=lambda n: -int(templates.members[templates.drum == n].sum()))
        numbered = kind == "percussion"
        if kind == "tom" and len(found) > 1:  # from the highest down, as a player counts them
            found.sort(key=lambda n: -_pitch_band(_mean_stroke(templates, n)))
            numbered = True
        stem = kind if kind != "percussion" else "drum"
        count = 0
        for number in found:
            name = stem
            while name in used or (numbered and name == stem):
                count += 1
                name = f"{stem}-{count if numbered else count + 1}"
            names[number] = name
            used.add(name)
    return names, kinds


def _standing(templates: Templates, standing_db: Floats, mics: Sequence[Mic]) -> dict[tuple[str, int], float]:
    """How high each drum found stands in each close-miked drum's mics, dB: the mean over its kinds by their members."""
    out: dict[tuple[str, int], float] = {}
    at_drum = [m.drum if m.role.means.at_drum else None for m in mics]
    for drum in sorted({d for d in at_drum if d}):
        own = np.array([d == drum for d in at_drum])
        for number in sorted({int(d) for d in templates.drum}):
            rows = templates.drum == number
            heights = standing_db[np.ix_(rows, own)].max(axis=1)
            out[drum, number] = float(np.average(heights, weights=templates.members[rows]))
    return out


def _mean_stroke(templates: Templates, number: int) -> Floats:
    """Energy (bands, stretches) of one drum's most frequent kind, summed over the mics."""
    rows = np.flatnonzero(templates.drum == number)
    top = rows[templates.members[rows].argmax()]
    out: Floats = templates.energy[top].sum(axis=0)
    return out


def _one_kick_one_snare(templates: Templates, kinds: Mapping[int, str], named: set[int]) -> dict[int, str]:
    """The same kinds, of which those that only sound like a second kick or snare are toms.

    Sound alone tells them badly: a floor tom is as low as many a kick, and wires answer every tom. But a kit has one of
    each, struck more often than any tom (common practice, no source); what else is as low as the kick is part of it,
    unless the kick's own mic knows better.
    Where none sounds like a kick, as in a mix that leaves its lows to the bass, it is the tom struck twice as often as
    any other and at least half as often as the snare.
    ``named``: the drums whose names are known.
    """
    out = dict(kinds)
    members = {n: int(templates.members[templates.drum == n].sum()) for n in out}
    depth = {n: _depth_db(_mean_stroke(templates, n)) for n in out}
    kicks = [n for n, kind in out.items() if kind == "kick"]
    if kicks:
        known = [n for n in kicks if n in named]
        main = max(known or kicks, key=lambda n: (members[n], depth[n], -n))
        out.update({n: "tom" for n in kicks if n not in named and n != main
                    and (known or depth[n] <= depth[main] - SHALLOWER_DB)})
    snares = [n for n, kind in out.items() if kind == "snare"]
    if not kicks and snares:
        toms = [n for n, kind in out.items() if kind == "tom" and n not in named]
        main = max(toms, key=lambda n: (members[n], -n), default=-1)
        if toms and 2 * members[main] >= max(members[n] for n in snares) \
                and all(2 * members[n] <= members[main] for n in toms if n != main):
            out[main] = "kick"
    if snares and not any(n in named for n in snares):
        main = max(snares, key=lambda n: (members[n], -n))
        out.update({n: "tom" for n in snares if n != main and 2 * members[n] <= members[main]})
    return out


def _depth_db(stroke: Floats) -> float:
    """How much more of a stroke (bands, stretches) lies below 140 Hz than up to 280 Hz, in its attack and its ring."""
    parts = np.maximum(stroke[:2][:, (0, 3)], 1e-9 * max(float(stroke.max()), 1e-15))
    return float((10 * np.log10(parts[0] / parts[1])).sum())


def _pitch_band(stroke: Floats) -> float:
    """Where the ring of a stroke (bands, stretches) lies, from 22 ms on, as a mean band below 1 kHz: higher drums lie
    higher. Its attack is the stick's.
    """
    ring = stroke[:WIRE_BAND, 2:].sum(axis=1)
    return float((ring * np.arange(WIRE_BAND)).sum() / max(float(ring.sum()), 1e-15))


SHALLOWER_DB = 3.0
"""What is this much shallower than the kick is no part of it."""


def kind_by_sound(stroke: Floats) -> str:
    """What a stroke (bands, stretches), mean squares, is most like; "percussion" where nothing fits."""
    early = stroke[:, :2].mean(axis=1)
    total = max(float(early.sum()), 1e-15)
    high, low, lowest = early[HIGH_BAND:].sum() / total, early[:LOW_BANDS].sum() / total, early[0] / total
    if high > HIGH_SHARE and low < LITTLE_LOW:
        rate = fade_rate_db(stroke)
        return "hat" if rate > HAT_RATE_DB else "ride" if rate > RIDE_RATE_DB else "crash"
    ring = stroke[:, 3]
    bright = ring[WIRE_BAND:].sum() / max(float(ring.sum()), 1e-15)
    if low > BODY_SHARE and bright > WIRE_SHARE:
        return "snare"
    if lowest > KICK_SHARE:
        return "kick"
    return "tom" if low > LOW_SHARE else "percussion"


HAT_RATE_DB, RIDE_RATE_DB = 10.5, 4.5
"""Loss per tenth of a second over which a cymbal is a closed hat, and over which it is a ride; slower ones are
crashes.
"""

WIRE_BAND = 4
"""From this band on (1 kHz) a membrane's ring is the wires'."""

HIGH_SHARE, LITTLE_LOW = 0.4, 0.2
"""A cymbal has this share of its early energy in the high bands at least, and this share in the low ones at most."""

KICK_SHARE, LOW_SHARE = 0.15, 0.4
"""A kick has this share of its early energy in the lowest band, a tom or snare this one in the low bands."""

BODY_SHARE, WIRE_SHARE = 0.2, 0.15
"""A snare has this share of its early energy in the low bands, and of its ring, from 45 to 90 ms, this one is the
wires'. A kick's beater and a tom's stick are over by then.
"""

BODY_LEFT = 0.25
"""A side stick has less than this part of the low share that a centre stroke has."""


def fade_rate_db(stroke: Floats) -> float:
    """How many decibels a stroke (bands, stretches) loses in 100 ms, from its first 11 ms to the last stretch that is
    known.
    """
    level = stroke.sum(axis=0)
    known = np.flatnonzero(level > 0)
    if len(known) < 2:
        return 0.0
    first, last = int(known[0]), int(known[-1])
    lost = 10 * np.log10(level[first] / level[last])
    apart = sum(STRETCH_STEPS[last]) / 2 - sum(STRETCH_STEPS[first]) / 2
    return float(lost / (apart * STEP_S) * 0.1)


STEP_S = 0.0028
"""A step of the scan is 2.7 to 2.9 ms at every rate."""


def home_mic(drum: str, mics: Sequence[Mic], level_db: Mapping[str, float]) -> str:
    """The mic a drum is measured in.

    Its own close mic, top before bottom and in before out; without one, the overhead in which it is strongest; without
    overheads, the mic in which it is strongest. ``level_db``: the drum's level in each of its mics.
    """
    own = [m for m in mics if m.stands_at(drum)]
    if own:
        order = {None: 0, "top": 0, "in": 0, "side": 2, "out": 3, "bottom": 4, "bell": 4, "sub": 5}
        return min(own, key=lambda m: (order.get(m.place, 1), m.name)).name
    overheads = [m for m in mics if m.role is Role.OVERHEAD and m.name in level_db]
    others = [m for m in mics if m.role in (Role.CLOSE, Role.ROOM) and m.name in level_db]
    choice = overheads or others or [m for m in mics if m.name in level_db]
    return max(choice, key=lambda m: level_db[m.name]).name


STRUCK_ONE_WAY = ("kick",)
"""Kinds of drums that a player strikes in one way: no articulations are sought there."""


def articulations(strokes: Floats, kind: str) -> list[str]:
    """Names of one drum's articulations, no two alike.

    ``strokes``: float64 (articulations, bands, stretches), mean squares of the median stroke of each, the most frequent
    one first, 0 where not known; ``kind``: what the drum is. Where no trade word is sure to fit, the name of the
    ordinary stroke is numbered.
    """
    main = {"snare": "centre", "ride": "bow"}.get(kind, "hit")
    if kind == "hat":
        names = _hat_strokes(strokes)
    else:
        tell = {"snare": _snare_stroke, "ride": _ride_stroke}.get(kind)
        names = [main, *(tell(strokes[0], other) or main if tell else main for other in strokes[1:])]
    return _unique(names[: len(strokes)])


def _hat_strokes(strokes: Floats) -> list[str]:
    """The fastest to fade is closed, the slowest open, what rings between them half open; another one that is short
    and lacks the stick is the foot's.
    """
    rates = [fade_rate_db(stroke) for stroke in strokes]
    order = sorted(range(len(strokes)), key=lambda k: -rates[k])
    out = ["closed"] * len(strokes)
    if len(strokes) > 1 and rates[order[-1]] < min(HAT_RATE_DB, SLOWER * rates[order[0]]):
        out[order[-1]] = "open"
    short = [k for k in order if out[k] == "closed"]
    top = {k: _share(strokes[k], HIGHEST_BAND, None) for k in short}
    head = max(short, key=lambda k: (rates[k] >= SLOWER * rates[order[0]], top[k]), default=0)
    for k in short:
        if k != head and rates[k] < min(HAT_RATE_DB, SLOWER * rates[head]):
            out[k] = "half-open"
        elif k != head and top[k] < NO_STICK * top[head]:
            out[k] = "foot"
    return out


def _share(stroke: Floats, low: int, high: int | None) -> float:
    """Share of the bands from ``low`` to ``high`` in a stroke's first stretch."""
    return float(stroke[low:high, 0].sum() / max(stroke[:, 0].sum(), 1e-15))


def _snare_stroke(centre: Floats, other: Floats) -> str | None:
    """Side stick or rim shot: the stick laid on the head leaves hardly any body and does not ring, the rim shot has
    less body than the centre, and more of the middle, where the rim rings.
    """
    body = _share(other, 0, LOW_BANDS) / max(_share(centre, 0, LOW_BANDS), 1e-15)
    middle = _share(other, LOW_BANDS, WIRE_BAND) / max(_share(centre, LOW_BANDS, WIRE_BAND), 1e-15)
    if body < BODY_LEFT and fade_rate_db(other) > fade_rate_db(centre):
        return "side-stick"
    return "rimshot" if body < 1.0 < middle else None


def _ride_stroke(bow: Floats, other: Floats) -> str | None:
    """The bell: most of it in the middle, where its few partials lie, much less of the wash above, no drum below."""
    wash = _share(other, HIGH_BAND, None) / max(_share(bow, HIGH_BAND, None), 1e-15)
    sure = _share(other, LOW_BANDS, HIGH_BAND) > BELL_MIDDLE and _share(other, 0, LOW_BANDS) < BELL_BODY
    return "bell" if sure and wash < BELL_WASH and fade_rate_db(other) > 0 else None


SLOWER = 0.6
"""An open hat fades at less than this part of a closed one's rate."""

HIGHEST_BAND = 8
"""From this band on (9 kHz) a hat's attack is the stick's."""

NO_STICK = 0.5
"""A foot has less than this part of a closed stroke's share up there."""

BELL_MIDDLE, BELL_WASH, BELL_BODY = 0.5, 0.5, 0.1
"""A bell has this share in the middle, 280 Hz to 3.2 kHz, at least; this part of the bow's share above, and this share
below, at most.
"""


def _unique(names: Sequence[str]) -> list[str]:
    """The same names, numbered where they repeat: "rimshot", "rimshot-2"."""
    out: list[str] = []
    for name in names:
        number, unique = 1, name
        while unique in out:
            number += 1
            unique = f"{name}-{number}"
        out.append(unique)
    return out
