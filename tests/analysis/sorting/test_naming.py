"""Naming: drums by their close mics or by their sound, home mics by the rule, articulations in the trade's words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import permutations

import numpy as np
import pytest
from stage_inputs import STRETCHES, templates

from oneshot.analysis.records import Templates
from oneshot.analysis.sorting import features, naming
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Floats, Mic
from oneshot.kit.export.keys import Struck, assign_keys

OVERHEADS = (Mic("OH L", Role.OVERHEAD, pair="OH", side="L"), Mic("OH R", Role.OVERHEAD, pair="OH", side="R"))
MICS = (Mic("BD", Role.CLOSE, "kick"), Mic("SN", Role.CLOSE, "snare"), Mic("T1", Role.CLOSE, "rack tom"), *OVERHEADS)

SPECTRA = {  # dB per band of the scan, and dB lost from 0-22 ms to 90-200 ms (common practice, no source)
    "kick": ((0, -9, -16, -20, -22, -22, -26, -30, -36, -42), 18.0),
    "floor": ((-8, 0, -5, -14, -20, -25, -28, -32, -38, -44), 8.0),
    "rack": ((-16, 0, -3, -10, -18, -24, -28, -32, -38, -44), 9.0),
    "snare": ((-16, -4, 0, -4, -5, -6, -6, -7, -9, -13), 17.0),
    "closed hat": ((-45, -40, -34, -28, -20, -12, -4, 0, -2, -6), 24.0),
    "crash": ((-34, -28, -22, -16, -10, -6, -2, 0, -2, -6), 3.0),
    "ride": ((-34, -28, -22, -14, -8, -4, -2, 0, -2, -6), 12.0),
    "block": ((-40, -30, -18, 0, -1, -12, -20, -26, -34, -42), 30.0),
}


def stroke(sound: str, mics: Sequence[float]) -> Floats:
    """Energies (mics, bands, stretches) of a stroke of that sound, at those levels in dB in the mics."""
    spectrum, lost = SPECTRA[sound]
    fade = np.interp(np.arange(STRETCHES), [0, 1, STRETCHES - 1], [0.0, 0.0, -lost])
    energy = 10 ** ((np.array(mics)[:, None, None] + np.array(spectrum)[:, None] + fade) / 10)
    return np.asarray(energy / energy.sum())


def named(kinds: Templates, mics: Sequence[Mic]) -> tuple[list[str], list[str]]:
    """Names and kinds of the drums, in the order of their numbers."""
    standing = features.relative_level_db(kinds, np.ones(len(mics), bool))
    names, what = naming.drum_names(kinds, standing, mics)
    return [names[n] for n in sorted(names)], [what[n] for n in sorted(what)]


KICK, SNARE = stroke("kick", (0, -24, -22, -14, -14)), stroke("snare", (-24, 0, -20, -12, -13))
RACK, CRASH = stroke("rack", (-22, -20, 0, -14, -13)), stroke("crash", (-30, -20, -19, 0, -4))


# ---------------------------------------------------------------------------------------------------------------- drums


def test_a_stand_that_thumps_does_not_make_a_snare_of_a_hat() -> None:
    """A recorded hat has two thirds of its first 22 ms below 280 Hz, and nothing of that in its tail (values of a CC0
    recording, rounded).
    """
    attack = np.array((0.24, 0.40, 0.03, 0.01, 0.03, 0.01, 0.07, 0.06, 0.11, 0.03))
    tail = np.array((0.0, 0.03, 0.07, 0.02, 0.07, 0.07, 0.25, 0.18, 0.26, 0.06))
    level = 10 ** (np.array((-4.7, -3.3, -8.9, -12.3, -21.3)) / 10)
    hat = np.stack([attack, attack, tail, tail, tail], axis=1) * level
    assert "hat" == naming.kind_by_sound(hat)


def test_close_mics_name_their_drums() -> None:
    """Kick, snare and rack tom are called as the mics that stand at them, whatever order they were found in."""
    drums = {"kick": (KICK, "kick"), "snare": (SNARE, "snare"), "rack-tom": (RACK, "tom")}
    for order in permutations(drums):
        names, kinds = named(templates(*(drums[name][0] for name in order)), MICS)

        assert list(order) == names
        assert [drums[name][1] for name in order] == kinds


def test_a_cymbal_without_a_mic_is_called_by_its_sound() -> None:
    """A drum that no close mic names is what it sounds like; it takes no other drum's name."""
    names, kinds = named(templates(CRASH, KICK, SNARE, RACK), MICS)

    assert ["cymbal", "kick", "snare", "rack-tom"] == names
    assert ["cymbal", "kick", "snare", "tom"] == kinds


@pytest.mark.parametrize(("sound", "kind"), [("kick", "kick"), ("floor", "tom"), ("rack", "tom"), ("closed hat", "hat"),
                                             ("ride", "cymbal"), ("crash", "cymbal")])
def test_drums_sound_like_what_they_are(sound: str, kind: str) -> None:
    """Weight and fading tell the kinds apart where there are only overheads (common practice, no source)."""
    assert kind == naming.kind_by_sound(stroke(sound, (0, -2)).sum(axis=0))


def with_tail(early: Sequence[float], tail: Sequence[float], lost: float = 10.0) -> Floats:
    """A stroke (bands, stretches) whose spectrum, in dB, is the first one for 22 ms and the second from there on."""
    both = np.stack([np.array(early)] * 2 + [np.array(tail, float) - lost * n / 2 for n in range(1, 4)], axis=1)
    return np.asarray(10 ** (both / 10))


def test_a_tom_whose_attack_is_all_stick_is_told_by_its_ring() -> None:
    """A tom struck on its edge has its early energy above 280 Hz; what rings on lies below 560 Hz, and that is a
    membrane. What is as bright and rings on as bright is none.
    """
    attack = (-14, -5, 0, 0, -3, -8, -12, -16, -20, -26)
    low = 10 ** (np.array(attack) / 10)
    assert low[:2].sum() / low.sum() < naming.LOW_SHARE  # by its attack alone it would be no tom

    assert "tom" == naming.kind_by_sound(with_tail(attack, (-14, 0, -4, -16, -24, -30, -36, -40, -44, -50)))
    assert "percussion" == naming.kind_by_sound(with_tail(attack, attack))


def test_a_cymbal_with_a_heavy_stick_is_told_by_its_bright_tail() -> None:
    """A cymbal may begin with the stick in the midrange; what rings on lies above 1 kHz, and nothing else does so. What
    goes on in the midrange is none.
    """
    attack = (-30, -24, -10, 0, -1, -4, -4, -5, -8, -12)
    high = 10 ** (np.array(attack) / 10)
    assert naming.SOME_HIGH < high[naming.HIGH_BAND :].sum() / high.sum() < naming.HIGH_SHARE

    assert "cymbal" == naming.kind_by_sound(with_tail(attack, (-40, -34, -20, -12, -8, -4, -2, 0, -4, -8), 3.0))
    assert "percussion" == naming.kind_by_sound(with_tail(attack, (-40, -34, -8, 0, -8, -14, -18, -20, -24, -30)))


def test_what_is_nothing_else_is_numbered_percussion() -> None:
    """Drums that no word fits are percussion, numbered from the most frequent one on, a single one as well."""
    block, other = stroke("block", (0, -8)), stroke("block", (-9, 0))

    assert (["percussion-1", "kick"], ["percussion", "kick"]) == named(templates(block, stroke("kick", (0, 0))),
                                                                       OVERHEADS)
    assert ["percussion-2", "percussion-1"] == named(templates(block, other, members=[5, 9]), OVERHEADS)[0]


@pytest.mark.parametrize("sound", ["ride", "crash"])
@pytest.mark.parametrize(("members", "kind"), [([60, 12], "hat"), ([60, 2], None)])
def test_a_cymbal_that_is_damped_now_and_then_is_a_hat(sound: str, members: list[int], kind: str | None) -> None:
    """A drum whose usual stroke sounds like a ride or a crash is a hat if a tenth of its strokes are damped, since
    nothing else can be; a rarer one may be a hand's.
    """
    ringing, damped = stroke(sound, (0, -6)), stroke("closed hat", (0, -6))
    kinds = templates(ringing, damped, members=members, drum=[0, 0])

    assert [kind or "cymbal"] == named(kinds, OVERHEADS)[1]
    assert [kind or "cymbal"] == named(kinds, OVERHEADS)[0]


def test_only_its_own_damped_strokes_make_a_cymbal_a_hat() -> None:
    """A cymbal beside a hat stays one, and a drum that is no cymbal becomes no hat by a damped stroke of its own."""
    ringing, damped = stroke("crash", (-8, 0)), stroke("closed hat", (0, -6))

    assert ["cymbal", "hat"] == named(templates(ringing, damped, members=[60, 60]), OVERHEADS)[1]
    assert ["kick"] == named(templates(stroke("kick", (0, 0)), damped, members=[60, 20], drum=[0, 0]), OVERHEADS)[1]


def test_the_mic_of_a_tom_that_nobody_struck_names_no_cymbal() -> None:
    """The rack tom's mic hears a cymbal best of all that is left, but the snare better: it is not its mic. What stands
    highest of all in it has its name, however it sounds.
    """
    far = stroke("crash", (-30, -20, -26, 0, -4))

    assert ["cymbal", "kick", "snare"] == named(templates(far, KICK, SNARE), MICS)[0]
    assert ["rack-tom", "kick", "snare"] == named(templates(stroke("crash", (-30, -20, 0, -9, -9)), KICK, SNARE),
                                                  MICS)[0]


def test_two_of_a_kind_get_two_names() -> None:
    """Names are never given twice: of two cymbals the more frequent one has the plain name."""
    names, kinds = named(templates(stroke("crash", (-8, 0)), stroke("crash", (0, -6)), stroke("kick", (0, 0)),
                                   members=[5, 20, 40]), OVERHEADS)

    assert ["cymbal-2", "cymbal", "kick"] == names
    assert ["cymbal", "cymbal", "kick"] == kinds


@pytest.mark.parametrize("members", [[5, 20, 40], [20, 5, 40]])
def test_toms_are_numbered_from_the_highest_down(members: list[int]) -> None:
    """Of two toms that no mic names the rack tom is the first and the floor tom the second, whichever was struck more
    (common practice, no source); a lone tom has no number.
    """
    floor, rack, kick = stroke("floor", (0, -6)), stroke("rack", (-8, 0)), stroke("kick", (0, 0))

    assert ["tom-2", "tom-1", "kick"] == named(templates(floor, rack, kick, members=members), OVERHEADS)[0]
    assert ["tom", "kick"] == named(templates(rack, kick, members=members[1:]), OVERHEADS)[0]


def test_what_is_struck_as_often_as_a_kick_is_the_kick() -> None:
    """Where nothing sounds like a kick, a low drum struck nearly as often as the snare and far more often than any tom
    is it; among toms struck alike, or where no snare is, or seldom, none is.
    """
    low, high, snare = stroke("floor", (0, -6)), stroke("rack", (-8, 0)), stroke("snare", (-3, 0)).copy()
    snare[:, :2] *= 2.5  # with the weight of a deep shell

    assert ["kick", "tom", "snare"] == named(templates(low, high, snare, members=[60, 20, 80]), OVERHEADS)[1]
    assert ["tom", "tom", "snare"] == named(templates(low, high, snare, members=[60, 40, 80]), OVERHEADS)[1]
    assert ["tom", "tom", "snare"] == named(templates(low, high, snare, members=[30, 5, 80]), OVERHEADS)[1]
    assert ["tom", "tom"] == named(templates(low, high, members=[60, 20]), OVERHEADS)[1]


def test_a_kit_has_one_kick_and_one_snare() -> None:
    """Without mics that name them, what is struck most is kick and snare; a tom as low as many a kick, and one that
    rings as bright as many a snare, are toms (common practice, no source).
    """
    low = stroke("kick", (0, -3)).copy()
    low[:, 0] *= 0.4  # a floor tom: deep, but not as deep as the kick beside it
    snare, bright = stroke("snare", (0, -2)).copy(), stroke("snare", (-9, 0)).copy()
    snare[:, :2] *= 2.5  # with the weight of a deep shell
    bright[:, :2] *= 4.0
    names, kinds = named(templates(low, stroke("kick", (-1, 0)), bright, snare, members=[9, 60, 12, 80]), OVERHEADS)

    assert ["tom", "kick", "snare"] == [kinds[0], kinds[1], kinds[3]]
    assert "tom" == kinds[2]
    assert 4 == len(set(names))


def test_what_is_as_low_as_the_kick_and_not_in_its_mic_is_a_tom() -> None:
    """Where a mic names the kick, what sounds like another one and stands in the overheads is a tom without a mic."""
    kick, deep = stroke("kick", (0, -14, -14)), stroke("kick", (-16, -1, 0))

    assert ["kick", "tom"] == named(templates(kick, deep), (MICS[0], *OVERHEADS))[0]
    assert ["kick", "kick-2"] == named(templates(stroke("kick", (0, -3)), stroke("kick", (-3, 0)), members=[30, 20]),
                                       OVERHEADS)[0]  # no mic to say so


def test_a_name_given_by_a_mic_is_not_given_by_sound() -> None:
    """Where a mic's drum is called crash, another cymbal stays a cymbal."""
    mics = (Mic("Crash", Role.CLOSE, "crash"), *OVERHEADS)
    names, _ = named(templates(stroke("crash", (0, -6, -14)), stroke("crash", (-18, -8, 0))), mics)

    assert ["crash", "cymbal"] == names


# ------------------------------------------------------------------------------------------------------------ home mics


def close(name: str, place: str | None) -> Mic:
    """A snare's close mic."""
    return Mic(name, Role.CLOSE, "snare", place)


@pytest.mark.parametrize(("places", "expected"), [
    (("bottom", "top"), "top"), (("out", "in"), "in"), (("sub", "out", "in"), "in"), (("sub", "out"), "out"),
    (("bottom",), "bottom"),
])
def test_top_comes_before_bottom_and_in_before_out(places: tuple[str, ...], expected: str) -> None:
    """A drum is measured in its own close mic: top before bottom, in before out, however loud the others are."""
    mics = tuple(close(place, place) for place in places)
    levels: Mapping[str, float] = {place: 10.0 * n for n, place in enumerate(places)}

    assert expected == naming.home_mic("snare", (*OVERHEADS, *mics), {**levels, "OH L": 99.0, "OH R": 0.0})


def test_a_drum_without_a_mic_is_measured_in_the_overheads() -> None:
    """Without a close mic of its own the overhead counts in which it is strongest, not another drum's mic or a room."""
    mics = (close("Snare", "top"), *OVERHEADS, Mic("Room", Role.ROOM))

    assert "OH R" == naming.home_mic("crash", mics, {"Snare": 5.0, "OH L": -9.0, "OH R": -4.0, "Room": 9.0})


def test_without_overheads_the_strongest_mic_counts() -> None:
    """Where there are no overheads either, the mic in which the drum is strongest is its home."""
    mics = (close("Snare", "top"), Mic("Room", Role.ROOM), Mic("Mix", Role.BUS))

    assert "Room" == naming.home_mic("crash", mics, {"Snare": -5.0, "Room": -3.0})
    assert "Mix" == naming.home_mic("crash", mics[2:], {"Mix": -3.0})


def test_names_of_two_words_find_their_mic() -> None:
    """A drum called "rack-tom" in the kit stands at the mic whose drum is "rack tom"."""
    assert "T1" == naming.home_mic("rack-tom", MICS, dict.fromkeys(("BD", "SN", "T1", "OH L", "OH R"), 0.0))


# -------------------------------------------------------------------------------------------------------- articulations


def whole(sound: str, **bands: float) -> Floats:
    """A stroke of that sound (bands, stretches) in one mic; ``b3=6`` raises band 3 by 6 dB."""
    out = stroke(sound, (0,))[0].copy()
    for band, gain_db in bands.items():
        out[int(band[1:])] *= 10 ** (gain_db / 10)
    return np.asarray(out)


def test_an_open_hat_rings_longer() -> None:
    """Of two strokes of a hat the one that fades is closed and the one that rings is open, whichever is more
    frequent.
    """
    closed, ringing = whole("closed hat"), whole("crash")

    assert ["closed", "open"] == naming.articulations(np.stack([closed, ringing]), "hat")
    assert ["open", "closed"] == naming.articulations(np.stack([ringing, closed]), "hat")


def test_a_hat_between_closed_and_open_is_half_open() -> None:
    """Of three strokes the one that rings for a while, and not as long as the open one, is half open."""
    half = whole("closed hat") * 10 ** (np.array([0.0, 0.0, 7.0, 13.0, 19.0]) / 10)
    strokes = np.stack([whole("closed hat"), whole("crash"), half])

    assert ["closed", "open", "half-open"] == naming.articulations(strokes, "hat")


def test_a_hat_pressed_together_is_closed_and_so_is_one_that_is_not() -> None:
    """Plates pressed together decay twice as fast as plates that touch: both are closed, and neither is open."""
    tight = whole("closed hat") * 10 ** (np.array([0.0, 0.0, -4.0, -9.0, -18.0]) / 10)

    assert ["closed", "closed-2"] == naming.articulations(np.stack([whole("closed hat"), tight]), "hat")


def test_a_foot_has_no_stick() -> None:
    """Of two short strokes of a hat the one with little at the very top is the foot's; where both have as much there,
    nothing tells, and none is called so.
    """
    closed = whole("closed hat")

    assert ["closed", "foot"] == naming.articulations(np.stack([closed, whole("closed hat", b8=-9, b9=-9)]), "hat")
    assert ["closed", "closed-2"] == naming.articulations(np.stack([closed, whole("closed hat", b4=9)]), "hat")


def test_an_open_hat_that_is_cut_short_is_open() -> None:
    """Of an open hat only the first 45 ms are known; it is told by its rate until then."""
    stump = whole("crash")
    stump[:, 3:] = 0.0

    assert ["closed", "open"] == naming.articulations(np.stack([whole("closed hat"), stump]), "hat")


@pytest.mark.parametrize(("kind", "expected"), [("snare", "centre"), ("ride", "bow"), ("kick", "hit"), ("tom", "hit"),
                                                ("crash", "hit"), ("hat", "closed")])
def test_the_ordinary_stroke_has_the_trades_name(kind: str, expected: str) -> None:
    """A drum struck in one way has the ordinary articulation of its kind."""
    assert [expected] == naming.articulations(whole("snare")[None], kind)


def test_a_side_stick_is_not_a_centre_stroke() -> None:
    """A stroke of the snare without its bottom, gone in a moment, is a side stick; one with less of its bottom and more
    of its middle, that rings on, is a rim shot.
    """
    stick = whole("snare", b0=-20, b1=-20) * 10 ** (-np.array([0.0, 6.0, 14.0, 22.0, 34.0]) / 10)
    rim = whole("snare", b0=-7, b1=-4, b2=3, b3=9)

    assert ["centre", "side-stick", "rimshot"] == naming.articulations(np.stack([whole("snare"), stick, rim]), "snare")


def test_no_name_is_better_than_a_wrong_one() -> None:
    """A stroke of the snare with more bottom than the centre is neither: it is numbered. So is what is no bell."""
    assert ["centre", "centre-2"] == naming.articulations(np.stack([whole("snare"), whole("snare", b0=9)]), "snare")
    assert ["bow", "bow-2"] == naming.articulations(np.stack([whole("crash"), whole("snare")]), "ride")


def test_a_bell_is_all_middle() -> None:
    """A ride's stroke with most of its energy from 280 Hz to 3.2 kHz is the bell."""
    bell = whole("crash", b3=14, b4=14, b5=10)

    assert ["bow", "bell"] == naming.articulations(np.stack([whole("crash"), bell]), "ride")


def test_no_two_articulations_share_a_name() -> None:
    """Three strokes of a tom that sound unlike are three names."""
    found = naming.articulations(np.stack([whole(sound) for sound in ("rack", "snare", "closed hat")]), "tom")

    assert ["hit", "hit-2", "hit-3"] == found


@pytest.mark.parametrize(("sound", "note"), [("kick", 36), ("snare", 38), ("closed hat", 42), ("crash", 49)])
def test_what_a_drum_is_called_puts_it_on_its_general_midi_note(sound: str, note: int) -> None:
    """Bass Drum 1, Acoustic Snare, Closed Hi Hat and Crash Cymbal 1 of the General MIDI Level 1 percussion map (MMA
    RP-003), from sound alone: the words that naming uses are those that keys are given by.
    """
    one = stroke(sound, (0, -2))
    if sound == "snare":
        one[:, :2] *= 2.5  # with the weight of a deep shell
    (name,), (kind,) = named(templates(one), OVERHEADS)
    (way,) = naming.articulations(one.sum(axis=0)[None], kind)

    assert note == assign_keys([Struck(name, kind, (way,))], {})[name, way]
