"""Where the samples of a WAVE file lie and how they are coded: read here where libsndfile does not get to them, or is
slow.

libsndfile 1.2.2 knows no BW64 (ITU-R BS.2088), finds no samples where a recorder that lost power left a size of 0, and
gives up at a chunk of odd length without its pad byte (tried here). The samples of such files are plain PCM or float
all the same: it decodes them as raw data, through a window on the file that shows nothing else.
"""

from __future__ import annotations

import io
import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np
import soundfile
from numpy.typing import NDArray

from oneshot.audio.riff import Fault, read_layout

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_GUID_TAIL = b"\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71"
"""Of a coding that has a number of its own, after the number (WAVE_FORMAT_EXTENSIBLE)."""
_SUBTYPES = {(_PCM, 1): "PCM_U8", (_PCM, 2): "PCM_16", (_PCM, 3): "PCM_24", (_PCM, 4): "PCM_32", (_FLOAT, 4): "FLOAT",
             (_FLOAT, 8): "DOUBLE"}
_FORMATS = {b"RIFF": "WAV", b"RF64": "RF64", b"BW64": "BW64"}


@dataclass(frozen=True, slots=True)
class WaveSamples:
    """The samples of one file: first byte, frames, Hz, and soundfile's names of coding and format, BW64 added.

    ``fault``: what is wrong with its header.
    """

    at: int
    frames: int
    sample_rate: int
    channels: int
    subtype: str
    format: str
    fault: Fault | None

    @property
    def frame_bytes(self) -> int:
        """Bytes of a frame."""
        return self.channels * next(width for (_, width), name in _SUBTYPES.items() if name == self.subtype)

    @property
    def needs_window(self) -> bool:
        """Whether libsndfile does not find them by itself, or not all of them."""
        return self.fault is not None or self.format == "BW64"


def wave_samples(path: Path) -> WaveSamples | None:
    """The samples of a RIFF, RF64 or BW64 WAVE file; None for any other file, and for codings that are not understood.

    Raises AudioError if the file cannot be opened.
    """
    layout = read_layout(path)
    form, data = layout.first(b"fmt "), layout.first(b"data")
    if form is None or data is None or form.size < 16:
        return None
    with path.open("rb") as file:
        file.seek(form.at)
        body = file.read(min(form.size, 40))
    if len(body) < 16:
        return None
    tag, channels, rate, _, block, _ = struct.unpack_from("<HHIIHH", body)
    if tag == _EXTENSIBLE and len(body) >= 40 and body[28:40] == _GUID_TAIL:
        tag = struct.unpack_from("<I", body, 24)[0]
    if channels == 0 or block % channels or (tag, block // channels) not in _SUBTYPES:
        return None
    return WaveSamples(data.at, data.size // block, rate, channels, _SUBTYPES[tag, block // channels],
                       _FORMATS[layout.kind], layout.fault)


def encoded(path: Path) -> bytes | str:
    """A path as libsndfile takes it: names need not be text."""
    return os.fsencode(path) if os.name == "posix" else str(path)


class _Window(io.RawIOBase):
    """The bytes ``at`` to ``at + size`` of a file, as a file."""

    def __init__(self, file: BinaryIO, at: int, size: int) -> None:
        self._file, self._at, self._size, self._position = file, at, size, 0

    def seekable(self) -> bool:
        """It is."""
        return True

    def readable(self) -> bool:
        """It is."""
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """As every file's."""
        start = {io.SEEK_SET: 0, io.SEEK_CUR: self._position, io.SEEK_END: self._size}[whence]
        self._position = max(0, start + offset)
        return self._position

    def tell(self) -> int:
        """As every file's."""
        return self._position

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        """As every file's, up to the end of the window."""
        self._file.seek(self._at + self._position)
        count = self._file.readinto(memoryview(buffer)[:max(0, self._size - self._position)])  # type: ignore[attr-defined]
        self._position += count
        return int(count)

    def close(self) -> None:
        """Close the file, too."""
        self._file.close()
        super().close()


class WindowedFile(soundfile.SoundFile):  # type: ignore[misc]
    """The samples of a WAVE file as libsndfile decodes them, wherever they lie in it. Opened for reading.

    Raises OSError and soundfile's errors, as a SoundFile does.
    """

    def __init__(self, path: Path, samples: WaveSamples) -> None:
        self._window = _Window(path.open("rb"), samples.at, samples.frames * samples.frame_bytes)
        try:
            super().__init__(self._window, "r", samples.sample_rate, samples.channels, samples.subtype, "LITTLE", "RAW")
        except BaseException:
            self._window.close()
            raise

    def close(self) -> None:
        """Close both, the sound and its file."""
        super().close()
        self._window.close()


class Plain24File(soundfile.SoundFile):  # type: ignore[misc]
    """A WAVE file of 24-bit samples, which are what libsndfile makes of them in three times the time: most recordings
    have such, and a sixth of a build went into decoding them. Opened for reading.

    Raises OSError and soundfile's errors, as a SoundFile does.
    """

    def __init__(self, path: Path, samples: WaveSamples) -> None:
        self._bytes, self._at, self._width = path.open("rb"), samples.at, samples.frame_bytes
        try:
            super().__init__(self._bytes)
        except BaseException:
            self._bytes.close()
            raise

    def read(self, frames: int, *, dtype: str, always_2d: Literal[True]) -> NDArray[Any]:
        """The next frames, (frames, channels), fewer at the end; ``dtype``: "int32", "float32" or "float64"."""
        del always_2d
        at = self.tell()
        size = max(0, min(frames, self.frames - at)) * self._width
        data = bytearray(1 + size)
        self._bytes.seek(self._at + at * self._width)
        found = self._bytes.readinto(memoryview(data)[1:]) // self._width
        self.seek(at + found)
        # each sample with the byte before it, which is masked out: left-justified in 32 bits
        whole = np.ndarray((found, self.channels), "<i4", data, 0, (self._width, 3)) & -256
        return whole if dtype == "int32" else whole.astype(dtype) * np.dtype(dtype).type(2.0**-31)

    def close(self) -> None:
        """Close both, the sound and its bytes."""
        super().close()
        self._bytes.close()
