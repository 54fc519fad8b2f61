"""Learned: the balance of a rough mix, told from the mix itself.

A mix of faders is a weighted sum of its mics. So the weights come by least squares of the mics onto each side of it
(Gauss; any textbook of linear models), over windows at the hits of all drums, each window weighted by one over its
energy in the mix, so that the kick does not decide everything. A small ridge towards the computed balance settles what
the recording leaves open, as two mics that hear the same. What the sum does not explain is told: a compressor, an
equaliser or an effect is no fader.

Before that the mix is brought into line, take by take, since each was exported by itself: its lag behind the mics is
where the sum of the mics is most like it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import correlate

from oneshot.audio import TakeReader
from oneshot.blend import pan_gains
from oneshot.found import Analysis
from oneshot.model import Fader, Floats, Mic, Problem, Role, Session, SettingsError, Take

BEFORE_S, AFTER_S = 0.01, 0.3
"""What is compared around a hit."""
MOST_HITS = 240
"""Hits that are read, spread evenly over the takes and drums."""
LAG_S = 0.1
"""A mix that lags by more than this was not made of these takes."""
RIDGE = 1e-5
"""Of a mic's own energy: it moves a well-known fader by a thousandth of a dB."""
EXPLAINED_DB = -20.0
"""A sum of faders leaves less than this of its mix (common practice, no source)."""
OFF_DB = -40.0
"""A mic this far below the loudest is off: it does nothing in the mix."""
PARTNER_SIDES = ("L", "R")


@dataclass(frozen=True, slots=True)
class Learned:
    """A balance learned from a mix: its faders, what of the mix they leave unexplained (dB), by how many frames the mix
    lags behind the mics of each take, and what to tell.
    """

    faders: Mapping[str, Fader]
    left_db: float
    lag_frames: Mapping[str, int]
    problems: tuple[Problem, ...]


def learn_balance(session: Session, found: Analysis, computed: Mapping[str, Fader], bus: str) -> Learned:
    """The balance of the mix ``bus``: the name of a mic or pair whose role is bus.

    ``computed``: the balance to lean on. Raises SettingsError where no take holds such a bus, where it is mono in one
    and stereo in another, silent, or too far behind the mics; AudioError where a file cannot be read.
    """
    takes = [(take, sides) for take in session.takes if (sides := _sides(take, bus))]
    if not takes:
        there = sorted({m.pair or m.name for take in session.takes for m in take.mics if m.role is Role.BUS})
        raise SettingsError(f"mix.learn_from names {bus!r}, which is no bus of the session: "
                            + (f"choose one of {', '.join(there)}" if there else "it has none"))
    if len({len(sides) for _, sides in takes}) > 1:
        told_sides = ", ".join(f"{take.name} {'stereo' if len(sides) == 2 else 'mono'}" for take, sides in takes)
        raise SettingsError(f"mix.learn_from: {bus!r} is not alike in all takes ({told_sides}): give one of one kind, "
                            "or leave it out of the others")
    mics = {m.name for take, _ in takes for m in take.mics if m.role is not Role.BUS}
    names = [name for name in computed if name in mics]
    each = max(1, MOST_HITS // len(takes))
    read = {take.name: _windows(session, found, take, [*names, *sides], each) for take, sides in takes}
    channels = len(takes[0][1])
    mono = np.array([[abs(sum(pan_gains(computed[n].pan)) * _factor(computed[n])) for n in names]])
    lags = {take.name: _lag(take, read[take.name], mono, len(names)) for take, _ in takes
            if any(window[len(names):].any() for window in read[take.name])}
    if not lags:
        raise SettingsError(f"mix.learn_from: {bus!r} is silent wherever a hit was found: give a mix of these takes")
    grams = [_gram(window, len(names), lag) for name, lag in lags.items() for window in read[name]]
    a = np.sum([g[0] for g in grams], axis=0)
    b = np.sum([g[1] for g in grams], axis=0)
    whole = float(np.sum([g[2] for g in grams]))
    lean = np.array([[_factor(computed[n]) * (pan_gains(computed[n].pan)[side] if channels == 2 else 1.0)
                      for n in names] for side in range(channels)])
    gains = _solve(a, b, lean)
    left = whole - 2 * float((gains * b).sum()) + float(np.einsum("cm,mn,cn->", gains, a, gains))
    left_db = 10 * math.log10(max(left, 1e-12) / max(whole, 1e-12))
    faders, told = _faders(names, gains, computed)
    if left_db > EXPLAINED_DB:
        told.append(Problem(bus, f"faders explain it but for {left_db:.0f} dB: compression, equalising or effects are "
                                 "no balance", "learn from a mix of faders alone, or set [balance] by hand"))
    return Learned({**computed, **faders}, left_db, lags, tuple(told))


def _sides(take: Take, bus: str) -> list[str]:
    """The mics of a bus in a take: left and right of a pair, or one."""
    mine: list[Mic] = [m for m in take.mics if m.role is Role.BUS and bus in (m.name, m.pair)]
    if len(mine) == 2 and {m.side for m in mine} == set(PARTNER_SIDES):
        return [m.name for m in sorted(mine, key=lambda m: PARTNER_SIDES.index(m.side or "L"))]
    return [m.name for m in mine if m.name == bus][:1]


def _factor(fader: Fader) -> float:
    return fader.polarity * 10 ** (fader.gain_db / 20) if fader.on else 0.0


def _windows(session: Session, found: Analysis, take: Take, names: Sequence[str], most: int) -> list[Floats]:
    """What mics and mix hold around hits of all drums (mics and sides, frames), with room for the lag beside it."""
    by_drum: dict[str, list[int]] = {}
    for hit in found.hits:
        if hit.take == take.name:
            by_drum.setdefault(hit.drum, []).append(hit.onset)
    share = max(1, most // max(1, len(by_drum)))
    onsets = sorted({onset for each in by_drum.values()
                     for onset in [each[i] for i in np.linspace(0, len(each) - 1, min(share, len(each))).astype(int)]})
    rate, pad = take.sample_rate, round(LAG_S * take.sample_rate)
    mine = [n for n in names if n in {m.name for m in take.mics}]
    with TakeReader(session.root, take, mine, dtype="float64") as reader:
        out = []
        for onset in onsets:
            x = reader.read(onset - round(BEFORE_S * rate) - pad, onset + round(AFTER_S * rate) + pad)
            full = np.zeros((len(names), x.shape[1]))
            full[[names.index(n) for n in mine]] = x
            out.append(full)
    return out


def _lag(take: Take, windows: Sequence[Floats], mono: Floats, mics: int) -> int:
    """Frames by which a take's mix lags: where the correlations of all its windows with the sum of the mics peak."""
    pad = round(LAG_S * take.sample_rate)
    total = np.zeros(2 * pad + 1)
    for window in windows:
        mix, part = window[mics:].sum(axis=0), (mono @ window[:mics])[0, pad:-pad]
        norm = float(np.sqrt((part**2).sum() * (mix**2).sum()))
        if norm > 0:
            total += correlate(mix, part, "valid") / norm
    lag = int(np.abs(total).argmax()) - pad
    if abs(lag) >= pad:
        raise SettingsError(f"{take.name}: the mix lies more than {LAG_S * 1e3:.0f} ms away from its mics: give one of "
                            "the same take, exported from the same start")
    return lag


def _gram(window: Floats, mics: int, lag: int) -> tuple[Floats, Floats, float]:
    """Products of the mics among themselves and with the mix, and the mix's energy, over a window of weight one."""
    pad = (window.shape[1] - 1) // 2
    pad = min(pad, abs(lag) + 1)
    x = window[:mics, pad:-pad]
    y = window[mics:, pad + lag : window.shape[1] - pad + lag]
    energy = float((y**2).sum())
    if energy <= 0:
        return np.zeros((mics, mics)), np.zeros((len(y), mics)), 0.0
    return x @ x.T / energy, y @ x.T / energy, 1.0


def _solve(a: Floats, b: Floats, lean: Floats) -> Floats:
    """Weights (sides, mics): least squares with a ridge towards ``lean``, scaled to the mix."""
    own = RIDGE * (np.diag(a) + 1e-12 * max(float(np.trace(a)), 1e-30))
    scale = (lean * b).sum() / max(float(np.einsum("cm,mn,cn->", lean, a, lean)), 1e-30)
    return np.asarray(np.linalg.solve(a + np.diag(own), (b + own * scale * lean).T).T, np.float64)


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
                told.append(Problem(name, "stands in the mix with its sides against each other, which is no place "
                                          "between left and right", "set it under [balance] by hand"))
            pan = math.atan2(abs(sides[1]), abs(sides[0])) * 4 / math.pi - 1
        else:  # one side of a mix in mono: as loud as in the middle
            level += 20 * math.log10(math.sqrt(2))
            pan = 0.0
        out[name] = Fader(round(min(max(level, -60.0), 24.0), 1), round(pan, 2) + 0.0, sign, on=True)
    return out, told
