"""Sound: what the page hears and draws of the recordings and of the kit's own files.

Windows of a take come from the source as it was recorded; all mics of a window start together.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from oneshot.audio import loudness
from oneshot.audio.io import TakeReader, long_wav, long_wav_head, read_audio, wav_bytes
from oneshot.core.errors import KitError
from oneshot.core.files import inside
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import OneShot
from oneshot.core.records.session import Floats, Floats32, Mic, Take
from oneshot.cutting.mix import balance
from oneshot.review.state import Desk

MOST_S = 30.0
"""Longest window that is read at once."""
BLOCK = 2**16
"""Frames of all mics that are in memory for one request."""
MOST_POINTS = 4000
LIFT_DB = 30.0
CEILING_DBFS = -12.0
"""How far a tail is lifted, and the level that nothing passes then."""
LIFT_FROM_S, LIFT_TO_S = 0.05, 0.25
"""After the attack: where the lift begins, and where it is complete."""
BANDS_HZ = 1000.0 * 10 ** (np.arange(-15, 14) / 10)
"""Middles of third-octave bands from 31.5 Hz to 20 kHz (IEC 61260-1: base-ten exact frequencies)."""
SPECTRUM_S, RISE_S = 0.2, 0.005
"""How much of a hit its spectrum shows, and over how long before it the window rises."""


class Recordings:
    """The takes of a session, opened once and read by one request at a time."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._lock = threading.Lock()
        self._readers: dict[tuple[str, ...], TakeReader] = {}

    def mics(self, take: Take) -> tuple[Mic, ...]:
        """The mics that are heard: no talkback, no trigger."""
        return tuple(mic for mic in take.mics if mic.role.means.plays)

    def take(self, name: str) -> Take:
        """A take of the session. Raises KitError."""
        try:
            return self._desk.heard.take(name)
        except KeyError:
            raise KitError(f"the session has no take {name}") from None

    def read(self, name: str, start: int, stop: int, mics: tuple[str, ...] = ()) -> Floats32:
        """Frames [start, stop) as float32 (mics, frames); ``mics``: these alone.

        Raises KitError where that is too long, AudioError.
        """
        self._check(name, start, stop)
        take = self.take(name)
        with self._lock:
            key = (name, *mics)
            if key not in self._readers:
                self._readers[key] = TakeReader(self._desk.session.root, take,
                                                mics or [m.name for m in self.mics(take)])
            out: Floats32 = self._readers[key].read(start, stop)
            return np.nan_to_num(out, copy=False, nan=0.0, posinf=0.0, neginf=0.0)

    def _check(self, name: str, start: int, stop: int) -> None:
        """Raise KitError for a window that is too long or too far from the take."""
        take = self.take(name)
        if not 0 < stop - start <= MOST_S * take.sample_rate or abs(start) > take.frames + MOST_S * take.sample_rate:
            raise KitError(f"a window is at most {MOST_S:g} s long and within the take")

    def close(self) -> None:
        """Close all files."""
        with self._lock:
            for reader in self._readers.values():
                reader.close()
            self._readers.clear()

    # ------------------------------------------------------------------------------------------------------- windows

    def blocks(self, name: str, start: int, stop: int) -> Iterator[Floats32]:
        """The same in blocks, for windows of any number of mics. Raises as ``read``, too long a window at once."""
        self._check(name, start, stop)
        return (self.read(name, at, min(at + BLOCK, stop)) for at in range(start, stop, BLOCK))

    def wav(self, name: str, start: int, stop: int) -> tuple[int, Iterator[bytes]]:
        """A window as a float WAV with a channel per mic: its size in bytes, and the bytes piece by piece."""
        blocks, take = self.blocks(name, start, stop), self.take(name)
        shape = (stop - start, len(self.mics(take)), take.sample_rate, "FLOAT")
        return len(long_wav_head(*shape)) + 4 * shape[0] * shape[1], long_wav(blocks, *shape)

    def peaks(self, name: str, start: int, stop: int, points: int) -> NDArray[np.int16]:
        """The outline of a window, as ``peaks`` has it."""
        self._check(name, start, stop)
        points = max(1, min(points, MOST_POINTS, stop - start))
        parts = -(-(stop - start) // (points * BLOCK))  # of each point, so that none needs more than a block
        count = points * parts
        edges = [start + n * (stop - start) // count for n in range(count + 1)]
        step = max(1, BLOCK * count // (stop - start))  # so many parts, a block's worth of frames at a time
        found = np.concatenate([outline(self.read(name, edges[n], edges[min(n + step, count)]),
                                        np.array(edges[n:min(n + step, count)]) - edges[n])
                                for n in range(0, count, step)], axis=1)
        found = found.reshape(len(found), points, parts, 2)
        return np.stack([found[..., 0].min(axis=2), found[..., 1].max(axis=2)], axis=2)

    def lifted(self, hit: Hit, stop: int, mic: str | None = None) -> bytes:
        """A hit from its attack on, by the balance or in one mic, its tail lifted, as a stereo float WAV."""
        take = self.take(hit.take)
        names = [m.name for m in self.mics(take)]
        if mic is not None and mic not in names:
            raise KitError(f"there is no mic {mic}")
        made = []
        for at, x in zip(range(0, stop - hit.onset, BLOCK), self.blocks(hit.take, hit.onset, stop), strict=True):
            rows = dict(zip(names, x.astype(np.float64), strict=True))
            mix = balance.mix(rows, self._desk.balance()) if mic is None else np.stack([rows[mic], rows[mic]])
            made.append(lift(mix, take.sample_rate, at))
        return wav_bytes(np.concatenate(made, axis=1), take.sample_rate)

    def lufs(self, hit: Hit, stop: int) -> float | None:
        """Momentary loudness of a hit by the balance (LUFS); None for silence."""
        take = self.take(hit.take)
        length = max(stop - hit.onset, round(0.5 * take.sample_rate))
        x = self.read(hit.take, hit.onset, hit.onset + length).astype(np.float64)
        rows = {m.name: row for m, row in zip(self.mics(take), x, strict=True)}
        return loudness.momentary_max_lufs(balance.mix(rows, self._desk.balance()), take.sample_rate)

    def spectra(self, hit: Hit) -> list[list[float | None]]:
        """Third-octave levels (dBFS, mean square) of each mic over the hit's first 200 ms."""
        rate = self.take(hit.take).sample_rate
        x = self.read(hit.take, hit.onset - round(RISE_S * rate), hit.onset + round(SPECTRUM_S * rate))
        return [spectrum(row.astype(np.float64), rate) for row in x]


def lift(x: Floats, sample_rate: int, first: int = 0) -> Floats:
    """A hit that begins at frame 0 with its tail 30 dB up and nothing above -12 dBFS: float64 (2, frames), from frame
    ``first`` on.

    Whatever the hit or the balance, no sample passes the ceiling: a loud stroke lifted by 30 dB could hurt.
    """
    time = np.arange(first, first + x.shape[1]) / sample_rate
    gain_db = LIFT_DB * np.clip((time - LIFT_FROM_S) / (LIFT_TO_S - LIFT_FROM_S), 0, 1)
    limit = 10 ** (CEILING_DBFS / 20)
    out: Floats = np.clip(x * 10 ** (gain_db / 20), -limit, limit)
    return out


def peaks(x: Floats32, points: int) -> NDArray[np.int16]:
    """Least and greatest sample of equal stretches: int16 (mics, points, 2), 32767 is full scale."""
    points = max(1, min(points, MOST_POINTS, x.shape[1]))
    return outline(x, np.arange(points) * x.shape[1] // points)


def outline(x: Floats32, edges: NDArray[np.int64]) -> NDArray[np.int16]:
    """The same of stretches that begin at these frames."""
    ends = np.stack([np.minimum.reduceat(x, edges, axis=1), np.maximum.reduceat(x, edges, axis=1)], axis=2)
    out: NDArray[np.int16] = np.rint(np.clip(ends, -1, 1) * 32767).astype("<i2")
    return out


def spectrum(x: Floats, sample_rate: int) -> list[float | None]:
    """Third-octave levels of one signal (dB, mean square re full scale 1.0); None above half the sample rate."""
    rise = round(RISE_S * sample_rate)
    window = np.concatenate([np.hanning(2 * rise)[:rise], np.hanning(2 * (len(x) - rise))[len(x) - rise:]])
    power = np.abs(np.fft.rfft(x * window)) ** 2 * 2 / (len(x) * np.sum(window**2))
    hz = np.fft.rfftfreq(len(x), 1 / sample_rate)
    out: list[float | None] = []
    for middle in BANDS_HZ:
        inside_band = (hz >= middle * 10**-0.05) & (hz < middle * 10**0.05)
        known = inside_band.any() and middle < sample_rate / 2.3
        out.append(round(10 * float(np.log10(power[inside_band].sum() + 1e-15)), 1) if known else None)
    return out


def shot_wav(desk: Desk, shot: OneShot) -> tuple[bytes, Sequence[str]]:
    """What sounds of a one-shot in the kit, its own files as a float WAV with a channel per mic, and those mics; signs
    as recorded. Mics that mappings leave out are left out here, too.

    Raises KitError where a file lies outside the kit, AudioError where one cannot be read.
    """
    rows, names, rate = [], [], 48000
    for sample in (each for each in shot.files if each.plays):
        path = inside(desk.folder, sample.path)
        if path is None:
            raise KitError(f"{desk.folder}: its manifest names a file outside the kit")
        x, header = read_audio(path)
        rate = header.sample_rate
        rows += [-row if sample.inverted else row for row in x]
        names += list(sample.mics)
    length = max((len(row) for row in rows), default=0)
    out = np.stack([np.pad(row, (0, length - len(row))) for row in rows]).astype(np.float32)
    return wav_bytes(out, rate), names
