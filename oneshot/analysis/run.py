"""Run: from a session to what is found in it, in order.

    detection    spectrogram ─► onsets ─► first arrivals                                take by take
    sorting      features ─► labels ─► templates ─► decomposition ─► drums, articulations, names   over all takes
    measurement  onsets in every mic ─► tails, bleed, levels
    take groups  which takes share a drum's layers and round robins

Takes are analysed one by one; templates and drums are learned over all of them, since the same kit stands in all. What
was found is stored, so that a build with another recipe starts from there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from oneshot.analysis import stored
from oneshot.analysis.detection.added_hits import with_added
from oneshot.analysis.detection.take import detect_takes
from oneshot.analysis.measurement.measure import measure_hits
from oneshot.analysis.pooling import Pooling
from oneshot.analysis.result import Detected, Findings
from oneshot.analysis.sorting import constraints, features
from oneshot.analysis.sorting.kit_mics import describe_take, kit_mics
from oneshot.analysis.sorting.sort import learn, sort_hits
from oneshot.analysis.take_groups import pool
from oneshot.config import handling
from oneshot.core.cache.disk import Store
from oneshot.core.progress import Progress
from oneshot.core.records.session import Frames, Problem, Session, Take
from oneshot.core.workers import working


def analysed(session: Session, store: Store, told: handling.ForAnalysis, *, pooling: Pooling, rendered: bool, jobs: int,
             progress: Progress) -> tuple[Findings, tuple[Problem, ...]]:
    """What is found in a session, its takes pooled, and what to report of that: from the store, or made now on all
    cores.

    ``told``: what corrections say before hits are sorted; ``pooling``: which takes share a set;
    ``rendered``: keep the envelopes rendered over time, which repair needs. Raises as
    ``analyse``.
    """
    before = None if rendered else stored.load(store, session, told, pooling)
    if before is not None:
        return before
    with working(jobs):
        found = analyse(session, store=store, progress=progress, told=told)
        # envelopes serve repair alone, and the scans of all takes go with them
        pooled = pool(session, found if rendered else replace(found, laid=None), pooling)
    stored.save(store, session, told, pooling, pooled)
    return pooled


def analyse(session: Session, *, store: Store, progress: Progress,
            told: handling.ForAnalysis = handling.NOTHING) -> Findings:
    """Detect, sort and measure every hit of a session.

    ``told``: places where the user says that a hit is, or of which drum (they teach nothing), and which drums are one.
    Raises AudioError where a file cannot be read or holds no numbers, WorkError where a take is silent or no hit is
    found.
    """
    heard, problems = detect_takes(session, store=store, progress=progress)
    mics = kit_mics(heard)
    described = [describe_take(each, mics) for each in heard]
    said, unclear = constraints.apply_labels(session.labels, _firsts(heard), features.join(described), mics)
    learned = learn(session, heard, described, mics, said, progress)
    missing = {hit.take for hit in told.hits}
    for n, each in enumerate(heard):
        if each.take.name in missing:
            heard[n] = with_added(session.root, each, told.hits)
            described[n] = describe_take(heard[n], mics)
    if missing:  # labels hold for the hits that were added, too
        said, unclear = constraints.apply_labels(session.labels, _firsts(heard), features.join(described), mics)
    found = sort_hits(session, heard, described, learned, mics, said, progress, told.merged)
    reported = (*problems, *unclear, *constraints.silent(session.labels, _firsts(heard)))
    return measure_hits(session, found, said, reported, progress)


def _firsts(heard: Sequence[Detected]) -> list[tuple[Take, Frames]]:
    """Each take with the first arrivals of its candidates."""
    return [(each.take, each.arrivals.first) for each in heard]
