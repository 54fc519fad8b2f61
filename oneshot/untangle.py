"""Untangle: kinds of hits that are really two drums struck together, taken apart.

In playing some drums hardly ever sound alone: a kick falls on a hat, a backbeat on a ride. Gathered into kinds, "kick
with hat" then looks like a drum of its own. But energies add: where the hat is the louder of the two, in the tops of
some mics, the mixture stands at one fixed ratio to the hat alone, over mics, bands and stretches that have nothing
else in common. A kind *contains* another one where a good share of all levels lie at one ratio to it and hardly any
lie below. What another kind explains is taken out; what is left is the drum that was never heard alone.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from oneshot.model import Floats, Frames
from oneshot.stages import Templates

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
