"""The mics that hits are described in, over all takes of a session: one list for the whole kit.

Takes may have other mics than each other; hits of all of them are laid out for this list. Triggers help to tell drums
apart and are left out once that is done: they are no mics.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.detection import onsets
from oneshot.analysis.records import HitFeatures, Shares, Templates
from oneshot.analysis.result import Detected, Strokes
from oneshot.analysis.sorting import features
from oneshot.core.records.session import SILENT_PEAK, Frames, Mic


def kit_mics(heard: list[Detected]) -> tuple[Mic, ...]:
    """The mics that hits are described in, over all takes, each name once, in order of first appearance.

    A mic that is dead in every take is none: it can name no drum and be nobody's home. A trigger tells drums apart
    and names its own as a close mic does; once that is done it is left out (``without_triggers``).
    """
    found: dict[str, Mic] = {}
    for each in heard:
        for mic, peak in zip(each.take.mics, each.scan.peak, strict=True):
            if mic.role.means.describes and peak > SILENT_PEAK:
                found.setdefault(mic.name, mic)
    return tuple(found.values())


def describe_take(heard: Detected, mics: tuple[Mic, ...]) -> HitFeatures:
    """The features of a take's candidates, laid out for the kit's mics."""
    stop = onsets.next_strong(heard.arrivals.first, heard.onsets.rise_db)
    return features.describe(heard.scan, first=heard.arrivals.first, stop=stop, lag=heard.arrivals.lag,
                             mics=tuple(m.name for m in mics), names=tuple(m.name for m in heard.take.mics))


def near_rows(heard: Detected, mics: tuple[Mic, ...]) -> NDArray[np.bool_]:
    """Which of the kit's mics are near mics of this take (mics,)."""
    near = {m.name for m, on in zip(heard.take.mics, heard.near, strict=True) if on and m.role.means.judged}
    return np.array([m.name in near for m in mics], bool)


MOST_MICS = 0.5
"""A template that was heard in fewer of a take's near mics than this share says too little of what is struck there."""


def comparable(templates: Templates, near: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """What a take's candidates are compared by: the templates that were heard in most of its near mics, bool
    (templates,), and those of its near mics that all of them were heard in, bool (mics,).

    In a mic that it was not heard in a template may have any level: it would seem to fit badly, or to explain nothing.
    Where takes are so unlike that no mic is left, all templates and near mics are compared as they are. ``near``: bool
    (mics,), the near mics of the take.
    """
    heard_in = templates.heard_in
    able = heard_in[:, near].sum(axis=1) >= MOST_MICS * near.sum()
    shared = near & heard_in[able].all(axis=0)
    if not (able.any() and shared.any()):
        return np.ones(len(able), bool), near
    return able, shared


def close_numbers(mics: tuple[Mic, ...]) -> Frames:
    """A number per drum that has close mics or triggers, -1 for other mics (mics,)."""
    at_drum = [m.drum if m.role.means.at_drum else None for m in mics]
    drums = sorted({d for d in at_drum if d})
    return np.array([drums.index(d) if d else -1 for d in at_drum], np.int64)


def without_triggers(strokes: list[Strokes], described: list[HitFeatures], templates: Templates, mics: tuple[Mic, ...]
                ) -> tuple[list[Strokes], list[HitFeatures], Templates, tuple[Mic, ...]]:
    """The same without the triggers: they are no mics, so nothing is measured, levelled or graded in them."""
    on = np.array([m.role.means.judged for m in mics])
    if on.all():
        return strokes, described, templates, mics
    left = [replace(s, shares=Shares(s.shares.own[..., on], s.shares.other[:, on]), own_db=s.own_db[:, on])
            for s in strokes]
    kinds = replace(templates, energy=templates.energy[:, on], limit=templates.limit[:, on],
                    onset_ms=templates.onset_ms[:, on], onset_error_ms=templates.onset_error_ms[:, on])
    return (left, [features.only(f, on) for f in described], kinds,
            tuple(m for m, use in zip(mics, on, strict=True) if use))
