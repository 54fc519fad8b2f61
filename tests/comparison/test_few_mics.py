"""Which few mics carry most of the balance, and what each costs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from known_windows import windows
from stage_inputs import RATE, bare_analysis, hit, noise, strike

from oneshot.analysis.result import Analysis
from oneshot.comparison import few_mics
from oneshot.core.records.kit import Fader, TakeNoise
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Session, Source, Take

FADERS = {name: Fader() for name in ("A", "B", "Copy", "Soft")}


def known(**faders: Fader) -> few_mics.Shared:
    """Two drums: the first in A and its copy, the second in B; a soft mic of its own noise."""
    a, b, soft = strike(1, 0.1), strike(2, 0.1), 0.01 * noise(19200, -20, 3)
    nothing = np.zeros(19200)
    drums = [windows({"A": [a], "B": [nothing], "Copy": [0.5 * a], "Soft": [soft]}),
             windows({"A": [nothing], "B": [2 * b], "Copy": [nothing], "Soft": [soft]})]
    found = few_mics.shared(tuple(FADERS), drums, {**FADERS, **faders})
    assert found is not None
    return found


def test_a_mic_that_repeats_another_carries_nothing() -> None:
    """Of two drums that count alike each own mic carries half, whatever its level; the copy is never asked for."""
    carried = few_mics.carriers(known(), [("A",), ("B",), ("Copy",), ("Soft",)])

    assert [("A",), ("B",)] == sorted(each.mics for each in carried)
    assert [50.0, 100.0] == [pytest.approx(each.percent, abs=0.1) for each in carried]
    assert 0.0 == pytest.approx(carried[-1].off_db, abs=0.5)


def test_a_pair_is_taken_as_one() -> None:
    """Both sides at once; the louder fader does not change what a mic alone can reproduce."""
    carried = few_mics.carriers(known(B=Fader(gain_db=12.0)), [("Soft",), ("A", "B")])

    assert [("A", "B")] == [each.mics for each in carried]
    assert 100.0 == pytest.approx(carried[0].percent, abs=0.1)


def test_mics_that_are_off_carry_nothing_of_a_silent_mix() -> None:
    """Where all faders are off there is no mix to carry."""
    x = [windows({"A": [strike(1)]})]

    assert few_mics.shared(["A"], x, {"A": Fader(on=False)}) is None
    assert few_mics.shared([], [], {}) is None


def session() -> tuple[Session, Analysis]:
    """Two snare hits and a kick, one second apart, 24 bits; tails that last half a second."""
    def mic(name: str, role: Role, drum: str | None = None) -> Mic:
        return Mic(name, role, drum, sources=(Source(f"{name}.wav", 0, 0, 4 * RATE),))

    mics = (mic("Snare Top", Role.CLOSE, "snare"), mic("Kick In", Role.CLOSE, "kick"), mic("OH", Role.OVERHEAD))
    take = Take("one", RATE, 4 * RATE, "PCM_24", mics)
    hits = [hit(1), hit(2), hit(3, drum="kick")]
    found = replace(bare_analysis(hits), noise=(TakeNoise("one", {"Snare Top": -80.0, "Kick In": None, "OH": -80.0}),),
                    over={h.id: {"OH": h.onset + RATE // 2} for h in hits})
    return Session("s", Path("s"), (take,)), found


def test_what_a_mic_costs() -> None:
    """A close mic has files of its own drum, an overhead of all: half a second of 24 bits each. Hiss: two mics of equal
    noise at equal gain are each 3.01 dB below both together; 6 dB up at the fader is 6 dB more; a mic that is silent or
    off has none.
    """
    faders = {"Snare Top": Fader(), "Kick In": Fader(), "OH": Fader()}
    found = {each.mic: each for each in few_mics.costs(*session(), faders)}
    one = (0.5 * RATE * 3 + 1500) / 1e6

    assert {"Snare Top": 2, "Kick In": 1, "OH": 3} == {name: each.hits for name, each in found.items()}
    for each in found.values():
        assert each.hits * one == pytest.approx(each.megabytes)
    assert (-80.0, None, -80.0) == tuple(found[name].hiss_dbfs for name in faders)
    assert -3.01 == pytest.approx(found["OH"].hiss_db, abs=0.01)
    louder = {each.mic: each for each in few_mics.costs(*session(), {**faders, "OH": Fader(gain_db=6.0)})}
    assert -74.0 == pytest.approx(louder["OH"].hiss_dbfs)
    off = {each.mic: each for each in few_mics.costs(*session(), {**faders, "OH": Fader(on=False)})}
    assert off["OH"].hiss_db is None
    assert 0.0 == pytest.approx(off["Snare Top"].hiss_db)


def test_no_more_files_than_the_recipe_keeps() -> None:
    """Eight layers of six round robins, spread from the softest to the hardest."""
    hits = [hit(n + 1, level_db=-float(n)) for n in range(200)]
    kept = few_mics.spread_out(hits, 48)

    assert 48 == len({h.id for h in kept})
    assert (-199.0, 0.0) == (kept[0].level_db, kept[-1].level_db)
    assert hits[:5] == sorted(few_mics.spread_out(hits[:5], 48), key=lambda h: h.id)
