"""Takes with different mics: hits are compared by the mics that their takes share, so that one missing file changes no
drum.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scoring import score
from stage_inputs import BANDS, STRETCHES, template, templates

from oneshot import pipeline
from oneshot.analysis.sorting.kit_mics import comparable
from oneshot.synth import demo_session

NEAR = np.ones(3, bool)


def test_a_take_is_compared_in_the_mics_that_all_templates_know() -> None:
    """A crash of a take without the third mic: that mic cannot tell it from a kick, the others can. One that knows most
    mics of a take not at all says nothing there.
    """
    kick, crash, elsewhere = (template(n, 3, (n, n + 1)) for n in (1, 4, 6))
    crash[2], elsewhere[:2] = 0.0, 0.0

    able, near = comparable(templates(kick, crash), NEAR)
    assert ([True, True], [True, True, False]) == (able.tolist(), near.tolist())
    able, near = comparable(templates(kick, crash), np.array([True, True, False]))
    assert ([True, True], [True, True, False]) == (able.tolist(), near.tolist())
    able, near = comparable(templates(kick, elsewhere), NEAR)
    assert ([True, False], [True, True, True]) == (able.tolist(), near.tolist())


def test_takes_that_share_no_mic_are_compared_as_they_are() -> None:
    """Nothing is left out where nothing would be left."""
    nothing = np.zeros((3, BANDS, STRETCHES))

    able, near = comparable(templates(nothing), NEAR)

    assert ([True], [True, True, True]) == (able.tolist(), near.tolist())


@pytest.mark.full
@pytest.mark.parametrize("lacking", ["take 1 slate", "take 2 playing"])
def test_a_missing_file_changes_no_drum(tmp_path: Path, lacking: str) -> None:
    """The outer kick mic is missing in one take: every drum is found as with it, in its own close mic, and the slate's
    kicks, clean and over the wider range, are on the kick's usual key.
    """
    known = demo_session(tmp_path / "s")
    (tmp_path / "s" / lacking / "Kick Out.wav").unlink()
    kit = pipeline.build(tmp_path / "s", tmp_path / "kit").kit
    homes = {"floor": "Floor Tom", "hat": "Hat", "kick": "Kick In", "rack": "Rack Tom", "snare": "Snare Top"}

    assert {*homes, "cymbal"} == {d.name for d in kit.drums}
    assert homes == {d.name: d.home for d in kit.drums if d.name in homes}
    for take, truth in known.items():
        assert (score(tmp_path / "kit", tmp_path / "s", truth, take).drum_ari or 0) > 0.98
    kick = next(d for d in kit.drums if d.name == "kick")
    slate = {h.articulation for h in kit.hits if h.drum == "kick" and h.take == "take 1 slate"}
    assert slate == {a.name for a in kick.articulations if a.key == 36}
