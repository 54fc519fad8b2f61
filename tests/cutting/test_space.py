"""What a build will need, told before anything is cut."""

from __future__ import annotations

import re
import shutil
from collections import namedtuple
from dataclasses import replace
from pathlib import Path

import pytest
from stage_inputs import PIER, PIER_TAKE, few

from oneshot import pipeline
from oneshot.config.recipe import Finishing, PrintRecipe, Recipe, Repairing
from oneshot.core.errors import WorkError
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Take
from oneshot.cutting import cutter
from oneshot.cutting.space import HEADER_BYTES, MAPPED_BYTES, Shape, needs_of
from oneshot.synth import write_session

TAKE = Take("one", 48000, 480_000, "PCM_24", (Mic("Kick", Role.CLOSE, "kick"),))
SHAPES = [Shape(TAKE, (1, 2), 48_000), Shape(TAKE, (1, 2), 24_000)]


def sound_bytes(recipe: Recipe) -> int:
    """What the recipe makes of those one-shots, headers and mappings left out (of the frames at the new rate)."""
    rate = recipe.files.sample_rate or 48_000
    doubled = 2 if recipe.repair.any else 1
    return needs_of(SHAPES, recipe).size_bytes - doubled * 4 * HEADER_BYTES - 72_000 * rate // 48_000 * MAPPED_BYTES


def test_bytes_are_frames_times_channels_times_width() -> None:
    """24 bits at 48 kHz: 72,000 frames of three channels, three bytes each; 16 bits at 96 kHz: twice the frames, two
    bytes; repair may double all; a print adds its candidates.
    """
    assert 648_000 == sound_bytes(Recipe())
    assert 864_000 == sound_bytes(Recipe(files=Finishing(bits="16", sample_rate=96_000)))
    assert 1_296_000 == sound_bytes(Recipe(repair=Repairing(filters=True)))
    assert 648_000 + 2 * 500 * 48 * 3 == sound_bytes(Recipe(prints=(PrintRecipe(length_ms=500, candidates=2),)))


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """A few strokes at the pier."""
    write_session(tmp_path / "session", PIER, (few(replace(PIER_TAKE), 6),), seed=8)
    return tmp_path / "session"


def test_what_is_told_is_what_is_written(session: Path, tmp_path: Path) -> None:
    """One line before the first file is there: as many one-shots and files as the kit then has, and bytes within a
    tenth of its sounds and SoundFont.
    """
    told: list[tuple[str, bool]] = []

    def progress(stage: str, share: float) -> None:
        if share < 0:
            told.append((stage, any(tmp_path.glob(".kit*/samples"))))

    kit = pipeline.build(session, tmp_path / "kit", progress=progress).kit
    files = [tmp_path / "kit" / file.path for shot in kit.one_shots for file in shot.files]
    size_mb = (sum(path.stat().st_size for path in files) + (tmp_path / "kit/mappings/kit.sf2").stat().st_size) / 1e6
    (line, begun), = told
    found = re.match(r"cutting (\d+) one-shots into (\d+) files: about ([\d.]+) MB with the mappings", line)

    assert not begun
    assert found is not None
    assert (str(len(kit.one_shots)), str(len(files))) == found.groups()[:2]
    assert size_mb == pytest.approx(float(found[3]), rel=0.1)


@pytest.mark.full
@pytest.mark.parametrize("text", ["", '[files]\nlevel = "drum"\n', '[files]\nlite = true\nlevel = "kit"\n',
                                  '[files]\nlevel = "kit"\n[repair]\nsuppression = true\ntails = true\n'])
def test_what_is_read_twice_is_cut_alike(session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                         text: str) -> None:
    """A kit too large for its samples to be kept from planning to cutting, or from measuring levels to writing, has the
    same bytes.
    """
    (tmp_path / "r.toml").write_text(text, encoding="utf-8")
    pipeline.build(session, tmp_path / "kept", recipe_path=tmp_path / "r.toml")
    monkeypatch.setattr(cutter, "KEPT_BYTES", 0)
    pipeline.build(session, tmp_path / "read", recipe_path=tmp_path / "r.toml")
    kept, read = ({path.relative_to(folder): path.read_bytes() for path in folder.rglob("*.wav")}
                  for folder in (tmp_path / "kept", tmp_path / "read"))

    assert kept
    assert kept == read


def test_a_disk_that_is_too_full_is_told_at_once(session: Path, tmp_path: Path,
                                                 monkeypatch: pytest.MonkeyPatch) -> None:
    """One line with both figures; nothing is left behind."""
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage(10**9, 10**9 - 1000, 1000))

    with pytest.raises(WorkError, match=r"needs about [\d.]+ MB and 0\.1 MB are free there: free some space"):
        pipeline.build(session, tmp_path / "kit")

    assert [tmp_path / "session"] == sorted(tmp_path.iterdir())
