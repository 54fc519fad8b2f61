"""Hats: a ring that ends with the next stroke is an open hat's; one that goes on is a crash's."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from figures import match
from stage_inputs import BANDS, STRETCHES, heard, templates

from oneshot import pipeline
from oneshot.analysis.sorting import hats
from oneshot.analysis.sorting.templates import select
from oneshot.core.records.session import Floats
from oneshot.synth import KitPlan, RoomPlan, groove, write_session
from oneshot.synth.kits import CRASH, HAT, KICK, OH_L, OH_R, SNARE

BRIGHT = np.array((0.0, 0.0, 0.001, 0.01, 0.05, 0.2, 1.0, 1.0, 0.8, 0.5))
DULL = BRIGHT[::-1]
FADE = {"long": (0, 0, -1, -2, -4), "short": (0, -4, -9, -16, -25)}
LONG, SHORT, DRUM = 0, 1, 2


def stroke(spectrum: Floats, fade: str) -> Floats:
    """Energies (2 mics, bands, stretches) of a stroke, alike in both mics."""
    one = spectrum[:, None] * 10 ** (np.array(FADE[fade]) / 10)
    return np.stack([one, one])


KINDS = templates(stroke(BRIGHT, "long"), stroke(BRIGHT, "short"), stroke(DULL, "short"), members=(6, 30, 20))


def struck(*stops: bool, kind: int = LONG) -> hats.Struck:
    """Long cymbals and a drum in turn, half a second apart: under each drum the ring ends, or goes on.

    The ring lies 6 dB below its attack where the drum is struck.
    """
    ring = stroke(BRIGHT, "long")[:, :, 0] * 10 ** -0.6
    energy = np.zeros((2 * len(stops), 2, BANDS, STRETCHES))
    features = heard(energy)
    for n, stop in enumerate(stops):
        features.energy[2 * n] += stroke(BRIGHT, "long")
        features.before[2 * n + 1] += ring
        features.energy[2 * n + 1] += 1e-3 * stroke(DULL, "short")
        features.energy[2 * n + 1, :, :, : 2 if stop else STRETCHES] += ring[..., None]
    at_s = 0.5 * np.arange(2 * len(stops), dtype=np.float64)
    return hats.Struck(at_s, features, np.array([kind, DRUM] * len(stops)))


def test_a_hat_is_opened_where_its_kinds_say_so() -> None:
    """Hits of the kind that rings on are open, those of the short one closed, from four of each on; where the ring is
    not known past 45 ms, or all are short, none is.
    """
    assert [0] * 5 + [1] * 4 == hats.openings(KINDS, np.array([SHORT] * 5 + [LONG] * 4)).tolist()
    assert [0] * 8 == hats.openings(KINDS, np.array([SHORT] * 5 + [LONG] * 3)).tolist()
    assert [0] * 9 == hats.openings(KINDS, np.array([SHORT] * 9)).tolist()

    brief = stroke(BRIGHT, "long")
    brief[..., 3:] = 0.0
    unknown = templates(brief, stroke(BRIGHT, "short"), stroke(DULL, "short"))
    assert [0] * 9 == hats.openings(unknown, np.array([SHORT] * 5 + [LONG] * 4)).tolist()


def test_a_cymbal_that_is_short_from_the_start_is_damped() -> None:
    """Of a cymbal that rings, one that is over soon, and a drum that is over as soon, the second is a damped cymbal;
    one of which no more than its attack is known is not, and of no templates none is.
    """
    stump = stroke(BRIGHT, "short")
    stump[..., 1:] = 0.0
    nothing = select(KINDS, np.zeros(3, bool))

    assert [False, True, False] == hats.short_cymbals(KINDS).tolist()
    assert [False] == hats.short_cymbals(templates(stump)).tolist()
    assert [] == hats.short_cymbals(nothing).tolist()
    assert [True, True, False] == hats.cymbals(KINDS).tolist()


def test_a_ring_that_ends_at_the_next_stroke_is_an_open_hat() -> None:
    """Three of four rings that stop make the long cymbal the short one's open stroke; drums stay what they were."""
    assert [1, 1, 2] == hats.join_hat_openings([struck(True, True, False, True)], KINDS).tolist()


@pytest.mark.parametrize("stops", [(False, False, False, False), (True, False, False, False), (True,)])
def test_a_ring_that_goes_on_is_a_crash(stops: tuple[bool, ...]) -> None:
    """Rings that go on join nothing, nor does a single one that a hand may have stopped."""
    assert [0, 1, 2] == hats.join_hat_openings([struck(*stops)], KINDS).tolist()


def test_ends_are_counted_over_all_takes() -> None:
    """Two takes in which one ring each is stopped say what one take with both says."""
    followed, ended = hats.ends([struck(True), struck(True)], KINDS)

    assert [2, 0, 0] == followed.tolist()
    assert [2, 0, 0] == ended.tolist()


def test_a_ring_below_the_noise_tells_nothing() -> None:
    """Where the noise hides the ring nothing is followed."""
    loud = struck(True, True, True)
    hidden = replace(loud, features=replace(loud.features, noise=loud.features.noise + 1.0))

    assert 0 == hats.ends([hidden], KINDS)[0].sum()


def test_a_named_drum_stays() -> None:
    """What a person called a drum is not joined to another."""
    assert [0, 1, 2] == hats.join_hat_openings([struck(True, True, True)], KINDS, named=(0,)).tolist()


def test_without_a_short_hat_nothing_is_joined() -> None:
    """A kit whose hats are all open keeps its drums."""
    only = templates(stroke(BRIGHT, "long"), stroke(BRIGHT, "long"), stroke(DULL, "short"))

    assert [0, 1, 2] == hats.join_hat_openings([struck(True, True, True)], only).tolist()


def test_open_hats_without_a_hat_mic_are_the_hats(tmp_path: Path) -> None:
    """Through two overheads, closed and open hats of a generated take are one drum, and a crash that hangs elsewhere is
    not in it.
    """
    lanes = {("kick", "hit"): "X.......X.......", ("snare", "centre"): "....X.......X...",
             ("hat", "closed"): "x.x...x.x.x.....", ("hat", "open"): "..............X."}
    played = groove("take", 8, 100, lanes, 5)
    crash = groove("take", 1, 30, {("crash", "hit"): "X...X...X...X..."}, 6)
    after = max(s.at_s for s in played.strokes) + 2.5
    take = replace(played, strokes=(*played.strokes, *(replace(s, at_s=s.at_s + after) for s in crash.strokes)))
    right = replace(CRASH, place=(0.75, 0.1, 1.2))
    known = write_session(tmp_path / "session", KitPlan("pier", RoomPlan(), (KICK, SNARE, HAT, right), (OH_L, OH_R)),
                          [take], seed=3)
    pipeline.build(tmp_path / "session", tmp_path / "kit", fresh=True, jobs=1)
    got = match(json.loads((tmp_path / "kit" / "manifest.json").read_text()), known["take"], "take")
    said = {way: Counter(str(h["drum"]) for t, h in got.alone if (t["drum"], t["articulation"]) == way)
            for way in (("hat", "closed"), ("hat", "open"), ("crash", "hit"))}
    top = {way: counts.most_common(1)[0][0] for way, counts in said.items()}

    assert "hat" == top["hat", "closed"] == top["hat", "open"]
    assert "hat" != top["crash", "hit"]
