"""Mixdown: the one-shots of a finished kit mixed down by its balance, as they sound when played.

Reads the kit's own files, so that what was trimmed, repaired or processed outside is included.

In a lite kit one file stands in place of a hit's mics. It is left and right of a bus that only the kit has: a pair of
role ``bus``, without sources, panned hard at 0 dB. So whoever reads files by their mics and the balance gets the mix.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import chain, count
from pathlib import Path

import numpy as np

from oneshot.audio.io import read_audio
from oneshot.audio.loudness import sample_peak_dbfs
from oneshot.core.cache.results import Kind, kept, recalled, sound_of
from oneshot.core.records.kit import Fader, OneShot, Sample, TakeNoise
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Mic, Problem, Session
from oneshot.cutting.mix.balance import mix

LEVEL_S = 0.3
"""Window of a hit's level, as in the manifest's ``level_db``."""

LABEL = "mix"
"""What its file's name says in place of a mic."""

NAME = "mixdown"
"""Name of the bus of a lite kit, unless a mic of the session has it."""

NOISE_BELOW_DB = 60.0
"""Noise nearer than this to the hardest hit is audible in its tail (common practice, no source)."""


def stereo(folder: Path, shot: OneShot, balance: Mapping[str, Fader], most: int | None = None) -> tuple[Floats, int]:
    """A one-shot as it sounds by the balance: (float64 (2, frames), full scale 1.0; sample rate in Hz).

    Mics that are off and files that do not play stay out; what is a mixdown already is heard as it is. ``most``: read
    no more than so many frames.
    Raises AudioError where a file cannot be read.
    """
    parts, rate = [], 0
    for sample in shot.files:
        x, header = read_audio(folder / sample.path, most)
        parts.append((sample, x))
        rate = header.sample_rate
    return mixed(parts, balance), rate


def close(shot: OneShot) -> OneShot:
    """A one-shot as the mapping of the close mics plays it: no far file sounds."""
    return replace(shot, close_only=False, files=tuple(replace(f, plays=not f.far) for f in shot.files),
                   mix_db=shot.mix_db if shot.close_db is None else shot.close_db)


def sum_key(shot: OneShot, balance: Mapping[str, Fader]) -> Hashable:
    """All that the balanced sum of a one-shot depends on."""
    return (tuple((sound_of(f.sha256), f.inverted, f.mics, f.plays) for f in shot.files),
            tuple((mic, balance.get(mic)) for f in shot.files for mic in f.mics))


def mixed(parts: Iterable[tuple[Sample, Floats]], balance: Mapping[str, Fader]) -> Floats:
    """Files of a one-shot, each with its float64 (channels, frames), mixed to (2, frames) as in ``stereo``."""
    out = np.zeros((2, 0))
    for sample, x in parts:
        if not sample.plays:
            continue
        if sample.mixdown:
            out = _sum(out, x)
            continue
        sign = -1.0 if sample.inverted else 1.0  # the file is turned already: the balance must not turn it back
        known = {mic: balance[mic] for mic in sample.mics if mic in balance}
        out = _sum(out, sign * mix(dict(zip(sample.mics, x, strict=True)), known))
    return out


def bus_of(session: Session) -> tuple[Mic, Mic]:
    """Left and right of the bus that mixdowns of this session are files of; no mic or pair has its name yet."""
    taken = {name.casefold() for take in session.takes for mic in take.mics for name in (mic.name, mic.pair or "")}
    pair = next(name for name in chain([NAME], (f"{NAME} {n}" for n in count(2)))
                if not {name, f"{name} l", f"{name} r"} & taken)
    left, right = (Mic(f"{pair} {side}", Role.BUS, pair=pair, side=side, recorded=False) for side in "LR")
    return left, right


def with_bus(session: Session, balance: Mapping[str, Fader],
             bus: tuple[Mic, Mic]) -> tuple[Session, dict[str, Fader]]:
    """The session and the balance of a lite kit: in every take the bus, hard left and right at 0 dB."""
    takes = tuple(replace(take, mics=(*take.mics, *bus)) for take in session.takes)
    left, right = bus
    return replace(session, takes=takes), {**balance, left.name: Fader(0.0, -1.0), right.name: Fader(0.0, 1.0)}


def with_levels(folder: Path, shots: Sequence[OneShot], balance: Mapping[str, Fader],
                sample_rates: Mapping[int, int]) -> tuple[OneShot, ...]:
    """The one-shots with the levels of their balanced sums filled in, of what plays and of the close mics.

    ``sample_rates``: of each hit's take, for files that were not converted. Raises AudioError where a file cannot be
    read.
    """
    out = []
    for shot in shots:
        onset = shot.files[0].onset_frame
        rate = shot.files[0].sample_rate or sample_rates[shot.hit]
        levels = [level_db(stereo(folder, each, balance, onset + round(LEVEL_S * rate))[0], rate, onset)
                  for each in _ways(shot)]
        out.append(with_level(shot, (levels[0], levels[-1])))
    return tuple(out)


Levels = tuple[float | None, float | None]
"""Levels of the balanced sum of a one-shot, of what plays and of the close mics, dB."""

PEAKS: Kind[tuple[float | None, ...]] = Kind("peaks-of-sums", tuple[float | None, ...])
"""The sample peak of a balanced sum, dBFS, None for silence: by ``sum_key``."""


def levelled(shot: OneShot, parts: Sequence[tuple[Sample, Floats]], balance: Mapping[str, Fader], rate: int) -> Levels:
    """Levels of a one-shot's balanced sums from its files, each with its float64 (channels, frames), at ``rate`` Hz.
    Their peaks are kept: a SoundFont holds these sums.
    """
    found = []
    for each in _ways(shot):
        x = mixed([(sample, x) for sample, (_, x) in zip(each.files, parts, strict=True)], balance)
        kept(PEAKS, sum_key(each, balance), (sample_peak_dbfs(x),))
        found.append(level_db(x, rate, parts[0][0].onset_frame))
    return found[0], found[-1]


def peak_dbfs(folder: Path, shot: OneShot, balance: Mapping[str, Fader]) -> float | None:
    """Sample peak of a one-shot's balanced sum, dBFS; None for silence. AudioError where no file can be read."""
    return recalled(PEAKS, sum_key(shot, balance),
                    lambda: (sample_peak_dbfs(stereo(folder, shot, balance)[0]),))[0]


def _ways(shot: OneShot) -> tuple[OneShot, ...]:
    """A one-shot as it plays in the kit's mapping and in that of the close mics; once where that is the same."""
    other = close(shot)
    same = all(a.plays == b.plays for a, b in zip(shot.files, other.files, strict=True))
    return (shot,) if same else (shot, other)


def with_level(shot: OneShot, levels: Levels) -> OneShot:
    """A one-shot with the levels of its balanced sums; that of the close mics where it is another."""
    return replace(shot, mix_db=levels[0], close_db=None if levels[1] == levels[0] else levels[1])


def noise_shares(shot: OneShot, balance: Mapping[str, Fader], noise: TakeNoise) -> dict[str, float]:
    """Mic -> power of its steady noise in a one-shot as it sounds by the balance, full scale 1.0, both sides added.

    Noises of different mics are unrelated, so their powers add; panning keeps them as they are. Mics that are off,
    digitally silent or not measured stay out.
    """
    out = {}
    for sample in shot.files:
        for mic in (sample.mix_of or sample.mics) if sample.plays else ():
            fader, level = balance.get(mic), noise.noise_dbfs.get(mic)
            if fader is not None and fader.on and level is not None:
                out[mic] = 10 ** ((level + fader.gain_db + sample.gain_db) / 10)
    return out


def noise_problems(shots: Sequence[OneShot], balance: Mapping[str, Fader], noise: Sequence[TakeNoise],
                   takes: Mapping[int, str]) -> list[Problem]:
    """What to report where the summed noise of one hit's mics comes within ``NOISE_BELOW_DB`` of the hardest hit: the
    noisiest hit, and the mic that contributes most.

    ``takes``: hit -> its take. Nothing where no level is known, or every mic is digitally silent.
    """
    by_take = {each.take: each for each in noise}
    loudest = max((shot.mix_db for shot in shots if shot.mix_db is not None), default=None)
    found = [(sum(shares.values()), shares, shot) for shot in shots if takes[shot.hit] in by_take
             for shares in [noise_shares(shot, balance, by_take[takes[shot.hit]])] if sum(shares.values()) > 0]
    if loudest is None or not found:
        return []
    power, shares, shot = max(found, key=lambda each: each[0])
    below = loudest - 10 * float(np.log10(power))
    if below >= NOISE_BELOW_DB:
        return []
    worst = max(sorted(shares), key=lambda mic: shares[mic])
    return [Problem("balance", f"the summed noise of all mics of {shot.drum}, {shot.articulation} is only "
                    f"{below:.0f} dB below the hardest hit of the kit; {shares[worst] / power:.0%} of it comes from "
                    f"{worst}", f"turn {worst} down or off under [balance], or cut shorter tails")]


def _sum(a: Floats, b: Floats) -> Floats:
    """Two stereo signals added from their starts."""
    if a.shape[1] < b.shape[1]:
        a, b = b, a
    out = a.copy()
    out[:, :b.shape[1]] += b
    return out


def level_db(x: Floats, sample_rate: int, onset_frame: int) -> float | None:
    """Level of a mixed one-shot: 10·log10 of the mean square over its first 300 ms, both sides added; None for
    silence.

    ``x``: float64 (2, frames); ``onset_frame``: the attack. What ends earlier is taken as silent from there on.
    """
    length = round(LEVEL_S * sample_rate)
    part = x[:, onset_frame:onset_frame + length]
    power = float(np.sum(part**2)) / length
    return 10 * float(np.log10(power)) if power > 0 else None
