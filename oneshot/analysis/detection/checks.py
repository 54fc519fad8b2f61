"""Checks of the scanned audio: dead, clipped, silent, noisy and duplicate mics, DC offsets, samples that are NaN or
infinite.

Pure functions over what the scan measured, per mic of a take in the take's order. Levels are re full scale (1.0). The
limits are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePosixPath

import numpy as np
from numpy.typing import ArrayLike, NDArray

from oneshot.checking.signal_faults import OFFSET
from oneshot.core.errors import AudioError, WorkError
from oneshot.core.records.session import SILENT_PEAK, Mic, Problem, Take, collect

FAINT_PEAK = 10 ** (-50 / 20)
"""Peak (re full scale) up to which a mic is reported as very quiet: -50 dBFS."""

CLIPPED_FRAMES = 10
"""Frames at full scale from which a mic is reported as clipped; a file normalised to its peak has one or two."""

NOISY_DBFS = -45.0
"""Noise floor (dBFS rms) from which a mic is reported as noisy: its tails end early."""


def scan_problems(take: Take, *, peak: ArrayLike, bad_frame: ArrayLike, clipped: ArrayLike,
                  noise_dbfs: ArrayLike | None = None, offset: ArrayLike | None = None,
                  digests: Sequence[str] | None = None) -> tuple[Problem, ...]:
    """What is wrong with the mics of a take, by what the scan measured; sorted, each once.

    All arrays are (mics,) in the order of ``take.mics``. ``peak``: largest absolute sample, full scale 1.0, NaN and
    infinity left out; ``bad_frame``: first take frame that is NaN or infinite, -1 for none; ``clipped``: frames at full
    scale; ``noise_dbfs``: noise floor, NaN where not known; ``offset``: DC offset, full scale 1.0; ``digests``: any
    text that is equal for equal audio.

    Raises AudioError where a mic holds NaN or infinity, WorkError where no close mic, overhead or room holds any sound,
    ValueError where a length does not fit the take.
    """
    peaks = _row(take, peak, "peak")
    bad = _row(take, bad_frame, "bad_frame")
    full = _row(take, clipped, "clipped")
    noise = np.full(len(take.mics), np.nan) if noise_dbfs is None else _row(take, noise_dbfs, "noise_dbfs")
    steady = np.zeros(len(take.mics)) if offset is None else _row(take, offset, "offset")
    if digests is not None and len(digests) != len(take.mics):
        raise ValueError(f"digests has {len(digests)} values for the {len(take.mics)} mics of {take.name}")
    used = [row for row, mic in enumerate(take.mics) if mic.role.means.read]
    check_numbers(take, bad)
    analysed = [row for row in used if take.mics[row].role.means.judged]
    if not any(peaks[row] > SILENT_PEAK for row in analysed):
        raise WorkError(f"{take.name} is silent in every mic: check the files, or leave the take out in session.toml "
                        "(use = false)")
    found = [problem for row in used for problem in _of_mic(take, take.mics[row], float(peaks[row]), int(full[row]),
                                                            float(noise[row]), float(steady[row]))]
    if digests is not None:
        found += _doubled(take, [row for row in used if peaks[row] > SILENT_PEAK], digests)
    return collect(found)


def check_numbers(take: Take, bad_frame: ArrayLike) -> None:
    """Raise AudioError if a mic in use holds a sample that is NaN or infinite; ``bad_frame`` as in
    ``scan_problems``.
    """
    for mic, frame in zip(take.mics, _row(take, bad_frame, "bad_frame"), strict=True):
        if frame < 0 or not mic.role.means.read:
            continue
        source = next((s for s in mic.sources if s.at <= frame < s.at + s.frames), mic.sources[0])
        at = int(frame) - source.at
        raise AudioError(f"{source.path} holds NaN or infinity at frame {at} ({at / take.sample_rate:.3f} s): export "
                         "it again, or take it out of the folder")


def _row(take: Take, values: ArrayLike, name: str) -> NDArray[np.float64]:
    """Values as float64 (mics,). Raises ValueError where they do not fit the take."""
    array = np.asarray(values, dtype=np.float64)
    if array.shape != (len(take.mics),):
        raise ValueError(f"{name} of shape {array.shape} does not fit the {len(take.mics)} mics of {take.name}")
    return array


def _of_mic(take: Take, mic: Mic, peak: float, clipped: int, noise_dbfs: float, offset: float) -> list[Problem]:
    """What is wrong with one mic."""
    where = f"{take.name}/{mic.name}"
    if peak <= SILENT_PEAK:
        return [Problem(where, "is silent", 'find its file, or give it role = "ignore" in session.toml')]
    found = []
    if mic.role.means.judged and peak <= FAINT_PEAK:
        found.append(Problem(where, f"is very quiet: it peaks at {20 * np.log10(peak):.1f} dBFS",
                             "check that it is the right file"))
    if peak > 1.0:
        found.append(Problem(where, f"goes {20 * np.log10(peak):.1f} dB above full scale, as float files may",
                             "turn it down before it is converted to integer samples"))
    elif clipped >= CLIPPED_FRAMES:
        found.append(Problem(where, f"is clipped: {clipped} frames at full scale",
                             "clipped hits distort: use softer ones or another mic"))
    if mic.role.means.judged and abs(offset) >= OFFSET:
        found.append(Problem(where, f"has a DC offset of {offset:+.4f} of full scale",
                             "measurements ignore it, the samples keep it: remove it (5 Hz high-pass) and export "
                             "again"))
    elif mic.role.means.judged and noise_dbfs >= NOISY_DBFS:
        found.append(Problem(where, f"is noisy: its noise floor is {noise_dbfs:.1f} dBFS",
                             "tails end at the noise floor; check for hum or hiss"))
    return found


def _doubled(take: Take, rows: Sequence[int], digests: Sequence[str]) -> list[Problem]:
    """Mics that hold the same audio as an earlier one."""
    first: dict[str, Mic] = {}
    found = []
    for row in rows:
        mic = take.mics[row]
        other = first.setdefault(digests[row], mic)
        if other is mic:
            continue
        same_file = {s.path for s in mic.sources} == {s.path for s in other.sources}
        todo = (f"it is a mono recording in a two-channel {PurePosixPath(mic.sources[0].path).suffix[1:].upper()} file"
                if same_file else 'give one of them role = "ignore" in session.toml, or find the right file')
        found.append(Problem(f"{take.name}/{mic.name}", f"has the same audio as {other.name}", todo))
    return found
