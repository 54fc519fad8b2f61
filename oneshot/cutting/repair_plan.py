"""Repair plan: for each file of a one-shot, gather what repair needs to know, and apply what the recipe asks for;
composites with a cleaner hit's far mics.

What is in a file's window comes from the rendered envelopes of the take's strokes
(``analysis/measurement/envelopes.py``); the tail of a cleaner hit from the recording itself. What cannot be predicted
(compressed or gated mics, buses) is left alone.

In a composite, where other hits bleed into a hit's overheads and rooms, those of a cleaner hit stand in: one of the
same take, drum and articulation, and of like strength. Both are aligned by their attacks in the home mic: delays
between mics are a drum's own, so its overheads then lie where they did.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from oneshot.analysis.detection.spectrogram import BAND_EDGES_HZ, hop_frames
from oneshot.analysis.measurement import envelopes
from oneshot.analysis.result import Analysis
from oneshot.config.recipe import Repairing
from oneshot.core.records.hits import Hit
from oneshot.core.records.session import Floats, Mic, Take
from oneshot.cutting import fades, repair

DONOR_DB = -25.0
"""A hit lends its tail only where its bleed stays below this in every mic: grade B in overheads."""
DONOR_WITHIN_DB = 3.0
"""A tail comes from a hit of like strength: within the smallest step of a layer."""
LONGER = 1.25
"""A tail is worth a joint where the file becomes longer by a quarter at least."""

Record = Mapping[str, object]

@dataclass(frozen=True, slots=True)
class Window:
    """A file's window of its take: whose hit, where it starts, the attack in it and its length, in frames."""

    hit: Hit
    start: int
    attack: int
    frames: int


@dataclass(frozen=True, slots=True)
class Tail:
    """Where a tail comes from: the window of the hit that lends it (its attack at the same frame), its samples mic by
    mic (float64, full scale 1.0), and the fades at its end.
    """

    window: Window
    audio: Mapping[str, Floats]
    fade_outs: Mapping[str, int]


@dataclass(frozen=True, slots=True, eq=False)
class Mended:
    """One mic of a file, repaired: float64 (frames,), and what was done, in order. ``shift``: of its tail, frames."""

    audio: Floats
    done: tuple[Record, ...]
    shift: int | None = None


@dataclass(frozen=True, slots=True)
class Mender:
    """Repairs the files of a session's one-shots, as far as the recipe asks for it."""

    analysis: Analysis
    asked: Repairing

    def donors(self, hit: Hit, names: Sequence[str], frames: int, sample_rate: int) -> list[Hit]:
        """Hits that may lend their tails to ``hit`` beyond ``frames`` after its attack, the best first.

        Cleaner ones of the same drum, articulation and like strength, free for longer, in whatever take.
        """
        if not self.asked.tails or hit.level_db is None:
            return []
        found = []
        for other in self.analysis.hits:
            if (other.drum, other.articulation) != (hit.drum, hit.articulation) or other is hit:
                continue
            worst = self.analysis.worst_db.get(other.id, {})
            known = [worst[name] for name in names if name in worst]
            if other.level_db is None or other.ornament is not None or len(known) < len(names) or max(known) > DONOR_DB:
                continue
            following = self.analysis.next_stroke(other, names, sample_rate)
            free = np.inf if following is None else following - self.analysis.attacks[other.id]
            apart = abs(other.level_db - hit.level_db)
            if apart <= DONOR_WITHIN_DB and free >= LONGER * frames:
                found.append((-min(free, 10.0 * sample_rate), apart, other.id, other))
        return [row[-1] for row in sorted(found, key=lambda row: row[:3])]

    def mend(self, take: Take, mics: Sequence[Mic], audio: Floats, window: Window, tail: Tail | None) -> list[Mended]:
        """Each of ``mics`` repaired; what needs none or allows none has no record.

        ``audio``: float64 (mics, frames) of the window, full scale 1.0.
        """
        out: list[Mended] = []
        for k, mic in enumerate(mics):
            away = self.analysis.offsets.get(take.name, {}).get(mic.name, 0.0)
            moments = self.moments(take, mic, audio[k] - away, window)
            if moments is None:
                out.append(Mended(audio[k], ()))
                continue
            x = audio[k] - away
            other_tail = None
            if tail is not None and mic.name in tail.audio:
                theirs = self.analysis.offsets.get(tail.window.hit.take, {}).get(mic.name, 0.0)
                other_tail = (tail.audio[mic.name] - theirs, tail.window)
            shift = next((each.shift for each in out if each.shift is not None), None)
            made = self._mend(take, mic, x, moments, window, other_tail, shift)
            y = made.audio + away
            shared = min(len(x), len(y))
            y[:shared] = np.where(made.audio[:shared] == x[:shared], audio[k, :shared], y[:shared])
            out.append(Mended(y, made.done, made.shift))
        return out

    def _mend(self, take: Take, mic: Mic, x: Floats, moments: repair.Moments, window: Window,
              tail: tuple[Floats, Window] | None, shift: int | None) -> Mended:
        """One mic, the cheapest first: filters, another tail, suppression of what is left up to there."""
        done: list[Record] = []
        y, graft, rate = x, None, take.sample_rate
        if self.asked.filters:
            for made in repair.plan_filters(moments, attack=window.attack, frames=len(x), sample_rate=rate):
                y = repair.apply_filter(y, made, rate)
                moments = _filtered(moments, made)
                done.append({"kind": made.kind, "corner_hz": made.corner_hz,
                             "from_ms": _ms(made.start - window.attack, rate), "bleed_before_db": made.before_db,
                             "bleed_after_db": made.after_db})
        if tail is not None:
            graft = repair.plan_graft(y, tail[0], moments, attack=window.attack, stop=len(y), sample_rate=rate,
                                       shift=shift)
        mask = self.mask(take, mic, moments, window, len(x) if graft is None else graft.joint)
        if mask is not None:
            y = repair.apply_mask(y, mask, rate)
        if graft is not None and tail is not None:
            y = repair.apply_graft(y, tail[0], graft, tail[1].frames)
            done.append({"kind": "tail", "hit": tail[1].hit.id, "from_ms": _ms(graft.joint - window.attack, rate),
                         "gain_db": graft.gain_db, "correlation": graft.correlation,
                         "fade": "equal power" if graft.equal_power else "equal gain"})
        if mask is not None:
            done.append({"kind": "suppression", "bleed_before_db": mask.before_db, "bleed_after_db": mask.after_db})
        return Mended(y, tuple(done), None if graft is None else graft.shift)

    def mask(self, take: Take, mic: Mic, moments: repair.Moments, window: Window, stop: int) -> repair.Mask | None:
        """Weights that lower other strokes up to frame ``stop`` of the file; None where it is left alone."""
        arrival = self._arrival(take, mic, window)
        if not self.asked.suppression or arrival is None:
            return None
        mask = repair.plan_mask(moments, arrival=arrival, frames=window.frames, stop=stop)
        doubtful = mask is not None and mic.stands_at(window.hit.drum) and mask.before_db > repair.BURIED_DB
        return None if doubtful else mask  # a drum masked by others in its own mic is louder than it is estimated

    def _arrival(self, take: Take, mic: Mic, window: Window) -> int | None:
        """Frame of the file at which the hit reaches the mic: as placed, or by its drum's delay; None if neither is
        known.
        """
        placed = window.hit.onsets.get(mic.name)
        if placed is not None:
            return placed - window.start
        delay_ms = self.analysis.delays_ms.get(take.name, {}).get(window.hit.drum, {}).get(mic.name)
        return None if delay_ms is None else window.attack + round(delay_ms * take.sample_rate / 1e3)

    def moments(self, take: Take, mic: Mic, x: Floats, window: Window) -> repair.Moments | None:
        """The energies in one mic over a window; None where they cannot be predicted."""
        laid = self.analysis.laid
        told = self.analysis.bleed_bands.get(take.name, {}).get(window.hit.drum, {})
        if laid is None or mic.name not in told or mic.name not in laid.mics or window.hit.id not in laid.row:
            return None
        scan = laid.played[take.name].scan
        row = int(laid.played[take.name].rows[laid.mics.index(mic.name)])
        hop, at = hop_frames(take.sample_rate), repair.moments_at(len(x), take.sample_rate)
        size = repair.window_frames(take.sample_rate)
        begin = (window.start - 2 * size) // hop
        steps = (len(x) + 4 * size) // hop + 1
        own, others = envelopes.rendered_by_template(laid, take.name, mic.name, begin, steps, window.hit.id)
        kernel = np.hanning(size // hop + 2)[1:-1]
        index = np.clip(np.round((window.start + at) / hop - begin).astype(np.int64), 0, steps - 1)
        seen = [np.apply_along_axis(np.convolve, 0, each, kernel / kernel.sum(), "same")[index]
                for each in (own, others.sum(axis=0))]
        return repair.Moments(seen[0], seen[1], repair.band_powers(x, BAND_EDGES_HZ, take.sample_rate),
                              10 ** (scan.noise_db[row] / 10), at, BAND_EDGES_HZ)


def _filtered(moments: repair.Moments, made: repair.Filter) -> repair.Moments:
    """The energies once a filter has come in."""
    edges = np.array(moments.edges_hz)
    beyond = edges[:-1] >= made.corner_hz if made.kind == "low-pass" else edges[1:] <= made.corner_hz
    gone = np.where(moments.after(made.start)[:, None] & beyond, 10 ** (-repair.STOP_DB / 10), 1.0)
    return repair.Moments(moments.own * gone, moments.other * gone, moments.measured * gone, moments.noise, moments.at,
                          moments.edges_hz)


def _ms(frames: int, sample_rate: int) -> float:
    return frames / sample_rate * 1e3


def merged(exact: fades.Samples, before: Floats, after: Floats, bits: int) -> fades.Samples:
    """The samples of ``after`` in the form of ``exact``: where nothing was changed, bit-identical to it.

    ``exact``: (mics, frames), int32 left-justified or float64; ``before`` the same as float64; ``after`` may be longer.
    """
    out = np.zeros(after.shape, exact.dtype)
    shared = min(exact.shape[1], after.shape[1])
    out[:, :shared] = exact[:, :shared]
    changed = np.ones(after.shape, bool)
    changed[:, :shared] = after[:, :shared] != before[:, :shared]
    whole = np.issubdtype(exact.dtype, np.integer)
    out[changed] = fades.fit(after[changed] * 2.0**31, bits) if whole else after[changed]
    return out


# -------------------------------------------------------------------------------- composites: far mics of a cleaner hit

SIMILAR_DB = 1.0
"""Levels within this are similar."""
CLEANER_DB = 3.0
"""How much cleaner another hit's far mics must be to be worth two hits in one sound."""


def stand_in(hit: Hit, far: Sequence[str], analysis: Analysis, *, frames: int, sample_rate: int,
             without: Collection[int] = ()) -> Hit | None:
    """The hit whose mics ``far`` are cleanest, clear for ``frames`` after its attack; None where none is cleaner.

    ``without``: ids of hits that shall not be used.
    """
    worst = _worst_db(hit, far, analysis)
    if hit.level_db is None or worst is None:
        return None
    found: list[tuple[float, int, Hit]] = []
    for other in analysis.hits:
        if (other.take, other.drum, other.articulation) != (hit.take, hit.drum, hit.articulation) or other is hit:
            continue
        if other.level_db is None or abs(other.level_db - hit.level_db) > SIMILAR_DB or other.ornament is not None:
            continue
        clean = _worst_db(other, far, analysis)
        if other.id in without or clean is None or clean > worst - CLEANER_DB:
            continue
        following = analysis.next_stroke(other, far, sample_rate)
        if following is None or following >= analysis.attacks[other.id] + frames:
            found.append((clean, other.id, other))
    return min(found)[2] if found else None


def _worst_db(hit: Hit, far: Sequence[str], analysis: Analysis) -> float | None:
    """The worst bleed in the mics ``far``, dB; None where it is not known in one of them."""
    known = analysis.worst_db.get(hit.id, {})
    return max(known[name] for name in far) if far and all(name in known for name in far) else None
