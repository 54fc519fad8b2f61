"""Detection in one take: from its files to the candidates for hits, with what the store holds of it.

    spectrogram (from the store or computed now) ─► onset detection ─► first arrivals

Takes are analysed one by one; a take's spectrogram is computed by as many workers as there are, each over blocks of its
own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import partial
from pathlib import Path

import numpy as np

from oneshot.analysis.detection import arrivals as find_arrivals
from oneshot.analysis.detection import checks, spectrogram
from oneshot.analysis.detection import onsets as find_onsets
from oneshot.analysis.records import Arrivals, Onsets, TakeScan
from oneshot.analysis.result import Detected
from oneshot.audio.io import TakeReader
from oneshot.core.cache.disk import Store, open_store
from oneshot.core.errors import SessionError, WorkError
from oneshot.core.lazy import fetch
from oneshot.core.progress import Progress
from oneshot.core.records.session import SILENT_PEAK, Problem, Session, Take
from oneshot.core.workers import spread, workers, working
from oneshot.session.open import check_unchanged, fingerprint_parts

PARTS_AHEAD = 2
"""Parts of a scan that each worker computes before they are put together."""

LEAST_OFFSET = 1e-4
"""DC offsets (full scale 1.0) from here on, -80 dBFS, are removed before anything is measured."""


def detect_takes(session: Session, *, store: Store, progress: Progress) -> tuple[list[Detected], list[Problem]]:
    """The candidates for hits of every take, and what is to be reported of the takes.

    Raises AudioError where a file cannot be read or holds no numbers, WorkError where the only take is silent or no
    take holds a hit.
    """
    heard: list[Detected] = []
    problems: list[Problem] = []
    for take in session.takes:
        scanned = scan_take(session, take, store=store, progress=progress)
        problems += _take_problems(take, scanned, alone=len(session.takes) == 1)
        heard.append(detect_take(session, take, scanned, progress))
    if not any(len(each.onsets.frame) for each in heard):
        raise WorkError(f"{session.name} has no hits: check that the files are drum tracks, and their levels")
    return heard, problems


def _take_problems(take: Take, scanned: TakeScan, *, alone: bool) -> list[Problem]:
    """What there is to report of a scanned take; a silent one among others is reported and has no hits."""
    try:
        return list(checks.scan_problems(take, peak=scanned.peak, bad_frame=scanned.bad_frame,
                                         clipped=scanned.clipped, noise_dbfs=scanned.noise_dbfs,
                                         offset=spectrogram.offsets(scanned), digests=spectrogram.digests(scanned)))
    except WorkError:
        if alone:
            raise
        return [Problem(take.name, "is silent in every mic and has no hits",
                        "check its files, or leave it out in session.toml (use = false)")]


def scan_takes(session: Session, *, jobs: int, progress: Progress) -> None:
    """Scan what the store does not hold of a session yet, for the build that follows; nothing is kept where its files
    change meanwhile, or where nothing can be. Raises AudioError where a file cannot be read, SettingsError as
    ``open_store``.
    """
    parts = fingerprint_parts(session)
    store = open_store(parts)
    if not store.folder.is_dir():  # the cache cannot be written
        return
    with working(jobs):
        for take in session.takes:
            scan_take(session, take, store=store, progress=progress)
    try:
        check_unchanged(session, parts)
    except SessionError:  # a recorder that still writes
        store.clear()


def scan_take(session: Session, take: Take, *, store: Store, progress: Progress) -> TakeScan:
    """The scan of a take, from the store or computed now. Raises AudioError where a file cannot be read."""
    name = f"scan-{session.takes.index(take) + 1}"
    params = {"take": take.name, "mics": [m.name for m in take.mics],
              "sources": [[[s.path, s.channel, s.at, s.frames] for s in m.sources] for m in take.mics]}
    fields = ("level_db", "noise_db", "draw", "peak", "clipped", "bad_frame")
    stored = store.load(name, params, in_pieces=("level_db", "draw"))
    if name in store.stale:
        progress(f"{take.name} has changed, scanning it again", 0.0)
    if stored is None:
        made = spectrogram.join(take, _scan_parts(session.root, take, {}, progress), partial(store.made, name))
        offset = _offsets(take, made)
        if offset:  # it leaks into the lowest band and masks the noise: measure levels once more, without it
            made = spectrogram.measured_again(made, _scan_parts(session.root, take, offset, progress))
        store.save(name, params, {field: getattr(made, field) for field in fields})
        return made
    return TakeScan(take=take.name, sample_rate=take.sample_rate, hop=spectrogram.hop_frames(take.sample_rate),
                    **{field: stored[field] for field in fields})


def _offsets(take: Take, scanned: TakeScan) -> dict[str, float]:
    """DC offsets (full scale 1.0) that are worth removing, by mic."""
    return {mic.name: float(value) for mic, value in zip(take.mics, spectrogram.offsets(scanned), strict=True)
            if abs(value) >= LEAST_OFFSET}


def _scan_parts(root: Path, take: Take, offset: Mapping[str, float],
                progress: Progress) -> Iterator[spectrogram.BlockScan]:
    """The parts of a take's scan in order, whichever worker computes them: a few at a time, so that finished ones do
    not pile up. What comes after a scan needs libraries that take long to import: one worker does that meanwhile.
    """
    def scanned(blocks: range) -> spectrogram.BlockScan:
        """The part of some blocks, by a reader of its own."""
        with TakeReader(root, take, offset=offset, kept=spectrogram.KEPT_READS) as reader:
            return spectrogram.scan_blocks(reader, take, blocks.start, blocks.stop)

    todo = spectrogram.tasks(take)
    at_once = PARTS_AHEAD * workers()
    for at in range(0, len(todo), at_once):
        progress(f"scanning {take.name}", at / len(todo))
        yield from spread(scanned, todo[at : at + at_once], meanwhile=fetch)


def detect_take(session: Session, take: Take, scanned: TakeScan, progress: Progress) -> Detected:
    """Detect the candidates of a take and measure their first arrivals. Raises AudioError where a file cannot be
    read.
    """
    progress(f"detecting hits in {take.name}", 0.0)
    near = find_onsets.near_mics(take, np.asarray(scanned.peak) > SILENT_PEAK)
    onsets = find_onsets.detect(scanned, take)
    offset = _offsets(take, scanned)
    with TakeReader(session.root, take, offset=offset) as reader:
        arrivals = find_arrivals.first_arrivals(reader, take, onsets, find_onsets.mics_only(take, near))
    order = find_onsets.merge_events(arrivals.first, onsets.rise_db, take.sample_rate)
    onsets = Onsets(take.name, onsets.frame[order], onsets.rise_db[order], onsets.mic_rise_db[order])
    arrivals = Arrivals(take.name, arrivals.first[order], arrivals.frame[order], arrivals.depth_db[order],
                        arrivals.lag)
    begin = find_onsets.forerunners(scanned, near, arrivals.first)
    return Detected(take, scanned, near, onsets, arrivals, begin, offset)
