"""Damaged input by the thousand: every reader of other people's files gets what nobody would write.

    python tests/fuzz.py [SECONDS] [SEED]

runs until the time is up (a minute unless given) and prints how many of each kind were tried; tests/test_fuzz.py does
the same with a fixed number. A reader may take a damaged file or refuse it with an error of ``core/errors.py``; it may
not raise anything else, take longer than ``MOST_S`` or ``MOST_BYTES`` of memory (what Python and numpy allocate, as
tracemalloc counts it), or write anything in the folder of the file.
"""

from __future__ import annotations

import itertools
import json
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np
from kit_example import example_kit

from oneshot.audio import riff
from oneshot.audio.io import read_audio, sound_bytes
from oneshot.audio.tags import Tags, tagged
from oneshot.config.corrections_file import load
from oneshot.config.recipe import Recipe
from oneshot.config.recipe_file import load_recipe, recipe_toml
from oneshot.config.release_lock import read_pack
from oneshot.core.errors import OneshotError
from oneshot.kit.playback.grooves import read_midi
from oneshot.kit.read import read_kit
from oneshot.kit.release.pack_kit import pack_kit
from oneshot.kit.verify import verify_kit
from oneshot.session.open import open_session

MOST_S, MOST_BYTES = 20.0, 400_000_000
TOKENS = (b"\0", b"\xff" * 4, b"\0\0\0\x80", b"\xff\xff\xff\x7f", b"-1", b"1e999", b"NaN", b"null", b"[" * 50,
          b'{"a":' * 50, b"../", b"/etc/passwd", b'"', b"\n", b"<TRACK>", b"LIST", b"bext", b"iXML", b"\xed\xa0\x80",
          "\u2028".encode(), b"99999999999999999999", b"true", b"[[reject]]\n", b"=", b"#")
KINDS = ("sound.wav", "sound.aiff", "sound.flac", "a session", "time stamps", "MIDI", "a recipe", "corrections",
         "a manifest", "a release", "a pack")
CORRECTIONS = b'''format = "oneshot-corrections"
version = 1

[[reject]]
take = "take 1"
frame = 123456
note = "stick click"

[[round_robins]]
drum = "snare"
articulation = "centre"
layer = 2
hits = [{ take = "take 1", frame = 234567 }, { take = "take 1", frame = 123456 }]
'''


@dataclass(frozen=True, slots=True)
class Reader:
    """A kind of input: a sound file of that name in ``folder`` to begin with, and what reads it."""

    name: str
    path: Path
    whole: bytes
    read: Callable[[Path], object]


def mutated(data: bytes, rng: np.random.Generator) -> bytes:
    """A damaged copy: bytes flipped, cut out, doubled, swapped, put in, or its end gone; up to four times over."""
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 5))):
        at, length = int(rng.integers(len(out) + 1)), int(rng.integers(1, 2 + min(len(out) // 8, 400)))
        way = int(rng.integers(6))
        if way == 0 and out:
            out[min(at, len(out) - 1)] ^= int(rng.integers(1, 256))
        elif way == 1:
            del out[at : at + length]
        elif way == 2:
            out[at:at] = out[at : at + length]
        elif way == 3:
            out[at:at] = TOKENS[int(rng.integers(len(TOKENS)))]
        elif way == 4:
            token = TOKENS[int(rng.integers(len(TOKENS)))]
            out[at : at + len(token)] = token
        else:
            del out[at + 1 :]
    return bytes(out)


def readers(folder: Path) -> list[Reader]:
    """Every kind of input with a sound file of it, below an empty folder."""
    rng = np.random.default_rng(1)
    x = np.round(rng.uniform(-0.5, 0.5, (1, 2000)) * 2**23).astype(np.int32) << 8
    tags = Tags("title", "album", "artist", "rights", "software", 36, 10, 48000, 123456, ("A=PCM",), -20.0, -1.0, -18.0)
    out = []
    session = folder / "session"
    session.mkdir()
    for suffix in (".wav", ".aiff", ".flac"):
        path = folder / f"sound{suffix}"
        data = sound_bytes(x, 48000, "PCM_24", suffix)
        out.append(Reader(f"sound{suffix}", path, tagged(data, tags, path) or data, read_audio))
    ixml = (b"<BWFXML><TRACK_LIST><TRACK><NAME>Kick In</NAME><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX></TRACK>"
            b"</TRACK_LIST></BWFXML>")
    wav = sound_bytes(x, 48000, "PCM_24", ".wav")
    whole = wav[:12] + b"iXML" + len(ixml).to_bytes(4, "little") + ixml + b"\0" * (len(ixml) % 2) + wav[12:]
    whole = whole[:4] + (len(whole) - 8).to_bytes(4, "little") + whole[8:]
    out.append(Reader("a session", session / "Kick In.wav", whole, lambda path: open_session(path.parent)))
    out.append(Reader("time stamps", folder / "stamped.wav", out[0].whole, riff.time_reference))
    track = mido.MidiTrack([mido.Message("note_on", channel=9, note=36, velocity=90, time=48 * n % 400)
                            for n in range(40)])
    mido.MidiFile(type=0, tracks=[track]).save(folder / "a.mid")
    out.append(Reader("MIDI", folder / "a.mid", (folder / "a.mid").read_bytes(), lambda path: read_midi(path, 48000)))
    out.append(Reader("a recipe", folder / "r.toml", recipe_toml(Recipe()).encode(), load_recipe))
    out.append(Reader("corrections", folder / "c.toml", CORRECTIONS, load))
    kit = folder / "kit"
    example_kit(kit)
    manifest = kit / "manifest.json"
    out.append(Reader("a manifest", manifest, json.dumps(json.loads(manifest.read_text(encoding="utf-8"))).encode(),
                      lambda path: read_kit(path.parent)))
    packed = pack_kit(kit, folder / "pack.zip", licence="cc0").path
    out += [Reader("a release", packed, packed.read_bytes(), read_pack),
            Reader("a pack", folder / "verified.zip", packed.read_bytes(), verify_kit)]
    return out


def lying(folder: Path) -> dict[str, tuple[int, int]]:
    """All that lies in a folder and below it: path -> size and time of its content (ns)."""
    return {path.relative_to(folder).as_posix(): (path.lstat().st_size, path.lstat().st_mtime_ns)
            for path in folder.rglob("*")}


def tried(reader: Reader, rng: np.random.Generator) -> str:
    """Damage a file and read it: "taken" or "refused". Raises what the reader should not have raised."""
    data = mutated(reader.whole, rng)
    reader.path.write_bytes(data)
    around = lying(reader.path.parent)
    began = time.monotonic()
    try:
        reader.read(reader.path)
        said = "taken"
    except OneshotError as error:
        said = "refused"
        if "\n" in str(error).strip():
            raise AssertionError(f"{reader.name}: more than one line: {error}") from error
    took, (_, most) = time.monotonic() - began, tracemalloc.get_traced_memory()
    tracemalloc.reset_peak()
    if took > MOST_S or most > MOST_BYTES:
        raise AssertionError(f"{reader.name}: took {took:.1f} s and {most / 1e6:.0f} MB")
    if around != lying(reader.path.parent):
        raise AssertionError(f"{reader.name}: something was written in its folder")
    return said


def run(folder: Path, seed: int) -> Iterator[tuple[str, str]]:
    """Kind and outcome, without end: each reader in turn. What broke one is kept in the folder and named."""
    rng, all_of = np.random.default_rng(seed), readers(folder)
    tracemalloc.start()
    try:
        for reader in itertools.cycle(all_of):
            try:
                yield reader.name, tried(reader, rng)
            except Exception as error:
                error.add_note(f"{reader.name}, seed {seed}: {reader.path.read_bytes()[:400]!r}")
                raise
            finally:
                reader.path.write_bytes(reader.whole)
    finally:
        tracemalloc.stop()


def main(seconds: float, seed: int) -> None:
    """Until the time is up; what was tried, to the terminal."""
    counts: dict[tuple[str, str], int] = {}
    until = time.monotonic() + seconds
    with tempfile.TemporaryDirectory() as folder:
        for each in run(Path(folder), seed):
            counts[each] = counts.get(each, 0) + 1
            if time.monotonic() > until:
                break
    for (name, said), count in sorted(counts.items()):
        print(f"{name}: {count} {said}")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0, int(sys.argv[2]) if len(sys.argv) > 2 else 1)
