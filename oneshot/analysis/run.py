"""Analyse: from a session to its hits, drums, delays and bleed. The first half of the pipeline, in order.

    scan ─► detect ─► align (first arrivals) ─► features ─► group (kinds, drums) ─► unmix ─► articulations ─► naming
    ─► leaning ─► align (settle) ─► bleed

Takes are listened to one by one; kinds and drums are learned over all of them, since the same kit stands in all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.detection import arrivals, checks, onsets, spectrogram
from oneshot.analysis.detection.added_hits import with_told
from oneshot.analysis.detection.take import listen, scan_take
from oneshot.analysis.measurement import bleed, compression
from oneshot.analysis.measurement import envelopes as measure_envelopes
from oneshot.analysis.measurement.hit_table import HitRows
from oneshot.analysis.measurement.masking import company_problems, hidden, in_company
from oneshot.analysis.measurement.onsets import Placer
from oneshot.analysis.measurement.tail_events import tails
from oneshot.analysis.records import HitFeatures, Laid, Played, Shares, TakeScan, Templates
from oneshot.analysis.result import Analysis, Heard, Named, Strokes
from oneshot.analysis.sorting import articulations, constraints, decompose, features, naming, non_drums
from oneshot.analysis.sorting import articulations as sort_articulations
from oneshot.analysis.sorting import drums as sort_drums
from oneshot.analysis.sorting import templates as learn_templates
from oneshot.analysis.sorting.constraints import Told
from oneshot.config import handling
from oneshot.core.errors import WorkError
from oneshot.core.progress import Progress
from oneshot.core.records.session import SILENT_PEAK, Floats, Frames, Mic, Problem, Role, Session, Take
from oneshot.core.store import Store
from oneshot.session.mic_names import kind_of


@dataclass(frozen=True, slots=True, eq=False)
class _Learned:
    """Kinds and drums, and what labels say of them: names of drums by number, and of the kinds' strokes."""

    templates: Templates
    drum: dict[int, str]
    stroke: list[constraints.Said | None]


def analyse(session: Session, *, store: Store, jobs: int, progress: Progress,
            told_hits: Sequence[handling.Told] = ()) -> Analysis:
    """Find, place, sort and measure every hit of a session.

    ``told_hits``: places where the user says that a hit is, or of which drum; they teach nothing. Raises AudioError
    where a file cannot be read or holds no numbers, WorkError where a take is silent or no hit is found.
    """
    heard: list[Heard] = []
    told: list[Problem] = []
    for take in session.takes:
        scanned = scan_take(session, take, store=store, jobs=jobs, progress=progress)
        told.extend(_told_of(take, scanned, alone=len(session.takes) == 1))
        heard.append(listen(session, take, scanned, progress))
    if not any(len(h.onsets.frame) for h in heard):
        raise WorkError(f"{session.name} holds no hit: check that the files are the drum tracks, and their levels")
    mics = _kit_mics(heard)
    described = [_describe(h, mics) for h in heard]
    firsts = [(h.take, h.arrivals.first) for h in heard]
    said, more = constraints.tell(session.labels, firsts, features.join(described), mics)
    learned = _learn(session.name, heard, described, mics, said, progress)
    missing = {t.take for t in told_hits}
    for n, each in enumerate(heard):
        if each.take.name in missing:
            heard[n] = with_told(session.root, each, told_hits)
            described[n] = _describe(heard[n], mics)
    if missing:  # what is said holds for the hits that were added, too
        firsts = [(h.take, h.arrivals.first) for h in heard]
        said, more = constraints.tell(session.labels, firsts, features.join(described), mics)
    return _assemble(session, heard, described, learned, mics, said,
                     (*told, *more, *constraints.silent(session.labels, firsts)), progress)


def _told_of(take: Take, scanned: TakeScan, *, alone: bool) -> list[Problem]:
    """What there is to tell of a take once it was heard; a silent one among others is told and has no hits."""
    try:
        return list(checks.scan_problems(take, peak=scanned.peak, bad_frame=scanned.bad_frame,
                                           clipped=scanned.clipped, noise_dbfs=scanned.noise_dbfs,
                                           offset=spectrogram.offsets(scanned), digests=spectrogram.digests(scanned)))
    except WorkError:
        if alone:
            raise
        return [Problem(take.name, "is silent in every mic and has no hits",
                        "check its files, or leave it out in session.toml (use = false)")]


# ---------------------------------------------------------------------------------------------------------------- learn


def _kit_mics(heard: list[Heard]) -> tuple[Mic, ...]:
    """The mics that hits are described in, over all takes, each name once, in order of first appearance.

    A mic that is dead in every take is none: it can name no drum and be nobody's home. A trigger tells drums apart
    and names its own as a close mic does; once that is done it is left out (``_heard_only``).
    """
    found: dict[str, Mic] = {}
    for each in heard:
        for mic, peak in zip(each.take.mics, each.scan.peak, strict=True):
            if mic.role in (Role.CLOSE, Role.OVERHEAD, Role.ROOM, Role.TRIGGER) and peak > SILENT_PEAK:
                found.setdefault(mic.name, mic)
    return tuple(found.values())


def _describe(heard: Heard, mics: tuple[Mic, ...]) -> HitFeatures:
    stop = onsets.next_strong(heard.arrivals.first, heard.onsets.rise_db)
    return features.describe(heard.scan, first=heard.arrivals.first, stop=stop, lag=heard.arrivals.lag,
                             mics=tuple(m.name for m in mics), names=tuple(m.name for m in heard.take.mics))


def _near_rows(heard: Heard, mics: tuple[Mic, ...]) -> NDArray[np.bool_]:
    """Which of the kit's mics are near mics of this take (mics,)."""
    near = {m.name for m, on in zip(heard.take.mics, heard.near, strict=True) if on and m.role is not Role.TRIGGER}
    return np.array([m.name in near for m in mics], bool)


def _learn(name: str, heard: list[Heard], described: list[HitFeatures], mics: tuple[Mic, ...], said: Told,
           progress: Progress) -> _Learned:
    """Kinds of strokes and the drums they belong to, from the hits that stand alone in all takes."""
    progress("telling drums apart", 0.0)
    near = np.any([_near_rows(h, mics) for h in heard], axis=0)
    clean = _learn_from(heard, described, mics, said)
    if not len(clean):
        raise WorkError(f"{name} holds no hit that stands out: check the files and their levels")
    joined = features.join(described)
    place, sound = features.distances_db(features.only(joined, near), clean)
    unlike = constraints.unlike(said, clean)
    kind = np.full(len(joined.energy), -1, np.int64)
    kind[clean] = constraints.parted(sort_drums.kinds(place, sound, unlike), unlike)
    level, stands_out = features.clear_levels_db(joined)
    arrival_ms = np.concatenate([_delays_ms(h, mics) for h in heard])
    kinds = sort_drums.templates_of(level, stands_out, arrival_ms, kind)
    drums, drum_of = constraints.of_kinds(said, kind, lambda each: each.drum, len(kinds.drum))
    known = drum_of[kinds.drum] >= 0  # until they are put into drums, ``drum`` is the number of the kind itself
    kinds = sort_drums.select(kinds, known | (kinds.members >= 2) | (kinds.members >= kinds.members.max(initial=0)))
    composite = decompose.composites(kinds, near, decompose.COMPOSITE_DB)
    kinds = sort_drums.select(kinds, ~composite | (drum_of[kinds.drum] >= 0))
    apart = sort_drums.apart(*features.between_db(kinds, near), int(near.sum()))
    kinds, variant = learn_templates.untangle(kinds, apart, near, drum_of[kinds.drum] >= 0,
                                              _owners(kinds, drums, drum_of[kinds.drum], mics, near))
    drum = _into_drums(kinds, variant, drums, drum_of[kinds.drum], mics, near)
    names = {int(d): drums[int(who)] for d, who in zip(drum, drum_of[kinds.drum], strict=True) if who >= 0}
    return _Learned(replace(kinds, drum=drum), names, _said_strokes(said, kind, kinds.drum))


def _learn_from(heard: list[Heard], described: list[HitFeatures], mics: tuple[Mic, ...], said: Told) -> Frames:
    """Rows of the hits to learn from, over all takes: clean ones; where there are none, what stands out.

    Half of them are left to labelled hits if there are as many, and a labelled drum that is nowhere clean is learned
    from what there is of it.
    """
    rows: list[Frames] = []
    some: list[Frames] = []
    offset = 0
    for h, f in zip(heard, described, strict=True):
        use = _near_rows(h, mics)
        _, stands_out = features.clear_levels_db(f)
        hear = use & np.array([m.role is not Role.TRIGGER for m in mics])
        share = stands_out[:, hear][..., 0].mean(axis=(1, 2)) if hear.any() else np.zeros(len(f.energy))
        rows.append(sort_drums.clean_rows(h.arrivals.first, h.onsets.rise_db, h.take.sample_rate, share) + offset)
        some.append(np.flatnonzero(share >= sort_drums.HEARD_SHARE) + offset)
        offset += len(f.energy)
    clean, every = np.concatenate(rows), np.concatenate(some)
    _, drum = said.numbers(lambda each: each.drum)
    missing = np.setdiff1d(drum[drum >= 0], drum[clean])
    clean = np.union1d(clean, every[np.isin(drum[every], missing)])
    told = clean[drum[clean] >= 0]
    if len(told):
        told = sort_drums.thin(told, sort_drums.LEARN_FROM // 2)
        rest = sort_drums.thin(clean[drum[clean] < 0], sort_drums.LEARN_FROM - len(told))
        return np.union1d(told, rest)
    return sort_drums.thin(clean if len(clean) else every)  # nothing stands alone: learn from what there is


def _into_drums(kinds: Templates, variant: Frames, drums: list[str], said: Frames, mics: tuple[Mic, ...],
                near: NDArray[np.bool_]) -> Frames:
    """The drum of each kind (kinds,), as place, sound and labels say. ``said``: rows of ``drums``, -1 for none."""
    place, sound = features.between_db(kinds, near)
    apart_ms = sort_drums.delays_apart_ms(kinds.delay_ms[:, near])
    owner = _owners(kinds, drums, said, mics, near)
    drum = sort_drums.into_drums(place, sound, apart_ms, owner=owner, variant=variant, mics=int(near.sum()), said=said)
    close = _close_numbers(mics)
    snares = sorted({int(c) for c, m in zip(close, mics, strict=True) if c >= 0 and kind_of(m.drum or "") == "snare"})
    return sort_drums.join_side_sticks(kinds, drum, owner, said, features.standing_db(kinds, near), close, snares)


def _owners(kinds: Templates, drums: list[str], said: Frames, mics: tuple[Mic, ...],
            near: NDArray[np.bool_]) -> Frames:
    """The drum whose close mic owns each kind (kinds,), that which was said first; -1 for none."""
    close = _close_numbers(mics)
    owner = sort_drums.owners(features.standing_db(kinds, near), close)
    of = [next((int(c) for m, c in zip(mics, close, strict=True) if m.stands_at(name)), -1) for name in drums]
    out: Frames = np.where(said >= 0, np.array([*of, -1], np.int64)[said], owner)
    return out


def _said_strokes(said: Told, kind: Frames, kept: Frames) -> list[constraints.Said | None]:
    """What is said of how each kind that was kept is struck; None where most of its hits carry no label."""
    out: list[constraints.Said | None] = []
    for k in kept:
        rows = said.row[kind == k]
        told = rows[rows >= 0]
        most = len(told) and len(told) >= constraints.MOST_OF_A_KIND * len(rows)
        out.append(said.said[int(np.bincount(told).argmax())] if most else None)
    return out


def _delays_ms(heard: Heard, mics: tuple[Mic, ...]) -> Floats:
    """Clear delays of a take's hits, laid out for the kit's mics (hits, mics)."""
    known = arrivals.clear_delays_ms(heard.arrivals, heard.take.sample_rate)
    names = [m.name for m in heard.take.mics]
    nothing = np.full(len(known), np.nan)
    return np.stack([known[:, names.index(m.name)] if m.name in names else nothing for m in mics], axis=1)


def _close_numbers(mics: tuple[Mic, ...]) -> Frames:
    """A number per drum that has close mics or triggers, -1 for other mics (mics,)."""
    at_drum = [m.drum if m.role in (Role.CLOSE, Role.TRIGGER) else None for m in mics]
    drums = sorted({d for d in at_drum if d})
    return np.array([drums.index(d) if d else -1 for d in at_drum], np.int64)


# ------------------------------------------------------------------------------------------------------------- assemble


def _assemble(session: Session, heard: list[Heard], described: list[HitFeatures], learned: _Learned,
              mics: tuple[Mic, ...], said: Told, told: tuple[Problem, ...], progress: Progress) -> Analysis:
    """Unmix every take, name the drums, settle onsets, measure levels and bleed."""
    near = np.any([_near_rows(h, mics) for h in heard], axis=0)
    templates = learned.templates
    drums, strokes = _unmixed(heard, described, learned, mics, said, progress)
    parted = _parted(strokes, described, learned, mics, near, drums[0])
    if parted is not learned:
        learned, templates = parted, parted.templates
        drums, strokes = _unmixed(heard, described, learned, mics, said, progress)
    for settle in (_settled, _joined):
        anew = settle(strokes, described, learned, mics, near)
        if (anew.drum != templates.drum).any():  # strokes of one drum never fall together: take all apart once more
            templates = anew
            learned = replace(learned, templates=templates)
            drums, strokes = _unmixed(heard, described, learned, mics, said, progress)
    strokes = non_drums.loud_enough(strokes, templates)
    strokes, guests, others = non_drums.sift(strokes, templates, mics, near, learned.drum)
    if len(guests):
        drums = _drums_called(learned, mics, near, guests)
    if not any(len(s.rows) for s in strokes):
        raise WorkError(f"{session.name} holds no hit that stands out: check the files and their levels")
    named, strokes = _names(strokes, learned, drums, mics, near, said)
    strokes = sort_articulations.with_weak(session, strokes, templates.drum, named, mics)
    strokes, described, templates, mics = _heard_only(strokes, described, templates, mics)
    placer = Placer(session, [m.name for m in mics], named, templates, strokes)
    progress("measuring bleed", 0.0)
    played = [_played(s, f, mics) for s, f in zip(strokes, described, strict=True)]
    row = {m.name: n for n, m in enumerate(mics)}
    home = np.array([row.get(named.home[int(d)], -1) for d in templates.drum], np.int64)
    envelopes = measure_envelopes.learn(played, templates)
    stands = np.array([[m.stands_at(named.drum[int(d)]) for m in mics] for d in templates.drum], bool)
    share = measure_envelopes.own_share(envelopes, templates.drum, home, stands)
    windows = [measure_envelopes.split(each, envelopes, share, templates.drum) for each in played]
    dynamic = _dynamic(strokes, windows, mics)
    rows = HitRows(session, mics, named, templates, placer, said, dynamic)
    for each, laid, window in zip(strokes, played, windows, strict=True):
        progress(f"placing hits in {each.heard.take.name}", 0.0)
        rows.add(each, window, hidden(laid, envelopes, window, templates.drum), tails(laid, window))
    company = {each.heard.take.name: in_company(each, templates.drum, partial(placer.home_row, each.heard.take))
               for each in strokes}
    found = rows.finish((*told, *others, *_dynamic_problems(strokes, mics, dynamic), *(
        problem for take, drums in company.items() for problem in company_problems(take, drums, named.drum))),
        {(take, named.drum[number]) for take, drums in company.items() for number in drums})
    by_take = {each.heard.take.name: part for each, part in zip(strokes, played, strict=True)}
    return replace(found, laid=Laid(by_take, envelopes, tuple(m.name for m in mics), found.row))


def _parted(strokes: list[Strokes], described: list[HitFeatures], learned: _Learned, mics: tuple[Mic, ...],
            near: NDArray[np.bool_], drums: Mapping[int, str]) -> _Learned:
    """The same, other drums taken out of the kinds that hold them by what those drums' own mics hear."""
    kinds = learned.templates
    own = np.concatenate([features.brought(f, s.rows) for f, s in zip(described, strokes, strict=True)])
    alone = np.concatenate([learn_templates.alone(s.gain) for s in strokes])
    stands = {number: [m for m, mic in enumerate(mics) if mic.role is Role.CLOSE and mic.stands_at(name)]
              for number, name in drums.items()}
    found = learn_templates.parts(own, alone, kinds, stands, near)
    found = {k: parts for k, parts in found.items() if int(kinds.drum[k]) not in learned.drum}  # labelled: one drum
    if not found:
        return learned
    kinds, left = learn_templates.parted(kinds, found, near)
    return _Learned(sort_drums.select(kinds, left), learned.drum,
                    [said for said, stays in zip(learned.stroke, left, strict=True) if stays])


def _settled(strokes: list[Strokes], described: list[HitFeatures], learned: _Learned, mics: tuple[Mic, ...],
             near: NDArray[np.bool_]) -> Templates:
    """The kinds, those learned from mixtures given to the drum where the hits that they explain are."""
    templates = learned.templates
    kind = [np.full(len(f.energy), -1, np.int64) for f in described]
    for part, each in zip(kind, strokes, strict=True):
        part[each.rows] = learn_templates.alone(each.gain)
    level, stands_out = features.clear_levels_db(features.join(described))
    unknown = np.full(level.shape[:2], np.nan)
    again = sort_drums.templates_of(level, stands_out, unknown, np.concatenate(kind))
    doubtful = learn_templates.lacking(templates, again, near) & ~np.isin(templates.drum, list(learned.drum))
    if not doubtful.any():
        return templates
    nothing = np.full(len(doubtful), -1, np.int64)
    together = _into_drums(learn_templates.mixed(templates, again, doubtful), nothing, [], nothing, mics, near)
    drum = learn_templates.settled(templates.drum, templates.members, doubtful, together)
    return replace(learn_templates.mixed(templates, again, drum != templates.drum), drum=drum)


def _joined(strokes: list[Strokes], described: list[HitFeatures], learned: _Learned, _: tuple[Mic, ...],
            near: NDArray[np.bool_]) -> Templates:
    """The kinds, open hats put to the short one."""
    struck = [_struck(s, f, near) for s, f in zip(strokes, described, strict=True)]
    return replace(learned.templates, drum=sort_drums.join_hat_openings(struck, learned.templates, tuple(learned.drum)))


def _unmixed(heard: list[Heard], described: list[HitFeatures], learned: _Learned, mics: tuple[Mic, ...], said: Told,
             progress: Progress) -> tuple[tuple[dict[int, str], dict[int, str]], list[Strokes]]:
    """What the drums are called by now and what they are, and the strokes of every take."""
    drums = _drums_called(learned, mics, np.any([_near_rows(h, mics) for h in heard], axis=0))
    strokes = []
    at = 0
    for n, (h, f) in enumerate(zip(heard, described, strict=True)):
        progress("telling strokes apart", n / len(heard))
        strokes.append(_strokes(h, f, _near_rows(h, mics), learned, drums[0], said, at))
        at += len(f.energy)
    return drums, strokes


def _struck(strokes: Strokes, described: HitFeatures, near: NDArray[np.bool_]) -> sort_drums.Struck:
    """A take's strokes as their rings are followed, in the near mics."""
    heard = strokes.heard
    own = features.take_rows(features.only(described, near), strokes.rows)
    return sort_drums.Struck(heard.arrivals.first[strokes.rows] / heard.take.sample_rate, own, strokes.kind)


def _played(strokes: Strokes, described: HitFeatures, mics: tuple[Mic, ...]) -> Played:
    """A take's strokes as they are laid over time."""
    heard = strokes.heard
    names = [m.name for m in heard.take.mics]
    rows = np.array([names.index(m.name) if m.name in names else -1 for m in mics], np.int64)
    rows[(rows >= 0) & (np.asarray(heard.scan.peak)[rows] <= SILENT_PEAK)] = -1
    lag = np.where(rows >= 0, heard.arrivals.lag[rows], 0.0)
    first = heard.arrivals.first[strokes.rows]
    step = np.round((first[:, None] + lag) / heard.scan.hop).astype(np.int64)
    return Played(heard.scan, first / heard.scan.hop, step, strokes.gain, strokes.kind,
                          described.fade_db[strokes.rows], rows)


def _dynamic(strokes: list[Strokes], windows: list[measure_envelopes.Windows],
             mics: tuple[Mic, ...]) -> NDArray[np.int64]:
    """Which of the kit's mics compress (1) or were gated (2) (mics,); 0 for all others."""
    heard = 10 * np.log10(np.maximum(np.concatenate([w.heard for w in windows]), 1e-18))
    expected = 10 * np.log10(np.maximum(np.concatenate([w.expected for w in windows]), 1e-18))
    out = compression.compressing(heard, expected, np.concatenate([s.kind for s in strokes])).astype(np.int64)
    for each in strokes:
        for k, mic in enumerate(mics):
            if mic.name in {m.name for m in each.heard.take.mics}:
                row = each.heard.take.index(mic.name)
                out[k] = 2 if compression.gated(each.heard.scan.level_db[row]) else out[k]
    return out


def _dynamic_problems(strokes: list[Strokes], mics: tuple[Mic, ...], dynamic: NDArray[np.int64]) -> list[Problem]:
    """What to tell of mics that compress or were gated, for each take they stand in."""
    what = {1: "a compressor is in the way: a hard stroke rises by less than in the other mics",
            2: "a gate or an edit cuts its sound off time and again"}
    return [Problem(f"{each.heard.take.name}/{mic.name}", what[int(dynamic[k])],
                    "left out of strengths and of the bleed table; give the track as recorded if there is one")
            for each in strokes for k, mic in enumerate(mics)
            if dynamic[k] and mic.name in {m.name for m in each.heard.take.mics}]


def _strokes(heard: Heard, described: HitFeatures, near: NDArray[np.bool_], learned: _Learned,
             drums: dict[int, str], said: Told, at: int) -> Strokes:
    """Unmix one take, whose first hit is row ``at`` of what is said; keep the candidates that are strokes, and those of
    which the user says so.
    """
    row = said.row[at : at + len(described.energy)]
    templates = learned.templates
    allowed = constraints.allowed_kinds(said, row, templates, drums, [name or "" for name in _taught(learned)])
    told = {i: _kinds_called(names, templates, drums) for i, names in heard.told.items()}
    found = decompose.explain(described, templates, heard.arrivals.first / heard.scan.hop, near, allowed=allowed,
                              told=told)
    keep = decompose.is_stroke(found)
    keep[[i for i in told if found.gain[i].any()]] = True
    rows = np.flatnonzero(keep)
    split = bleed.shares(features.take_rows(described, rows), found.gain[rows], found.ground[rows], templates)
    strength = split.own[:, :, near].sum(axis=2)
    for n, i in enumerate(rows.tolist()):
        if i in told:
            strength[n, np.setdiff1d(np.arange(strength.shape[1]), told[i])] = -1.0
    kind = strength.argmax(axis=1) if len(rows) else np.zeros(0, np.int64)
    own_db = articulations.own_levels_db(features.take_rows(described, rows), found.gain[rows], found.ground[rows],
                                         templates, kind)
    return Strokes(heard, rows, kind, found.gain[rows], decompose.confidence(found, templates)[rows], split, own_db,
                   np.zeros(len(rows), np.int64), row[rows])


def _heard_only(strokes: list[Strokes], described: list[HitFeatures], templates: Templates, mics: tuple[Mic, ...]
                ) -> tuple[list[Strokes], list[HitFeatures], Templates, tuple[Mic, ...]]:
    """The same without the triggers: they are no mics, so nothing is measured, levelled or graded in them."""
    on = np.array([m.role is not Role.TRIGGER for m in mics])
    if on.all():
        return strokes, described, templates, mics
    left = [replace(s, shares=Shares(s.shares.own[..., on], s.shares.other[:, on]), own_db=s.own_db[:, on])
            for s in strokes]
    kinds = replace(templates, energy=templates.energy[:, on], limit=templates.limit[:, on],
                    delay_ms=templates.delay_ms[:, on])
    return (left, [features.only(f, on) for f in described], kinds,
            tuple(m for m, use in zip(mics, on, strict=True) if use))


def _kinds_called(names: frozenset[str], templates: Templates, drums: Mapping[int, str]) -> Frames:
    """The kinds of the drums of those names; all where none is called so."""
    numbers = [number for number, name in drums.items() if name in names]
    rows = np.flatnonzero(np.isin(templates.drum, numbers))
    return rows if len(rows) else np.arange(len(templates.drum))


def _drums_called(learned: _Learned, mics: tuple[Mic, ...], near: NDArray[np.bool_],
                  guests: Frames | None = None) -> tuple[dict[int, str], dict[int, str]]:
    """What drums are called and what they are, by number; ``guests``, drums that are none, take no name away from
    those that are.
    """
    templates = learned.templates
    drums = templates if guests is None else sort_drums.select(templates, ~np.isin(templates.drum, guests))
    drum, what = naming.drum_names(drums, features.standing_db(drums, near), mics, learned.drum)
    for n, number in enumerate([] if guests is None else guests, 1):  # of use where a label keeps a hit of theirs
        drum[int(number)], what[int(number)] = f"other-{n}", "percussion"
    return drum, what


def _names(strokes: list[Strokes], learned: _Learned, drums: tuple[dict[int, str], dict[int, str]],
           mics: tuple[Mic, ...], near: NDArray[np.bool_], said: Told) -> tuple[Named, list[Strokes]]:
    """Give each drum its home mic, and tell over all takes how each hit was struck and what that is called."""
    templates = learned.templates
    drum, what = drums
    heard_in = tuple(m for m in mics if m.role is not Role.TRIGGER)
    home: dict[int, str] = {}
    called: dict[tuple[int, int], str] = {}
    number_of = np.concatenate([templates.drum[s.kind] for s in strokes])
    own_db = np.concatenate([s.own_db for s in strokes])
    way = np.zeros(len(number_of), np.int64)
    for number, name in drum.items():
        rows = np.flatnonzero(templates.drum == number)
        level = 10 * np.log10(np.maximum(templates.energy[rows].sum(axis=(0, 2, 3)), 1e-15))
        home[number] = naming.home_mic(name, heard_in, {m.name: float(level[i]) for i, m in enumerate(mics)})
        # its own mics alone, where it has any: others hear it with the room, and over other drums
        close = np.array([m.role is Role.CLOSE and m.stands_at(name) for m in mics])
        mine = np.flatnonzero(number_of == number)
        heard = own_db[mine][:, close if close.any() else near]
        if what[number] not in naming.STRUCK_ONE_WAY:
            way[mine] = articulations.tell_apart(heard)
        if what[number] == "hat" and not way[mine].any():
            way[mine] = sort_drums.openings(templates, np.concatenate([s.kind for s in strokes])[mine])
        names = naming.articulations(articulations.median_strokes(heard, way[mine]), what[number])
        called.update({(number, k): n for k, n in enumerate(names)})
    ends = np.cumsum([len(s.rows) for s in strokes])[:-1]
    told = [replace(s, way=part) for s, part in zip(strokes, np.split(way, ends), strict=True)]
    called = constraints.named_ways(called, number_of, way, said, np.concatenate([s.told for s in strokes]))
    return Named(drum, what, called, home, _taught(learned)), told


def _taught(learned: _Learned) -> list[str | None]:
    """What labels call the strokes of each kind; None where nobody said."""
    return [None if each is None or each.articulation is None else each.stroke("") for each in learned.stroke]
