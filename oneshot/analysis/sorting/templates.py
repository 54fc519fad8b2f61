"""Untangle: kinds of hits that are really two drums struck together, taken apart.

In playing some drums hardly ever sound alone: a kick falls on a hat, a backbeat on a ride. Gathered into kinds, "kick
with hat" then looks like a drum of its own. But energies add: where the hat is the louder of the two, in the tops of
some mics, the mixture stands at one fixed ratio to the hat alone, over mics, bands and stretches that have nothing
else in common. A kind *contains* another one where a good share of all levels lie at one ratio to it and hardly any
lie below. What another kind explains is taken out; what is left is the drum that was never heard alone.

Inside: kinds of strokes that hold another drum, told by that drum's own close mic.

A close mic hears its own drum as it hears nothing else. So what is as loud there as the drum's own strokes, and has
their spectrum, holds a stroke of that drum, whatever is heard elsewhere: a crash that never falls without the kick, a
tom that closes a fill with it. What that stroke puts into all mics is taken out; what is left is the other drum.

Purified: the drum of kinds that were learned from mixtures, told by the hits that they came to explain.

Where a drum hardly ever stands alone, a kind is learned from hits of it with another one, and stands where neither
does. But it also has to explain the hits in which the other one is missing: the ghost notes of a snare that was learned
with the kick. Of these, most lack a part of what the kind has, by more than strokes differ. So the median of the hits
that one kind explains alone says where the drum really is, and a kind that is of another drum by that is taken as that
median has it. All others stay as they were learned: partners too soft to be told come into such medians.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.records import Templates
from oneshot.core.records.session import Floats, Frames

CONTAINED_SHARE = 0.22
CONTAINED_SHARE_FEW = 0.36
"""Share of the levels that must lie at one ratio, with many mics and with few. Unlike drums agree by chance on 3 to
18 in a hundred levels, on up to 33 where there are only a hundred levels to compare.
"""

MANY_LEVELS = 200

RATIO_WIDTH_DB = 3.0
"""How far "one ratio" reaches: strokes of one kind differ by 1 to 2 dB."""

BELOW_SHARE = 0.08
"""Share of the levels that may lie below the common ratio: nothing can be softer than one of its parts."""

LEFT_RATIO = 0.25
"""A level is known to be the rest's own where at least this part of it remains; elsewhere the part hides it."""

MAIN_SHARE = 0.3
"""A part with this share of a mixture's energy is its main drum; the mixture without the others is a variant of it."""

FEWEST_HITS = 4
"""What is left of a mixture heard less often than this is not trusted."""

FEWEST_LEVELS = 20
SOLID_SHARE = 0.15
"""The rest counts as a kind where it keeps its own levels in this share of the mixture's ..."""

LEAST_LEFT = 0.1
"""... and this share of its energy."""


def untangle(templates: Templates, apart: NDArray[np.bool_], near: NDArray[np.bool_],
             whole: NDArray[np.bool_] | None = None, owner: Frames | None = None) -> tuple[Templates, Frames]:
    """Take the kinds apart that contain other kinds.

    ``apart``: bool (kinds, kinds), which are surely different drums; ``near``: bool (mics,), the mics that decide;
    ``whole``: bool (kinds,), which are known to be one drum alone; ``owner``: int64 (kinds,), the drum whose close mic
    owns each, -1 for none: what one drum's mic owns is no variant of a kind that it does not own, however loud that is.
    Kinds that contain nothing stay as they are. Of the others the softer parts are taken out; what is left, its
    loudest part or a drum that was never heard alone, stays as a kind where there is enough of it. Returns the kinds
    and, for each, which other one it is a variant of (kinds,), -1 for none.
    """
    share, ratio_db = containment(templates, near)
    levels = int(near.sum()) * templates.energy.shape[2] * templates.energy.shape[3]
    within = share >= (CONTAINED_SHARE if levels >= MANY_LEVELS else CONTAINED_SHARE_FEW)
    mixture = _mixtures(within, share, apart)
    if whole is not None:
        mixture &= ~whole
    energy, limit = templates.energy.copy(), templates.limit.copy()
    keep, variant = np.ones(len(energy), bool), np.full(len(energy), -1, np.int64)
    for k in np.flatnonzero(mixture):
        parts = _parts(within[k] & ~mixture, share[k], apart)
        weight = {c: 10 ** (ratio_db[k, c] / 10) for c in parts}
        able = [c for c in parts if owner is None or owner[k] in (-1, owner[c])]
        loudest = max(able, key=lambda c: weight[c], default=-1)
        if loudest >= 0 and weight[loudest] >= MAIN_SHARE:
            variant[k] = loudest
        out = [c for c in parts if c != variant[k]]
        taken = sum((weight[c] * templates.energy[c] for c in out), np.zeros_like(energy[k]))
        energy[k], limit[k], enough = without(templates.energy[k], templates.limit[k], taken, near)
        keep[k] = enough and templates.members[k] >= FEWEST_HITS
    place = np.cumsum(keep) - 1
    kept_variant = np.where((variant >= 0) & keep[variant], place[variant], -1)[keep]
    delay = np.where(mixture[:, None], np.nan, templates.delay_ms)  # the earliest of several drums says nothing of one
    kept = Templates(energy[keep], limit[keep], delay[keep], templates.drum[keep], templates.members[keep])
    return kept, kept_variant


def without(every: Floats, limit: Floats, taken: Floats, near: NDArray[np.bool_]) -> tuple[Floats, Floats, bool]:
    """A kind without what other drums put into it: its energies and limits, and whether that is enough for a kind.

    ``every``, ``limit``, ``taken``: float64 (mics, bands, stretches), the kind's and what is taken out; ``near``: bool
    (mics,), the mics that decide.
    """
    rest = every - taken
    rest = np.where(rest >= LEFT_RATIO * every, rest, 0.0)
    solid = (rest[near] > 0).sum() >= SOLID_SHARE * (every[near] > 0).sum()
    scale = max(float(rest.sum()), 1e-15)
    return rest / scale, np.maximum(every, limit) / scale, bool(solid and rest.sum() > LEAST_LEFT * every.sum())


def _parts(within: NDArray[np.bool_], share: Floats, apart: NDArray[np.bool_]) -> list[int]:
    """The kinds that one kind contains, most clearly contained first, each apart from those before it."""
    taken: list[int] = []
    for c in np.argsort(-share, kind="stable"):
        if within[c] and all(apart[c, other] for other in taken):
            taken.append(int(c))
    return taken


def _mixtures(within: NDArray[np.bool_], share: Floats, apart: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which kinds (kinds,) are mixtures: they contain one that is apart from them, or two that are apart from each
    other.

    A mixture still sounds somewhat like each of its parts, so a single part must be clearly another drum.
    """
    out = np.zeros(len(within), bool)
    for k in range(len(within)):
        out[k] = bool((within[k] & apart[k]).any()) or len(_parts(within[k], share[k], apart)) >= 2
    return out


def containment(templates: Templates, near: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """How far each kind contains each other one.

    Returns the share (kinds, kinds), 0 to 1, of the second's levels at which the first stands at one ratio to it, and
    that ratio in dB.
    """
    count = len(templates.energy)
    levels = templates.energy[:, near].reshape(count, -1)
    share, ratio = np.zeros((count, count)), np.zeros((count, count))
    for a in range(count):
        for b in range(count):
            known = (levels[b] > 0) & (levels[a] > 0)
            if a == b or known.sum() < FEWEST_LEVELS:
                continue
            away = np.sort(10 * np.log10(levels[a, known] / levels[b, known]))
            first = np.arange(int(BELOW_SHARE * len(away)) + 1)
            inside = np.searchsorted(away, away[first] + RATIO_WIDTH_DB, side="right") - first
            best = int(inside.argmax())
            share[a, b] = inside[best] / len(away) * known.sum() / (levels[b] > 0).sum()
            ratio[a, b] = float(np.median(away[best : best + inside[best]]))
    return share, ratio


SOFTER_DB = -10.0
"""How far below the drum's usual stroke what holds it may lie in its mic: bleed lies deeper, or is of another shape."""

ALIKE = 0.98
"""How alike both spectra are there: the cosine of their levels' roots. What holds the drum comes to 0.989 and more; a
rim shot in a tom's mic, a floor tom or a kick in the other's to 0.975 (sessions in which every stroke is known)."""

CONTAINED_BELOW_DB, CONTAINED_BELOW_SHARE = 6.0, 0.1
"""Nothing is softer than one of its parts: of the levels that the drum has in all mics, this share at most may lie so
far below it. Alternates of one strength differ by 2 to 3 dB in a band (common practice, no source)."""

CONTAINED_FEWEST_HITS = 3
"""Strokes of a drum alone from which it is known what its mic hears of it."""

Parts = Mapping[int, Mapping[int, int]]
"""Kind -> number of each drum that it holds -> the row of the mic that tells it."""


def parts(own: Floats, kind: Frames, templates: Templates, stands: Mapping[int, Sequence[int]],
          near: NDArray[np.bool_]) -> Parts:
    """Which kinds hold another drum.

    ``own``: float64 (hits, mics, bands), mean squares of what each hit brought; ``kind``: int64 (hits,), the kind that
    explains each alone, -1 for none; ``stands``: number of a drum -> the rows of its own close mics; ``near``: bool
    (mics,), the mics that decide.
    """
    out: dict[int, dict[int, int]] = {}
    drum = np.where(kind >= 0, templates.drum[kind], -1)
    for number, rows in stands.items():
        mine = own[drum == number]
        if len(mine) < CONTAINED_FEWEST_HITS or not rows:
            continue
        for k in np.unique(kind[(kind >= 0) & (drum != number)]).tolist():
            alike = {m: _alike(own[kind == k, m], mine[:, m]) for m in rows}
            best = max(alike, key=lambda m: alike[m])
            if alike[best] >= ALIKE and _fits(templates, k, number, best, near):
                out.setdefault(k, {})[number] = best
    return out


def _alike(some: Floats, own: Floats) -> float:
    """How alike hits are to a drum's own in its mic, both (hits, bands); 0 where they are too soft."""
    level, usual = float(np.median(some.sum(axis=1))), float(np.median(own.sum(axis=1)))
    if level <= usual * 10 ** (SOFTER_DB / 10):
        return 0.0
    shape = np.median(_shape(own), axis=0)
    shape /= max(float(shape.sum()), 1e-30)
    return float(np.median(np.sqrt(_shape(some) * shape).sum(axis=1)))


def _shape(own: Floats) -> Floats:
    return np.asarray(own / np.maximum(own.sum(axis=-1, keepdims=True), 1e-30))


def _fits(templates: Templates, k: int, number: int, m: int, near: NDArray[np.bool_]) -> bool:
    """Whether no other mic speaks against it that kind ``k`` holds the drum, as loud as row ``m`` hears it."""
    part = _part(templates, k, number, m)[near]
    most = np.where(templates.energy[k] > 0, templates.energy[k], templates.limit[k])[near]
    below = most[part > 0] < part[part > 0] * 10 ** (-CONTAINED_BELOW_DB / 10)
    return bool(len(below)) and float(below.mean()) <= CONTAINED_BELOW_SHARE


def _part(templates: Templates, k: int, number: int, m: int) -> Floats:
    """What the drum puts into kind ``k`` (mics, bands, stretches): its most frequent kind, as loud as row ``m`` hears
    it.
    """
    of = np.flatnonzero(templates.drum == number)
    main = of[np.argmax(templates.members[of])]
    both = (templates.energy[k, m] > 0) & (templates.energy[main, m] > 0)
    weight = templates.energy[k, m][both].sum() / max(float(templates.energy[main, m][both].sum()), 1e-30)
    return np.asarray(weight * templates.energy[main])


def parted(templates: Templates, found: Parts, near: NDArray[np.bool_]) -> tuple[Templates, NDArray[np.bool_]]:
    """The kinds, the drums that they hold taken out, and of which something is left (kinds,)."""
    energy, limit, delay = (np.array(x) for x in (templates.energy, templates.limit, templates.delay_ms))
    left = np.ones(len(energy), bool)
    for k, drums in found.items():
        taken = sum((_part(templates, k, number, m) for number, m in drums.items()), np.zeros_like(energy[k]))
        energy[k], limit[k], left[k] = without(templates.energy[k], templates.limit[k], taken, near)
        delay[k] = np.nan  # the earliest of several drums says nothing of one
    return Templates(energy, limit, delay, templates.drum, templates.members), left


CLEANED_FEWEST_HITS = 6
"""So many hits that a kind explains alone say what it is like."""

FEWEST_LEVELS = 20

LACKING_DB = 6.0
"""A level lacks in the hits where it lies so far below the kind's: strokes of one kind differ by 1 to 2 dB."""

LACKING_SHARE = 0.1
"""A kind of whose energy this share lacks was learned from more than it explains."""


def alone(gain: Floats) -> Frames:
    """The kind that explains each hit (hits,) alone, from strengths (hits, kinds); -1 for those of several strokes."""
    return np.where((gain > 0).sum(axis=1) == 1, gain.argmax(axis=1) if gain.shape[1] else -1, -1).astype(np.int64)


def lacking(templates: Templates, again: Templates, near: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which kinds (kinds,) have what most of the hits that they explain lack.

    ``again``: the same kinds, learned again from those hits; ``near``: bool (mics,), the mics that decide.
    """
    out = np.zeros(len(templates.drum), bool)
    for k in range(min(len(out), len(again.drum))):
        kind, hits, most = (each[k][near] for each in (templates.energy, again.energy, again.limit))
        both = (kind > 0) & (hits > 0)
        if again.members[k] < CLEANED_FEWEST_HITS or both.sum() < FEWEST_LEVELS:
            continue
        scale = 10 ** float(np.median(np.log10(kind[both] / hits[both])))
        there = np.where(hits > 0, hits, most) * scale  # what no hit shows is at most what could go unheard
        lost = (kind > 0) & (there > 0) & (there < kind * 10 ** (-LACKING_DB / 10))
        out[k] = kind[lost].sum() >= LACKING_SHARE * kind.sum()
    return out


def settled(drum: Frames, members: Frames, doubtful: NDArray[np.bool_], together: Frames) -> Frames:
    """The drum of each kind (kinds,), those in doubt given to the drum that they are found together with.

    ``drum``: int64 (kinds,), as it was; ``members``: int64 (kinds,); ``together``: int64 (kinds,), drums as the kinds
    are put together with those in doubt as they were learned again. A doubtful kind that is put with no other stays.
    """
    out = drum.copy()
    for k in np.flatnonzero(doubtful):
        mates = ~doubtful & (together == together[k])
        if mates.any():
            numbers = np.unique(drum[mates])
            out[k] = max(numbers.tolist(), key=lambda n: (int(members[mates & (drum == n)].sum()), -n))
    return out


def mixed(templates: Templates, again: Templates, doubtful: NDArray[np.bool_]) -> Templates:
    """The kinds, those in doubt as they were learned again."""
    pick = doubtful[:, None, None, None]
    count = len(templates.drum) - len(again.drum)
    energy, limit = (np.concatenate([part, np.zeros((count, *part.shape[1:]))]) for part in (again.energy, again.limit))
    return Templates(np.where(pick, energy, templates.energy), np.where(pick, limit, templates.limit),
                     templates.delay_ms, templates.drum, templates.members)
