"""Sifting: hits of a session without what is no drum, as ``outsiders.py`` knows it.

What a person says a sound is outranks what is computed: labelled hits and those of corrections stay, and
labelled drums are drums.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from oneshot import outsiders
from oneshot.bleed import Shares
from oneshot.found import Strokes
from oneshot.model import Floats, Frames, Mic, Problem
from oneshot.stages import Templates

UNDER_RATIO = 10 ** (-12 / 10)
"""Energy of a stroke against the click or sticks it falls together with, from which it is kept."""

SOFTEST_DB = 42.0
"""What lies further than this below a drum's hard strokes (their 90th percentile) is no stroke: players span 30 to 40
dB on a snare and less on other drums (common practice, no source).
"""


def loud_enough(strokes: Sequence[Strokes], templates: Templates) -> list[Strokes]:
    """The same without what lies further below its drum's hard strokes than anyone plays: knocks, rattles, echoes."""
    level = [10 * np.log10(np.maximum(s.shares.own[np.arange(len(s.kind)), s.kind].sum(axis=1), 1e-30))
             for s in strokes]
    drum = [templates.drum[s.kind] for s in strokes]
    every, of = np.concatenate(level), np.concatenate(drum)
    hard = {int(d): float(np.percentile(every[of == d], 90)) for d in np.unique(of)}
    out = []
    for each, levels, drums in zip(strokes, level, drum, strict=True):
        limit = np.array([hard[int(d)] for d in drums]) - SOFTEST_DB
        keep = (levels >= limit) | np.isin(each.rows, list(each.heard.told))
        shares = Shares(each.shares.own[keep], each.shares.other[keep])
        out.append(Strokes(each.heard, each.rows[keep], each.kind[keep], each.gain[keep], each.confidence[keep],
                           shares, each.own_db[keep], each.way[keep], each.told[keep]))
    return out


def sift(strokes: Sequence[Strokes], templates: Templates, mics: Sequence[Mic], near: NDArray[np.bool_],
         labelled: Collection[int]) -> tuple[list[Strokes], Frames, list[Problem]]:
    """The strokes of all takes without talk, clicks and sticks; the drums that are none; and what is told of them.

    ``labelled``: numbers of drums that a person named.
    """
    heard = [s.shares.own.sum(axis=1) for s in strokes]
    hard = np.maximum(np.percentile(np.concatenate(heard), 90, axis=0), 1e-15)
    main = [s.shares.own[np.arange(len(s.kind)), s.kind] for s in strokes]
    hits = [outsiders.Hits(s.heard.arrivals.first[s.rows] / s.heard.take.sample_rate, templates.drum[s.kind],
                           _db(own.sum(axis=1)), s.confidence) for s, own in zip(strokes, main, strict=True)]
    found = outsiders.find(outsiders.traits(templates, hard, near, mics), hits)
    found = {number: what for number, what in found.items() if number not in labelled}
    guests = np.array(sorted(found), np.int64)
    out, told = [], list[Problem]()
    for each, own, every, its in zip(strokes, main, heard, hits, strict=True):
        what = np.array([found.get(int(d), "") for d in its.drum], object)
        lead = outsiders.lead_db(_db(own / hard), mics)
        what[(what == outsiders.STICKS) & (its.confidence < outsiders.SURE)] = outsiders.TALK
        talk = outsiders.talked_over(each.heard.scan, each.heard.take, each.heard.arrivals.first[each.rows],
                                     _db((every / hard)[:, near].mean(axis=1)), lead)
        what[outsiders.in_talk(its, talk | (what == outsiders.TALK), lead)] = outsiders.TALK
        what[(each.told >= 0) | np.isin(each.rows, list(each.heard.told))] = ""
        told += outsiders.problems(each.heard.take, its.at_s, what)
        out.append(_without(each, np.isin(templates.drum, guests), what))
    return out, guests, told


def _without(strokes: Strokes, guest: NDArray[np.bool_], what: NDArray[np.object_]) -> Strokes:
    """The hits that are none of ``what`` (hits,) and hold none of the kinds of ``guest`` (kinds,).

    A drum under a click or sticks is a stroke all the same; under talk, it is but a part of the voice.
    """
    shares, hits = strokes.shares, np.arange(len(strokes.kind))
    gone = np.repeat(guest[None, :], len(hits), axis=0)
    gone[hits, strokes.kind] &= what != ""  # a labelled hit keeps what it is
    own = np.where(gone[..., None], 0.0, shares.own)
    left, main = own.sum(axis=2), shares.own[hits, strokes.kind].sum(axis=1)
    under = (what != "") & (what != outsiders.TALK) & (left.max(axis=1, initial=0.0) > main * UNDER_RATIO)
    kind = np.where(under, left.argmax(axis=1), strokes.kind) if len(hits) else strokes.kind
    keep = (what == "") | under
    away = np.where(gone[..., None], shares.own, 0.0).sum(axis=1)
    kept = Shares(own[keep], (shares.other + away)[keep])
    return replace(strokes, rows=strokes.rows[keep], kind=kind[keep], gain=np.where(gone, 0.0, strokes.gain)[keep],
                   confidence=strokes.confidence[keep], shares=kept, own_db=strokes.own_db[keep],
                   way=strokes.way[keep], told=strokes.told[keep])


def _db(power: Floats) -> Floats:
    return np.asarray(10 * np.log10(np.maximum(power, 1e-15)), np.float64)
