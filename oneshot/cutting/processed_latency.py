"""Latency of processed tracks: by how much a track lags behind its mics, whether that is constant over the take, and
whether a compressor still holds its level down when a hit begins.

Every hit gives a lag of its own: the peak of the cross-correlation of the track with its mics (``mix/fit.py``). A track
that was exported once, through one chain, lags by one number of frames; four hits of five must agree to a frame, or it
cannot be aligned. A drift or a jump is reported with its figures. A reverb's return lags on purpose, and a track
without highs cannot be located to the frame: both go by the other tracks of the take.

A compressor lowers all bands alike and recovers slowly. So the track is compared, octave by octave, with what its mics
would make of it, just before each hit; the gain there, re that of the hits that follow a rest, is the gain reduction
left when the hit begins. Reverb and gates are no gain: where track and mics are not coherent, or octaves disagree,
nothing is reported. At rest are the hits after the longest pauses.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from oneshot.core.errors import SessionError
from oneshot.core.records.session import Floats, Floats32, Frames, Take
from oneshot.cutting.mix.fit import cross_correlation, fit_octaves, gram, solve
from oneshot.session.processed_tracks import Track

BEFORE_S, AFTER_S, SHORT_S = 0.06, 0.3, 0.01
"""What is looked at around a stroke's first sound; of most strokes of a long session only ``SHORT_S`` of it after."""
PAD_S = 0.15
"""A track that lags by more than this was not exported from the same start."""
FULL_LOOKS = 48
"""Strokes of a take that are looked at over the whole stretch, spread evenly."""
AGREE_FRAMES = 1
NEAR_FRAMES = 24
"""How far the lag re the sum of the mics may lie from that re the mics one by one."""
STEADY_SHARE = 0.8
"""Share of the hits that must agree."""
PROMINENT = 8.0
"""A cross-correlation stands out where its peak is this many times its own rms: noise reaches 4.5 over as many lags."""
LOCAL_SHARE = 0.8
"""A hit whose cross-correlation at the common lag is this share of its maximum votes for the common lag."""
BEGIN_S, END_S = -0.04, -0.012
"""Where the gain before a hit is read: compressors look ahead by 10 ms at most (common practice, no source)."""
ONSET_S = (-0.0005, 0.005)
REST_S, REST_SHARE = 1.0, 0.1
"""Hits after a pause of this are at rest (releases are shorter: common practice, no source); without such, those after
the longest pauses, so many of all.
"""
REST_PERCENTILE = 90
"""Of the hits, where those at rest give nothing."""
COHERENT = 0.8
LEAST_BANDS = 3
BANDS_AGREE_DB = 1.0
ONSET_BANDS = slice(4, None)
"""From 1 kHz on: lower octaves hold nothing in 5 ms."""
RECOVERING_DB = -2.0
"""Twice what round robins may differ by; a mix's compressor moves by 2 to 4 dB (common practice, no source)."""
LEAST_STROKES = 6
"""Hits from which the gain at rest is estimated."""


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What a take's mics, float32 (mics, frames), and its processed tracks, (their mics, frames + 2 pad), hold around
    one stroke, from ``BEFORE_S`` ahead of its first sound at take frame ``at`` on. ``cut``: whether it becomes a
    one-shot; ``pause_s``: since the stroke before it, of whatever drum.
    """

    hit: int
    drum: str
    at: int
    mics: Floats32
    tracks: Floats32
    cut: bool = True
    pause_s: float = np.inf


@dataclass(frozen=True, slots=True)
class Latency:
    """How a track is aligned with its mics in one take.

    ``frames``: its lag, None where not known; ``applied``: the lag that is compensated; ``spread_frames``: half the
    range from the 16th to the 84th percentile of the hits' own; ``strokes``: number of hits read; ``polarity``: 1 or -1
    re the mic it holds most of; ``as_others``: it goes by the take's other tracks; ``gain_db``: hit -> gain as the hit
    begins, re rest, where it is known.
    """

    frames: int | None
    applied: int = 0
    spread_frames: float | None = None
    strokes: int = 0
    polarity: int = 1
    as_others: bool = False
    gain_db: Mapping[int, float] = field(default_factory=dict)

    @property
    def recovering(self) -> dict[int, float]:
        """Hit -> gain reduction left in the track as it begins (dB, below 0), where that is audible."""
        return {hit: gain for hit, gain in self.gain_db.items() if gain <= RECOVERING_DB}


@dataclass(frozen=True, slots=True)
class _Lags:
    """The lags that the hits of a take give a track: their rows, int64 (hits,), their lags, and which stand out."""

    at: Frames
    lag: Frames
    clear: NDArray[np.bool_]
    polarity: int

    @property
    def agreeing(self) -> NDArray[np.bool_]:
        """Which strokes agree with the lag that most have."""
        return np.abs(self.lag - self.most) <= AGREE_FRAMES

    @property
    def most(self) -> int:
        """The lag that most hits have."""
        return round(float(np.median(self.lag[self.clear]))) if self.clear.any() else 0

    @property
    def steady(self) -> bool:
        """Whether most strokes agree, and half of all stand out, as no noise does."""
        return bool(len(self.lag)) and float(self.agreeing.mean()) >= STEADY_SHARE and float(self.clear.mean()) >= 0.5


def latencies(take: Take, tracks: Sequence[Track], looks: Sequence[Look], names: Sequence[str], *,
              keep: bool) -> dict[str, Latency]:
    """Track -> how it lies in a take. ``looks``: in order of time, ``names``: the mics of their rows; ``keep``: tracks
    stay where they lie.

    Raises SessionError where a track must be lined up and cannot be: its latency changes, or it does not follow its
    mics at all.
    """
    rows = {mic.name: row for row, mic in enumerate(mic for track in tracks for mic in track.mics)}
    heard = {track.name: [look for look in looks if track.goes_with(look.drum, take)] for track in tracks}
    said = {track.name: _lags(take, track, heard[track.name], names, rows) for track in tracks if track.made_of}
    steady = {name: lags for name, lags in said.items() if lags.steady}
    of_take = {lags.most for lags in steady.values()}
    common = int(np.median(list(of_take))) if of_take and max(of_take) - min(of_take) <= AGREE_FRAMES else None
    out = {}
    for track in tracks:
        lags = said.get(track.name)
        if lags is not None and lags.steady:
            low, high = np.percentile(lags.lag[lags.clear], [16, 84])
            out[track.name] = Latency(lags.most, 0 if keep else lags.most, float(high - low) / 2, len(lags.lag),
                                      lags.polarity,
                                      gain_db=_gains(take, track, heard[track.name], names, rows, lags.most))
            continue
        if lags is not None and not keep:
            _refuse_changing(take, track, lags)
            if common is None and len(lags.lag):
                raise SessionError(f"{take.name}: {track.name} does not follow its mics ({', '.join(track.made_of)}): "
                                   f"its latency agrees at {int(lags.agreeing.sum())} of {len(lags.lag)} hits. Check "
                                   "that it is of this take; processed.latency = \"kept\" cuts it uncompensated")
        out[track.name] = Latency(None, 0 if keep or common is None else common, None, 0 if lags is None else
                                  len(lags.lag), as_others=not keep and common is not None)
    return out


def _signal(tracks: Floats32, mine: Sequence[int]) -> Floats:
    """A track's one signal, or the sum of its sides; their difference where that is all there is."""
    sides: Floats = tracks[list(mine)].astype(np.float64)
    total: Floats = sides.sum(axis=0)
    apart: Floats = sides[0] - sides[-1]
    return total if len(sides) == 1 or (total**2).sum() >= 0.05 * (apart**2).sum() else apart


def _lags(take: Take, track: Track, looks: Sequence[Look], names: Sequence[str], rows: Mapping[str, int]) -> _Lags:
    """Lag of a track behind its mics at each hit."""
    pad = round(PAD_S * take.sample_rate)
    own = [names.index(name) for name in track.made_of if name in names]
    read = [(look.at, look.mics[own].astype(np.float64), _signal(look.tracks, [rows[mic.name] for mic in track.mics]))
            for look in looks]
    read = [(at, x, y) for at, x, y in read if x.any() and y.any()]
    if not read:
        none = np.zeros(0, np.int64)
        return _Lags(none, none, np.zeros(0, bool), 1)
    curves = [np.abs(cross_correlation(y, x)).sum(axis=0) for _, x, y in read]
    rough, clear = _peaks(curves, [0] * len(curves), curves[0].shape[0])
    # what the track holds of each mic: one that it does not hold would draw the lag to its own distance
    grams = [gram(np.diff(x), np.diff(y[None, at : at + x.shape[1]]))
             for (_, x, y), at in zip(read, rough, strict=True)]
    a, b = np.sum([g[0] for g in grams], axis=0), np.sum([g[1] for g in grams], axis=0)
    weights = solve(a, b, np.zeros_like(b))
    near = [max(at - NEAR_FRAMES, 0) for at in rough]
    fine = [np.abs(cross_correlation(y, weights @ x)[0])[low : low + 2 * NEAR_FRAMES + 1]
            for (_, x, y), low in zip(read, near, strict=True)]
    lag, _ = _peaks(fine, near, 2 * pad + 1)
    return _Lags(np.array([at for at, _, _ in read], np.int64), np.array(lag, np.int64) - pad, clear,
                 1 if weights[0, int(np.abs(weights[0]).argmax())] >= 0 else -1)


def _peaks(curves: Sequence[Floats], starts: Sequence[int], count: int) -> tuple[list[int], NDArray[np.bool_]]:
    """Where each hit's cross-correlation peaks, ``starts`` being the first lag of each curve of ``count`` in all, and
    whether it stands out; a hit whose curve is nearly as high at the common maximum is assigned that.
    """
    total = np.zeros(count)
    for curve, start in zip(curves, starts, strict=True):
        total[start : start + len(curve)] += curve / max(float(curve.max()), 1e-30)
    common = int(total.argmax())
    peak, clear = [], []
    for curve, start in zip(curves, starts, strict=True):
        top = start + int(curve.argmax())
        low = max(common - AGREE_FRAMES - start, 0)
        local = curve[low : max(common + AGREE_FRAMES + 1 - start, 0)]
        near = bool(len(local)) and float(local.max()) >= LOCAL_SHARE * float(curve.max())
        peak.append(start + low + int(local.argmax()) if near else top)
        clear.append(float(curve.max()) >= PROMINENT * float(np.sqrt((curve**2).mean())))
    return peak, np.array(clear, bool)


def _refuse_changing(take: Take, track: Track, lags: _Lags) -> None:
    """Raise SessionError where strokes agree with their neighbours in time, but not over the take."""
    at, lag = lags.at[lags.clear], lags.lag[lags.clear]
    if len(at) < LEAST_STROKES or len(at) < len(lags.lag) / 2:
        return
    apart_s = np.diff(at) / take.sample_rate
    alike = np.abs(np.diff(lag)) <= 2 * AGREE_FRAMES + np.minimum(apart_s * 1e-4 * take.sample_rate, 10)
    quarter = max(len(lag) // 4, 1)
    first, last = float(np.median(lag[:quarter])), float(np.median(lag[-quarter:]))
    if float(alike.mean()) < STEADY_SHARE or abs(last - first) <= 2 * AGREE_FRAMES:
        return
    ms = 1e3 / take.sample_rate
    raise SessionError(
        f"{take.name}: {track.name} is {first:.0f} frames ({first * ms:.2f} ms) behind its mics at "
        f"{at[0] / take.sample_rate:.1f} s and {last:.0f} ({last * ms:.2f} ms) at {at[-1] / take.sample_rate:.1f} s: a "
        "changing latency cannot be compensated. Export it again on one clock and in one piece; processed.latency = "
        "\"kept\" cuts it uncompensated")


def _gains(take: Take, track: Track, looks: Sequence[Look], names: Sequence[str], rows: Mapping[str, int],
           lag: int) -> dict[int, float]:
    """Hit -> gain of a track as its stroke begins, against that of strokes out of rest (dB, 0 or less)."""
    rate = take.sample_rate
    pad = round(PAD_S * rate)
    own = [names.index(name) for name in track.made_of if name in names]
    mine = [rows[mic.name] for mic in track.mics]
    lined = [(look.mics[own].astype(np.float64),
              look.tracks[mine, pad + lag : pad + lag + look.mics.shape[1]].astype(np.float64)) for look in looks]
    full = [pair for pair in lined if pair[0].shape[1] > round((BEFORE_S + 2 * SHORT_S) * rate)]
    if len(looks) < LEAST_STROKES or not full:
        return {}
    fit = fit_octaves(full, rate)

    def read(span: tuple[float, float]) -> Floats:
        """The gains over one span of seconds around each stroke, dB."""
        low, high = (round((BEFORE_S + edge) * rate) for edge in span)
        return np.array([fit.gains_db(x[:, low:high], y[:, low:high], COHERENT) for x, y in lined])

    pauses = np.array([look.pause_s for look in looks])
    longest = REST_S if (pauses >= REST_S).any() else float(np.quantile(pauses, 1 - REST_SHARE, method="lower"))
    rested = pauses >= longest
    before = _against_rest(read((BEGIN_S, END_S)), rested)
    begin = _against_rest(read(ONSET_S), np.zeros(len(looks), bool))[:, ONSET_BANDS]
    out = {}
    for look, bands, start in zip(looks, before, begin, strict=True):
        known, at_start = bands[np.isfinite(bands)], start[np.isfinite(start)]
        if not look.cut or len(known) < LEAST_BANDS or not len(at_start):
            continue
        gain = float(np.median(known))
        if float(np.median(np.abs(known - gain))) <= BANDS_AGREE_DB and (gain >= 0 or np.median(at_start) < 0):
            out[look.hit] = min(gain, 0.0)  # what opens with the stroke is a gate, no compressor
    return out


def _against_rest(gains: Floats, rested: NDArray[np.bool_]) -> Floats:
    """Gains (strokes, octaves) against what each octave has at rest: by the strokes that come out of rest, or by the
    highest of all where none does.
    """
    rest = np.full(gains.shape[1], np.nan)
    for band, column in enumerate(gains.T):
        known = np.isfinite(column)
        if (known & rested).any():
            rest[band] = np.median(column[known & rested])
        elif known.any():
            rest[band] = np.percentile(column[known], REST_PERCENTILE)
    out: Floats = gains - rest
    return out
