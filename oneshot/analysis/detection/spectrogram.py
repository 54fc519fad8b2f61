"""Spectrogram: one pass over a take, a short-time Fourier transform summed into bands, from which later stages detect
and sort the hits.

Measured per mic: the energy in ten bands every few milliseconds, the peak, frames at full scale, frames that are NaN or
infinite, and minima and maxima to draw waveforms from. Conventions:

- A step is one short-time spectrum (Hann window). Step i is centred on frame ``i
- hop``; hop is a quarter of the window, the window about 11 ms: short enough that a hit's rise takes four steps, long
  enough to tell a kick (below 140 Hz) from a tom.
- Energies are mean squares re 1.0 (full scale), in dB, kept as float16 (exact to 0.06 dB down to -128 dB), floored at
  -150 dB. Adding the bands of a step gives its mean square.
- The take is read in fixed blocks with a margin of half a window, so that the grid of steps never depends on how many
  blocks go to one worker: chunked equals whole, bit for bit.
- Levels and drawing are as long as the take: they are written into files part by part as they come, and read from there
  in pieces (``core/cache/array_file.py``).

Cost: one real FFT per step and mic; 570 mic-hours of FLAC per hour on one core, 860 on two, decoding included.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from oneshot.analysis.records import Levels, TakeScan
from oneshot.audio.io import BLOCK, TakeReader
from oneshot.core.lazy import later
from oneshot.core.records.session import Floats, Floats32, Take
from oneshot.core.workers import parted, spread

fft = later("scipy.fft")
ndimage = later("scipy.ndimage")
special = later("scipy.special")

BAND_EDGES_HZ = (0.0, 140.0, 280.0, 560.0, 1000.0, 1800.0, 3200.0, 5600.0, 9000.0, 14000.0, 20000.0)
"""Edges of the bands: about an octave each. 20 kHz on top at any rate, so that a kit measures alike at 44.1 and 192
kHz.
"""

FLOOR_DB = -150.0
"""Floor of the energies: below the noise of any converter."""

DRAW_FRAMES = 1024
"""Frames behind one minimum and maximum of the waveform drawing."""

SOUNDING_STEPS = 9
"""Noise is read off steps in whose middle of so many there is sound throughout."""

FULL_SCALE = 0.9999
"""From here on a sample counts as at full scale; a 16-bit file ends at 0.99997."""

QUIET_SHARE = 0.02
"""Share of the steps of a take that is taken to hold noise alone, even in dense playing."""

BLOCKS_PER_TASK = 4
"""Blocks that a worker takes at once, at most: about 20 s at 48 kHz; changes nothing but the number of tasks."""

BATCH_STEPS = 128
"""Steps transformed at once, so few that their spectra stay in the second-level cache and in memory that is at hand:
the same in batches of 512 takes twice as long.
"""

READ_STEPS = 512
"""Steps read at once, a multiple of ``BATCH_STEPS``: 1.4 s at 48 kHz, that all mics of a large kit take 8 MB."""

KEPT_READS = 2
"""Of each file a scan keeps what its next piece begins in, and what that reads."""

PIECE_STEPS = 2**14
"""Steps of a scan looked at at once, to limit memory."""


@dataclass(frozen=True, slots=True, eq=False)
class BlockScan:
    """What one run of blocks of a take yields; the parts are put together by ``join``."""

    level_db: NDArray[np.float16]
    draw: NDArray[np.float32]
    peak: Floats32
    clipped: NDArray[np.int64]
    bad_frame: NDArray[np.int64]


def window_frames(sample_rate: int) -> int:
    """Length of the analysis window in frames: 512 at 44.1 and 48 kHz, doubled with each doubling of the rate."""
    return int(512 * max(1, round(sample_rate / 48000)))


def hop_frames(sample_rate: int) -> int:
    """Frames from step to step: a quarter of the window, 2.7 to 2.9 ms."""
    return window_frames(sample_rate) // 4


def tasks(take: Take) -> list[range]:
    """The blocks of a take in the stretches that are handed to workers one by one."""
    return parted(range(-(-take.frames // BLOCK)), BLOCKS_PER_TASK)


def scan_blocks(reader: TakeReader, take: Take, first: int, last: int) -> BlockScan:
    """Scan the blocks [first, last) of a take.

    Returns levels (mics, steps, bands), waveform drawing (mics, points, 2), and per mic the peak, the count of frames
    at full scale and the first frame that is NaN or infinite (-1: none). Raises AudioError where a file cannot be read.
    """
    mics, hop = len(reader.mics), hop_frames(take.sample_rate)
    begin, end = first * BLOCK, min(last * BLOCK, take.frames)
    out = BlockScan(level_db=np.empty((mics, -(-(end - begin) // hop), len(BAND_EDGES_HZ) - 1), np.float16),
                    draw=np.empty((mics, -(-(end - begin) // DRAW_FRAMES), 2), np.float32),
                    peak=np.zeros(mics, np.float32), clipped=np.zeros(mics, np.int64),
                    bad_frame=np.full(mics, -1, np.int64))
    piece = min(READ_STEPS * hop, BLOCK)  # of a block: its steps are transformed in the same batches
    for start in range(begin, end, piece):
        _scan_piece(reader, take, start, min(start + piece, end), begin, out)
    return out


def _scan_piece(reader: TakeReader, take: Take, start: int, stop: int, begin: int, out: BlockScan) -> None:
    """Scan the frames [start, stop), with the margins that their windows need, into ``out``, which starts at frame
    ``begin``.
    """
    half = window_frames(take.sample_rate) // 2
    audio = reader.read(start - half, stop + half)
    inside = slice(half, half + stop - start)
    drawn = _draw(audio[:, inside])
    # an extreme is no number where any frame behind it is none
    if not all(np.isfinite(x).all() for x in (drawn, audio[:, :half], audio[:, inside.stop :])):
        finite = np.isfinite(audio[:, inside])
        here = np.where(finite.all(axis=1), -1, start + (~finite).argmax(axis=1))
        out.bad_frame[:] = np.where(out.bad_frame >= 0, out.bad_frame, here)
        audio = np.nan_to_num(audio, nan=0.0, posinf=0.0, neginf=0.0)
        drawn = _draw(audio[:, inside])
    peak = np.abs(drawn).max(axis=(1, 2))
    at = (start - begin) // DRAW_FRAMES
    out.draw[:, at : at + drawn.shape[1]] = drawn
    np.maximum(out.peak, peak, out=out.peak)
    at = (start - begin) // hop_frames(take.sample_rate)
    for mic, x in enumerate(audio):
        levels = out.level_db[mic, at : at - (start - stop) // hop_frames(take.sample_rate)]
        if peak[mic] == 0 and not x.any():  # digital black: many tracks hold hours of it
            levels[:] = FLOOR_DB
            continue
        _band_levels(x, take.sample_rate, levels)
        if peak[mic] >= FULL_SCALE:
            out.clipped[mic] += (np.abs(x[inside]) >= FULL_SCALE).sum()


def _band_levels(x: Floats32, sample_rate: int, out: NDArray[np.float16]) -> None:
    """Levels (steps, bands) in dB of one mic's piece, whose first step is centred half a window into ``x``."""
    size, hop, steps, borders = window_frames(sample_rate), hop_frames(sample_rate), len(out), band_bins(sample_rate)
    missing, window = max(0, (steps - 1) * hop + size - len(x)), _window(size)
    x = np.pad(x, (0, missing)) if missing else x
    windows = np.lib.stride_tricks.sliding_window_view(x, size)[::hop][:steps]
    for a in range(0, steps, BATCH_STEPS):
        spectrum = fft.rfft(windows[a : a + BATCH_STEPS] * window, axis=1)
        power = spectrum.real**2
        power += spectrum.imag**2
        energy = np.add.reduceat(power[:, : borders[-1]], borders[:-1], axis=1)
        out[a : a + BATCH_STEPS] = 10 * np.log10(np.maximum(energy, 10 ** (FLOOR_DB / 10)))


@cache
def _window(size: int) -> Floats32:
    """The window by which stretches of ``size`` frames are weighted."""
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    # Parseval: with this scale, twice the sum of the squared magnitudes of a stretch is its windowed mean square.
    window *= np.float32(np.sqrt(2.0 / (size * np.sum(window.astype(np.float64) ** 2))))
    return window


def band_bins(sample_rate: int) -> NDArray[np.int64]:
    """First spectrum bin of each band and, last, the end of the top one; the mean (bin 0) is left out."""
    bins = np.ceil(np.array(BAND_EDGES_HZ) * window_frames(sample_rate) / sample_rate).astype(np.int64)
    bins[0] = 1
    return np.minimum(bins, window_frames(sample_rate) // 2 + 1)


def _draw(x: Floats32) -> NDArray[np.float32]:
    """Minimum and maximum (mics, points, 2) of every 1024 frames."""
    points = -(-x.shape[1] // DRAW_FRAMES)
    missing = points * DRAW_FRAMES - x.shape[1]
    full = np.pad(x, ((0, 0), (0, missing)), mode="edge") if missing else x
    pieces = full.reshape(len(x), points, DRAW_FRAMES)
    return np.stack([pieces.min(axis=2), pieces.max(axis=2)], axis=2)


Made = Callable[[str, tuple[int, ...], DTypeLike], Any]
"""What makes the array of a field, of that shape and type, to be written piece by piece."""


def join(take: Take, parts: Iterable[BlockScan], made: Made | None = None) -> TakeScan:
    """Put the parts of a take together, in order, and estimate each mic's noise.

    ``made`` makes the arrays that are as long as the take, else they are in memory. The noise of a band is read off the
    quietest steps that hold any sound: between the hits nothing else is left, and the digital black of a gated track
    would say nothing. Raises WorkError where what was written cannot be read back.
    """
    mics, hop = len(take.mics), hop_frames(take.sample_rate)
    shapes = ((mics, -(-take.frames // hop), len(BAND_EDGES_HZ) - 1), (mics, -(-take.frames // DRAW_FRAMES), 2))
    made = made or (lambda _, shape, dtype: np.empty(shape, dtype))
    level_db, draw = made("level_db", shapes[0], np.float16), made("draw", shapes[1], np.float32)
    peak, clipped, bad = np.zeros(mics, np.float32), np.zeros(mics, np.int64), np.full(mics, -1, np.int64)
    point = 0
    for part in _levels_written(parts, level_db):
        draw[:, point : point + part.draw.shape[1]] = part.draw
        point += part.draw.shape[1]
        peak, clipped = np.maximum(peak, part.peak), clipped + part.clipped
        bad = np.where(bad >= 0, bad, part.bad_frame)
    return TakeScan(take=take.name, sample_rate=take.sample_rate, hop=hop, level_db=level_db,
                    noise_db=_noise(level_db, take.sample_rate), draw=draw, peak=peak, clipped=clipped, bad_frame=bad)


def measured_again(scanned: TakeScan, parts: Iterable[BlockScan]) -> TakeScan:
    """A scan with the levels of other parts, written over its own, and their noise; all else as it is."""
    for _ in _levels_written(parts, scanned.level_db):
        pass
    return replace(scanned, noise_db=_noise(scanned.level_db, scanned.sample_rate))


def _levels_written(parts: Iterable[BlockScan], level_db: Levels) -> Iterator[BlockScan]:
    """The parts of a take, in order, the levels of each written; none is kept."""
    step = 0
    for part in parts:
        level_db[:, step : step + part.level_db.shape[1]] = part.level_db
        step += part.level_db.shape[1]
        yield part


def _noise(level_db: Levels, sample_rate: int) -> Floats:
    """Mean noise level (mics, bands) in dB, from the quietest fiftieth of the steps that hold any sound.

    A low percentile of noise lies below its mean. The energy of k neighbouring spectrum bins under a Hann window is
    close to a chi-square variable whose degrees of freedom follow from the correlation of neighbours (power correlation
    4/9 and 1/36 for the first and second one; Harris 1978, from memory), so the percentile's distance to the mean is
    known and compensated. Long takes are sampled evenly: 20,000 steps give a percentile to a fraction of a decibel.
    """
    bins = np.diff(band_bins(sample_rate)).astype(np.float64)
    variance = bins + 2 * (np.maximum(bins - 1, 0) * 4 / 9 + np.maximum(bins - 2, 0) / 36)
    freedom = 2 * bins**2 / np.maximum(variance, 1)
    quantile = 2 * special.gammaincinv(freedom / 2, QUIET_SHARE)  # of the chi-square distribution
    below_mean_db = 10 * np.log10(np.maximum(quantile, 1e-12) / np.maximum(freedom, 1e-12))

    def in_mic(m: int) -> Floats:
        """That of one mic (bands,)."""
        sounding = _sounding(level_db[m])
        if len(sounding) < 50:
            return np.full(len(bins), FLOOR_DB)
        return np.asarray(np.percentile(sounding, 100 * QUIET_SHARE, axis=0) - below_mean_db)

    return np.array(spread(in_mic, range(level_db.shape[0])))


def _sounding(level_db: Any) -> Floats:
    """Of every so-manyth of a mic's steps (steps, bands) the levels of those that hold sound, (steps, bands) in dB."""
    steps = level_db.shape[0]
    every, found = max(1, steps // 20000), []
    for a in range(0, steps, PIECE_STEPS):
        lead = max(0, a - SOUNDING_STEPS // 2)
        piece = level_db[lead : min(a + PIECE_STEPS, steps) + SOUNDING_STEPS // 2]
        # steps whose window reaches into digital black hold only part of the noise
        above = (piece.max(axis=1) > FLOOR_DB + 1).astype(np.uint8)
        whole = ndimage.minimum_filter1d(above, SOUNDING_STEPS) > 0
        at = np.arange(-(-a // every) * every, min(a + PIECE_STEPS, steps), every) - lead
        found.append(piece[at[whole[at]]].astype(np.float64))
    return np.concatenate(found)


def offsets(scanned: TakeScan) -> Floats:
    """The DC offset of each mic, float64 (mics,), full scale 1.0: the median midpoint between its extremes in the
    quietest quarter of the take, 0 where the signal there still swings through zero.

    Loud sound need not swing evenly about an offset: a compressor driven hard leans to one side for as long as the
    sound lasts. An offset below the swing of the noise masks nothing.
    """
    return np.array([_offset(scanned.draw[mic, :]) for mic in range(scanned.draw.shape[0])])


def _offset(draw: Floats32) -> float:
    """The same of one mic, by its minima and maxima (points, 2)."""
    low, high = (draw[:, side].astype(np.float64) for side in (0, 1))
    quiet = np.argsort(high - low, kind="stable")[: max(1, len(low) // 4)]
    low, high = low[quiet], high[quiet]
    return float(np.median(np.where((low > 0) | (high < 0), (low + high) / 2, 0.0)))


def digests(scanned: TakeScan) -> list[str]:
    """A hash per mic that is equal where every level and every drawn extreme is, so for equal audio and hardly
    otherwise.
    """
    out = []
    for mic in range(scanned.draw.shape[0]):
        digest = hashlib.sha256()
        for array in (scanned.draw, scanned.level_db):
            for a in range(0, array.shape[1], PIECE_STEPS):
                digest.update(np.ascontiguousarray(array[mic, a : a + PIECE_STEPS]).tobytes())
        out.append(digest.hexdigest())
    return out
