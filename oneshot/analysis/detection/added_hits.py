"""Added hits: candidates that the user says are hits, inserted among those that were detected.

Nothing is learned from them: templates and drums come from what was detected without help. They are placed, decomposed
and measured like any other, so hits around them take them into account, too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from oneshot.analysis.detection import arrivals as find_arrivals
from oneshot.analysis.detection import onsets as find_onsets
from oneshot.analysis.records import Arrivals, Onsets
from oneshot.analysis.result import Detected
from oneshot.audio.io import TakeReader
from oneshot.config.corrections import REACH_S
from oneshot.config.handling import Told
from oneshot.core.records.session import Frames


def with_added(root: Path, heard: Detected, told: Sequence[Told]) -> Detected:
    """The candidates of a take with those entries of ``told`` that concern it: candidates near them marked, missed ones
    inserted.

    Raises AudioError where a file cannot be read.
    """
    mine = [t for t in told if t.take == heard.take.name and t.frame < heard.take.frames]
    if not mine:
        return heard
    first, reach = heard.arrivals.first, REACH_S * heard.take.sample_rate
    near = {t: _nearest(first, t.frame, reach) for t in mine}
    new: list[int] = []
    for each in sorted(mine, key=lambda t: t.frame):
        if near[each] is None and each.missed and (not new or each.frame - new[-1] > reach):
            new.append(each.frame)
    out = _inserted(root, heard, new) if new else heard
    drums: dict[int, frozenset[str]] = {}
    for each in mine:
        row = _nearest(out.arrivals.first, each.frame, reach)
        if row is not None:
            drums[row] = each.drums or drums.get(row, frozenset())
    return replace(out, added=drums)


def _nearest(first: Frames, frame: int, reach: float) -> int | None:
    """Row of the candidate nearest to a frame, None where none is within ``reach`` frames."""
    if not len(first):
        return None
    row = int(np.abs(first - frame).argmin())
    return row if abs(int(first[row]) - frame) <= reach else None


def _inserted(root: Path, heard: Detected, frames: Sequence[int]) -> Detected:
    """The same with candidates inserted at those frames (rising), their first arrivals measured where there is a
    transient, else at the frame given.
    """
    take, known = heard.take, heard.onsets
    steps, hop = heard.scan.level_db.shape[1], heard.scan.hop
    rows = []
    used_mics = find_onsets.mics_only(take, heard.near)
    with TakeReader(root, take, offset=heard.offset) as reader:
        for frame in frames:
            following = known.frame[known.frame > frame][:1]  # whose attack is not to be taken for this one's
            pair = np.r_[np.int64(frame), following]
            zeros = np.zeros((len(pair), len(take.mics)))
            found = Onsets(take.name, pair, zeros[:, 0], zeros)
            rows.append(find_arrivals.first_arrivals(reader, take, found, used_mics))
    at = np.array(frames, np.int64)
    # about a step and a half after the onset the onset strength peaks
    step = np.clip(np.round(at / hop + 1.5).astype(np.int64), 0, steps - 1)
    mic_rise = np.stack([find_onsets.mic_rises_db(heard.scan, heard.near, max(0, s - 1), min(s + 2, steps)).max(axis=0)
                         for s in step.tolist()])
    rise = mic_rise[:, heard.near].mean(axis=1) if heard.near.any() else np.zeros(len(at))
    first = np.r_[heard.arrivals.first, [r.first[0] for r in rows]].astype(np.int64)
    order = np.argsort(first, kind="stable")
    onsets = Onsets(take.name, np.r_[known.frame, at][order], np.r_[known.rise_db, rise][order],
                    np.concatenate([known.mic_rise_db, mic_rise])[order])
    arrivals = Arrivals(take.name, first[order],
                        np.concatenate([heard.arrivals.frame, *(r.frame[:1] for r in rows)])[order],
                        np.concatenate([heard.arrivals.depth_db, *(r.depth_db[:1] for r in rows)])[order],
                        heard.arrivals.lag)
    begin = np.r_[heard.begin, np.full(len(rows), -1)].astype(np.int64)[order]
    return replace(heard, onsets=onsets, arrivals=arrivals, begin=begin)

