"""Templates learned from mixtures: which ones hold a second drum, and what is left once that drum is subtracted.

In playing, some drums hardly ever sound alone: a kick falls together with a hat, a backbeat with a ride. Clustering
then learns a template "kick with hat" that looks like a drum of its own. Since energies add, such mixtures can be
detected and separated in two ways:

- By containment of one template in another (``untangle``). Where the hat is the louder of the two, in the treble of
  some mics, the mixture stands at one fixed ratio to the hat's own template, over mics, bands and time stretches that
  have nothing else in common. A template *contains* another one where a good share of all levels lie at one ratio to it
  and hardly any lie below. The contained template is subtracted; the residual is the drum that never sounded alone.
- By a drum's own close mic (``contained_drums``, ``subtracted``). A close mic picks up its own drum like no other:
  what is as loud there as the drum's own hits, and has their spectrum, holds a stroke of that drum, whatever the other
  mics pick up. What that stroke contributes to all mics is subtracted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.records import Templates
from oneshot.analysis.sorting.templates import LATE_STEPS, overlap
from oneshot.core.records.session import Floats, Frames

CONTAINED_SHARE = 0.22
CONTAINED_SHARE_FEW = 0.36
"""Share of the levels that must lie at one ratio, with many mics and with few. Different drums agree by chance on 3 to
18 in a hundred levels, on up to 33 where there are only a hundred levels to compare.
"""

MANY_LEVELS = 200

RATIO_WIDTH_DB = 3.0
"""Width of "one ratio": strokes of one template vary by 1 to 2 dB."""

BELOW_SHARE = 0.08
"""Share of the levels that may lie below the common ratio: no mixture is softer than one of its parts."""

RESIDUAL_RATIO = 0.25
"""A level of the residual is trusted where at least this part of the mixture remains; elsewhere the part subtracted
masks it.
"""

MAIN_SHARE = 0.3
"""A part with this share of a mixture's energy is its main drum; the mixture without the others is a variant of it."""

FEWEST_HITS = 4
"""The residual of a mixture with fewer hits than this is not trusted."""

FEWEST_LEVELS = 20
"""Fewer common levels than this allow no comparison."""

WIDE_SHARE = 0.15
"""The residual counts as a template where it keeps this share of the mixture's levels ..."""

FEWEST_MICS = 4
"""Onsets in fewer mics than this do not tell whose they are."""

MIN_RESIDUAL = 0.1
"""... and this share of its energy."""


# --------------------------------------------------------------------- mixtures: templates that contain other templates


def untangle(templates: Templates, apart: NDArray[np.bool_], near: NDArray[np.bool_],
             whole: NDArray[np.bool_] | None = None, owner: Frames | None = None,
             same_place: Floats | None = None) -> tuple[Templates, Frames]:
    """Subtract from each mixture the templates that it contains.

    ``apart``: bool (templates, templates), which are surely different drums; ``near``: bool (mics,), the mics that
    decide; ``whole``: bool (templates,), which are known to be one drum alone; ``owner``: int64 (templates,), the
    close-mic assignment of each, -1 for none: a template assigned to one drum's close mic is no variant of one that is
    not, however loud that is; ``same_place``: float64 (templates, templates), as from ``places.same_place``: a mixture
    that arrives as what is subtracted from it does knows nothing of its own onsets.

    Templates that contain nothing stay as they are. Of the others the softer parts are subtracted; the residual, its
    loudest part or a drum that never sounded alone, stays as a template where there is enough of it. Returns the
    templates and, for each, which other one it is a variant of, int64 (templates,), -1 for none.
    """
    share, ratio_db = containment(templates, near)
    levels = int(near.sum()) * templates.energy.shape[2] * templates.energy.shape[3]
    contained = share >= (CONTAINED_SHARE if levels >= MANY_LEVELS else CONTAINED_SHARE_FEW)
    mixture = _mixtures(contained, share, apart)
    if whole is not None:
        mixture &= ~whole
    energy, limit = templates.energy.copy(), templates.limit.copy()
    keep, variant = np.ones(len(energy), bool), np.full(len(energy), -1, np.int64)
    onset, error = templates.onset_ms.copy(), templates.onset_error_ms.copy()
    for k in np.flatnonzero(mixture):
        parts = _parts(contained[k] & ~mixture, share[k], apart)
        weight = {c: 10 ** (ratio_db[k, c] / 10) for c in parts}
        eligible = [c for c in parts if owner is None or owner[k] in (-1, owner[c])]
        loudest = max(eligible, key=lambda c: weight[c], default=-1)
        if loudest >= 0 and weight[loudest] >= MAIN_SHARE:
            variant[k] = loudest
        out = [c for c in parts if c != variant[k]]
        removed = sum((weight[c] * templates.energy[c] for c in out), np.zeros_like(energy[k]))
        known = ~np.isnan(onset[k])
        if same_place is None or known.sum() < FEWEST_MICS or any(same_place[k, c] > 0 for c in out):
            onset[k] = error[k] = np.nan  # what arrives first is what was taken out
        energy[k], limit[k], enough = without(templates.energy[k], templates.limit[k], removed, near)
        keep[k] = enough and templates.members[k] >= FEWEST_HITS
    new_row = np.cumsum(keep) - 1
    kept_variant = np.where((variant >= 0) & keep[variant], new_row[variant], -1)[keep]
    kept = Templates(energy[keep], limit[keep], onset[keep], error[keep], templates.drum[keep],
                     templates.members[keep])
    return kept, kept_variant


def without(energy: Floats, limit: Floats, removed: Floats, near: NDArray[np.bool_]) -> tuple[Floats, Floats, bool]:
    """Subtract what other drums contribute to a template; returns its energies, its limits, and whether that is enough
    for a template.

    ``energy``, ``limit``, ``removed``: float64 (mics, bands, stretches), the template's and what is subtracted, mean
    squares; ``near``: bool (mics,), the mics that decide. What is returned is scaled so that the energies sum to 1.
    """
    residual = energy - removed
    residual = np.where(residual >= RESIDUAL_RATIO * energy, residual, 0.0)
    wide_enough = (residual[near] > 0).sum() >= WIDE_SHARE * (energy[near] > 0).sum()
    scale = max(float(residual.sum()), 1e-15)
    return (residual / scale, np.maximum(energy, limit) / scale,
            bool(wide_enough and residual.sum() > MIN_RESIDUAL * energy.sum()))


def _parts(contained: NDArray[np.bool_], share: Floats, apart: NDArray[np.bool_]) -> list[int]:
    """The templates that one template contains, most clearly contained first, each surely another drum than those
    before it.
    """
    out: list[int] = []
    for c in np.argsort(-share, kind="stable"):
        if contained[c] and all(apart[c, other] for other in out):
            out.append(int(c))
    return out


def _mixtures(contained: NDArray[np.bool_], share: Floats, apart: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which templates are mixtures, bool (templates,): they contain one that is surely another drum, or two that are
    different drums.

    A mixture still sounds somewhat like each of its parts, so a single part must clearly be another drum.
    """
    out = np.zeros(len(contained), bool)
    for k in range(len(contained)):
        out[k] = bool((contained[k] & apart[k]).any()) or len(_parts(contained[k], share[k], apart)) >= 2
    return out


def containment(templates: Templates, near: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """How far each template contains each other one.

    Returns the share, float64 (templates, templates), 0 to 1, of the second one's levels, in the mics that the first
    was heard in, at which the first stands at one ratio to it, and that ratio in dB.
    """
    count = len(templates.energy)
    energy = templates.energy[:, near]
    levels = energy.reshape(count, -1)
    told = np.broadcast_to(templates.heard_in[:, near, None, None], energy.shape).reshape(count, -1)
    share, ratio = np.zeros((count, count)), np.zeros((count, count))
    for a in range(count):
        for b in range(count):
            known = (levels[b] > 0) & (levels[a] > 0)
            if a == b or known.sum() < FEWEST_LEVELS:
                continue
            ratios_db = np.sort(10 * np.log10(levels[a, known] / levels[b, known]))
            first = np.arange(int(BELOW_SHARE * len(ratios_db)) + 1)
            in_window = np.searchsorted(ratios_db, ratios_db[first] + RATIO_WIDTH_DB, side="right") - first
            best = int(in_window.argmax())
            share[a, b] = in_window[best] / len(ratios_db) * known.sum() / (told[a] & (levels[b] > 0)).sum()
            ratio[a, b] = float(np.median(ratios_db[best : best + in_window[best]]))
    return share, ratio


# ---------------------------------------------------------------- contained drums, reported by the drum's own close mic

MIN_LEVEL_DB = -10.0
"""How far below the drum's usual hit a template that holds it may lie in its close mic: bleed lies deeper, or has
another spectrum.
"""

MIN_SIMILARITY = 0.98
"""Similarity of both spectra there: cosine of the square roots of their levels (Bhattacharyya coefficient). What holds
the drum reaches 0.989 and more; a rim shot in a tom's mic, a floor tom or a kick in the other's 0.975 at most (sessions
in which every stroke is known).
"""

CONTAINED_BELOW_DB, CONTAINED_BELOW_SHARE = 6.0, 0.1
"""No mixture is softer than one of its parts: of the levels that the drum has in all mics, this share at most may lie
so far below it. Round robins of one level vary by 2 to 3 dB in a band (common practice, no source).
"""

CONTAINED_FEWEST_HITS = 3
"""Hits of a drum alone from which its spectrum in its own mic is known."""


class Contained(NamedTuple):
    """How a template contains a drum: row of the close mic that reports it, and how many steps late it starts."""

    mic: int
    lag: float


Parts = Mapping[int, Mapping[int, Contained]]
"""Template -> number of each drum that it contains -> how."""



def alone(gain: Floats) -> Frames:
    """The template that explains each hit alone, int64 (hits,), from activations (hits, templates); -1 for hits of
    several strokes.
    """
    return np.where((gain > 0).sum(axis=1) == 1, gain.argmax(axis=1) if gain.shape[1] else -1, -1).astype(np.int64)


def contained_drums(own: Floats, single: Frames, templates: Templates, close_rows: Mapping[int, Sequence[int]],
                    near: NDArray[np.bool_], there: NDArray[np.bool_] | None = None) -> Parts:
    """Which templates contain another drum, by that drum's own close mic.

    ``own``: float64 (hits, mics, bands), mean squares that each hit adds; ``single``: int64 (hits,), the template that
    explains each hit alone, -1 for none; ``close_rows``: number of a drum -> rows of its own close mics; ``near``: bool
    (mics,), the mics that decide; ``there``: bool (hits, mics), which mics the take of each hit has, all if not given.
    """
    out: dict[int, dict[int, Contained]] = {}
    drum = np.where(single >= 0, templates.drum[single], -1)
    there = np.ones(own.shape[:2], bool) if there is None else there
    for number, rows in close_rows.items():
        own_hits = {m: own[(drum == number) & there[:, m], m] for m in rows}
        own_hits = {m: heard for m, heard in own_hits.items() if len(heard) >= CONTAINED_FEWEST_HITS}
        if not own_hits:
            continue
        for k in np.unique(single[(single >= 0) & (drum != number)]).tolist():
            similarity = {m: _similarity(own[(single == k) & there[:, m], m], heard) for m, heard in own_hits.items()}
            best = max(similarity, key=lambda m: similarity[m])
            if similarity[best] >= MIN_SIMILARITY:
                ways = [Contained(best, lag) for lag in (0.0, *LATE_STEPS)]
                below = [_share_below(templates, k, number, how, near) for how in ways]
                if min(below) <= CONTAINED_BELOW_SHARE:
                    out.setdefault(k, {})[number] = ways[below.index(min(below))]
    return out


def _similarity(others_hits: Floats, own: Floats) -> float:
    """Similarity of hits to a drum's own in its mic, both (hits, bands), 0 to 1; 0 where they are too soft, or none."""
    if not len(others_hits):
        return 0.0
    level, reference_level = float(np.median(others_hits.sum(axis=1))), float(np.median(own.sum(axis=1)))
    if level <= reference_level * 10 ** (MIN_LEVEL_DB / 10):
        return 0.0
    reference = np.median(_spectral_shape(own), axis=0)
    reference /= max(float(reference.sum()), 1e-30)
    return float(np.median(np.sqrt(_spectral_shape(others_hits) * reference).sum(axis=1)))


def _spectral_shape(own: Floats) -> Floats:
    """Spectra (..., bands) scaled to sum to 1."""
    return np.asarray(own / np.maximum(own.sum(axis=-1, keepdims=True), 1e-30))


def _share_below(templates: Templates, k: int, number: int, how: Contained, near: NDArray[np.bool_]) -> float:
    """The share of the drum's levels, 0 to 1, that template ``k`` lies clearly below in all mics that it was heard in,
    where it contains the drum as is said; 1 where there is none to compare.
    """
    told = near & templates.heard_in[k]
    contribution = _contribution(templates, k, number, how)[told]
    upper_bound = np.where(templates.energy[k] > 0, templates.energy[k], templates.limit[k])[told]
    below = upper_bound[contribution > 0] < contribution[contribution > 0] * 10 ** (-CONTAINED_BELOW_DB / 10)
    return float(below.mean()) if len(below) else 1.0


def _contribution(templates: Templates, k: int, number: int, how: Contained) -> Floats:
    """What the drum contributes to template ``k``, float64 (mics, bands, stretches): its most frequent template at the
    level that its mic reports.
    """
    of = np.flatnonzero(templates.drum == number)
    main = templates.energy[of[np.argmax(templates.members[of])]] @ overlap(-how.lag)
    both = (templates.energy[k, how.mic] > 0) & (main[how.mic] > 0)
    weight = templates.energy[k, how.mic][both].sum() / max(float(main[how.mic][both].sum()), 1e-30)
    return np.asarray(weight * main)


def subtracted(templates: Templates, found: Parts, near: NDArray[np.bool_]) -> tuple[Templates, NDArray[np.bool_]]:
    """The templates with the drums they contain subtracted, and in which enough is left, bool (templates,)."""
    energy, limit, onset, error = (np.array(x) for x in (templates.energy, templates.limit, templates.onset_ms,
                                                         templates.onset_error_ms))
    enough_left = np.ones(len(energy), bool)
    for k, contained_drums in found.items():
        removed = sum((_contribution(templates, k, number, how) for number, how in contained_drums.items()),
                      np.zeros_like(energy[k]))
        energy[k], limit[k], enough_left[k] = without(templates.energy[k], templates.limit[k], removed, near)
        onset[k] = error[k] = np.nan  # the earliest of several drums says nothing of one
    return replace(templates, energy=energy, limit=limit, onset_ms=onset, onset_error_ms=error), enough_left
