"""Takes pooled or apart: a mic moved, a gain, another tuning keep a drum's takes apart; more of the same does not."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import ArrayLike
from stage_inputs import hit

from oneshot import pipeline
from oneshot.analysis.measurement.similarity import Measured
from oneshot.analysis.pooling import Pooling, pooling_of
from oneshot.analysis.result import Findings, FoundDrum
from oneshot.analysis.take_groups import Difference, _level_changes, _pitch, pool
from oneshot.config.recipe import Exporting, Recipe
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import TakeNoise
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Session, Take
from oneshot.synth import KitPlan, family, slate, write_session

SNARE = FoundDrum("snare", "snare", "Snare")
MICS = (Mic("Snare", Role.CLOSE, "snare"), Mic("OH", Role.OVERHEAD))


def session(*takes: str, rates: Sequence[int] = (48000, 48000, 48000)) -> Session:
    """A session of takes with a snare mic and an overhead; its files are never read."""
    return Session("s", Path("nowhere"), tuple(Take(name, rate, 10**6, "PCM_24", MICS)
                                               for name, rate in zip(takes, rates, strict=False)))


def findings(*hits: Hit, mics: Sequence[str] = ("Snare", "OH")) -> Findings:
    """What is found where there are snare hits alone; the mics named are live in every take."""
    takes = sorted({h.take for h in hits})
    return Findings(hits=hits, drums=(SNARE,), begins={h.id: h.onset for h in hits},
                    clean_db={h.id: -40.0 for h in hits}, polarity={}, bleed={}, delays={}, problems=(),
                    noise=tuple(TakeNoise(take, dict.fromkeys(mics, -80.0)) for take in takes))


def snare(number: int, take: str, way: str = "centre") -> Hit:
    """A snare hit without a known strength, so that nothing of it is read."""
    return replace(hit(number), take=take, drum="snare", articulation=way, level_db=None)


def stroke(partials_hz: ArrayLike) -> Measured:
    """A stroke with these partials."""
    return Measured(48000, 1.0, True, np.array(partials_hz), np.zeros((3, 8)), None, None, None, None,
                    np.zeros(1, np.float32))


# ------------------------------------------------------------------------------------------------------------- measure


def test_a_gain_is_told_of_the_mic_that_was_changed() -> None:
    """One of three mics 6 dB down is told as that one, also where it is the home mic and so all others look louder."""
    other = _level_changes({"Home": (0.0, 0.1), "OH": (-6.0, 0.1), "Room": (0.2, 0.1)})
    home = _level_changes({"Home": (0.0, 0.1), "OH": (6.0, 0.1), "Room": (6.2, 0.1)})

    assert ["its level in OH is 6.1 dB lower"] == [d.what for d in other if d.clear]
    assert ["its level in Home is 6.1 dB lower"] == [d.what for d in home if d.clear]


def test_what_readings_cannot_tell_is_no_difference() -> None:
    """Three standard errors of the readings are allowed for before anything counts."""
    assert not any(d.size > 0 for d in _level_changes({"Home": (0.0, 0.1), "OH": (-5.0, 2.0), "Room": (0.0, 2.0)}))


@pytest.mark.parametrize(("step", "clear"), [(0, False), (20, False), (100, True), (498, True)])
def test_a_tuning_is_the_step_of_all_partials(step: int, clear: bool) -> None:
    """Modes of a circular membrane (1, 1.594, 2.136, 2.296: zeros of Bessel functions, Rossing, from memory), of which
    every stroke shows others: a semitone (100 cents) and a fourth (498) are told as that, and 20 cents are let be.
    """
    modes = np.array([1.0, 1.594, 2.136, 2.296])
    shown = [[0, 1, 2], [0, 1, 3], [1, 2, 3], [0, 2, 3], [1, 0, 2]]
    before = [stroke(90.0 * modes[rows]) for rows in shown]
    after = [stroke(90.0 * 2 ** (step / 1200) * modes[rows]) for rows in reversed(shown)]
    found = _pitch("hit", before, after)

    assert [clear] == [d.clear for d in found]
    assert (f"its hit sounds {step} cents " + ("higher" if step else "lower")) == found[0].what


def test_strokes_without_partials_have_no_tuning() -> None:
    """Cymbals: nothing is told."""
    assert [] == _pitch("bow", [stroke([])] * 9, [stroke([])] * 9)
    assert [] == _pitch("hit", [stroke([90.0])] * 2, [stroke([180.0])] * 2)


# -------------------------------------------------------------------------------------------------------------- decide


def test_one_take_is_one_set() -> None:
    """Nothing to pool: the analysis stays as it is."""
    found = findings(snare(1, "a"), snare(2, "a"))

    assert (found, ()) == pool(session("a"), found, Pooling("alike"))


def test_takes_of_which_nothing_is_known_share_a_set() -> None:
    """No difference was found, so none is told."""
    found = findings(snare(1, "a"), snare(2, "b"))
    pooled, told = pool(session("a", "b"), found, Pooling("alike"))

    assert (found.hits, ()) == (pooled.hits, told)


@pytest.mark.parametrize("how", ["alike", "in doubt", "all"])
def test_sample_rates_are_never_mixed(how: str) -> None:
    """Takes of two rates have a set each, whatever the recipe says. The one with more hits keeps the plain name."""
    found = findings(snare(1, "a"), snare(2, "b"), snare(3, "b"))
    pooled, told = pool(session("a", "b", rates=(44100, 48000)), found, Pooling(how))

    assert ["centre-set-2", "centre", "centre"] == [h.articulation for h in pooled.hits]
    assert (how == "all") == (told == ())


def test_a_mic_that_one_take_lacks_keeps_them_apart() -> None:
    """Alternates have the same mics; "all" says that they need not."""
    found = findings(snare(1, "a"), snare(2, "b"))
    found = replace(found, noise=(found.noise[0], TakeNoise("b", {"Snare": -80.0, "OH": None})))
    pooled, told = pool(session("a", "b"), found, Pooling("alike"))

    assert ["centre", "centre-set-2"] == [h.articulation for h in pooled.hits]
    assert "b is kept as a separate set: compared with a, it has no OH" == told[0].what
    assert told[0].todo.endswith("export.mics without OH, unless they differ otherwise")
    pooled, told = pool(session("a", "b"), found, Pooling("all"))
    assert (found.hits, ()) == (pooled.hits, told)


def test_a_mic_that_is_not_exported_keeps_no_takes_apart() -> None:
    """Nobody hears that it is missing; a home mic is heard in every level and grade. A recipe that exports other mics
    than the next one asks nothing else of the analysis where every take has the same.
    """
    whole = session("a", "b")
    lacking = replace(whole, takes=(whole.takes[0], replace(whole.takes[1], mics=MICS[:1])))
    headless = replace(whole, takes=(whole.takes[0], replace(whole.takes[1], mics=MICS[1:])))
    found = findings(snare(1, "a"), snare(2, "b"))
    close, far = (Recipe(export=Exporting(mics=(name,))) for name in ("Snare", "OH"))

    for there, recipe, sets in ((lacking, close, 1), (lacking, far, 2), (lacking, Recipe(), 2), (headless, far, 2)):
        pooled, told = pool(there, found, pooling_of(there, recipe))
        assert (sets, sets - 1) == (len({h.articulation for h in pooled.hits}), len(told))
    assert pooling_of(whole, close) == pooling_of(whole, far) == pooling_of(whole, Recipe()) == Pooling("alike")
    pair = (MICS[0], replace(MICS[1], pair="Over"))
    paired = replace(whole, takes=(replace(whole.takes[0], mics=pair), replace(whole.takes[1], mics=MICS[:1])))
    assert () == pooling_of(paired, Recipe(export=Exporting(mics=("Over",)))).unheard


@pytest.mark.parametrize(("bleed_db", "span_db", "first"), [
    (-60.0, 18.0, "a"),  # slate: fewer hits, all of them clean, over a wider range
    (-60.0, 3.0, "b"),   # clean, but hardly any dynamics
    (-10.0, 18.0, "b"),  # none of them good
])
def test_the_set_that_plays_more_keeps_the_names(bleed_db: float, span_db: float, first: str) -> None:
    """A take of 8 hits against one of 20, all of these good, over 12 dB: the wider range of good hits has the plain
    name, and with it the usual key, whatever the number of hits.
    """
    few = [replace(snare(n, "a"), level_db=-30 + span_db * n / 8) for n in range(8)]
    many = [replace(snare(100 + n, "b"), level_db=-30 + 12 * n / 20) for n in range(20)]
    found = replace(findings(*few, *many), worst_db={**{h.id: {"Snare": bleed_db} for h in few},
                                                     **{h.id: {"Snare": -35.0} for h in many}})
    pooled, _ = pool(session("a", "b"), found, Pooling("none"))

    assert {first} == {h.take for h in pooled.hits if h.articulation == "centre"}
    assert {"a", "b"} - {first} == {h.take for h in pooled.hits if h.articulation == "centre-set-2"}


def test_a_set_without_the_home_mic_is_judged_in_what_it_has() -> None:
    """Eight clean hits through the overhead alone against eight dirty ones in the home mic: the clean ones have the
    plain name.
    """
    clean, dirty = ([replace(snare(at + n, take), level_db=-30.0 + 2 * n) for n in range(8)]
                    for at, take in ((0, "a"), (100, "b")))
    whole = session("a", "b")
    lacking = replace(whole, takes=(replace(whole.takes[0], mics=MICS[1:]), whole.takes[1]))
    found = replace(findings(*dirty, *clean), worst_db={**{h.id: {"OH": -50.0} for h in clean},
                                                        **{h.id: {"Snare": -10.0, "OH": -50.0} for h in dirty}})
    pooled, _ = pool(lacking, found, Pooling("none"))

    assert {"a"} == {h.take for h in pooled.hits if h.articulation == "centre"}


def test_an_articulation_that_only_one_set_has_keeps_its_name() -> None:
    """Three takes apart: centres are numbered by how many hits their sets have, the only rim is plain."""
    found = findings(snare(1, "a"), snare(2, "b"), snare(3, "b"), snare(4, "c", "rim"), snare(5, "c"), snare(6, "c"))
    pooled, _ = pool(session("a", "b", "c"), found, Pooling("none"))

    assert ["centre-set-3", "centre-set-2", "centre-set-2", "rim", "centre",
            "centre"] == [h.articulation for h in pooled.hits]


def test_the_recipe_decides_in_doubt() -> None:
    """What is clear keeps apart under either; what may be only under "alike"."""
    found = findings(snare(1, "a"), snare(2, "b"))
    doubt, clear, small = (Difference("x", 1.5, False), Difference("x", 2.5, True), Difference("x", 0.9, False))
    for difference, how, sets in ((doubt, "alike", 2), (doubt, "in doubt", 1), (clear, "in doubt", 2),
                                  (small, "alike", 1)):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("oneshot.analysis.take_groups._delays", lambda *_, d=difference: [d])
            pooled, told = pool(session("a", "b"), found, Pooling(how))

        assert sets == len({h.articulation for h in pooled.hits})
        assert sets - 1 == len(told)


# ------------------------------------------------------------------------------------------------------- real sessions

ROWS = (("kick", "hit", -14.0, 0.0, 6, 0.9), ("snare", "centre", -18.0, 0.0, 6, 0.9),
        ("rack", "hit", -14.0, 0.0, 5, 1.4), ("floor", "hit", -14.0, 0.0, 5, 1.6))


def two_takes(folder: Path, first: KitPlan, second: KitPlan) -> Path:
    """A session of two takes, each of a plan of its own, the strokes alike."""
    write_session(folder / "s", first, [slate("take 1", ROWS)], seed=5)
    write_session(folder / "other", second, [slate("take 2", ROWS)], seed=6)
    shutil.move(folder / "other" / "take 2", folder / "s" / "take 2")
    return folder / "s"


def changed(plan: KitPlan) -> KitPlan:
    """Kick Out 6 dB down, the floor tom a semitone up."""
    mics = tuple(replace(m, headroom_db=m.headroom_db + 6) if m.name == "Kick Out" else m for m in plan.mics)
    drums = tuple(replace(d, tune_hz=d.tune_hz * 2 ** (1 / 12)) if d.name == "floor" else d for d in plan.drums)
    return replace(plan, mics=mics, drums=drums)


def moved(plan: KitPlan) -> KitPlan:
    """The left overhead 40 cm further out."""
    return replace(plan, mics=tuple(replace(m, place=(m.place[0] - 0.4, *m.place[1:])) if m.name == "OH L" else m
                                    for m in plan.mics))


@pytest.mark.full
def test_the_same_setup_is_pooled_and_a_changed_one_is_not(tmp_path: Path) -> None:
    """Second takes of one plan: as it was, every drum's takes share a set; with a mic's gain changed the drum it stands
    at does not, nor a drum that was tuned anew, while the others still do; with an overhead moved none does. A set
    never mixes takes then.
    """
    plan, _ = family()["eight"]
    sets = {}
    for name, second in (("same", plan), ("changed", changed(plan)), ("moved", moved(plan))):
        folder = tmp_path / name
        kit = pipeline.build(two_takes(folder, plan, second), folder / "kit").kit
        take_of = {h.id: h.take for h in kit.hits}
        sets[name] = {d.name for d in kit.drums if any(a.name.endswith("-set-2") for a in d.articulations)}
        groups: dict[tuple[str, str], set[str]] = {}
        for shot in kit.one_shots:
            groups.setdefault((shot.drum, shot.articulation), set()).add(take_of[shot.hit])

        assert sets[name] == {drum for drum, _ in groups} - {drum for (drum, _), takes in groups.items()
                                                             if len(takes) > 1}

    assert {"same": set(), "changed": {"kick", "floor"}, "moved": {"kick", "snare", "rack", "floor"}} == sets
