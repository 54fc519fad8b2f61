"""mappings/kit.sf2: the kit as a SoundFont (SoundFont Technical Specification 2.04).

The format knows no round robins and no microphones: each one-shot goes in as the balanced stereo sum of its mics, and
each further preset of bank 128 (percussion) plays the next round robin of every layer. Where some one-shots play
without their overheads and rooms alone, as many presets of the close mics follow, which play all of them.

Levels. The two default velocity modulators (2.04 sections 8.4.1 and 8.4.2) would attenuate soft layers and dull them a
second time; both are set to 0 in every zone, the second one in either of the forms that players know. Within a layer a
linear modulator from velocity to attenuation runs from the level wanted at its lower end to that at its upper end;
what is constant is in the samples themselves, because players differ in how they read the attenuation generator.

A SoundFont that lies at its place already, of the build before, gives the samples that would be the same: they are
copied where their sum says that they are as they were written.

Samples are 24 bit (sm24), at rates up to 50 kHz; higher ones are converted. There is no one-shot mode: releases are as
long as the format allows, so that a short note rings out.
"""

from __future__ import annotations

import hashlib
import shutil
import struct
import tempfile
from collections.abc import Hashable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO

import numpy as np
import soxr

from oneshot.audio.loudness import sample_peak_dbfs
from oneshot.core.cache.results import Kind, in_use, kept, recalled
from oneshot.core.files import appearing
from oneshot.core.records.kit import Kit, OneShot, kit_info
from oneshot.core.records.session import Floats
from oneshot.core.text import one_line
from oneshot.cutting.mix import mixdown
from oneshot.kit.playback import keymap
from oneshot.kit.playback.keymap import Key, Layer

NAME = "mappings/kit.sf2"
BANK = 128
CLOSE = "close"
"""What names of the close mics' presets end in."""
HIGHEST_RATE = 50_000
ZEROS = 46
"""Points of silence that have to follow each sample (section 6.1)."""
SHORTEST = 48
"""Points a sample must have (section 7.10)."""
PEAK_DBFS = -1.0
"""Where the loudest sample of the kit peaks."""
LONGEST_RELEASE = 8000
"""Timecents, about 100 s (section 8.1.2)."""
MOST_BYTES = 2**31 - 2**20
"""Larger files are beyond what players open; round robins are left out until it fits."""

# generators (section 8.1.2)
PAN, RELEASE, INSTRUMENT, KEY_RANGE, VEL_RANGE, ATTENUATION, SAMPLE, MODES, SCALE, CLASS, ROOT = (
    17, 38, 41, 43, 44, 48, 53, 54, 56, 57, 58)
FILTER = 8
# sources of modulators (section 8.2), all of velocity, falling: concave, linear, and the switch that some versions have
VELOCITY_CONCAVE, VELOCITY_LINEAR, VELOCITY_SWITCH = 0x0502, 0x0102, 0x0D02


@dataclass(frozen=True, slots=True)
class _Sound:
    """A one-shot in the sample chunk: where its left side starts (points), how long it is, its rate."""

    name: str
    start: int
    frames: int
    sample_rate: int


@dataclass(frozen=True, slots=True)
class Points:
    """Where the points of a one-shot, both sides with their silence, stand in a SoundFont: bytes from its start to
    their upper 16 bits and to their lower 8, how many there are and of how many frames of which rate; and their sum.
    """

    upper: int
    lower: int
    count: int
    frames: int
    sample_rate: int
    sha256: str


POINTS = Kind("soundfont", Points)
"""By what its sum depends on and its gain."""
READY_PEAKS: Kind[tuple[float | None, ...]] = Kind("soundfont-peaks", tuple[float | None, ...])
"""The sample peak of a sum whose rate had to be changed, dBFS: by its key."""


@dataclass(frozen=True, slots=True)
class _Part:
    """One way to play the kit: what its presets are called after, the kit as it is played so, its keys, how many
    presets it has, and the line of each hit.
    """

    name: str
    kit: Kit
    keys: tuple[Key, ...]
    presets: int
    lines: Mapping[int, _Line]

    @property
    def shots(self) -> list[OneShot]:
        """The one-shots that it plays; two hands may share one."""
        return list({shot.hit: shot for key in self.keys for layer in key.layers
                     for shot in layer.alternates[:self.presets]}.values())


@dataclass(frozen=True, slots=True)
class _Line:
    """Gain of a one-shot over velocity as this format can say it: ``top_db`` at velocity 127, falling ``slope_db`` a
    step.
    """

    top_db: float
    slope_db: float


def write(kit: Kit, folder: Path) -> list[Path]:
    """mappings/kit.sf2 below the kit's folder; its path, or nothing for a kit without one-shots.

    Raises AudioError where a file of the kit cannot be read.
    """
    parts = [_part(str(kit_info(kit)["name"]), kit)]
    if any(shot.close_only for shot in kit.one_shots):
        parts.append(_part(f"{kit_info(kit)['name']} {CLOSE}", keymap.close_view(kit)))
    path = folder / NAME
    if not any(part.keys for part in parts):
        path.unlink(missing_ok=True)
        return []
    path.parent.mkdir(exist_ok=True)
    gain_db = PEAK_DBFS - max(_loudest(folder, part) for part in parts)
    with appearing(path) as beside, ExitStack() as stack:
        before = stack.enter_context(path.open("rb")) if path.is_file() else None
        _write_all(folder, stack.enter_context(beside.open("wb")),
                   stack.enter_context(tempfile.TemporaryFile(dir=path.parent)), parts, gain_db, before)
    return [path]


def _part(name: str, kit: Kit) -> _Part:
    """The kit as it is played one way."""
    keys = keymap.keys_of(kit, keymap.mix_levels(kit))
    presets = _presets(keys)
    return _Part(name, kit, keys, presets, {shot.hit: _line(layer, shot) for key in keys for layer in key.layers
                                            for shot in layer.alternates[:presets]})


def _write_all(folder: Path, out: IO[bytes], low_bytes: IO[bytes], parts: Sequence[_Part], gain_db: float,
               before: IO[bytes] | None) -> None:
    """The whole file; chunk sizes that are known only at the end are filled in then. ``before``: the one that lies in
    its place.
    """
    out.write(b"RIFF\0\0\0\0sfbk" + _info(parts[0].kit))
    sdta = _open_list(out, b"sdta")
    smpl = _open_chunk(out, b"smpl")
    sounds: dict[tuple[int, int], _Sound] = {}
    written: dict[Hashable, Points] = {}
    for n, part in enumerate(parts):
        for shot in part.shots:
            gain = part.lines[shot.hit].top_db + gain_db
            key = (mixdown.sum_key(shot, part.kit.balance), gain)
            made = _copied(key, before, out, low_bytes) or _mixed(folder, part, shot, gain, out, low_bytes)
            at = (made.upper - smpl - 4) // 2
            sounds[n, shot.hit] = _Sound(f"{shot.drum} {shot.layer}-{shot.round_robin}", at, made.frames,
                                         made.sample_rate)
            written[key] = made
    _close(out, smpl)
    sm24 = _open_chunk(out, b"sm24")
    for of, made in written.items():
        kept(POINTS, of, replace(made, lower=sm24 + 4 + made.lower))
    low_bytes.seek(0)
    shutil.copyfileobj(low_bytes, out)
    _close(out, sm24)
    _close(out, sdta)
    out.write(_pdta(parts, sounds))
    _close(out, 4)


# --------------------------------------------------------------------------------------------------------------- levels


def _line(layer: Layer, shot: OneShot) -> _Line:
    """The straight line between the gains wanted at both ends of a layer, read at velocity 127."""
    low, high = layer.gain_db(shot, layer.low), layer.gain_db(shot, layer.high)
    slope = (high - low) / (layer.high - layer.low) if layer.high > layer.low else 0.0
    return _Line(high + slope * (127 - layer.high), slope)


def _loudest(folder: Path, part: _Part) -> float:
    """Peak of the loudest sample as it would be stored, dBFS."""
    peaks = [(_peak_dbfs(folder, part, shot), part.lines[shot.hit].top_db) for shot in part.shots]
    return max((peak + top for peak, top in peaks if peak is not None), default=0.0)


def _peak_dbfs(folder: Path, part: _Part, shot: OneShot) -> float | None:
    """Peak of a one-shot's balanced sum at a rate that the format takes, dBFS."""
    take = next(hit.take for hit in part.kit.hits if hit.id == shot.hit)
    if (shot.files[0].sample_rate or part.kit.session.take(take).sample_rate) <= HIGHEST_RATE:
        return mixdown.peak_dbfs(folder, shot, part.kit.balance)
    return recalled(READY_PEAKS, mixdown.sum_key(shot, part.kit.balance),
                    lambda: (sample_peak_dbfs(_ready(folder, part, shot)[0]),))[0]


def _ready(folder: Path, part: _Part, shot: OneShot) -> tuple[Floats, int]:
    """A one-shot's balanced sum at a rate that the format takes; (2, frames) and the rate."""
    x, rate = mixdown.stereo(folder, shot, part.kit.balance)
    if rate > HIGHEST_RATE:
        target = 48_000 if rate % 48_000 == 0 else 44_100
        x, rate = np.ascontiguousarray(soxr.resample(x.T, rate, target, quality="VHQ").T), target
    if x.shape[1] < SHORTEST:
        x = np.pad(x, ((0, 0), (0, SHORTEST - x.shape[1])))
    return x, rate


def _presets(keys: Sequence[Key]) -> int:
    """Presets that the file can hold: as many as the layer with most round robins has, or fewer where it grows too
    large.
    """
    most = max((len(layer.alternates) for key in keys for layer in key.layers), default=0)
    while most > 1:
        frames = sum(shot.files[0].frames + ZEROS for key in keys for layer in key.layers
                     for shot in layer.alternates[:most])
        if frames * 2 * 3 <= MOST_BYTES:
            break
        most -= 1
    return most


# --------------------------------------------------------------------------------------------------------------- chunks


def _mixed(folder: Path, part: _Part, shot: OneShot, gain_db: float, out: IO[bytes], low_bytes: IO[bytes]) -> Points:
    """Both sides of a one-shot, 24 bit split into smpl and sm24 (section 6.2), with the silence after each. ``lower``
    counts from the start of ``low_bytes``.
    """
    x, rate = _ready(folder, part, shot)
    x = x * 10 ** (gain_db / 20)
    whole = np.clip(np.round(x * 2**23), -(2**23), 2**23 - 1).astype(np.int32)
    whole = np.pad(whole, ((0, 0), (0, ZEROS))).ravel()
    return _put((whole >> 8).astype("<i2").tobytes(), (whole & 0xFF).astype(np.uint8).tobytes(), x.shape[1], rate, out,
                low_bytes)


def _copied(key: Hashable, before: IO[bytes] | None, out: IO[bytes], low_bytes: IO[bytes]) -> Points | None:
    """The same from an earlier file; None where it does not hold these samples as they were written."""
    results = in_use()
    known = None if results is None or before is None else results.get(POINTS, key)
    if known is None or before is None:
        return None
    before.seek(known.upper)
    upper = before.read(2 * known.count)
    before.seek(known.lower)
    lower = before.read(known.count)
    if _sum(upper, lower) != known.sha256:
        return None
    return _put(upper, lower, known.frames, known.sample_rate, out, low_bytes)


def _put(upper: bytes, lower: bytes, frames: int, rate: int, out: IO[bytes], low_bytes: IO[bytes]) -> Points:
    """Write points; where they are now."""
    made = Points(out.tell(), low_bytes.tell(), len(lower), frames, rate, _sum(upper, lower))
    out.write(upper)
    low_bytes.write(lower)
    return made


def _sum(upper: bytes, lower: bytes) -> str:
    digest = hashlib.sha256(upper)
    digest.update(lower)
    return digest.hexdigest()


def _open_chunk(out: IO[bytes], name: bytes) -> int:
    """Start a chunk whose size is not known yet; where its size stands."""
    out.write(name + b"\0\0\0\0")
    return out.tell() - 4


def _open_list(out: IO[bytes], name: bytes) -> int:
    """The same for a LIST of that name."""
    at = _open_chunk(out, b"LIST")
    out.write(name)
    return at


def _close(out: IO[bytes], at: int) -> None:
    """Fill in the size that stands at ``at``; chunks of odd size are padded."""
    size = out.tell() - at - 4
    if size % 2:
        out.write(b"\0")
    end = out.tell()
    out.seek(at)
    out.write(struct.pack("<I", size))
    out.seek(end)


def _chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) % 2)


def _info(kit: Kit) -> bytes:
    """LIST INFO: version, names, licence; no date, so that two builds are alike (section 5)."""
    info = kit_info(kit)
    texts = [(b"isng", "oneshot"), (b"INAM", str(info["name"])), (b"IENG", info["author"]),
             (b"ICOP", info["licence"]), (b"ISFT", kit.generator)]
    data = b"INFO" + _chunk(b"ifil", struct.pack("<HH", 2, 4))
    for name, text in texts:
        if text:
            encoded = one_line(str(text)).encode("ascii", "replace")[:254] + b"\0"
            data += _chunk(name, encoded + b"\0" * (len(encoded) % 2))
    return _chunk(b"LIST", data)


def _pdta(parts: Sequence[_Part], sounds: Mapping[tuple[int, int], _Sound]) -> bytes:
    """LIST pdta: presets, instruments (one a key and preset) and samples (section 7)."""
    kit = parts[0].kit
    chokes = {name: number for number, name in enumerate(sorted({d.choke for d in kit.drums if d.choke}), start=1)}
    order = {of: 2 * index for index, of in enumerate(sounds)}
    phdr, pbag, pgen, inst, ibag, imod, igen = (bytearray() for _ in range(7))
    number = 0
    for n, part in enumerate(parts):
        for preset in range(part.presets):
            name = f"{part.name} {preset + 1}" if preset else part.name
            phdr += struct.pack("<20sHHHIII", _name(name), number, BANK, len(pbag) // 4, 0, 0, 0)
            number += 1
            for key in part.keys:
                pbag += struct.pack("<HH", len(pgen) // 4, 0)
                pgen += struct.pack("<HH", INSTRUMENT, len(inst) // 22)
                inst += struct.pack("<20sH", _name(f"{key.drum.name} {key.articulation} {preset + 1}"), len(ibag) // 4)
                for layer in key.layers:
                    turns = layer.alternates[:part.presets]
                    shot = turns[preset % len(turns)]
                    for side in (0, 1):
                        ibag += struct.pack("<HH", len(igen) // 4, len(imod) // 10)
                        igen += _zone(key, layer, side, chokes.get(key.drum.choke or "", 0), order[n, shot.hit] + side)
                        imod += _modulators(part.lines[shot.hit])
    phdr += struct.pack("<20sHHHIII", b"EOP", 0, 0, len(pbag) // 4, 0, 0, 0)
    pbag += struct.pack("<HH", len(pgen) // 4, 0)
    pgen += bytes(4)
    inst += struct.pack("<20sH", b"EOI", len(ibag) // 4)
    ibag += struct.pack("<HH", len(igen) // 4, len(imod) // 10)
    imod += bytes(10)
    igen += bytes(4)
    chunks = [(b"phdr", phdr), (b"pbag", pbag), (b"pmod", bytes(10)), (b"pgen", pgen), (b"inst", inst), (b"ibag", ibag),
             (b"imod", imod), (b"igen", igen), (b"shdr", _headers(sounds, parts))]
    return _chunk(b"LIST", b"pdta" + b"".join(_chunk(name, bytes(data)) for name, data in chunks))


def _zone(key: Key, layer: Layer, side: int, choke: int, sample: int) -> bytes:
    """Generators of one side of one layer, in the order the format asks for: ranges first, the sample last."""
    out = struct.pack("<HBB", KEY_RANGE, key.key, key.key) + struct.pack("<HBB", VEL_RANGE, layer.low, layer.high)
    out += struct.pack("<Hh", PAN, 500 if side else -500) + struct.pack("<Hh", RELEASE, LONGEST_RELEASE)
    out += struct.pack("<HH", MODES, 0) + struct.pack("<HH", SCALE, 0)
    if choke:
        out += struct.pack("<HH", CLASS, choke)
    return out + struct.pack("<HH", ROOT, key.key) + struct.pack("<HH", SAMPLE, sample)


def _modulators(line: _Line) -> bytes:
    """No default velocity curve, no default filter, and the layer's own line from velocity to attenuation."""
    amount = min(round(1270 * line.slope_db), 32767)
    rows = [(VELOCITY_CONCAVE, ATTENUATION, 0, 0), (VELOCITY_LINEAR, FILTER, 0, 0),
            (VELOCITY_LINEAR, FILTER, 0, VELOCITY_SWITCH), (VELOCITY_LINEAR, ATTENUATION, amount, 0)]
    return b"".join(struct.pack("<HHhHH", source, target, value, second, 0) for source, target, value, second in rows)


def _headers(sounds: Mapping[tuple[int, int], _Sound], parts: Sequence[_Part]) -> bytes:
    """shdr: both sides of each sample, linked to each other."""
    roots = {(n, shot.hit): key.key for n, part in enumerate(parts) for key in part.keys for layer in key.layers
             for shot in layer.alternates}
    out = bytearray()
    for index, (of, sound) in enumerate(sounds.items()):
        for side in (0, 1):
            start = sound.start + side * (sound.frames + ZEROS)
            end = start + sound.frames
            # a loop is never played, but readers want one that keeps 8 points from either end (section 7.10)
            out += struct.pack("<20sIIIIIBbHH", _name(f"{sound.name}{'LR'[side]}"), start, end, start + 8, end - 8,
                               sound.sample_rate, roots[of], 0, 2 * index + 1 - side, 2 if side else 4)
    out += struct.pack("<20sIIIIIBbHH", b"EOS", 0, 0, 0, 0, 0, 0, 0, 0, 0)
    return bytes(out)


def _name(text: str) -> bytes:
    """A name as the format holds it: up to 19 ASCII characters and a zero."""
    return one_line(text).encode("ascii", "replace")[:19]
