"""The computed balance, and prints. What is checked against habit rather than a source says so."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from oneshot.audio.loudness import true_peak_dbtp
from oneshot.config.recipe import FaderRecipe, PrintPart, PrintRecipe
from oneshot.core.records.hits import Articulation, Drum
from oneshot.core.records.kit import Fader
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Mic, Session, Take
from oneshot.cutting.mix.balance import (
    Blend,
    PrintFacts,
    blend_print,
    compute_balance,
    first_excursion,
    level_prints,
    mirrored,
    mix,
    override,
    pan_gains,
    plan_print,
    print_parts,
    rank_prints,
    trim,
)
from oneshot.cutting.mix.print_polarity import turned_upward

RATE = 48000
MICS = (
    Mic("Kick In", Role.CLOSE, "kick", "in"), Mic("Snare Top", Role.CLOSE, "snare", "top"),
    Mic("Snare Bottom", Role.CLOSE, "snare", "bottom"), Mic("Rack", Role.CLOSE, "rack tom"),
    Mic("OH L", Role.OVERHEAD, pair="OH", side="L"), Mic("OH R", Role.OVERHEAD, pair="OH", side="R"),
    Mic("Room L", Role.ROOM, pair="Room", side="L"), Mic("Room R", Role.ROOM, pair="Room", side="R"),
    Mic("Far", Role.ROOM), Mic("Mix", Role.BUS), Mic("Trig", Role.TRIGGER, "kick"), Mic("Click", Role.TALK))
DRUMS = tuple(Drum(name, kind, home, (Articulation("hit", 36),)) for name, kind, home in (
    ("kick", "kick", "Kick In"), ("snare", "snare", "Snare Top"), ("rack tom", "tom", "Rack")))
BLEED: dict[str, dict[str, dict[str, float | None]]] = {"one": {
    "snare": {"Snare Top": 0.0, "Snare Bottom": -3.0, "OH L": -10.0, "OH R": -13.0, "Room L": -20.0, "Room R": -20.0,
              "Far": None},
    "rack tom": {"Rack": 0.0, "OH L": -9.0, "OH R": -15.0}}}


def session(mics: tuple[Mic, ...] = MICS) -> Session:
    """One take with those mics."""
    return Session("s", Path("s"), (Take("one", RATE, 10 * RATE, "PCM_24", mics),))


def level_in(balance: dict[str, Fader], names: list[str]) -> float:
    """How loud the snare comes out of those mics against its close mic, dB."""
    powers = [10 ** (((BLEED["one"]["snare"][name] or 0) + balance[name].gain_db) / 10) for name in names]
    return 10 * math.log10(sum(powers))


def test_the_snare_sits_where_the_habit_puts_it() -> None:
    """Own close mics 0 dB, snare bottom 8 below, overheads 6 below, rooms 12 below (common practice, no source)."""
    balance = compute_balance(session(), DRUMS, bleed=BLEED, polarity={})

    assert (0.0, 0.0, 0.0) == tuple(balance[name].gain_db for name in ("Kick In", "Snare Top", "Rack"))
    assert pytest.approx(-8.0, abs=0.06) == level_in(balance, ["Snare Bottom"])
    assert pytest.approx(-6.0, abs=0.06) == level_in(balance, ["OH L", "OH R"])
    assert pytest.approx(-12.0 - 3.01, abs=0.06) == level_in(balance, ["Room L", "Room R"])
    assert balance["OH L"].gain_db == balance["OH R"].gain_db
    assert -12.0 == balance["Far"].gain_db


def test_pairs_are_hard_left_and_right_and_kick_and_snare_in_the_middle() -> None:
    """The stereo picture is that of the overheads (common practice, no source)."""
    balance = compute_balance(session(), DRUMS, bleed=BLEED, polarity={})
    pans = {name: fader.pan for name, fader in balance.items()}

    assert (-1, 1, -1, 1) == (pans["OH L"], pans["OH R"], pans["Room L"], pans["Room R"])
    assert (0, 0, 0, 0) == (pans["Kick In"], pans["Snare Top"], pans["Snare Bottom"], pans["Far"])


def test_a_tom_is_panned_as_the_overheads_hear_it() -> None:
    """6 dB louder on the left: a constant-power pan whose sides differ by 6 dB."""
    pan = compute_balance(session(), DRUMS, bleed=BLEED, polarity={})["Rack"].pan
    left, right = pan_gains(pan)

    assert pytest.approx(6.0, abs=0.15) == 20 * math.log10(left / right)


def test_what_is_no_mic_of_the_kit_stays_out_and_buses_are_off() -> None:
    """Triggers and talk are never heard; a bus would double what it sums."""
    balance = compute_balance(session(), DRUMS, bleed=BLEED, polarity={})

    assert {"Trig", "Click"}.isdisjoint(balance)
    assert [name for name, fader in balance.items() if not fader.on] == ["Mix"]
    assert [mic.name for mic in MICS[:10]] == list(balance)


def test_a_session_of_buses_alone_plays_them() -> None:
    """A stereo mix is all there is: it is on, hard left and right."""
    mics = (Mic("Mix L", Role.BUS, pair="Mix", side="L"), Mic("Mix R", Role.BUS, pair="Mix", side="R"))
    balance = compute_balance(session(mics), (), bleed={}, polarity={})

    assert {"Mix L": Fader(0.0, -1.0), "Mix R": Fader(0.0, 1.0)} == balance


def test_only_a_second_close_mic_is_inverted_by_measurement() -> None:
    """A snare's bottom mic measured inverted is turned; an overhead's sign depends on its distance and is left."""
    balance = compute_balance(session(), DRUMS, bleed=BLEED,
                              polarity={"one": {"Snare Bottom": -1, "OH L": -1, "Snare Top": 1}})

    assert ["Snare Bottom"] == [name for name, fader in balance.items() if fader.polarity == -1]


def test_a_declared_inversion_counts_for_any_mic() -> None:
    """What session.toml says outranks."""
    mics = (Mic("OH", Role.OVERHEAD, polarity=-1),)

    assert -1 == compute_balance(session(mics), (), bleed={}, polarity={})["OH"].polarity


def test_without_measured_levels_there_is_still_a_balance() -> None:
    """No snare, no bleed table: overheads 0 dB, rooms -12 (common practice, no source)."""
    balance = compute_balance(session(MICS[4:9]), (), bleed={}, polarity={})

    assert [0, 0, -12, -12, -12] == [fader.gain_db for fader in balance.values()]


def test_the_recipe_outranks_the_balance() -> None:
    """What it says is taken, what it leaves open stays, and names that no mic has are told."""
    faders, unknown = override({"OH L": Fader(-4.0, -1.0)}, {"OH L": FaderRecipe(pan=-0.5), "Nobody": FaderRecipe()})

    assert {"OH L": Fader(-4.0, -0.5)} == faders
    assert ("Nobody",) == unknown


def test_panning_keeps_the_power() -> None:
    """cos² + sin² = 1; 3.01 dB down on both sides in the middle."""
    for pan in np.linspace(-1, 1, 21):
        assert pytest.approx(1.0) == sum(gain ** 2 for gain in pan_gains(float(pan)))
    assert pytest.approx(-3.0103, abs=1e-4) == 20 * math.log10(pan_gains(0.0)[0])
    assert pytest.approx((1.0, 0.0), abs=1e-12) == pan_gains(-1.0)


def test_a_mix_adds_what_is_on() -> None:
    """Gain, polarity and pan of each mic; mics that are off or unknown are silent; the longest sets the length."""
    audio = {"a": np.array([1.0, 1.0]), "b": np.array([0.5, 0.5, 0.5]), "c": np.ones(2), "d": np.ones(2)}
    balance = {"a": Fader(20 * math.log10(0.5), -1.0), "b": Fader(0.0, 1.0, -1), "c": Fader(on=False)}

    np.testing.assert_allclose([[0.5, 0.5, 0.0], [-0.5, -0.5, -0.5]], mix(audio, balance), atol=1e-12)


def test_everything_at_full_stays_below_the_ceiling() -> None:
    """Kick, snare and crash together at or below -6 dBTP by one trim of all gains (common practice, no source)."""
    time = np.arange(4800) / RATE
    hits = [{"Kick In": np.sin(2 * np.pi * hz * time) * np.exp(-time * 20)} for hz in (60, 180, 900)]
    balance = {"Kick In": Fader(0.0), "OH L": Fader(-5.0, -1.0)}
    trimmed = trim(balance, hits, sample_rate=RATE)
    peak = true_peak_dbtp(sum((mix(hit, trimmed) for hit in hits), np.zeros((2, 4800))), RATE)

    assert peak is not None
    assert -6.2 < peak <= -6.0
    assert pytest.approx(5.0) == trimmed["Kick In"].gain_db - trimmed["OH L"].gain_db
    assert balance == trim(balance, [{"Kick In": hits[0]["Kick In"] * 0.01}], sample_rate=RATE)


# --------------------------------------------------------------------------------------------------------------- prints

KICK = PrintRecipe(name="kick", mics={"Kick In": PrintPart(), "Kick Out": PrintPart(-6.0, 1, True)})


def strike(sign: float = 1.0, size: float = 0.3, late: int = 0, frames: int = 40_000) -> Floats:
    """A mic with a stroke at frame 10000 + late, (frames,)."""
    x = np.zeros(frames)
    time = np.arange(frames - 10_000 - late) / RATE
    x[10_000 + late:] = sign * size * np.cos(2 * np.pi * 60 * time) * np.exp(-time * 8)
    return x


def blended(recipe: PrintRecipe, mics: dict[str, Floats], *, limit: int | None = None) -> Blend:
    """Plan and blend a print of the stroke at frame 10000."""
    plan = plan_print(recipe, print_parts(recipe, [], {}), hit=0, attack=10_000, limit=limit,
                      delays={"Kick Out": 37}, sample_rate=RATE)
    audio = {name: mics[name][plan.start + part.delay_frames:plan.start + part.delay_frames + plan.frames]
             for name, part in plan.mics.items()}
    blend = blend_print(recipe, plan, audio, balance={}, sample_rate=RATE)
    return turned_upward([blend], sample_rate=RATE)[0] if recipe.upward else blend


def test_a_print_starts_within_a_tenth_of_a_millisecond_of_its_attack() -> None:
    """The fade-in lies wholly before the attack, whose samples are the blend's own."""
    blend = blended(KICK, {"Kick In": strike(), "Kick Out": strike(late=37)})
    offset = blend.plan.offset_frames

    assert offset / RATE <= 0.0001
    assert 10_000 == blend.plan.start + offset
    assert not blend.x[:, :offset].any()
    np.testing.assert_allclose(strike()[10_000:15_000] * (1 + 10 ** (-6 / 20)), blend.x[0, offset:offset + 5000])


def test_a_print_has_its_length_and_ends_in_silence() -> None:
    """400 ms by default, the last sample zero after a raised cosine."""
    blend = blended(KICK, {"Kick In": strike(), "Kick Out": strike(late=37)})

    assert (1, 19_200) == blend.x.shape
    assert 0.0 == blend.x[0, -1]
    assert 2880 == blend.plan.fade_out_frames


def test_the_next_stroke_stays_out_of_a_print() -> None:
    """It ends 2 ms before the next onset, with its fade inside."""
    blend = blended(KICK, {"Kick In": strike(), "Kick Out": strike(late=37)}, limit=16_000)

    assert 16_000 - 96 == blend.plan.start + blend.plan.frames
    assert 0.0 == blend.x[0, -1]


@pytest.mark.parametrize("upward", [True, False])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_first_excursion_points_up_where_asked(sign: float, upward: bool) -> None:
    """The whole print is turned, and its record says with which polarity each mic went in."""
    recipe = PrintRecipe(name="k", mics=dict(KICK.mics), upward=upward)
    blend = blended(recipe, {"Kick In": strike(sign), "Kick Out": strike(sign, late=37)})
    expected = 1 if upward else sign

    assert expected == blend.first_excursion
    assert expected == math.copysign(1, blend.x[0, blend.plan.offset_frames])
    assert {int(expected * sign)} == {part.polarity for part in blend.mics.values()}


def test_what_the_fade_takes_away_is_no_first_excursion() -> None:
    """It is read off the print as it is written: what lay ahead of the attack is gone."""
    sound = strike()
    sound[10_000 - int(0.0001 * RATE)] = -0.3
    blend = blended(PrintRecipe(name="p", drum="kick", mics={"Kick In": PrintPart()}, upward=True), {"Kick In": sound})

    assert 0.0 == blend.x[0, 0]
    assert 1 == blend.first_excursion
    assert 1 == blend.mics["Kick In"].polarity


def test_a_faint_ripple_is_no_first_excursion() -> None:
    """What lies 30 dB below the stroke does not decide which way it points."""
    x = np.concatenate([-0.02 * np.ones(20), 0.7 * np.ones(10), -1.0 * np.ones(50)])

    assert 1 == first_excursion(x, sample_rate=RATE)
    assert 1 == first_excursion(np.zeros(10), sample_rate=RATE)


def test_all_candidates_get_one_gain_and_the_hardest_meets_the_ceiling() -> None:
    """-1 dBTP for the hardest; the softer one stays as much softer as it was; the gain is in every mic's part."""
    hard = blended(KICK, {"Kick In": strike(), "Kick Out": strike(late=37)})
    soft = blended(KICK, {"Kick In": strike(size=0.15), "Kick Out": strike(size=0.15, late=37)})
    levelled = level_prints([soft, hard], ceiling_dbtp=-1.0, sample_rate=RATE)
    peaks = [true_peak_dbtp(blend.x, RATE) for blend in levelled]

    assert pytest.approx([-7.0206, -1.0], abs=1e-3) == peaks
    gain = levelled[1].mics["Kick In"].gain_db
    assert pytest.approx(gain - 6.0) == levelled[0].mics["Kick Out"].gain_db
    np.testing.assert_allclose(strike()[10_000:12_000] * 10 ** (gain / 20) * (1 + 10 ** (-6 / 20)),
                               levelled[1].x[0, 4:2004])
    assert [] == level_prints([], ceiling_dbtp=-1.0, sample_rate=RATE)


def test_without_named_mics_a_print_takes_the_balance() -> None:
    """The drum's own close mics, with gain and polarity as mixed, those that are on."""
    balance = {"Kick In": Fader(-1.0), "Kick Out": Fader(-3.0, polarity=-1), "Kick Sub": Fader(on=False)}

    assert {"Kick In": PrintPart(-1.0, 1), "Kick Out": PrintPart(-3.0, -1)} == print_parts(
        PrintRecipe(), ["Kick In", "Kick Out", "Kick Sub", "Gone"], balance)


def test_a_stereo_print_is_panned() -> None:
    """By the kit's balance: hard left stays left."""
    recipe = PrintRecipe(name="k", mics={"Kick In": PrintPart()}, stereo=True)
    plan = plan_print(recipe, dict(recipe.mics), hit=0, attack=10_000, limit=None, delays={}, sample_rate=RATE)
    audio = {"Kick In": strike()[plan.start:plan.start + plan.frames]}
    blend = blend_print(recipe, plan, audio, balance={"Kick In": Fader(pan=-1.0)}, sample_rate=RATE)

    assert pytest.approx(0.3) == blend.x[0].max()
    assert pytest.approx(0.0, abs=1e-12) == np.abs(blend.x[1]).max()


# -------------------------------------------------------------------------------------------------------------- ranking


def test_candidates_are_ranked_with_reasons() -> None:
    """Clean before hard before long, each with its facts in plain words."""
    facts = [PrintFacts(4, -22.0, -10.0, 0.40, 0.4), PrintFacts(9, -52.0, -10.4, 0.40, 0.4),
             PrintFacts(11, -48.0, -10.2, 0.12, 0.4), PrintFacts(12, None, None, 0.40, 0.4)]
    ranked = rank_prints(facts)

    assert [1, 2, 0, 3] == [index for index, _ in ranked]
    assert ranked[0][1] == "bleed 52 dB down, 0.4 dB below the hardest, rings to its end"
    assert ranked[1][1] == "bleed 48 dB down, 0.2 dB below the hardest, rings 0.12 of 0.40 s"
    assert ranked[2][1] == "bleed 22 dB down, the hardest, rings to its end"
    assert ranked[3][1] == "bleed could not be measured, level could not be measured, rings to its end"


def test_hits_that_take_turns_are_ranked_by_the_middle_of_their_levels() -> None:
    """Of a layer's hits, all clean, the one in the middle is best, not the hardest: they shall sound alike."""
    ranked = rank_prints([PrintFacts(n, -60.0, level, 0.4, 0.4) for n, level in enumerate((-12.0, -10.0, -9.5))],
                         alike=True)

    assert [1, 2, 0] == [index for index, _ in ranked]
    assert "bleed 60 dB down, -2.0 dB from the middle of its layer, rings to its end" == ranked[2][1]


def test_equals_stand_by_hit_and_the_order_given_is_nothing() -> None:
    """The same candidates in another order give the same ranking."""
    facts = [PrintFacts(hit, -60.0, -10.0, 0.4, 0.4) for hit in (7, 3, 5)]

    assert [3, 5, 7] == [facts[index].hit for index, _ in rank_prints(facts)]
    assert [] == rank_prints([])


def test_dirt_that_nobody_hears_does_not_outrank_strength() -> None:
    """70 dB down is no better than 55: the harder one comes first."""
    ranked = rank_prints([PrintFacts(1, -70.0, -13.0, 0.4, 0.4), PrintFacts(2, -55.0, -10.0, 0.4, 0.4)])

    assert [1, 0] == [index for index, _ in ranked]


def test_the_audience_hears_left_and_right_changed_over() -> None:
    """Sides change, levels and centres stay; twice changed over is as before."""
    faders = {"OH L": Fader(-4.0, -1.0), "Kick": Fader(0.0, 0.0, -1), "Rack": Fader(-1.0, 0.3, on=False)}

    assert {"OH L": Fader(-4.0, 1.0), "Kick": Fader(0.0, 0.0, -1), "Rack": Fader(-1.0, -0.3, on=False)} == mirrored(
        faders)
    assert faders == mirrored(mirrored(faders))
