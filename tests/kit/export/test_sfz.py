"""mappings/kit.sfz, read back as a player would; opcodes and their meaning: SFZ community specification (2024)."""

from __future__ import annotations

import math
import subprocess
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from kit_example import ATTACK, FRAMES, LAYERS, RATE, ROBINS
from sfz_render import Instrument

from oneshot.core.records.hits import Articulation
from oneshot.core.records.kit import Fader, Kit
from oneshot.kit.export.sfz import to_sfz
from oneshot.kit.playback.sampler import Note, Player
from oneshot.kit.verify import read_regions

V1_V2 = {"sample", "key", "lovel", "hivel", "seq_length", "seq_position", "group", "off_by", "off_mode", "loop_mode",
         "amp_veltrack", "volume", "pan", "width", "position", "ampeg_release", "default_path", "phase",
         "note_polyphony", "locc4", "hicc4"}


@pytest.fixture(scope="module")
def kit(example: Kit) -> Kit:
    """The example kit."""
    return example


def regions_of(kit: Kit) -> list[dict[str, str]]:
    """All regions with what they inherit."""
    return list(read_regions(to_sfz(kit)))


def played(regions: list[dict[str, str]], key: int, velocity: int) -> list[dict[str, str]]:
    """The regions a note wakes, all round robins of it."""
    return [region for region in regions
            if int(region["key"]) == key and int(region["lovel"]) <= velocity <= int(region["hivel"])]


def gain_db(region: dict[str, str], velocity: int) -> float:
    """What a player applies: volume, and amp_velcurve joined by straight lines (amp_veltrack=100)."""
    points = sorted((int(name.removeprefix("amp_velcurve_")), float(value)) for name, value in region.items()
                    if name.startswith("amp_velcurve_"))
    for (v0, a0), (v1, a1) in pairwise(points):
        if v0 <= velocity <= v1:
            return float(region["volume"]) + 20 * math.log10(a0 + (a1 - a0) * (velocity - v0) / (v1 - v0))
    raise AssertionError(velocity)


def test_every_file_has_one_region_and_exists(kit: Kit, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Paths run from the mapping's folder; no file is left out or played twice."""
    paths = [(region["default_path"] + region["sample"]).removeprefix("../") for region in regions_of(kit)]

    assert sorted(paths) == sorted(file.path for shot in kit.one_shots for file in shot.files)
    assert not any(" " in path or "=" in path for path in paths)


def test_layers_tile_every_velocity_of_every_key(kit: Kit) -> None:
    """Each velocity from 1 to 127 wakes exactly one layer: both mics of each round robin."""
    regions = regions_of(kit)

    assert {36, 42, 46} == {int(region["key"]) for region in regions}
    for key in (36, 42, 46):
        for velocity in range(1, 128):
            assert 2 * ROBINS == len(played(regions, key, velocity))


def test_the_mics_of_a_hit_stay_together(kit: Kit) -> None:
    """Sequences, not random ranges: all files of a hit share length and position and one velocity range."""
    regions = {region["sample"]: region for region in regions_of(kit)}
    for shot in kit.one_shots:
        mine = [regions[file.path] for file in shot.files]
        assert {(str(ROBINS), str(shot.round_robin))} == {(r["seq_length"], r["seq_position"]) for r in mine}
        assert {tuple(map(str, shot.velocity))} == {(r["lovel"], r["hivel"]) for r in mine}
    assert "rand" not in to_sfz(kit)


def test_gaps_in_the_round_robins_are_closed(kit: Kit) -> None:
    """Positions count from 1 without gap, whatever the kit's numbers."""
    without = replace(kit, one_shots=tuple(shot for shot in kit.one_shots if shot.round_robin != 1))

    assert {("1", "1")} == {(region["seq_length"], region["seq_position"]) for region in regions_of(without)}


def test_strokes_ring_out_and_only_hats_choke(kit: Kit) -> None:
    """loop_mode=one_shot everywhere; group and off_by only where a drum chokes, and never 0."""
    for region in regions_of(kit):
        assert "one_shot" == region["loop_mode"]
        if region["key"] == "36":
            assert {"group", "off_by"}.isdisjoint(region)
        else:
            assert ("1", "1") == (region["group"], region["off_by"])
            assert region["off_mode"] in {"fast", "normal"}


def test_only_opcodes_of_versions_1_and_2_are_used_and_key_comes_first(kit: Kit) -> None:
    """SFZ community specification: versions of each opcode; key is written before what it would overwrite."""
    text = to_sfz(kit)
    names = {name for region in regions_of(kit) for name in region}

    assert {name for name in names if not name.startswith("amp_velcurve_")} <= V1_V2
    for group in text.split("<group>\n")[1:]:
        assert group.startswith("key=")


def test_the_balance_is_in_the_regions(kit: Kit) -> None:
    """Gain, pan and polarity of each mic; a pair is one stereo file of full width; a mic that is off stays out."""
    balance = {"Kick In": Fader(-1.5, 0.25, -1), "OH L": Fader(-3.0, -1.0), "OH R": Fader(-3.0, 1.0),
               "Hat": Fader(on=False)}
    regions = [region for region in regions_of(replace(kit, balance=balance)) if region["hivel"] == "127"]
    kick, pair = played(regions, 36, 127)[:2]

    assert ("25", "invert") == (kick["pan"], kick["phase"])
    assert ("100", "0") == (pair["width"], pair["position"])
    assert pytest.approx(1.5) == float(kick["volume"]) - float(pair["volume"])
    assert "phase" not in pair
    assert not [region for region in regions if region["sample"].endswith("_Hat.wav")]


def test_a_file_that_was_inverted_is_not_inverted_again(kit: Kit) -> None:
    """The mic's polarity is in the file already."""
    shot = kit.one_shots[0]
    turned = replace(shot, files=(replace(shot.files[0], inverted=True), *shot.files[1:]))
    changed = replace(kit, balance={**kit.balance, "Kick In": Fader(polarity=-1)},
                      one_shots=(turned, *kit.one_shots[1:]))
    first, second = (region for region in regions_of(changed)[:4] if region["sample"].endswith("KickIn.wav"))

    assert "phase" not in first
    assert "invert" == second["phase"]


@pytest.mark.parametrize(("key", "articulation"), [(36, "hit"), (42, "closed"), (46, "open")])
def test_a_sweep_rises_smoothly_along_the_measured_levels(kit: Kit, key: int, articulation: str) -> None:
    """From 1 to 127 each step is louder, by less than 1 dB also where the layer changes.

    What is heard is the sample's own level plus the gain; at the middle of a layer (the hardest: at 127) it plays as
    recorded.
    """
    regions = [region for region in regions_of(kit) if not region["sample"].endswith("_OH.wav")]
    levels = {(low, high): level + 0.15 for low, high, level in LAYERS[articulation]}  # the median of two round robins
    fader = kit.balance["Hat" if key != 36 else "Kick In"].gain_db
    heard = []
    for velocity in range(1, 128):
        region = played(regions, key, velocity)[0]
        heard.append(levels[int(region["lovel"]), int(region["hivel"])] + gain_db(region, velocity) - fader)
    steps = [b - a for a, b in pairwise(heard)]

    assert min(steps) > 0
    assert max(steps) < 1.0
    for (low, high), level in levels.items():
        middle = 127 if high == 127 else (low + high) // 2
        assert pytest.approx(level, abs=0.3) == heard[middle - 1]


def test_the_default_velocity_curve_is_replaced(kit: Kit) -> None:
    """SFZ's default is 40·log10(v/127) dB, -11.90 at 64: a layer recorded soft would be attenuated twice."""
    for region in regions_of(kit):
        assert "100" == region["amp_veltrack"]
        for bound in ("lovel", "hivel"):
            assert f"amp_velcurve_{region[bound]}" in region
        assert all(0 < float(value) <= 1 for name, value in region.items() if name.startswith("amp_velcurve_"))


def test_a_loud_balance_is_lowered_as_a_whole(kit: Kit) -> None:
    """The volume opcode ends at +6 dB: a fader at +12 keeps its distance to the others."""
    balance = {**kit.balance, "Kick In": Fader(12.0)}
    volumes = {region["sample"]: float(region["volume"]) for region in regions_of(replace(kit, balance=balance))}
    files = kit.one_shots[0].files

    assert max(volumes.values()) <= 6.0
    assert pytest.approx(15.5, abs=0.011) == volumes[files[0].path] - volumes[files[1].path]


def test_the_mapping_is_where_the_kit_wants_it(kit: Kit, tmp_path: Path) -> None:
    """mappings/kit.sfz and one mapping a drum, with headers on lines of their own."""
    from oneshot.kit.export import sfz

    assert [tmp_path / "mappings" / name for name in ("kit.sfz", "drums/kick.sfz", "drums/hat.sfz")] == sfz.write(
        kit, tmp_path)
    assert "\n<control>\ndefault_path=../\n\n<global>\n" in (tmp_path / "mappings/kit.sfz").read_text(encoding="utf-8")


def test_each_drum_has_a_mapping_that_plays_it_alone(kit: Kit, tmp_path: Path) -> None:
    """mappings/drums/<drum>.sfz: the same sound from the same key, and nothing else."""
    folder = kit.session.root / "kit"
    whole, alone = Instrument(folder / "mappings/kit.sfz"), Instrument(folder / "mappings/drums/hat.sfz")

    assert {42, 46} == {int(region.opcodes["key"]) for region in alone.regions}
    for velocity in (1, 64, 127):
        np.testing.assert_allclose(whole.sounds(42, velocity), alone.sounds(42, velocity), atol=2e-5)


def test_each_mic_has_one_variable(kit: Kit) -> None:
    """One line changes a mic's level everywhere; no variable's name begins with another's."""
    text = to_sfz(kit)
    names = [line.split()[1] for line in text.splitlines() if line.startswith("#define")]

    assert 3 == len(names) == len(set(names))
    assert not any(a != b and b.startswith(a) for a in names for b in names)
    assert {f"volume={name}" for name in names} == {word for word in text.split() if word.startswith("volume=")}


def test_an_independent_renderer_plays_what_the_player_plays(kit: Kit) -> None:
    """The SFZ by its published opcodes, every key and a spread of velocities, alternate by alternate, against the
    player: the difference lies 60 dB below the sound.
    """
    folder = kit.session.root / "kit"
    instrument, player = Instrument(folder / "mappings/kit.sfz"), Player(folder, kit, RATE)
    for key in (36, 42, 46):
        for velocity in (1, 30, 60, 61, 64, 65, 100, 101, 127):
            notes = [Note(10 * RATE * n, key, velocity) for n in range(1, 4)]
            played_by_us = player.play(notes)
            for note in notes:
                ours = played_by_us[:, note.at - ATTACK:note.at - ATTACK + FRAMES]
                theirs = instrument.sounds(key, velocity)
                assert 60 <= 10 * math.log10(np.sum(ours**2) / np.sum((ours - theirs) ** 2))
            for region in instrument.regions:  # the player counts anew each time it plays
                region.asked = 0


def test_a_checker_of_the_format_finds_nothing(kit: Kit) -> None:
    """The checker sfzlint (PyPI), told that versions 1 and 2 are used, prints nothing."""
    for name in ("kit.sfz", "drums/kick.sfz", "drums/hat.sfz"):
        path = kit.session.root / "kit" / "mappings" / name
        run = subprocess.run([sys.executable, "-m", "sfzlint.cli", "--spec-version", "v1", "v2", "--", str(path)],
                             capture_output=True, text=True, check=False)
        assert ("", "") == (run.stdout, run.stderr)


def test_a_hat_with_three_openings_has_a_key_for_the_pedal(kit: Kit) -> None:
    """Controller 4 chooses: open at 0, half open in the middle, closed at 127; the three tile its range."""
    ways = (Articulation("closed", 42), Articulation("open", 46), Articulation("half-open", 60))
    shots = [*kit.one_shots, *(replace(s, articulation="half-open") for s in kit.one_shots if s.articulation == "open")]
    more = replace(kit, drums=(kit.drums[0], replace(kit.drums[1], articulations=ways)), one_shots=tuple(shots))
    by_pedal = [region for region in regions_of(more) if "locc4" in region]

    assert 1 == len({region["key"] for region in by_pedal})
    assert by_pedal[0]["key"] not in {"36", "42", "46", "60"}
    assert [("0", "42"), ("43", "84"), ("85", "127")] == sorted(
        {(region["locc4"], region["hicc4"]) for region in by_pedal}, key=lambda pair: int(pair[0]))
    assert "open" in next(region["sample"] for region in by_pedal if region["locc4"] == "0")
    assert "closed" in next(region["sample"] for region in by_pedal if region["hicc4"] == "127")
    assert not [region for region in regions_of(kit) if "locc4" in region]

