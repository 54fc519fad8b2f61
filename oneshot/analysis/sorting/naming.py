"""Naming: what the drums found are called, and their articulations, in the trade's words.

A drum's own close mic names it: of all drums found the one that stands highest in that mic, relative to the template's
mean over the near mics; not a cymbal, where the mic hears another drum better and stands at a kick or tom: nobody
struck that. Drums that no close mic names are classified by sound, by rules on spectral balance and decay rate; several
toms are numbered from the highest down. The limits below hold for drums at large (common practice, no source): a kick
has its weight below 140 Hz, a tom below 280 Hz, a snare there too, and wires that ring above 1 kHz; cymbals lie above 3
kHz, and a closed hat decays by more than 10 dB in a tenth of a second. Any other is a "cymbal": of 30 that were called
crash or ride by how fast they decay, 14 were so. Where sound says kick or snare twice, the drum struck most is meant.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from oneshot.analysis.records import STRETCH_STEPS, Templates
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Mic
from oneshot.session.mic_names import kind_of

HIGH_BAND = 6
"""From this band of the scan on (3.2 kHz) energy is a cymbal's."""

LOW_BANDS = 2
"""Below the end of these bands (280 Hz) energy is a kick's or a low tom's."""

NEAR_TOP_DB = 4.0
"""Drums found that stand within this of the highest in a close mic may be the one that it stands at."""


def drum_names(templates: Templates, standing_db: Floats, mics: Sequence[Mic],
               said: Mapping[int, str] | None = None) -> tuple[dict[int, str], dict[int, str]]:
    """Names and kinds of the drums by their number.

    ``standing_db``: float64 (templates, mics), as from ``features.relative_level_db``; ``mics``: the mics of both;
    ``said``: the names, by number, that the user gave. Every other drum with close mics names at most one of the drums
    found, the one that stands highest there; the rest are named by sound.
    """
    numbers = sorted({int(d) for d in templates.drum})
    standing = _standing_by_drum(templates, standing_db, mics)
    members = {n: int(templates.members[templates.drum == n].sum()) for n in numbers}
    names: dict[int, str] = dict(said or {})
    kinds: dict[int, str] = {number: kind_of(name) for number, name in names.items()}
    mine = {d for d, _ in standing if d.replace(" ", "-") not in names.values()}
    highest = {d: max(v for (e, _), v in standing.items() if e == d) for d in mine}
    for drum in sorted(mine, key=lambda d: -highest[d]):
        standing_of = {n: standing[drum, n] for n in numbers if n not in names and (drum, n) in standing}
        if kind_of(drum) in ("kick", "tom"):  # the mic of one that nobody struck hears others best
            standing_of = {n: v for n, v in standing_of.items()
                           if v == highest[drum] or not _rings_high(_mean_stroke(templates, n))}
        top = max(standing_of.values(), default=0.0)
        # the residual of a mixture may stand higher than the drum itself: of those near the top, the most frequent one
        able = [n for n, v in standing_of.items() if v >= top - NEAR_TOP_DB]
        if able:
            number = max(able, key=lambda n: (members[n], standing_of[n]))
            names[number], kinds[number] = drum.replace(" ", "-"), kind_of(drum)
    by_sound: dict[str, list[int]] = {}
    for number in numbers:
        if number not in names:
            kinds[number] = _kind_of_drum(templates, number)
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
        count = 0
        for number in found:
            name = kind
            while name in used or (numbered and name == kind):
                count += 1
                name = f"{kind}-{count if numbered else count + 1}"
            names[number] = name
            used.add(name)
    return names, kinds


def _standing_by_drum(templates: Templates, standing_db: Floats, mics: Sequence[Mic]) -> dict[tuple[str, int], float]:
    """How high each drum found stands in each close-miked drum's mics, dB: mean over its templates that were heard in
    one of them, weighted by their members; drums that were not are left out.
    """
    out: dict[tuple[str, int], float] = {}
    at_drum = [m.drum if m.role.means.at_drum else None for m in mics]
    for drum in sorted({d for d in at_drum if d}):
        own = np.array([d == drum for d in at_drum])
        for number in sorted({int(d) for d in templates.drum}):
            rows = (templates.drum == number) & ~np.isnan(standing_db[:, own]).all(axis=1)
            if rows.any():
                standing_of = np.nanmax(standing_db[np.ix_(rows, own)], axis=1)
                out[drum, number] = float(np.average(standing_of, weights=templates.members[rows]))
    return out


def _mean_stroke(templates: Templates, number: int) -> Floats:
    """Energy (bands, stretches) of one drum's most frequent template, summed over the mics."""
    rows = np.flatnonzero(templates.drum == number)
    top = rows[templates.members[rows].argmax()]
    out: Floats = templates.energy[top].sum(axis=0)
    return out


def _kind_of_drum(templates: Templates, number: int) -> str:
    """Kind of a drum by its sound: that of its most frequent template; a hat where a cymbal is now damped, now not."""
    rows = np.flatnonzero(templates.drum == number)
    kind = kind_by_sound(_mean_stroke(templates, number))
    if kind == "cymbal":
        damped = [kind_by_sound(templates.energy[k].sum(axis=0)) == "hat" for k in rows]
        if templates.members[rows][damped].sum() >= DAMPED_SHARE * templates.members[rows].sum():
            return "hat"
    return kind


DAMPED_SHARE = 0.1
"""A drum of cymbals of whose hits this share is damped is a hat: nothing else can be."""


def _one_kick_one_snare(templates: Templates, kinds: Mapping[int, str], named: set[int]) -> dict[int, str]:
    """The same kinds, of which those that only sound like a second kick or snare are toms.

    Sound alone tells them badly: a floor tom is as low as many a kick, and snare wires answer every tom. But a kit has
    one of each, struck more often than any tom (common practice, no source); what else is as low as the kick is part of
    it, unless the kick's own mic says otherwise. Where none sounds like a kick, as in a mix that leaves the low end to
    the bass, it is the tom struck twice as often as any other and at least half as often as the snare. ``named``: the
    drums whose names are known.
    """
    out = dict(kinds)
    members = {n: int(templates.members[templates.drum == n].sum()) for n in out}
    depth = {n: _depth_db(_mean_stroke(templates, n)) for n in out}
    kicks = [n for n, kind in out.items() if kind == "kick"]
    if kicks:
        known = [n for n in kicks if n in named]
        main = max(known or kicks, key=lambda n: (members[n], depth[n], -n))
        out.update({n: "tom" for n in kicks if n not in named and n != main
                    and (known or depth[n] <= depth[main] - MIN_DEPTH_DIFFERENCE_DB)})
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
    """How much more of a stroke (bands, stretches) lies below 140 Hz than from there to 280 Hz, in its attack and in
    its tail, dB.
    """
    parts = np.maximum(stroke[:2][:, (0, 3)], 1e-9 * max(float(stroke.max()), 1e-15))
    return float((10 * np.log10(parts[0] / parts[1])).sum())


def _pitch_band(stroke: Floats) -> float:
    """Spectral centroid of a stroke's tail (bands, stretches) from 22 ms on, as a mean band below 1 kHz: higher drums
    lie higher. The attack is the stick's.
    """
    tail = stroke[:WIRE_BAND, 2:].sum(axis=1)
    return float((tail * np.arange(WIRE_BAND)).sum() / max(float(tail.sum()), 1e-15))


MIN_DEPTH_DIFFERENCE_DB = 3.0
"""A drum with this much less depth than the kick is no part of it."""


def kind_by_sound(stroke: Floats) -> str:
    """Kind of drum that a stroke (bands, stretches), mean squares, fits; "percussion" where none does."""
    early = stroke[:, :2].mean(axis=1)
    total = max(float(early.sum()), 1e-15)
    high, low, lowest = early[HIGH_BAND:].sum() / total, early[:LOW_BANDS].sum() / total, early[0] / total
    tail = stroke[:, 3]
    whole = max(float(tail.sum()), 1e-15)
    bright, body = tail[WIRE_BAND:].sum() / whole, tail[:BODY_BANDS].sum() / whole
    begins_high = low < LITTLE_LOW and (high > HIGH_SHARE or (high > SOME_HIGH and bright > BRIGHT_SHARE))
    if _rings_high(stroke) or begins_high:
        return "hat" if fade_rate_db(stroke) > HAT_RATE_DB else "cymbal"
    if low > BODY_SHARE and bright > WIRE_SHARE:
        return "snare"
    if lowest > KICK_SHARE:
        return "kick"
    return "tom" if low > LOW_SHARE or body > RINGING_SHARE else "percussion"


def _rings_high(stroke: Floats) -> bool:
    """Whether the tail of a stroke (bands, stretches) is a cymbal's alone."""
    tail = stroke[:, 3]
    whole = max(float(tail.sum()), 1e-15)
    return bool(tail[HIGH_BAND:].sum() > HIGH_TAIL * whole and tail[:LOW_BANDS].sum() < LOW_TAIL * whole)


HAT_RATE_DB = 10.5
"""Decay per tenth of a second above which a cymbal is a closed hat."""

WIRE_BAND = 4
"""From this band on (1 kHz) a membrane's tail is the wires'."""

HIGH_SHARE, LITTLE_LOW, SOME_HIGH, BRIGHT_SHARE = 0.4, 0.2, 0.25, 0.6
"""A cymbal has the first share of its early energy in the high bands at least, and the second in the low ones at most;
the third will do where the fourth of its tail, from 45 to 90 ms, lies above 1 kHz.
"""

HIGH_TAIL, LOW_TAIL = 0.5, 0.1
"""And whatever a stand's thump adds to the attack, a cymbal's tail from 45 to 90 ms has more than the first share above
3.2 kHz and less than the second below 280 Hz. (In 34 sessions 58 of 64 cymbals do, of 62 toms and 38 kicks none, and of
42 snares two, which hold a cymbal.)
"""

BODY_BANDS, RINGING_SHARE = 3, 0.8
"""What keeps the second share of its tail, from 45 to 90 ms, below the end of these bands (560 Hz) is a membrane that
rings: a tom, where it is no kick and no snare.
"""

KICK_SHARE, LOW_SHARE = 0.15, 0.4
"""A kick has the first share of its early energy in the lowest band, a tom or snare the second in the low bands."""

BODY_SHARE, WIRE_SHARE = 0.2, 0.15
"""A snare has the first share of its early energy in the low bands, and the second of its tail, from 45 to 90 ms, is
the wires'. A kick's beater and a tom's stick are over by then.
"""

BODY_LEFT = 0.25
"""A side stick has less than this part of the low-band share of a centre stroke."""


def fade_rate_db(stroke: Floats) -> float:
    """Decay rate of a stroke (bands, stretches), dB per 100 ms, from its first 11 ms to the last stretch that is
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
"""A step of the scan is 2.7 to 2.9 ms at every sample rate."""


def home_mic(drum: str, mics: Sequence[Mic], level_db: Mapping[str, float]) -> str:
    """The mic that a drum is measured in.

    Its own close mic, top before bottom and in before out; without one, the overhead in which it is loudest; without
    overheads, the mic in which it is loudest. ``level_db``: the drum's level in each of its mics.
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
"""Kinds of drums with one articulation: none are looked for there."""


def articulations(strokes: Floats, kind: str) -> list[str]:
    """Names of one drum's articulations, no two alike.

    ``strokes``: float64 (articulations, bands, stretches), mean squares of the median stroke of each, the most frequent
    one first, 0 where not known; ``kind``: the kind of drum. Where no trade word fits with certainty, the name of the
    main stroke is numbered.
    """
    main = {"snare": "centre", "ride": "bow"}.get(kind, "hit")
    if kind == "hat":
        names = _hat_strokes(strokes)
    else:
        classify = {"snare": _snare_stroke, "ride": _ride_stroke, "cymbal": _ride_stroke}.get(kind)
        names = [main, *(classify(strokes[0], other) or main if classify else main for other in strokes[1:])]
    return _unique(names[: len(strokes)])


def _hat_strokes(strokes: Floats) -> list[str]:
    """The fastest to decay is closed, the slowest open, what lies between them half-open; another short one without the
    stick is the foot's.
    """
    rates = [fade_rate_db(stroke) for stroke in strokes]
    order = sorted(range(len(strokes)), key=lambda k: -rates[k])
    out = ["closed"] * len(strokes)
    if len(strokes) > 1 and rates[order[-1]] < SLOWER * min(HAT_RATE_DB, rates[order[0]]):
        out[order[-1]] = "open"
    short = [k for k in order if out[k] == "closed"]
    top = {k: _attack_share(strokes[k], HIGHEST_BAND, None) for k in short}
    head = max(short, key=lambda k: (rates[k] >= SLOWER * rates[order[0]], top[k]), default=0)
    for k in short:
        if k != head and rates[k] < SLOWER * min(HAT_RATE_DB, rates[head]):
            out[k] = "half-open"
        elif k != head and top[k] < NO_STICK * top[head]:
            out[k] = "foot"
    return out


def _attack_share(stroke: Floats, low: int, high: int | None) -> float:
    """Share of the bands from ``low`` to ``high`` in a stroke's first stretch, 0 to 1."""
    return float(stroke[low:high, 0].sum() / max(stroke[:, 0].sum(), 1e-15))


def _snare_stroke(centre: Floats, other: Floats) -> str | None:
    """Side stick or rim shot: the stick laid on the head leaves hardly any body and does not ring, the rim shot has
    less body than the centre, and more in the midrange, where the rim rings.
    """
    body = _attack_share(other, 0, LOW_BANDS) / max(_attack_share(centre, 0, LOW_BANDS), 1e-15)
    middle = _attack_share(other, LOW_BANDS, WIRE_BAND) / max(_attack_share(centre, LOW_BANDS, WIRE_BAND), 1e-15)
    if body < BODY_LEFT and fade_rate_db(other) > fade_rate_db(centre):
        return "side-stick"
    return "rimshot" if body < 1.0 < middle else None


def _ride_stroke(bow: Floats, other: Floats) -> str | None:
    """The bell: most of it in the midrange, where its few partials lie, much less of the wash above, no drum below."""
    wash = _attack_share(other, HIGH_BAND, None) / max(_attack_share(bow, HIGH_BAND, None), 1e-15)
    is_bell = (_attack_share(other, LOW_BANDS, HIGH_BAND) > BELL_MIDDLE
               and _attack_share(other, 0, LOW_BANDS) < BELL_BODY)
    return "bell" if is_bell and wash < BELL_WASH and fade_rate_db(other) > 0 else None


SLOWER = 0.6
"""An open hat decays at less than this part of a closed one's rate, and of the least that a closed one has: pressed
harder together, plates decay twice as fast and are closed all the same.
"""

HIGHEST_BAND = 8
"""From this band on (9 kHz) a hat's attack is the stick's."""

NO_STICK = 0.5
"""A foot stroke has less than this part of a closed stroke's share up there."""

BELL_MIDDLE, BELL_WASH, BELL_BODY = 0.5, 0.5, 0.1
"""A bell has the first share in the midrange, 280 Hz to 3.2 kHz, at least; the second part of the bow's share above,
and the third share below, at most.
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
