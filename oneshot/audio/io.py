"""Sound files: headers, windows of a take, whole files in and deterministic WAV out. Nothing else touches sound files.

Conventions: arrays are (mics, frames) or (channels, frames); soundfile's (frames, channels) never leaves this module.
Integer samples travel as int32, left-justified (a 16-bit sample times 65536), so that they can be copied bit for bit;
float samples have full scale 1.0.

What is read: WAV (RIFF, RF64, BW64, WAVE_FORMAT_EXTENSIBLE), AIFF and AIFF-C, FLAC and CAF with linear PCM of 8 to 32
bits, or 32-bit or 64-bit float, whatever the file's name ends in. WAV files whose header is wrong are read for what is
there (``wave_samples.py``). Lossy codings are refused, since what they took away cannot be cut "bit for bit"; so is
ALAC in CAF, which libsndfile 1.2.2 does not give back exactly (24 bits, two channels: tried here).
"""

from __future__ import annotations

import struct
from collections import OrderedDict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from types import TracebackType
from typing import Any, Literal

import numpy as np
import soundfile
from numpy.typing import NDArray

from oneshot.audio.riff import Fault, aiff_fault
from oneshot.audio.wave_samples import Plain24File, WaveSamples, WindowedFile, encoded, wave_samples
from oneshot.core.errors import AudioError
from oneshot.core.open_files import let_files_be_open
from oneshot.core.records.session import Chunk, Mic, Source, Take
from oneshot.core.text import shortened

BLOCK = 2**18
"""Frames per block of a pass over a whole take: always the same, so that no result depends on who asks for what."""
READ = 2**14
"""Frames that a reader decodes at a time: windows around hits far apart cost a quarter of what they cost by whole
blocks, and reading on costs the same (nine mics of FLAC and twelve of WAV, measured).
"""

EXTENSIONS = frozenset({".wav", ".wave", ".bwf", ".rf64", ".aif", ".aiff", ".aifc", ".flac", ".caf"})
"""Endings (lower case) of files that are opened."""

LOSSY_EXTENSIONS = frozenset({".mp3", ".ogg", ".oga", ".opus", ".m4a", ".aac", ".wma"})
"""Endings of files that are sound, but not in a form that can be cut without loss."""

RATES = (44_056, 192_192)
"""Lowest and highest sample rate in Hz: 44.1 to 192 kHz, with room for the 0.1 % of a film pull-down or pull-up."""

Dtype = Literal["float32", "float64", "int32"]
Samples = NDArray[Any]

KEPT_READS = 16
"""So many of them stay at hand in each file: an overlapping window costs nothing more."""
KEPT_BYTES, FEWEST_READS = 32_000_000, 4
"""Of takes with many mics fewer stay, so that all of them take no more than this; a second and a half at 48 kHz do."""
_MAX_FRAMES = 2**48
_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_FLOATS = ("FLOAT", "DOUBLE")
_WAV = (".wav", ".wave", ".bwf", ".rf64")
_ENDINGS = {"WAV": _WAV, "WAVEX": _WAV, "RF64": _WAV, "BW64": _WAV, "AIFF": (".aif", ".aiff", ".aifc"),
            "FLAC": (".flac",), "CAF": (".caf",), "W64": (".w64",)}
"""Format -> endings of files of that format."""


@dataclass(frozen=True, slots=True)
class Header:
    """What a sound file says about itself. ``subtype`` and ``format`` are soundfile's names ("PCM_24", "FLAC"), BW64
    added. ``fault``: what is wrong with its header or its name, although it can be read.
    """

    path: Path
    sample_rate: int
    channels: int
    frames: int
    subtype: str
    format: str
    fault: Fault | None = None


def is_float(subtype: str) -> bool:
    """Whether samples of that subtype are floating point (they are then read exactly as "float64", not as "int32")."""
    return subtype in _FLOATS


def widest(subtypes: Sequence[str]) -> str:
    """The narrowest WAV subtype that holds every sample of all the given subtypes exactly.

    24-bit integers fit the 24-bit significand of a 32-bit float (IEEE 754); 32-bit integers beside floats need DOUBLE.
    """
    bits = max((_BITS.get(s, 0) for s in subtypes), default=0)
    if "DOUBLE" in subtypes or ("FLOAT" in subtypes and bits > 24):
        return "DOUBLE"
    if "FLOAT" in subtypes:
        return "FLOAT"
    return f"PCM_{max(bits, 16)}"


def sample_bytes(subtype: str) -> int:
    """Bytes of one sample of that subtype."""
    return {"FLOAT": 4, "DOUBLE": 8}.get(subtype) or _BITS[subtype] // 8


# -------------------------------------------------------------------------------------------------------------- reading


def read_header(path: Path) -> Header:
    """Open a sound file and read its header only.

    Raises AudioError where the file is missing, empty, no sound file that is understood, lossy, without frames, or at
    a rate outside 44.1 to 192 kHz.
    """
    file, samples = _open(path)
    with file:
        return _header(path, file, samples)


def read_audio(path: Path, most: int | None = None) -> tuple[NDArray[np.float64], Header]:
    """A whole small file as float64 (channels, frames), full scale 1.0, and its header; its first ``most`` frames where
    that is given. Raises AudioError.
    """
    return _read_whole(path, "float64", most)


def read_int(path: Path) -> tuple[NDArray[np.int32], Header]:
    """A whole small file of integer samples as int32 (channels, frames), left-justified, and its header.

    Raises AudioError, also where the file holds float samples: those have no exact integer form.
    """
    return _read_whole(path, "int32")


def _read_whole(path: Path, dtype: Dtype, most: int | None = None) -> tuple[Samples, Header]:
    file, samples = _open(path)
    with file:
        header = _header(path, file, samples)
        _check_dtype(header, dtype)
        frames = _read_frames(file, header, header.frames if most is None else min(most, header.frames), 0, dtype)
    return np.ascontiguousarray(frames.T), header


def _open(path: Path) -> tuple[soundfile.SoundFile, WaveSamples | None]:
    """Open for reading, or raise AudioError with one clear line; where it is a WAV file, where its samples lie."""
    try:
        size = path.stat().st_size
    except OSError as error:
        raise AudioError(f"{path} cannot be opened ({_why(error)}): check that it exists and may be read") from None
    if size == 0:
        raise AudioError(f"{path} is empty (0 bytes): record or export it again, or take it out of the folder")
    try:
        path.open("rb").close()  # libsndfile does not tell why the system refuses a file
    except OSError as error:
        raise AudioError(f"{path} cannot be opened ({_why(error)}): allow it to be read, or take it out of the "
                         "folder") from None
    samples = wave_samples(path)
    try:
        if samples is not None and samples.needs_window and samples.frames:
            return WindowedFile(path, samples), samples
        if samples is not None and samples.subtype == "PCM_24":
            file = Plain24File(path, samples)
            if (file.subtype, file.frames) == ("PCM_24", samples.frames):
                return file, samples
            file.close()  # they read its header in two ways
        return soundfile.SoundFile(encoded(path)), samples
    except (soundfile.SoundFileError, OSError, RuntimeError, TypeError) as error:
        raise AudioError(f"{path} cannot be read as a sound file ({_why(error)}): export it again as WAV, AIFF, FLAC "
                         "or CAF, or take it out of the folder") from None


def _why(error: Exception) -> str:
    """The reason in an error's text on one line, without the path that the caller names anyway."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror.lower()
    text = shortened(getattr(error, "error_string", "") or error)
    return text.rstrip(".").lower() or type(error).__name__


def _header(path: Path, file: soundfile.SoundFile, samples: WaveSamples | None) -> Header:
    kind = samples.format if samples is not None and isinstance(file, WindowedFile) else file.format
    fault = samples.fault if samples is not None else aiff_fault(path) if kind == "AIFF" else None
    if fault is None and path.suffix.lower() not in _ENDINGS.get(kind, ()):
        fault = Fault(f"it is called {path.suffix or path.name} but holds {kind.removesuffix('EX')}: it is read as "
                      "such", "rename it, so that other programs read it, too")
    header = Header(path, file.samplerate, file.channels, file.frames, file.subtype, kind, fault)
    if header.format not in _ENDINGS or header.subtype not in (*_BITS, *_FLOATS):
        raise AudioError(f"{path} holds {header.format} {header.subtype}, which cannot be read without loss: export it "
                         "as 16, 24 or 32 bit or float WAV, AIFF, FLAC or CAF")
    if header.frames <= 0:
        raise AudioError(f"{path} holds no audio (0 frames): record or export it again, or take it out of the folder")
    if header.frames > _MAX_FRAMES:
        raise AudioError(f"{path} has no length in its header: export it again")
    if not RATES[0] <= header.sample_rate <= RATES[1]:
        raise AudioError(f"{path} has a sample rate of {header.sample_rate} Hz: only 44.1 to 192 kHz are read; "
                         "convert it or take it out of the folder")
    return header


def _check_dtype(header: Header, dtype: Dtype) -> None:
    if dtype == "int32" and is_float(header.subtype):
        raise AudioError(f"{header.path} holds float samples, which have no exact integer form: read it as float64")


def _check_channels(header: Header, needed: int) -> None:
    if header.channels < needed:
        raise AudioError(f"{header.path} has {header.channels} channels where {needed} are needed: it has changed "
                         "since the session was opened, start again")


def _read_frames(file: soundfile.SoundFile, header: Header, count: int, at: int, dtype: Dtype) -> Samples:
    """``count`` frames from the file's present position ``at`` as (frames, channels); AudioError if it ends early."""
    try:
        block: Samples = file.read(count, dtype=dtype, always_2d=True)
    except (soundfile.SoundFileError, OSError, RuntimeError) as error:
        raise AudioError(f"{header.path} cannot be read at frame {at} ({_why(error)}): the file is damaged, export it "
                         "again") from None
    if len(block) != count:
        raise AudioError(f"{header.path} breaks off at frame {at + len(block)} of {header.frames}: the file is damaged "
                         "or not completely copied, export it again")
    return block


class _OpenFile:
    """One sound file of a take, kept open, with its latest blocks as (channels asked for, frames).

    Blocks are aligned to the file's own frame 0. Reading on from where the last block ended needs no seek.
    """

    def __init__(self, path: Path, channels: tuple[int, ...], dtype: Dtype, kept: int) -> None:
        self._file, samples = _open(path)
        self._kept = kept
        try:
            self.header = _header(path, self._file, samples)
            _check_dtype(self.header, dtype)
            _check_channels(self.header, max(channels) + 1)
        except AudioError:
            self._file.close()
            raise
        self._channels, self._dtype, self._position = list(channels), dtype, 0
        self._blocks: OrderedDict[int, Samples] = OrderedDict()

    def block(self, number: int) -> Samples:
        """Frames number*READ to (number+1)*READ of the file, fewer at its end, as (channels asked for, frames)."""
        if number in self._blocks:
            self._blocks.move_to_end(number)
            return self._blocks[number]
        start = number * READ
        count = min(READ, self.header.frames - start)
        if self._position != start:
            self._seek(start)
        frames = _read_frames(self._file, self.header, count, start, self._dtype)
        self._position = start + count
        if len(self._blocks) >= self._kept:
            self._blocks.popitem(last=False)
        if self._channels != list(range(self.header.channels)):
            frames = frames[:, self._channels]
        self._blocks[number] = np.ascontiguousarray(frames.T)
        return self._blocks[number]

    def _seek(self, frame: int) -> None:
        try:
            reached = self._file.seek(frame)
        except (soundfile.SoundFileError, RuntimeError) as error:
            raise AudioError(f"{self.header.path} cannot be read at frame {frame} ({_why(error)}): the file is "
                             "damaged, export it again") from None
        if reached != frame:
            raise AudioError(f"{self.header.path} cannot be read at frame {frame}: the file is damaged, export it "
                             "again")

    def close(self) -> None:
        """Close the file and let go of what was read."""
        self._blocks.clear()
        self._file.close()


def kept_reads(mics: int, sample_bytes: int) -> int:
    """How many reads stay at hand in each file of a take of so many mics, ``sample_bytes`` a sample."""
    return min(KEPT_READS, max(FEWEST_READS, KEPT_BYTES // max(mics * READ * sample_bytes, 1)))


class TakeReader:
    """Windows of a take over all its mics, or over those named, as (mics, frames) arrays.

    ``dtype``: "float32" for analysis, "int32" for the exact integer samples (left-justified), "float64" exact for
    everything. Files stay open until ``close`` (or the end of ``with``); a file with many channels is read once for all
    its mics. Memory: ``kept_reads`` times 2^14 frames per mic, however long the take is, or as many as ``kept``.
    A reader does not travel between processes: each worker opens its own. ``offset``: mic -> steady offset, full scale
    1.0, that is taken out of what was recorded there (float dtypes only); mics that are not named are left as they are.
    """

    def __init__(self, root: Path, take: Take, mics: Sequence[str] | None = None, dtype: Dtype = "float32", *,
                 offset: Mapping[str, float] | None = None, kept: int | None = None) -> None:
        """Raises AudioError if a file cannot be opened, KeyError if the take has no mic of a given name, ValueError
        where an offset is to be taken out of integers.
        """
        if offset and dtype == "int32":
            raise ValueError("an offset cannot be taken out of integer samples: read them as float")
        self._root, self._offset = root, offset or {}
        self.take = take
        self.mics: tuple[Mic, ...] = take.mics if mics is None else tuple(take.mic(name) for name in mics)
        self.dtype: Dtype = dtype
        self._kept = kept if kept is not None else kept_reads(len(self.mics), np.dtype(dtype).itemsize)
        self._files: dict[str, _OpenFile] = {}
        self._rows: dict[str, list[tuple[int, int, Source]]] = {}
        wanted: dict[str, list[int]] = {}
        for row, mic in enumerate(self.mics):
            for source in mic.sources:
                channels = wanted.setdefault(source.path, [])
                if source.channel not in channels:
                    channels.append(source.channel)
                self._rows.setdefault(source.path, []).append((row, channels.index(source.channel), source))
        let_files_be_open()
        try:
            for path, channels in wanted.items():
                self._files[path] = _OpenFile(root / path, tuple(channels), dtype, self._kept)
        except AudioError:
            self.close()
            raise

    def another(self) -> TakeReader:
        """A second reader of the same, for another worker. Raises AudioError if a file cannot be opened."""
        return TakeReader(self._root, self.take, [mic.name for mic in self.mics], self.dtype, offset=self._offset,
                          kept=self._kept)

    def read(self, start: int, stop: int) -> Samples:
        """Take frames [start, stop) as (mics, frames) in the reader's dtype; zeros where nothing was recorded.

        ``start`` may be negative and ``stop`` may lie beyond the end. Raises AudioError if a file is damaged,
        ValueError if stop < start.
        """
        if stop < start:
            raise ValueError(f"a window from frame {start} to {stop} runs backwards")
        out: Samples = np.zeros((len(self.mics), stop - start), dtype=self.dtype)
        for path, file in self._files.items():
            for row, channel, source in self._rows[path]:
                self._copy(file, channel, source, start, out[row], self._offset.get(self.mics[row].name, 0.0))
        return out

    def _copy(self, file: _OpenFile, channel: int, source: Source, start: int, out: Samples, away: float) -> None:
        """Fill ``out``, whose first frame is take frame ``start``, from one channel of one file, less ``away``."""
        first = max(start - source.at, 0)
        last = min(start + len(out) - source.at, source.frames, file.header.frames)
        offset = source.at - start
        while first < last:
            number = first // READ
            end = min(last, (number + 1) * READ)
            block = file.block(number)
            out[offset + first:offset + end] = block[channel, first - number * READ:end - number * READ]
            if away:
                out[offset + first:offset + end] -= out.dtype.type(away)
            first = end

    def close(self) -> None:
        """Close all files. May be called twice."""
        for file in self._files.values():
            file.close()
        self._files.clear()

    def __enter__(self) -> TakeReader:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()


# -------------------------------------------------------------------------------------------------------------- writing

def write_sound(path: Path, data: Samples, sample_rate: int, subtype: str) -> None:
    """Write (channels, frames) as WAV, FLAC or AIFF, by the path's suffix; the same bytes for the same input.

    Raises ValueError as ``sound_bytes`` does, OSError if it cannot be written.
    """
    path.write_bytes(sound_bytes(data, sample_rate, subtype, path.suffix))


def sound_bytes(data: Samples, sample_rate: int, subtype: str, suffix: str) -> bytes:
    """What a file of that suffix (".wav", ".flac" or ".aiff") holds; the same bytes for the same input.

    ``data`` and ``subtype`` as for ``write_wav``; FLAC and AIFF take PCM_16 and PCM_24, AIFF PCM_32 too: libsndfile
    stamps the time into float AIFF. Raises ValueError for another suffix or subtype, and as ``write_wav``.
    """
    if suffix == ".wav":
        return wav_bytes(data, sample_rate, subtype)
    kind = {".flac": "FLAC", ".aiff": "AIFF"}.get(suffix)
    if kind is None or subtype not in ("PCM_16", "PCM_24", "PCM_32"):
        raise ValueError(f"{suffix} cannot be written as {subtype}")
    out = BytesIO()
    try:
        soundfile.write(out, np.ascontiguousarray(data.T), sample_rate, subtype, format=kind)
    except soundfile.LibsndfileError as error:
        raise ValueError(f"{suffix} cannot be written as {subtype}: {error}") from None
    return out.getvalue()


def as_read_back(data: Samples, subtype: str) -> NDArray[np.float64]:
    """Samples as ``read_audio`` gives them back from a file of that subtype: float64, full scale 1.0.

    ``data``: int32, left-justified and on the subtype's grid, or float64 for a float subtype.
    """
    if data.dtype == np.int32:
        return data / 2.0**31
    return data.astype(np.float32).astype(np.float64) if subtype == "FLOAT" else data.astype(np.float64)


_BEFORE_DATA = (b"bext", b"iXML", b"axml", b"chna", b"LIST", b"JUNK")


def write_wav(path: Path, data: Samples, sample_rate: int, subtype: str, chunks: Sequence[Chunk] = ()) -> None:
    """Write (channels, frames) as WAV, the same bytes for the same input on every machine and at any time.

    ``subtype``: PCM_16, PCM_24, PCM_32, FLOAT or DOUBLE. int32 data is left-justified and goes into an integer subtype
    bit for bit (bits below the subtype's are rounded to nearest); float data has full scale 1.0, is rounded to nearest
    (ties to even) and limited to full scale in integer subtypes. ``chunks`` are further RIFF chunks; ``bext`` and text
    go before the samples, everything else after them. No PEAK chunk, which would carry the clock time.

    The layout follows the RIFF WAVE format (IBM and Microsoft 1991; Microsoft's 1994 and 2001 additions for float,
    ``fact`` and, above two channels, WAVE_FORMAT_EXTENSIBLE). Raises ValueError for data that is not (channels,
    frames), holds NaN or infinity, does not fit 4 GiB, or for another subtype; OSError if the file cannot be written.
    """
    try:
        parts = _riff(data, sample_rate, subtype, chunks)
    except _TooLongError as error:
        raise ValueError(f"{path} would be {error} bytes: WAV ends at 4 GiB") from None
    with path.open("wb") as file:
        file.writelines(parts)


def wav_bytes(data: Samples, sample_rate: int, subtype: str = "FLOAT", chunks: Sequence[Chunk] = ()) -> bytes:
    """What ``write_wav`` would write, as bytes. Raises ValueError as it does."""
    return b"".join(_riff(data, sample_rate, subtype, chunks))


class _TooLongError(ValueError):
    """More bytes than a RIFF file can hold."""


def _riff(data: Samples, sample_rate: int, subtype: str, chunks: Sequence[Chunk]) -> list[bytes]:
    """The pieces of a WAV file in order. Raises ValueError."""
    if data.ndim != 2 or data.shape[0] < 1:
        raise ValueError(f"data of shape {data.shape} is not (channels, frames)")
    body = _encode(data, subtype)
    channels, frames = data.shape
    width = _width(subtype)
    early = [c for c in chunks if c.id in _BEFORE_DATA]
    late = [c for c in chunks if c.id not in _BEFORE_DATA]
    parts = [b"WAVE", _chunk(b"fmt ", _format(subtype, channels, sample_rate, width))]
    if is_float(subtype) or channels > 2:
        parts.append(_chunk(b"fact", struct.pack("<I", frames)))
    parts += [_chunk(c.id, c.data) for c in early]
    parts.append(_chunk(b"data", body))
    parts += [_chunk(c.id, c.data) for c in late]
    size = sum(map(len, parts))
    if size >= 2**32:
        raise _TooLongError(size)
    return [b"RIFF" + struct.pack("<I", size), *parts]


RIFF_LIMIT = 2**32
"""Where RIFF's 32-bit sizes end, and RF64 begins."""


def write_long_wav(path: Path, blocks: Iterable[Samples], frames: int, channels: int, sample_rate: int,
                   subtype: str, chunks: Sequence[Chunk] = ()) -> None:
    """As ``write_wav``, for audio that comes in blocks (channels, frames of the block), of any length.

    As ``long_wav`` says; OSError if the file cannot be written.
    """
    with path.open("wb") as file:
        file.writelines(long_wav(blocks, frames, channels, sample_rate, subtype, chunks))


def long_wav(blocks: Iterable[Samples], frames: int, channels: int, sample_rate: int, subtype: str,
             chunks: Sequence[Chunk] = ()) -> Iterator[bytes]:
    """The bytes of a WAV file piece by piece, for audio that comes in blocks (channels, frames of the block).

    ``frames``: of all blocks together; ``chunks``: as in ``write_wav``, those that go before the samples. From 4 GiB on
    the file is RF64 (EBU Tech 3306). Raises ValueError where the blocks are not what was announced, and for what
    ``write_wav`` refuses.
    """
    size = frames * channels * _width(subtype)
    yield long_wav_head(frames, channels, sample_rate, subtype, chunks)
    written = 0
    for block in blocks:
        if block.ndim != 2 or block.shape[0] != channels:
            raise ValueError(f"a block of shape {block.shape} is not ({channels}, frames)")
        written += block.shape[1]
        yield _encode(block, subtype)
    yield b"\0" * (size % 2)
    if written != frames:
        raise ValueError(f"{written} frames came where {frames} were announced")


def long_wav_head(frames: int, channels: int, sample_rate: int, subtype: str, chunks: Sequence[Chunk] = ()) -> bytes:
    """What goes before the samples of ``long_wav``. Raises ValueError for chunks that do not."""
    if any(chunk.id not in _BEFORE_DATA for chunk in chunks):
        raise ValueError("only chunks that go before the samples can be written")
    width = _width(subtype)
    size = frames * channels * width
    rest = _chunk(b"fmt ", _format(subtype, channels, sample_rate, width))
    if is_float(subtype) or channels > 2:
        rest += _chunk(b"fact", struct.pack("<I", min(frames, 2**32 - 1)))
    rest += b"".join(_chunk(chunk.id, chunk.data) for chunk in chunks)
    total = 4 + len(rest) + 8 + size + size % 2
    large = total + 36 >= RIFF_LIMIT
    if large:
        rest = _chunk(b"ds64", struct.pack("<QQQI", total + 36, size, frames, 0)) + rest
    return ((b"RF64" if large else b"RIFF") + struct.pack("<I", 2**32 - 1 if large else total) + b"WAVE" + rest
            + b"data" + struct.pack("<I", 2**32 - 1 if large else size))


def _chunk(name: bytes, data: bytes) -> bytes:
    """A RIFF chunk: four letters, size, data, and a zero where the data's length is odd."""
    if len(name) != 4:
        raise ValueError(f"chunk id {name!r} does not have four letters")
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)


def _width(subtype: str) -> int:
    return {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}[subtype]


def _format(subtype: str, channels: int, rate: int, width: int) -> bytes:
    """The body of the ``fmt`` chunk: 16 bytes for PCM, 18 for float, 40 (extensible, no speakers) above stereo."""
    tag = 3 if is_float(subtype) else 1
    common = struct.pack("<HIIHH", channels, rate, rate * channels * width, channels * width, 8 * width)
    if channels > 2:
        guid = struct.pack("<I", tag) + b"\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71"
        return struct.pack("<H", 0xFFFE) + common + struct.pack("<HHI", 22, 8 * width, 0) + guid
    return struct.pack("<H", tag) + common + (struct.pack("<H", 0) if tag == 3 else b"")


def _encode(data: Samples, subtype: str) -> bytes:
    """Samples interleaved as little-endian bytes of that subtype."""
    interleaved = np.ascontiguousarray(data.T)
    whole = interleaved.dtype == np.int32
    if not whole and interleaved.dtype not in (np.float32, np.float64):
        raise ValueError(f"samples of type {interleaved.dtype} cannot be written: give int32 or float")
    if not whole and not np.isfinite(interleaved).all():
        raise ValueError("samples hold NaN or infinity")
    if is_float(subtype):
        values = interleaved.astype(np.float64) / 2.0**31 if whole else interleaved
        return values.astype("<f4" if subtype == "FLOAT" else "<f8").tobytes()
    if subtype not in ("PCM_16", "PCM_24", "PCM_32"):
        raise ValueError(f"{subtype} is not a subtype that can be written")
    bits = _BITS[subtype]
    if whole:
        step = 1 << (32 - bits)
        scaled = (interleaved.astype(np.int64) + step // 2) >> (32 - bits)
    else:
        scaled = np.rint(interleaved.astype(np.float64) * 2.0 ** (bits - 1))
    limited = np.clip(scaled, -(2 ** (bits - 1)), 2 ** (bits - 1) - 1).astype("<i4")
    if bits == 24:
        return bytes(limited.reshape(-1, 1).view(np.uint8)[:, :3].tobytes())
    return bytes(limited.astype(f"<i{bits // 8}").tobytes())
