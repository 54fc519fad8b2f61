"""mappings/kit.sf2, read back by sf2utils and played by fluidsynth where Debian's is installed.

SoundFont Technical Specification 2.04 (2006) for every figure.
"""

from __future__ import annotations

import shutil
import struct
import subprocess
from itertools import pairwise
from pathlib import Path

import mido
import numpy as np
import pytest
from kit_example import FRAMES, RATE
from sf2utils.sf2parse import Sf2File

from oneshot.audio.io import read_audio
from oneshot.core.records.kit import Kit
from oneshot.cutting.mix import mixdown
from oneshot.kit.export import sf2
from oneshot.kit.playback import keymap

KEYS = (36, 42, 46)


@pytest.fixture(scope="module")
def kit(example: Kit) -> Kit:
    """The example kit."""
    return example


def sf2_path(kit: Kit) -> Path:
    """Where the example's SoundFont lies."""
    return kit.session.root / "kit" / sf2.NAME


def chunks(data: bytes) -> dict[str, bytes]:
    """All chunks of the file by name, LISTs opened; sizes held against what is there (section 3)."""
    found: dict[str, bytes] = {}

    def walk(part: bytes) -> None:
        at = 0
        while at < len(part):
            name, size = struct.unpack_from("<4sI", part, at)
            body = part[at + 8:at + 8 + size]
            assert size == len(body)
            if name == b"LIST":
                walk(body[4:])
            else:
                found[name.decode()] = body
            at += 8 + size + size % 2

    assert (b"RIFF", len(data) - 8, b"sfbk") == struct.unpack_from("<4sI4s", data)
    walk(data[12:])
    return found


def test_the_sizes_are_those_of_the_specification(kit: Kit) -> None:
    """Record sizes and terminal records (section 7), three bytes a point (6.1, 6.2), version 2.4 (5.1)."""
    found = chunks(sf2_path(kit).read_bytes())
    pbags = struct.unpack_from("<H", found["phdr"], len(found["phdr"]) - 38 + 24)[0]
    ibags = struct.unpack_from("<H", found["inst"], len(found["inst"]) - 22 + 20)[0]
    gens, mods = struct.unpack_from("<HH", found["ibag"], len(found["ibag"]) - 4)

    assert (2, 4) == struct.unpack("<HH", found["ifil"])
    assert [0] * 6 == [len(found[name]) % size for name, size in
                       (("phdr", 38), ("inst", 22), ("shdr", 46), ("igen", 4), ("imod", 10), ("pgen", 4))]
    assert (4 * pbags + 4, 4 * ibags + 4) == (len(found["pbag"]), len(found["ibag"]))
    assert (4 * gens + 4, 10 * mods + 10) == (len(found["igen"]), len(found["imod"]))
    assert len(found["smpl"]) == 2 * len(found["sm24"])
    assert b"EOP" == found["phdr"][-38:-35]


def test_a_reader_of_the_format_finds_presets_and_pairs(kit: Kit) -> None:
    """sf2utils (PyPI): bank 128, one preset a round robin, every sample one of a linked pair at the source's rate."""
    with sf2_path(kit).open("rb") as file:
        found = Sf2File(file)
        presets = [(p.bank, p.preset) for p in found.presets if p.name != "EOP"]
        samples = [s for s in found.samples if s.name != "EOS"]

    assert [(128, 0), (128, 1)] == presets
    assert 2 * len(kit.one_shots) == len(samples)
    assert {RATE} == {sample.sample_rate for sample in samples}
    assert all(bool(sample.is_left) == (index % 2 == 0) for index, sample in enumerate(samples))
    assert {FRAMES} == {sample.duration for sample in samples}


def test_samples_are_the_balanced_sums(kit: Kit) -> None:
    """24 bit put together from smpl and sm24: the mix of the mics at one gain a one-shot, and silence behind it."""
    found = chunks(sf2_path(kit).read_bytes())
    points = (np.frombuffer(found["smpl"], "<i2").astype(np.int32) << 8) | np.frombuffer(found["sm24"], np.uint8)
    shot = keymap.keys_of(kit, keymap.mix_levels(kit))[0].layers[0].alternates[0]
    expected, _ = mixdown.stereo(kit.session.root / "kit", shot, kit.balance)
    left, gap = points[:FRAMES] / 2**23, points[FRAMES:FRAMES + sf2.ZEROS]

    gain = float(np.dot(left, expected[0]) / np.dot(expected[0], expected[0]))
    np.testing.assert_allclose(left, gain * expected[0], atol=2**-23)
    assert not gap.any()
    assert 10 ** (-1 / 20) == pytest.approx(np.abs(points).max() / 2**23, abs=1e-5)


def test_two_builds_are_byte_identical(kit: Kit, tmp_path: Path) -> None:
    """No date and no chance."""
    shutil.copytree(kit.session.root / "kit" / "samples", tmp_path / "samples")
    sf2.write(kit, tmp_path)

    assert sf2_path(kit).read_bytes() == (tmp_path / sf2.NAME).read_bytes()


def test_a_kit_without_one_shots_has_no_soundfont(kit: Kit, tmp_path: Path) -> None:
    """Nothing to play is no file."""
    from dataclasses import replace

    assert [] == sf2.write(replace(kit, one_shots=()), tmp_path)


def rendered(kit: Kit, folder: Path, key: int) -> list[float]:
    """Level of every velocity, 1 to 127, as fluidsynth plays it, dB."""
    track = mido.MidiTrack([mido.Message("control_change", channel=9, control=7, value=127)])
    for velocity in range(1, 128):
        track.append(mido.Message("note_on", channel=9, note=key, velocity=velocity, time=0))
        track.append(mido.Message("note_off", channel=9, note=key, velocity=0, time=960))
    mido.MidiFile(type=0, ticks_per_beat=480, tracks=[track]).save(folder / "sweep.mid")
    subprocess.run(["fluidsynth", "-ni", "-q", "-R", "0", "-C", "0", "-g", "1", "-r", str(RATE), "-O", "float", "-T",
                    "wav", "-F", str(folder / "sweep.wav"), str(sf2_path(kit)), str(folder / "sweep.mid")],
                   check=True, capture_output=True)
    x, _ = read_audio(folder / "sweep.wav")
    return [10 * float(np.log10(np.sum(x[:, n * RATE:n * RATE + RATE // 4] ** 2))) for n in range(127)]


@pytest.mark.skipif(shutil.which("fluidsynth") is None, reason="fluidsynth is not installed")
@pytest.mark.parametrize("key", KEYS)
def test_a_sweep_follows_the_measured_levels(kit: Kit, tmp_path: Path, key: int) -> None:
    """Debian's fluidsynth at every velocity: never falls by more than 0.5 dB, no step over 1.5 dB, spans what was
    measured within 1 dB.
    """
    heard = rendered(kit, tmp_path, key)
    (mine,) = (each for each in keymap.keys_of(kit, keymap.mix_levels(kit)) if each.key == key)
    wanted = {v: level for layer in mine.layers for v, level in layer.wanted_db.items()}
    steps = [b - a for a, b in pairwise(heard)]

    assert min(steps) > -0.5
    assert max(steps) < 1.5
    assert wanted[127] - wanted[1] == pytest.approx(heard[-1] - heard[0], abs=1.0)
