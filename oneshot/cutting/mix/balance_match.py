"""Balance match: the balance of a rough mix, estimated from the mix itself by least squares.

A mix of faders is a weighted sum of its mics. So the weights follow from least squares of the mics onto each side of it
(``fit.py``), over windows at the hits of all drums. A small ridge towards the computed balance decides what the
recording leaves open, such as two mics with the same signal. The residual of the fit is reported, over all and octave
by octave: a compressor, an equaliser or an effect is no fader. So is by how much hard hits lie lower re soft ones than
the faders would have them, which a compressor does and an equaliser does not.

Before that the mix is aligned, take by take, since each was exported by itself: its lag behind the mics is where its
cross-correlation with the sum of the mics peaks.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from oneshot.analysis.result import Analysis
from oneshot.audio.io import TakeReader
from oneshot.core.errors import SettingsError
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Fader
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Mic, Problem, Session, Take
from oneshot.cutting.mix.balance import pan_gains
from oneshot.cutting.mix.fit import NOMINAL_HZ, cross_correlation, gram, octave_energies, solve

BEFORE_S, AFTER_S = 0.01, 0.3
"""Window around a hit that is fitted."""
MOST_HITS = 240
"""Hits that are read, spread evenly over the takes and drums."""
LAG_S = 0.1
"""A mix that lags by more than this was not made of these takes."""
EXPLAINED_DB = -20.0
"""A sum of faders leaves a smaller residual than this of its mix (common practice, no source)."""
OFF_DB = -40.0
"""A mic this far below the loudest is off: it adds nothing to the mix."""
PARTNER_SIDES = ("L", "R")
LEAST_OF_A_DRUM = 4
"""Hits of a drum from which its hard ones are compared with its soft ones."""


@dataclass(frozen=True, slots=True)
class Learned:
    """A balance estimated from a mix: its faders, the residual of the mix (dB), by how many frames the mix lags behind
    the mics of each take, and what to report.

    ``left_bands_db``: the residual in each octave (``fit.OCTAVES_HZ``) re the mix there, None where that is silent;
    ``hard_db``: level of the harder half of each drum's hits in the mix re that of the softer half, both re the sum of
    the faders (below 0: the mix compresses hard hits); None where too few were read.
    """

    faders: Mapping[str, Fader]
    left_db: float
    lag_frames: Mapping[str, int]
    problems: tuple[Problem, ...]
    left_bands_db: tuple[float | None, ...] = ()
    hard_db: float | None = None

    def record(self, bus: str) -> dict[str, object]:
        """What the manifest says of a balance that was learned from ``bus``, figures rounded, as plain types."""
        return {"bus": bus, "lag_frames": dict(self.lag_frames), "left_db": round(self.left_db, 2),
                "octaves_hz": list(NOMINAL_HZ),
                "left_bands_db": [None if value is None else round(value, 2) for value in self.left_bands_db],
                "hard_db": None if self.hard_db is None else round(self.hard_db, 2)}


@dataclass(frozen=True, slots=True, eq=False)
class _Window:
    """Mics and mix around a hit (mics and sides, frames), with room for the lag on both sides."""

    hit: Hit
    x: Floats

    def lined_up(self, mics: int, lag: int) -> tuple[Floats, Floats]:
        """Mics and mix, aligned: (mics, frames), (sides, frames)."""
        pad = min((self.x.shape[1] - 1) // 2, abs(lag) + 1)
        return self.x[:mics, pad:-pad], self.x[mics:, pad + lag : self.x.shape[1] - pad + lag]


def learn_balance(session: Session, found: Analysis, computed: Mapping[str, Fader], bus: str) -> Learned:
    """The balance of the mix ``bus``: the name of a mic or pair whose role is bus.

    ``computed``: the balance to lean on. Raises SettingsError where no take holds such a bus, where it is mono in one
    and stereo in another, silent, or too far behind the mics; AudioError where a file cannot be read.
    """
    takes = [(take, sides) for take in session.takes if (sides := _sides(take, bus))]
    if not takes:
        there = sorted({m.pair or m.name for take in session.takes for m in take.mics if m.role is Role.BUS})
        raise SettingsError(f"mix.learn_from names {bus!r}, which is not a bus of the session: "
                            + (f"choose one of {', '.join(there)}" if there else "there is none"))
    if len({len(sides) for _, sides in takes}) > 1:
        told_sides = ", ".join(f"{take.name} {'stereo' if len(sides) == 2 else 'mono'}" for take, sides in takes)
        raise SettingsError(f"mix.learn_from: {bus!r} is not the same in all takes ({told_sides}): make it all mono or "
                            "all stereo, or leave it out of the others")
    mics = {m.name for take, _ in takes for m in take.mics if m.role is not Role.BUS}
    names = [name for name in computed if name in mics]
    each = max(1, MOST_HITS // len(takes))
    read = {take.name: _windows(session, found, take, [*names, *sides], each) for take, sides in takes}
    channels = len(takes[0][1])
    mono = np.array([[abs(sum(pan_gains(computed[n].pan)) * _factor(computed[n])) for n in names]])
    lags = {take.name: _lag(take, read[take.name], mono, len(names)) for take, _ in takes
            if any(window.x[len(names):].any() for window in read[take.name])}
    if not lags:
        raise SettingsError(f"mix.learn_from: {bus!r} is silent at every hit: give a mix of these takes")
    lined = [(window.hit, *window.lined_up(len(names), lag), take.sample_rate) for take, _ in takes
             if (lag := lags.get(take.name)) is not None for window in read[take.name]]
    grams = [gram(x, y) for _, x, y, _ in lined]
    a = np.sum([g[0] for g in grams], axis=0)
    b = np.sum([g[1] for g in grams], axis=0)
    whole = float(np.sum([g[2] for g in grams]))
    lean = np.array([[_factor(computed[n]) * (pan_gains(computed[n].pan)[side] if channels == 2 else 1.0)
                      for n in names] for side in range(channels)])
    gains = solve(a, b, lean)
    left = whole - 2 * float((gains * b).sum()) + float(np.einsum("cm,mn,cn->", gains, a, gains))
    left_db = 10 * math.log10(max(left, 1e-12) / max(whole, 1e-12))
    faders, told = _faders(names, gains, computed)
    if left_db > EXPLAINED_DB:
        told.append(Problem(bus, f"gain and pan reproduce it to within {left_db:.0f} dB only: compression, EQ or "
                                 "effects cannot be matched", "use a mix of levels and pans only, or set [balance]"))
    return Learned({**computed, **faders}, left_db, lags, tuple(told), _left_bands(lined, gains),
                   _hard_db(lined, gains))


def _sides(take: Take, bus: str) -> list[str]:
    """The mics of a bus in a take: left and right of a pair, or one."""
    mine: list[Mic] = [m for m in take.mics if m.role is Role.BUS and bus in (m.name, m.pair)]
    if len(mine) == 2 and {m.side for m in mine} == set(PARTNER_SIDES):
        return [m.name for m in sorted(mine, key=lambda m: PARTNER_SIDES.index(m.side or "L"))]
    return [m.name for m in mine if m.name == bus][:1]


def _factor(fader: Fader) -> float:
    return fader.polarity * 10 ** (fader.gain_db / 20) if fader.on else 0.0


def _windows(session: Session, found: Analysis, take: Take, names: Sequence[str], most: int) -> list[_Window]:
    """Mics and mix around hits of all drums."""
    by_drum: dict[str, list[Hit]] = {}
    for hit in found.hits:
        if hit.take == take.name:
            by_drum.setdefault(hit.drum, []).append(hit)
    share = max(1, most // max(1, len(by_drum)))
    chosen = {hit.onset: hit for each in by_drum.values()
              for hit in [each[i] for i in np.linspace(0, len(each) - 1, min(share, len(each))).astype(int)]}
    rate, pad = take.sample_rate, round(LAG_S * take.sample_rate)
    mine = [n for n in names if n in {m.name for m in take.mics}]
    with TakeReader(session.root, take, mine, dtype="float64") as reader:
        out = []
        for onset in sorted(chosen):
            x = reader.read(onset - round(BEFORE_S * rate) - pad, onset + round(AFTER_S * rate) + pad)
            full = np.zeros((len(names), x.shape[1]))
            full[[names.index(n) for n in mine]] = x
            out.append(_Window(chosen[onset], full))
    return out


def _lag(take: Take, windows: Sequence[_Window], mono: Floats, mics: int) -> int:
    """Frames by which a take's mix lags: the peak of the cross-correlations of all its windows with the sum of the
    mics.
    """
    pad = round(LAG_S * take.sample_rate)
    total = np.zeros(2 * pad + 1)
    for window in windows:
        total += cross_correlation(window.x[mics:].sum(axis=0), (mono @ window.x[:mics])[:, pad:-pad])[0]
    lag = int(np.abs(total).argmax()) - pad
    if abs(lag) >= pad:
        raise SettingsError(f"{take.name}: the mix is more than {LAG_S * 1e3:.0f} ms off its mics: give one of "
                            "the same take, exported from the same start")
    return lag


_Lined = tuple[Hit, Floats, Floats, int]
"""A hit, its mics and its aligned mix, and their sample rate."""


def _left_bands(lined: Sequence[_Lined], gains: Floats) -> tuple[float | None, ...]:
    """Residual of the fit in each octave, dB re the mix there."""
    left, there = [], []
    for _, x, y, rate in lined:
        energy = float((y**2).sum())
        if energy > 0:
            left.append(octave_energies(y - gains @ x, rate) / energy)
            there.append(octave_energies(y, rate) / energy)
    rest, whole = np.sum(left, axis=0), np.sum(there, axis=0)
    return tuple(10 * math.log10(max(a, 1e-12 * b) / b) if b > 0 else None for a, b in zip(rest, whole, strict=True))


def _hard_db(lined: Sequence[_Lined], gains: Floats) -> float | None:
    """How the mix's gain differs between the harder and the softer half of each drum's strokes, dB."""
    by_drum: dict[str, list[tuple[float, float]]] = {}
    for hit, x, y, _ in lined:
        said = gains @ x
        own, both = float((said**2).sum()), float((said * y).sum())
        if hit.level_db is not None and own > 0 and both > 0:
            by_drum.setdefault(hit.drum, []).append((hit.level_db, 20 * math.log10(both / own)))
    hard: list[float] = []
    soft: list[float] = []
    for each in by_drum.values():
        if len(each) >= LEAST_OF_A_DRUM:
            ordered, half = [gain for _, gain in sorted(each)], len(each) // 2
            usual = float(np.median(ordered))
            soft += [gain - usual for gain in ordered[:half]]
            hard += [gain - usual for gain in ordered[-half:]]
    return float(np.median(hard) - np.median(soft)) if hard else None


def _faders(names: Sequence[str], gains: Floats,
            computed: Mapping[str, Fader]) -> tuple[dict[str, Fader], list[Problem]]:
    """Weights as gain, pan and polarity."""
    out, told = {}, []
    most = float(np.sqrt((gains**2).sum(axis=0)).max(initial=1e-12))
    for k, name in enumerate(names):
        sides = gains[:, k]
        size = float(np.sqrt((sides**2).sum()))
        level = 20 * math.log10(max(size, 1e-9))
        if level < 20 * math.log10(most) + OFF_DB:
            out[name] = replace(computed[name], on=False)
            continue
        sign = 1 if sides[int(np.abs(sides).argmax())] > 0 else -1
        pan = computed[name].pan
        if len(sides) == 2:
            if min(abs(sides)) > 0.1 * max(abs(sides)) and sides[0] * sides[1] < 0:
                told.append(Problem(name, "has opposite polarity left and right in the mix, which no pan can match",
                                    "set it under [balance] by hand"))
            pan = math.atan2(abs(sides[1]), abs(sides[0])) * 4 / math.pi - 1
        else:  # one side of a mix in mono: as loud as in the middle
            level += 20 * math.log10(math.sqrt(2))
            pan = 0.0
        out[name] = Fader(round(min(max(level, -60.0), 24.0), 1), round(pan, 2) + 0.0, sign, on=True)
    return out, told
