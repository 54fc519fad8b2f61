"""Mending: a kit with repairs asked for, all of it, on a small session that is known in full."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from stage_inputs import PIER, PIER_TAKE, few

from oneshot import pipeline
from oneshot.core.records.kit import Kit, OneShot, Sample
from oneshot.cutting.repair_plan import merged
from oneshot.kit.read import read_kit
from oneshot.kit.report.text import summary_lines, summary_record
from oneshot.kit.verify import verify_kit
from oneshot.synth import Stroke, TakePlan, write_session

KEEP_S = 0.1
RECIPE = "[repair]\nfilters = true\ntails = true\nsuppression = true\ncomposites = true\n[choose]\ngrade = \"D\"\n"
CLOSE_TOGETHER = TakePlan("fills", tuple(
    Stroke(0.2 + 0.35 * n, *(("kick", "hit"), ("snare", "centre"))[n % 2], -6.0 - n % 3) for n in range(12)))
"""Kick and snare by turns, 350 ms apart: each ends the other's ring."""


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Single strokes with room to ring, and strokes that cut each other short."""
    folder = tmp_path_factory.mktemp("mending") / "session"
    write_session(folder, PIER, (few(PIER_TAKE, 16), CLOSE_TOGETHER))
    return folder


@pytest.fixture(scope="module")
def mended(session: Path) -> tuple[Kit, Path]:
    """The kit with every repair asked for, and its folder."""
    recipe = session.parent / "recipe.toml"
    recipe.write_text(RECIPE, encoding="utf-8")
    folder = session.parent / "mended"
    return pipeline.build(session, folder, recipe_path=recipe, jobs=1).kit, folder


def repaired(kit: Kit) -> list[tuple[OneShot, Sample, Sample]]:
    """Each one-shot, repaired file and the untouched one beside it."""
    return [(shot, file, next(u for u in shot.untouched if u.mics == file.mics))
            for shot in kit.one_shots for file in shot.files if file.repaired]


def sound(folder: Path, file: Sample) -> Any:
    """Samples of a file, int32 (frames, channels)."""
    return soundfile.read(folder / file.path, dtype="int32", always_2d=True)[0]


def test_untouched_files_lie_beside_repaired_ones(mended: tuple[Kit, Path]) -> None:
    """Every repaired file has its untouched one beside it, under its usual name, with the source's own samples."""
    kit, folder = mended
    pairs = repaired(kit)

    assert len(pairs) > 0
    assert sum(len(shot.untouched) for shot in kit.one_shots) == len(pairs)
    for shot, file, original in pairs:
        assert file.path == original.path.replace(".wav", "-repaired.wav")
        assert () == original.repaired
        assert (original.grade, original.bleed_db) == (file.grade, file.bleed_db)
        take = kit.session.take(next(h.take for h in kit.hits if h.id == original.hit))
        source = take.mic(original.mics[0]).sources[0]
        x = soundfile.read(kit.session.root / source.path, dtype="int32", always_2d=True)[0][:, source.channel]
        a, b = original.fade_in_frames, original.frames - original.fade_out_frames
        start = original.source_start - source.at
        assert np.array_equal(x[start + a : start + b], sound(folder, original)[a:b, 0]), shot


def test_start_and_polarity_are_the_originals(mended: tuple[Kit, Path]) -> None:
    """The attack lies where it lay; and what only got a filter or a tail has its first 100 ms, bit for bit."""
    kit, folder = mended
    for _, file, original in repaired(kit):
        assert (original.source_start, original.onset_frame) == (file.source_start, file.onset_frame)
        keep = original.onset_frame + round(KEEP_S * PIER.sample_rate)
        if "suppression" not in file.repaired:
            assert np.array_equal(sound(folder, original)[:keep], sound(folder, file)[:keep])


def test_a_ring_that_was_cut_short_goes_on(mended: tuple[Kit, Path]) -> None:
    """Files with another hit's tail are longer than their originals, and say whose it is."""
    kit, _ = mended
    longer = [(file, original) for _, file, original in repaired(kit) if "tail" in file.repaired]

    assert len(longer) > 0
    for file, original in longer:
        assert file.frames >= 1.25 * original.frames
        lent = {record["hit"] for record in file.repairs if record["kind"] == "tail"}
        assert 1 == len(lent)
        donor = next(h for h in kit.hits if h.id in lent)
        assert next(h.drum for h in kit.hits if h.id == file.hit) == donor.drum


def test_the_manifest_lists_both_and_verify_measures_both(mended: tuple[Kit, Path], tmp_path: Path) -> None:
    """The kit is what its manifest says; read back it holds the same records; a damaged original is told."""
    kit, folder = mended
    back = read_kit(folder)

    assert [] == verify_kit(folder)
    assert [s.untouched for s in kit.one_shots] != [()] * len(kit.one_shots)
    assert [[u.path for u in s.untouched] for s in kit.one_shots] == [[u.path for u in s.untouched]
                                                                      for s in back.one_shots]
    row = next(f for s in json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["one_shots"]
               for f in s["files"] if f["repaired"])
    assert {r["kind"] for r in row["repairs"]} == set(row["repaired"])
    path = folder / repaired(kit)[0][2].path
    whole = path.read_bytes()
    try:
        path.write_bytes(whole[:-8])
        assert path.relative_to(folder).as_posix() in {difference.path for difference in verify_kit(folder)}
    finally:
        path.write_bytes(whole)


def test_the_mapping_plays_the_repaired_file(mended: tuple[Kit, Path]) -> None:
    """The repaired file sounds, the original does not: never both."""
    kit, folder = mended
    text = (folder / "mappings" / "kit.sfz").read_text(encoding="utf-8")
    for _, file, original in repaired(kit):
        assert Path(file.path).name in text
        assert Path(original.path).name not in text


def test_the_command_line_tells_what_was_done(mended: tuple[Kit, Path]) -> None:
    """Counts of files by kind of repair, in the summary and in its lines."""
    kit, folder = mended
    summary = summary_record(kit, folder=folder, files=1, size_bytes=1)

    assert sum("tail" in file.repaired for _, file, _ in repaired(kit)) == summary["repaired"]["tail"]
    assert any("Files repaired: " in text and "tail" in text for _, text in summary_lines(summary))


def test_nothing_is_repaired_unless_asked(session: Path, tmp_path: Path) -> None:
    """By default no file is repaired, none stands in for another, and the manifest has no field for it."""
    kit = pipeline.build(session, tmp_path / "plain", jobs=1).kit

    assert [] == repaired(kit)
    assert all(file.hit == shot.hit for shot in kit.one_shots for file in shot.files)
    assert "untouched" not in (tmp_path / "plain" / "manifest.json").read_text(encoding="utf-8")


@pytest.mark.full
def test_two_builds_are_the_same(mended: tuple[Kit, Path], session: Path, tmp_path: Path) -> None:
    """Repaired files and manifest are the same bytes, however many workers scan."""
    _, folder = mended
    again = tmp_path / "again"
    pipeline.build(session, again, recipe_path=session.parent / "recipe.toml", fresh=True, jobs=3)

    names = sorted(p.relative_to(folder) for p in (folder / "samples").rglob("*.wav"))
    assert names == sorted(p.relative_to(again) for p in (again / "samples").rglob("*.wav"))
    assert all((folder / n).read_bytes() == (again / n).read_bytes() for n in [*names, Path("manifest.json")])


def test_what_was_not_changed_keeps_its_bits() -> None:
    """Only samples that differ are written anew, rounded to the source's steps; the others are the very ones."""
    exact = np.array([[256, 512, -768, 1024]], np.int32) * 256
    before = exact / 2.0**31
    after = before.copy()
    after[0, 2] *= 0.5
    out = merged(exact, before, np.pad(after, ((0, 0), (0, 1))), 24)

    assert [65536, 131072, -98304, 262144, 0] == out[0].tolist()
