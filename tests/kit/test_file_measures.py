"""What a kit says of its sounds, measured again from its files: alike where nothing changed, told where it did."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from kits import ONSET, small_kit
from stage_inputs import Pier

from oneshot.audio.io import write_wav
from oneshot.core.records.kit import Kit, OneShot
from oneshot.cutting.fades import render
from oneshot.cutting.home_measures import offset_of, unfaded
from oneshot.kit.file_measures import print_findings, shot_findings
from oneshot.kit.read import read_kit


def findings(pier: Pier, kit: Kit, shot: OneShot) -> list[str]:
    """What is told of a one-shot of the pier."""
    take = next(hit.take for hit in kit.hits if hit.id == shot.hit)
    return [what for _, what, _, _ in shot_findings(pier.folder, kit, shot, take)]


def test_a_fade_undone_gives_back_the_sound(tmp_path: Path) -> None:
    """Divided by its raised cosines a decaying noise is itself again, but for the last hundredth of a fade's height;
    a steady offset is known by the end of the tail.
    """
    file = small_kit(tmp_path).one_shots[0].files[0]
    decay = np.exp(-np.arange(file.frames) / file.frames * 12)
    x = 0.1 * np.random.default_rng(2).standard_normal((1, file.frames)) * decay
    y = render(x, fade_in=file.fade_in_frames, fade_out=file.fade_out_frames)
    again = unfaded(y[0], file)
    low = round(file.fade_out_frames * 0.07)  # a raised cosine is above 0.01 from 6.4 % of its length on

    np.testing.assert_allclose(x[0, 4:-low], again[4:-low], rtol=1e-9)
    steady = render(x * 0 + 0.01, fade_in=file.fade_in_frames, fade_out=file.fade_out_frames)[0]
    assert 0.01 == pytest.approx(offset_of(unfaded(steady, file), file), abs=1e-6)
    assert 0.0 == offset_of(again, file)


def test_a_kit_as_built_reads_as_it_says(pier: Pier) -> None:
    """Pitch, decay and ring of every one-shot come out again from the faded files, though they were measured before
    the fades.
    """
    kit = read_kit(pier.folder)

    assert any(shot.fundamental_hz for shot in kit.one_shots)
    assert any(shot.t20_s for shot in kit.one_shots)
    assert [] == [what for shot in kit.one_shots for what in findings(pier, kit, shot)]


@pytest.mark.parametrize(("what", "factor"), [("fundamental_hz", 1.01), ("edt_s", 1.5), ("t20_s", 0.6),
                                              ("ring_kept_db", 1.1), ("mix_db", 0.98), ("close_db", 0.98)])
def test_a_figure_that_is_not_the_files_is_told(pier: Pier, what: str, factor: float) -> None:
    """17 cents, half a decay more, 4 dB of ring, 0.3 dB of level: each is told by its name."""
    kit = read_kit(pier.folder)
    shot = next(s for s in kit.one_shots if s.fundamental_hz and s.t20_s and s.edt_s)

    assert [what] == findings(pier, kit, replace(shot, **{what: factor * getattr(shot, what)}))


def test_a_print_that_points_the_other_way_is_told(tmp_path: Path) -> None:
    """First excursion upward or downward, as the file has it."""
    item = small_kit(tmp_path).prints[0]
    x = np.zeros((1, 4800))
    x[0, ONSET:ONSET + 48] = -0.5
    write_wav(tmp_path / item.path, x, 48000, "PCM_24")

    up, down = replace(item, first_excursion=1), replace(item, first_excursion=-1)

    assert [] == list(print_findings(tmp_path, down))
    assert [(item.path, "first_excursion", "1", "-1")] == list(print_findings(tmp_path, up))
