"""Drums merged by hand: their articulations are told apart together."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest
from figures import match

from oneshot import pipeline
from oneshot.analysis.sorting.sort import _one_drum_each
from oneshot.config.handling import Merged
from oneshot.synth import KitPlan, RoomPlan, groove, write_session
from oneshot.synth.kits import HAT, KICK, OH_L, OH_R, SNARE


def test_the_merged_are_one_and_the_rest_stand_alone() -> None:
    """Of drums that are merged the first named that there is comes first, and says what they are, unless the name of
    the one does.
    """
    drums = ({0: "kick", 1: "ride", 2: "drum-3"}, {0: "kick", 1: "ride", 2: "percussion"})

    assert [([0], "kick"), ([1], "ride"), ([2], "percussion")] == _one_drum_each(drums, ())
    assert [([0], "kick"), ([2, 1], "percussion")] == _one_drum_each(drums, (Merged(("gone", "drum-3", "ride"), "x"),))
    assert [([0], "kick"), ([2, 1], "hat")] == _one_drum_each(drums, (Merged(("drum-3", "ride"), "hat"),))


@pytest.mark.full
def test_a_hat_that_was_two_drums_is_closed_and_open(tmp_path: Path) -> None:
    """A hat whose strokes are labelled as a ride's and a crash's comes out closed and open once the two are merged."""
    lanes = {("kick", "hit"): "X.......X.......", ("snare", "centre"): "....X.......X...",
             ("hat", "closed"): "..x...x...x.....", ("hat", "open"): "..............X."}
    known = write_session(tmp_path / "session", KitPlan("pier", RoomPlan(), (KICK, SNARE, HAT), (OH_L, OH_R)),
                          [groove("take", 8, 100, lanes, 5)], seed=3)
    played = [(min(t["onset"].values()) / known["take"]["sr"], {"closed": "ride", "open": "crash"}[t["articulation"]])
              for t in known["take"]["hits"] if t["drum"] == "hat"]
    (tmp_path / "session" / "session.toml").write_text("\n".join(
        f'[[labels]]\ntake = "take"\nfrom_s = {s - 0.02:.3f}\nto_s = {s + 0.08:.3f}\ndrum = "{drum}"'
        for s, drum in played), encoding="utf-8")
    pipeline.build(tmp_path / "session", tmp_path / "kit", fresh=True, jobs=1)
    text = (tmp_path / "kit" / "manifest.json").read_text(encoding="utf-8")
    assert {"ride", "crash"} <= {h["drum"] for h in json.loads(text)["hits"]}

    (tmp_path / "kit" / "corrections.toml").write_text('format = "oneshot-corrections"\nversion = 1\n[[merge]]\n'
                                                      'drums = ["crash", "ride"]\nto = "hat"', encoding="utf-8")
    pipeline.build(tmp_path / "session", tmp_path / "kit", jobs=1)
    got = match(json.loads((tmp_path / "kit" / "manifest.json").read_text(encoding="utf-8")), known["take"], "take")
    struck = {way: Counter((h["drum"], h["articulation"]) for t, h in got.alone if t["articulation"] == way)
              for way in ("closed", "open")}

    assert ("hat", "closed") == struck["closed"].most_common(1)[0][0]
    assert [("hat", "open")] == list(struck["open"])
