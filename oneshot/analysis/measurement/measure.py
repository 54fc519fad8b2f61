"""Measure: from sorted hits to what there is to know of each: onsets in every mic, bleed, tails and levels."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.measurement import compression
from oneshot.analysis.measurement import envelopes as measure_envelopes
from oneshot.analysis.measurement.hit_table import HitRows
from oneshot.analysis.measurement.masking import co_occurrence_problems, co_occurring, masked
from oneshot.analysis.measurement.onsets import Placer
from oneshot.analysis.measurement.tail_events import tails
from oneshot.analysis.records import HitFeatures, Played, Rendered
from oneshot.analysis.result import Findings, Strokes
from oneshot.analysis.sorting.constraints import Labelled
from oneshot.analysis.sorting.sort import Sorted
from oneshot.core.progress import Progress
from oneshot.core.records.session import SILENT_PEAK, Mic, Problem, Session
from oneshot.core.workers import spread


def measure_hits(session: Session, found: Sorted, said: Labelled, told: tuple[Problem, ...],
                 progress: Progress) -> Findings:
    """Settle the onsets of every hit and measure its levels, its bleed and what sounds in its tail.

    ``told``: what the stages before have to report. Raises AudioError where a file cannot be read.
    """
    strokes, templates, mics, named = found.strokes, found.templates, found.mics, found.named
    placer = Placer(session, [m.name for m in mics], named, templates, strokes)
    progress("measuring bleed", 0.0)
    played = [_played(s, f, mics) for s, f in zip(strokes, found.described, strict=True)]
    row = {m.name: n for n, m in enumerate(mics)}
    home = np.array([row.get(named.home[int(d)], -1) for d in templates.drum], np.int64)
    envelopes = measure_envelopes.learn(played, templates)
    stands = np.array([[m.stands_at(named.drum[int(d)]) for m in mics] for d in templates.drum], bool)
    share = measure_envelopes.own_share(envelopes, templates.drum, home, stands)
    windows = [measure_envelopes.split(each, envelopes, share, templates.drum) for each in played]
    dynamic = _dynamic(strokes, windows, mics)
    rows = HitRows(session, mics, named, templates, placer, said, dynamic)
    mixed: list[Problem] = []
    for each, laid, window in zip(strokes, played, windows, strict=True):
        take = each.detected.take
        progress(f"measuring onsets in {take.name}", 0.0)
        company = co_occurring(each, templates.drum, partial(placer.home_row, take))
        mixed += co_occurrence_problems(take.name, company, named.drum)
        rows.add(each, window, masked(laid, envelopes, window, templates.drum), tails(laid, window), company.keys())
    by_take = {each.detected.take.name: part for each, part in zip(strokes, played, strict=True)}
    return replace(rows.findings((*told, *found.problems, *_dynamic_problems(strokes, mics, dynamic), *mixed)),
                   laid=Rendered(by_take, envelopes, tuple(m.name for m in mics), rows.row))


def _played(strokes: Strokes, described: HitFeatures, mics: tuple[Mic, ...]) -> Played:
    """A take's strokes as they are laid over time."""
    heard = strokes.detected
    names = [m.name for m in heard.take.mics]
    rows = np.array([names.index(m.name) if m.name in names else -1 for m in mics], np.int64)
    rows[(rows >= 0) & (np.asarray(heard.scan.peak)[rows] <= SILENT_PEAK)] = -1
    lag = np.where(rows >= 0, heard.arrivals.lag[rows], 0.0)
    first = heard.arrivals.first[strokes.rows]
    ahead = np.array([heard.thud.get(row, 0) for row in strokes.rows.tolist()], np.int64)
    step = np.round((first[:, None] + lag) / heard.scan.hop).astype(np.int64)
    return Played(heard.scan, first / heard.scan.hop, step, strokes.activation, strokes.template,
                  described.fade_db[strokes.rows], rows, np.round(ahead / heard.scan.hop).astype(np.int64))


def _dynamic(strokes: list[Strokes], windows: list[measure_envelopes.Windows],
             mics: tuple[Mic, ...]) -> NDArray[np.int64]:
    """Which of the kit's mics compress (1) or were gated (2) (mics,); 0 for all others."""
    heard = 10 * np.log10(np.maximum(np.concatenate([w.heard for w in windows]), 1e-18))
    expected = 10 * np.log10(np.maximum(np.concatenate([w.expected for w in windows]), 1e-18))
    out = compression.compressing(heard, expected, np.concatenate([s.template for s in strokes])).astype(np.int64)
    for each in strokes:
        take = each.detected.take
        there = [k for k, mic in enumerate(mics) if mic.name in {m.name for m in take.mics}]
        levels = [each.detected.scan.level_db[take.index(mics[k].name)] for k in there]
        out[[k for k, shut in zip(there, spread(compression.gated, levels), strict=True) if shut]] = 2
    return out


def _dynamic_problems(strokes: list[Strokes], mics: tuple[Mic, ...], dynamic: NDArray[np.int64]) -> list[Problem]:
    """What to tell of mics that compress or were gated, for each take they stand in."""
    what = {1: "compressed: hard hits rise less than in the other mics",
            2: "gated or edited: its signal is cut off repeatedly"}
    return [Problem(f"{each.detected.take.name}/{mic.name}", what[int(dynamic[k])],
                    "not used for levels and the bleed table; use the unprocessed recording if there is one")
            for each in strokes for k, mic in enumerate(mics)
            if dynamic[k] and mic.name in {m.name for m in each.detected.take.mics}]
