"""verify: a sound kit passes, and each kind of damage is found and named."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from kit_example import RATE

from oneshot.audio.io import read_int, write_wav
from oneshot.core.errors import KitError
from oneshot.core.records.kit import Kit
from oneshot.kit.verify import Difference, read_regions, verify_kit

FIRST = "samples/kick/hit/kick_hit_V01_RR01_KickIn.wav"


@pytest.fixture
def folder(own_example: Kit) -> Path:
    """A sound kit."""
    return own_example.session.root / "kit"


def edit(folder: Path, change: Callable[[dict[str, Any]], None]) -> None:
    """Change the manifest in place."""
    path = folder / "manifest.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    change(document)
    path.write_text(json.dumps(document), encoding="utf-8")


def rewrite(path: Path, change: Callable[[Any], Any], rate: int = RATE) -> None:
    """Change a sound file's samples in place."""
    write_wav(path, change(read_int(path)[0]), rate, "PCM_24")


def whats(folder: Path) -> list[tuple[str, str]]:
    """(path, what) of every difference."""
    return [(found.path, found.what) for found in verify_kit(folder)]


def test_a_sound_kit_has_no_differences(folder: Path) -> None:
    """What the manifest says is what is measured."""
    assert [] == verify_kit(folder)


def test_one_changed_sample_is_found(folder: Path) -> None:
    """By its sum, even where no level moves."""
    def nudge(x: Any) -> Any:
        x[0, 15_000] += 256
        return x
    rewrite(folder / FIRST, nudge)

    assert [(FIRST, "sha256")] == whats(folder)


def test_a_changed_level_is_told_in_numbers(folder: Path) -> None:
    """Half the amplitude: 6.02 dB in peak, true peak and loudness, expected and found."""
    rewrite(folder / FIRST, lambda x: (x // 512) * 256)
    found = {each.what: each for each in verify_kit(folder)}

    assert {"sha256", "peak_dbfs", "true_peak_dbtp", "momentary_lufs", "integrated_lufs"} == set(found)
    peak = found["peak_dbfs"]
    assert pytest.approx(6.02, abs=0.02) == float(peak.expected) - float(peak.found)


def test_length_rate_and_channels_are_held(folder: Path) -> None:
    """A shortened, converted or widened file is not the one listed."""
    rewrite(folder / FIRST, lambda x: np.vstack([x, x])[:, :-1], rate=48000)

    assert {"frames", "sample rate", "channels"} <= {what for path, what in whats(folder) if path == FIRST}


@pytest.mark.parametrize("index", [0, -1])
def test_a_click_at_an_end_is_found(folder: Path, index: int) -> None:
    """A first or last sample above the mic's noise floor is a step."""
    def click(x: Any) -> Any:
        x[0, index] = 2 ** 22
        return x
    rewrite(folder / FIRST, click)

    assert (FIRST, "first sample" if index == 0 else "last sample") in whats(folder)


def test_an_end_within_the_noise_is_no_click(folder: Path) -> None:
    """The kick's mic lies at -80 dBFS: a sample at -75 is its noise."""
    def hiss(x: Any) -> Any:
        x[0, -1] = round(2 ** 31 * 10 ** (-75 / 20))
        return x
    rewrite(folder / FIRST, hiss)

    assert [(FIRST, "sha256")] == whats(folder)


def test_a_missing_and_an_unlisted_file_are_found(folder: Path) -> None:
    """Also what the mapping then plays no more."""
    (folder / FIRST).rename(folder / "samples/kick/stray.wav")
    found = whats(folder)

    assert (FIRST, "file") in found
    assert ("samples/kick/stray.wav", "file") in found
    assert ("mappings/kit.sfz", "sample") in found


def test_a_file_that_is_no_sound_is_found(folder: Path) -> None:
    """With one line, not a traceback."""
    (folder / FIRST).write_bytes(b"RIFF nothing")

    assert {(FIRST, "sha256"), (FIRST, "sound")} == set(whats(folder))


@pytest.mark.parametrize("name", ["hits.csv", "README.txt", "recipe.toml", "report.html", "manifest.schema.json",
                                  "mappings/kit.sfz"])
def test_what_belongs_beside_the_samples_is_missed(folder: Path, name: str) -> None:
    """A kit is all of its files."""
    (folder / name).unlink()

    assert [(name, "file")] == whats(folder)


def test_a_manifest_of_another_shape_is_told_by_place(folder: Path) -> None:
    """Nothing else is measured against a manifest that cannot be trusted."""
    edit(folder, lambda document: document["hits"][0].pop("onset"))

    assert [Difference("manifest.json: hits[0].onset", "shape", "as manifest.schema.json says", "is missing")] == (
        verify_kit(folder))


def test_files_of_a_hit_that_do_not_lie_over_each_other_are_found(folder: Path) -> None:
    """One start, one length, one attack for all mics of a one-shot; the fade-in ends before the attack."""
    def shift(document: dict[str, Any]) -> None:
        second = document["one_shots"][0]["files"][1]
        second["source_start"] += 1
        second["onset_frame"] -= 100
    edit(folder, shift)
    path = FIRST.replace("KickIn", "OH")

    assert [(path, "fade_in_frames"), (path, "onset_frame"), (path, "source_start")] == whats(folder)


def test_a_gap_between_layers_is_found(folder: Path) -> None:
    """In the manifest, and apart from it in the mapping."""
    def gap(document: dict[str, Any]) -> None:
        for shot in document["one_shots"]:
            if shot["velocity"] == [1, 60]:
                shot["velocity"] = [1, 58]
    edit(folder, gap)
    path = folder / "mappings/kit.sfz"
    path.write_text(path.read_text(encoding="utf-8").replace("lovel=101", "lovel=102"), encoding="utf-8")

    assert [("manifest.json: kick/hit", "velocities"), ("mappings/kit.sfz: key 36", "velocities")] == whats(folder)


@pytest.mark.parametrize(("old", "new", "what"), [
    ("seq_position=2", "seq_position=1", "round robins"), ("key=36", "key=37", "key of"),
    ("key=36", "key=low", "key of"),
    ("key=36", "key=\u00b2", "key of"), ("key=36", "key=" + "9" * 5000, "key of"),
    ("hivel=127", "hivel=9999999999", "velocities"), ("seq_length=2", "seq_length=9999999999", "round robins"),
    ("sample=", "sample=" + "x" * 5000, "sample"), ("sample=", "sample=\0", "sample"),
    ("default_path=../", "default_path=../../", "sample"), ("lovel=1 ", "lovel=x ", "velocities")])
def test_a_broken_mapping_is_found(folder: Path, old: str, new: str, what: str) -> None:
    """Round robins that never sound, keys of no drum, samples that are not there."""
    path = folder / "mappings/kit.sfz"
    path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    found = verify_kit(folder)

    assert found
    assert all(each.path.startswith("mappings/kit.sfz") for each in found)
    assert any(each.what.startswith(what) for each in found)


def test_what_is_no_kit_is_one_line(tmp_path: Path) -> None:
    """No folder, no manifest, a damaged or foreign one."""
    with pytest.raises(KitError, match="no such folder"):
        verify_kit(tmp_path / "none")
    with pytest.raises(KitError, match=r"not a kit, manifest\.json is missing"):
        verify_kit(tmp_path)
    (tmp_path / "manifest.json").write_text("{", encoding="utf-8")
    with pytest.raises(KitError, match="cannot be read as JSON"):
        verify_kit(tmp_path)
    (tmp_path / "manifest.json").write_text('{"format": "other"}', encoding="utf-8")
    with pytest.raises(KitError, match="not a manifest of format 'oneshot-manifest'"):
        verify_kit(tmp_path)


def test_regions_inherit_as_the_format_says() -> None:
    """SFZ community specification: control, global and group go down to regions; a new group forgets the old one."""
    text = ("// <region> sample=no.wav\n<control> default_path=a/ \n<global> volume=-1 <group> key=36 lovel=2\n"
            "<region> sample=x y.wav pan=3\n<group> key=38\n<region>\nsample=z.wav // end\n")

    assert [{"default_path": "a/", "volume": "-1", "key": "36", "lovel": "2", "sample": "x y.wav", "pan": "3"},
            {"default_path": "a/", "volume": "-1", "key": "38", "sample": "z.wav"}] == list(read_regions(text))


@pytest.mark.parametrize("text", [
    "<region>" + " " * 300_000 + "x", "<region>" + "x" * 300_000, "<region>a=" + "\n" * 300_000 + "x",
    "<" * 300_000, "<region>" + "a=b " * 100_000,
    "".join(f"#define $v{n} {n}\n" for n in range(30_000)) + "<region>" + "key=$v7 " * 30_000])
def test_no_mapping_takes_long_to_read(text: str) -> None:
    """Time grows with a mapping's length, whatever is in it."""
    began = time.process_time()
    regions = list(read_regions(text))

    assert time.process_time() - began < 2
    assert "$v" not in text or [{"key": "7"}] == regions
