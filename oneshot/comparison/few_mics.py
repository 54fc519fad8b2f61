"""Few mics: which of them carry most of the balance, and what each of them costs.

*What carries.* The computed balance mixes all mics. One after the other that mic is taken, or that pair, with which
those taken so far come nearest to this mix: by least squares, each at its best level and pan, as a share of the mix's
energy, every drum counting alike (greedy forward selection; a mic that only repeats what others hold adds nothing).
Beside it stands how far the spectrum of what they reproduce lies from that of the mix, third octave by third octave
(IEC 61260-1, base ten; from memory).

*What it costs.* Space in a kit by the default recipe, and hiss: its noise floor, raised by its fader, against that of
all mics of the balance together.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from oneshot.analysis.result import Analysis
from oneshot.comparison.windows import Windows
from oneshot.config.recipe import Recipe
from oneshot.core.lazy import later
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Fader
from oneshot.core.records.session import Floats, Session, Take
from oneshot.cutting.mix.balance import pan_gains
from oneshot.cutting.mix.fit import solve
from oneshot.cutting.space import HEADER_BYTES, LOOK_S

fft = later("scipy.fft")

LENGTH_S = 0.3
THIRDS_HZ = tuple(1000 * 10 ** (0.1 * n) for n in range(-14, 13))
"""Centres of the third octaves, 40 Hz to 16 kHz by their nominal names."""
HALF = 10**0.05
HEARD_DB = -30.0
"""Third octaves this far below the strongest count for nothing in how far a spectrum is off."""
ENOUGH = 0.95
"""Of the mix: more mics are not listed. (common practice, no source)"""


@dataclass(frozen=True, slots=True, eq=False)
class Shared:
    """What the mics of a take have in common over the hits of its drums, every drum counting alike.

    ``whole``: float64 (mics, mics), products of the mics, the balanced mix having energy 1; ``thirds``: float64 (drums,
    bands, mics, mics), the same of each drum by third octaves; ``balance``: float64 (sides, mics), the mix's weights.
    """

    mics: tuple[str, ...]
    whole: Floats
    thirds: Floats
    balance: Floats


@dataclass(frozen=True, slots=True)
class Carrier:
    """The next mic, or pair, that carries most: with those before it ``percent`` of the balanced mix are reproduced,
    its third octaves ``off_db`` off in the mean.
    """

    mics: tuple[str, ...]
    percent: float
    off_db: float


@dataclass(frozen=True, slots=True)
class Cost:
    """What a mic costs: ``hits`` that it would have files of in a kit by the default recipe, about ``megabytes`` in
    all; ``hiss_dbfs``: its noise in the balance, ``hiss_db``: the same against all mics of the balance together; both
    None where it is silent between hits or off.
    """

    mic: str
    hits: int
    megabytes: float
    hiss_dbfs: float | None
    hiss_db: float | None


def shared(names: Sequence[str], heard: Iterable[Windows], balance: Mapping[str, Fader]) -> Shared | None:
    """Of windows of each drum of one take in these mics; None where nothing of the balance sounds there."""
    weights = np.array([_sides(balance.get(name)) for name in names]).reshape(len(names), 2).T
    drums, thirds = [], []
    for each in heard:
        bands = sum(_thirds(each.together(row, LENGTH_S), each.sample_rate) for row in range(len(each.hits)))
        energy = float(np.einsum("cm,bmn,cn->", weights, bands, weights))
        if energy > 0:
            thirds.append(bands / energy)
            drums.append(np.sum(thirds[-1], axis=0))
    return Shared(tuple(names), np.mean(drums, axis=0), np.array(thirds), weights) if drums else None


def carriers(known: Shared, units: Sequence[tuple[str, ...]]) -> list[Carrier]:
    """Mics or pairs in the order in which they carry most, up to ``ENOUGH`` of the mix."""
    row = {name: k for k, name in enumerate(known.mics)}
    left = [unit for unit in units if all(name in row for name in unit)]
    taken: list[int] = []
    out: list[Carrier] = []
    while left and (not out or out[-1].percent < 100 * ENOUGH):
        tried = [(_share(known, [*taken, *(row[name] for name in unit)]), -n) for n, unit in enumerate(left)]
        share, place = max(tried)
        unit = left.pop(-place)
        taken += [row[name] for name in unit]
        out.append(Carrier(unit, 100 * share, _off_db(known, taken)))
    return out


def costs(session: Session, found: Analysis, balance: Mapping[str, Fader]) -> list[Cost]:
    """Of every mic that has a fader, in their order."""
    noise: dict[str, list[float]] = {}
    for each in found.noise:
        for name, floor in each.noise_dbfs.items():
            if floor is not None and name in balance and balance[name].on:
                noise.setdefault(name, []).append(floor + balance[name].gain_db)
    hiss = {name: float(np.median(floors)) for name, floors in noise.items()}
    total = 10 * float(np.log10(sum(10 ** (each / 10) for each in hiss.values()))) if hiss else 0.0
    files = _files(session, found)
    return [Cost(name, len(files.get(name, ())), sum(files.get(name, ())) / 1e6, hiss.get(name),
                 hiss[name] - total if name in hiss else None) for name in balance]


def _files(session: Session, found: Analysis) -> dict[str, list[float]]:
    """Mic -> bytes of each file of it: its drum's own hits in a close mic, all hits in those that hear the whole kit;
    the hardest to the softest evenly where an articulation has more than the default recipe keeps.
    """
    recipe = Recipe()
    most = recipe.choose.layers * recipe.choose.round_robins
    groups: dict[tuple[str, str], list[Hit]] = {}
    for hit in found.hits:
        if hit.ornament is None and not hit.partners and hit.level_db is not None:
            groups.setdefault((hit.drum, hit.articulation), []).append(hit)
    out: dict[str, list[float]] = {}
    for hits in groups.values():
        for hit in spread_out(hits, most):
            take = session.take(hit.take)
            size = _seconds(found, hit, take) * take.sample_rate * _width(take) + HEADER_BYTES
            for mic in take.mics:
                if mic.role.means.plays and (mic.stands_at(hit.drum) or mic.role.means.whole_kit):
                    out.setdefault(mic.name, []).append(size)
    return out


def spread_out(hits: Sequence[Hit], most: int) -> list[Hit]:
    """Up to so many of the hits, evenly spread from the softest to the hardest."""
    ordered = sorted(hits, key=lambda h: (h.level_db or 0.0, h.id))
    if len(ordered) <= most:
        return ordered
    return [ordered[round(k)] for k in np.linspace(0, len(ordered) - 1, most)]


def _seconds(found: Analysis, hit: Hit, take: Take) -> float:
    """How long a hit's files are: until the next stroke, or until its tail has met the noise in every mic."""
    names = [mic.name for mic in take.mics if mic.role.means.plays]
    ends = [hit.onset + round(LOOK_S * take.sample_rate), take.frames,
            max(found.over.get(hit.id, {}).values(), default=take.frames)]
    follows = found.next_stroke(hit, names, take.sample_rate)
    last: int = min([*ends, *(() if follows is None else (follows,))])
    return max(0, last - hit.onset) / take.sample_rate


def _width(take: Take) -> int:
    """Bytes of a sample in the take's own format."""
    return {"PCM_16": 2, "PCM_24": 3, "DOUBLE": 8}.get(take.subtype, 4)


def _sides(fader: Fader | None) -> tuple[float, float]:
    """Weights of a mic in the mix, left and right; none where it is off."""
    if fader is None or not fader.on:
        return 0.0, 0.0
    left, right = pan_gains(fader.pan)
    factor = fader.polarity * 10 ** (fader.gain_db / 20)
    return factor * left, factor * right


def _thirds(x: Floats, sample_rate: int) -> Floats:
    """Products of mics (bands, mics, mics) in third octaves. ``x``: float64 (mics, frames)."""
    spectrum, hz = fft.rfft(x, axis=1), sample_rate / max(x.shape[1], 1)
    out = []
    for centre in THIRDS_HZ:
        part = spectrum[:, round(centre / HALF / hz) : max(round(centre * HALF / hz), round(centre / HALF / hz) + 1)]
        out.append(np.real(part @ part.conj().T))
    return np.array(out)


def _weights(known: Shared, rows: Sequence[int]) -> Floats:
    """Weights (sides, mics) of some mics that come nearest to the mix, 0 for the others."""
    out = np.zeros_like(known.balance)
    b = known.balance @ known.whole
    own = known.whole[np.ix_(rows, rows)]
    lean = known.balance[:, rows] if np.any(known.balance[:, rows]) else np.ones((2, len(rows)))
    out[:, rows] = solve(own, b[:, rows], lean) if float(np.trace(own)) > 0 else 0.0
    return out


def _share(known: Shared, rows: Sequence[int]) -> float:
    """Share of the mix's energy that some mics reproduce, 0 to 1."""
    rest = known.balance - _weights(known, rows)
    return 1.0 - float(np.einsum("cm,mn,cn->", rest, known.whole, rest))


def _off_db(known: Shared, rows: Sequence[int]) -> float:
    """How far the third octaves of what some mics reproduce lie from the mix's, mean over bands and drums, dB."""
    weights = _weights(known, rows)
    off = []
    for bands in known.thirds:
        mix, part = (np.einsum("cm,bmn,cn->b", w, bands, w) for w in (known.balance, weights))
        loud = mix > mix.max() * 10 ** (HEARD_DB / 10)
        off.append(float(np.mean(np.abs(10 * np.log10(np.maximum(part[loud], 1e-30) / mix[loud])))))
    return float(np.mean(off))
