"""Spectrogram: one pass over a take, a short-time Fourier transform summed into bands, from which later stages detect
and sort the hits.

Measured per mic: the energy in ten bands every few milliseconds, the peak, frames at full scale, frames that are NaN or
infinite, and minima and maxima to draw waveforms from. Conventions:

- A step is one short-time spectrum (Hann window). Step i is centred on frame ``i
- hop``; hop is a quarter of the window, the window about 11 ms: short enough that a hit's rise takes four steps, long
  enough to tell a kick (below 140 Hz) from a tom.
- Energies are mean squares re 1.0 (full scale), in dB, kept as float16 (exact to 0.06 dB down to -128 dB), floored at
  -150 dB. Adding the bands of a step gives its mean square.
- The take is read in fixed blocks of 2**18 frames with a margin of half a window, so that the grid of steps never
  depends on how many blocks go to one worker: chunked equals whole, bit for bit.

Cost: one real FFT per step and mic; 570 mic-hours of FLAC per hour on one core, 860 on two, decoding included.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from oneshot.analysis.records import TakeScan
from oneshot.audio.io import BLOCK, TakeReader
from oneshot.core.lazy import later
from oneshot.core.records.session import Floats, Floats32, Take

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

FULL_SCALE = 0.9999
"""From here on a sample counts as at full scale; a 16-bit file ends at 0.99997."""

QUIET_SHARE = 0.02
"""Share of the steps of a take that is taken to hold noise alone, even in dense playing."""

BLOCKS_PER_TASK = 8
"""Blocks that a worker takes at once: about 45 s at 48 kHz; changes nothing but the number of tasks."""


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


def tasks(take: Take) -> list[tuple[int, int]]:
    """The stretches [first block, last block) of a take that are handed to workers one by one."""
    blocks = -(-take.frames // BLOCK)
    return [(a, min(a + BLOCKS_PER_TASK, blocks)) for a in range(0, blocks, BLOCKS_PER_TASK)]


def scan_blocks(reader: TakeReader, take: Take, first: int, last: int) -> BlockScan:
    """Scan the blocks [first, last) of a take.

    Returns levels (mics, steps, bands), waveform drawing (mics, points, 2), and per mic the peak, the count of frames
    at full scale and the first frame that is NaN or infinite (-1: none). Raises AudioError where a file cannot be read.
    """
    parts = [_scan_block(reader, take, block) for block in range(first, last)]
    bad = np.stack([p.bad_frame for p in parts])
    found = (bad >= 0).any(axis=0)
    return BlockScan(
        level_db=np.concatenate([p.level_db for p in parts], axis=1),
        draw=np.concatenate([p.draw for p in parts], axis=1),
        peak=np.max([p.peak for p in parts], axis=0),
        clipped=np.sum([p.clipped for p in parts], axis=0),
        bad_frame=np.where(found, np.take_along_axis(bad, (bad >= 0).argmax(axis=0)[None], 0)[0], -1),
    )


def _scan_block(reader: TakeReader, take: Take, block: int) -> BlockScan:
    """Scan one block of 2**18 frames (the last one shorter) with the margins that its windows need."""
    size = window_frames(take.sample_rate)
    start, stop = block * BLOCK, min((block + 1) * BLOCK, take.frames)
    audio = reader.read(start - size // 2, stop + size // 2)
    inner = audio[:, size // 2 : size // 2 + stop - start]
    drawn, bad = _draw(inner), np.full(len(inner), -1, np.int64)
    if not np.isfinite(drawn).all():  # an extreme is no number where any frame behind it is none
        finite = np.isfinite(inner)
        bad = np.where(finite.all(axis=1), -1, start + (~finite).argmax(axis=1))
        audio = np.nan_to_num(audio, nan=0.0, posinf=0.0, neginf=0.0)
        inner = audio[:, size // 2 : size // 2 + stop - start]
        drawn = _draw(inner)
    levels = np.stack([_band_levels(x, take.sample_rate, stop - start) for x in audio])
    peak = np.abs(drawn).max(axis=(1, 2))
    clipped = np.array([(np.abs(x) >= FULL_SCALE).sum() if loud else 0
                        for x, loud in zip(inner, peak >= FULL_SCALE, strict=True)], np.int64)
    return BlockScan(levels, drawn, peak, clipped, bad)


def _band_levels(x: Floats32, sample_rate: int, frames: int) -> NDArray[np.float16]:
    """Levels (steps, bands) in dB of one mic's block, whose first step is centred half a window into ``x``."""
    size, hop = window_frames(sample_rate), hop_frames(sample_rate)
    steps = -(-frames // hop)
    x = np.concatenate([x, np.zeros(max(0, (steps - 1) * hop + size - len(x)), np.float32)])
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    # Parseval: with this scale, twice the sum of the squared magnitudes of a stretch is its windowed mean square.
    window *= np.float32(np.sqrt(2.0 / (size * np.sum(window.astype(np.float64) ** 2))))
    borders = band_bins(sample_rate)
    windows = np.lib.stride_tricks.sliding_window_view(x, size)[::hop][:steps]
    out = np.empty((steps, len(borders) - 1), np.float16)
    for a in range(0, steps, 512):  # small enough for the second-level cache
        spectrum = fft.rfft(windows[a : a + 512] * window, axis=1)
        power = spectrum.real**2 + spectrum.imag**2
        energy = np.add.reduceat(power[:, : borders[-1]], borders[:-1], axis=1)
        out[a : a + 512] = 10 * np.log10(np.maximum(energy, 10 ** (FLOOR_DB / 10)))
    return out


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


def join(take: Take, parts: Iterator[BlockScan]) -> TakeScan:
    """Put the parts of a take together, in order, and estimate each mic's noise.

    The noise of a band is read off the quietest steps that hold any sound: between the hits nothing else is left, and
    the digital black of a gated track would say nothing.
    """
    mics, hop = len(take.mics), hop_frames(take.sample_rate)
    level_db = np.empty((mics, -(-take.frames // hop), len(BAND_EDGES_HZ) - 1), np.float16)
    draw = np.empty((mics, -(-take.frames // DRAW_FRAMES), 2), np.float32)
    peak, clipped, bad = np.zeros(mics, np.float32), np.zeros(mics, np.int64), np.full(mics, -1, np.int64)
    step = point = 0
    for part in parts:  # none is kept: the whole would be held twice
        level_db[:, step : step + part.level_db.shape[1]] = part.level_db
        draw[:, point : point + part.draw.shape[1]] = part.draw
        step, point = step + part.level_db.shape[1], point + part.draw.shape[1]
        peak, clipped = np.maximum(peak, part.peak), clipped + part.clipped
        bad = np.where(bad >= 0, bad, part.bad_frame)
    return TakeScan(take=take.name, sample_rate=take.sample_rate, hop=hop, level_db=level_db,
                    noise_db=_noise(level_db, take.sample_rate), draw=draw, peak=peak, clipped=clipped, bad_frame=bad)


def _noise(level_db: NDArray[Any], sample_rate: int) -> Floats:
    """Mean noise level (mics, bands) in dB, from the quietest fiftieth of the steps that hold any sound.

    A low percentile of noise lies below its mean. The energy of k neighbouring spectrum bins under a Hann window is
    close to a chi-square variable whose degrees of freedom follow from the correlation of neighbours (power correlation
    4/9 and 1/36 for the first and second one; Harris 1978, from memory), so the percentile's distance to the mean is
    known and compensated. Long takes are sampled evenly: 20,000 steps give a percentile to a fraction of a decibel.
    """
    step = max(1, level_db.shape[1] // 20000)
    part = level_db[:, ::step].astype(np.float64)
    # steps whose window reaches into digital black hold only part of the noise
    above = (level_db.max(axis=2) > FLOOR_DB + 1).astype(np.uint8)
    sounding = ndimage.minimum_filter1d(above, 9, axis=1)[:, ::step] > 0
    bins = np.diff(band_bins(sample_rate)).astype(np.float64)
    variance = bins + 2 * (np.maximum(bins - 1, 0) * 4 / 9 + np.maximum(bins - 2, 0) / 36)
    freedom = 2 * bins**2 / np.maximum(variance, 1)
    quantile = 2 * special.gammaincinv(freedom / 2, QUIET_SHARE)  # of the chi-square distribution
    below_mean_db = 10 * np.log10(np.maximum(quantile, 1e-12) / np.maximum(freedom, 1e-12))
    out = np.full((part.shape[0], part.shape[2]), FLOOR_DB)
    for m, on in enumerate(sounding):
        if on.sum() >= 50:
            out[m] = np.percentile(part[m, on], 100 * QUIET_SHARE, axis=0) - below_mean_db
    return out


def offsets(scanned: TakeScan) -> Floats:
    """The DC offset of each mic, float64 (mics,), full scale 1.0: the median midpoint between its extremes in the
    quietest quarter of the take, 0 where the signal there still swings through zero.

    Loud sound need not swing evenly about an offset: a compressor driven hard leans to one side for as long as the
    sound lasts. An offset below the swing of the noise masks nothing.
    """
    low, high = (scanned.draw[..., side].astype(np.float64) for side in (0, 1))
    aside = np.where((low > 0) | (high < 0), (low + high) / 2, 0.0)
    quiet = np.argsort(high - low, axis=1, kind="stable")[:, : max(1, low.shape[1] // 4)]
    out: Floats = np.median(np.take_along_axis(aside, quiet, axis=1), axis=1)
    return out


def digests(scanned: TakeScan) -> list[str]:
    """A hash per mic that is equal where every level and every drawn extreme is, so for equal audio and hardly
    otherwise.
    """
    return [hashlib.sha256(draw.tobytes() + level.tobytes()).hexdigest()
            for draw, level in zip(scanned.draw, scanned.level_db, strict=True)]
