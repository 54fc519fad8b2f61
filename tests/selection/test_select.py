"""Choose: layers in the gaps between strengths, alternates inside them, and a reason for everything left out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence, Set
from dataclasses import replace

import numpy as np
import pytest
from level_ladders import LADDER, by_id, chosen, hits_at
from stage_inputs import hit

from oneshot.analysis.measurement.similarity import Measured
from oneshot.config.recipe import Choosing
from oneshot.core.records.hits import Ornament, Partner
from oneshot.selection.select import ByHand, Chooser, Chosen, choose, worth_measuring

# ------------------------------------------------------------------------------------------------------------- choosing


def test_a_ladder_becomes_a_kit() -> None:
    """Five steps of four strokes: five layers from soft to hard, four alternates each, numbered from 1, all kept."""
    found = chosen(hits_at(LADDER))

    assert 20 == len(found.picks)
    assert [(layer, robin) for layer in range(1, 6) for robin in range(1, 5)] == \
        [(p.layer, p.round_robin) for p in found.picks]
    assert all(h.kept and h.reason is None and not h.fallback for h in found.hits)
    assert [1] * 4 + [2] * 4 + [3] * 4 + [4] * 4 + [5] * 4 == [h.layer for h in found.hits]
    assert found.picks[0].velocity[0] == 1
    assert found.picks[-1].velocity[1] == 127


@pytest.mark.parametrize(("far", "kept"), [("DCAD", {2, 3}), ("DDDC", {1, 4}), ("DDDD", {1, 2}),
                                           ("CCCC", {1, 2})])
def test_hits_that_are_clean_in_the_overheads_come_first(far: str, kept: set[int]) -> None:
    """What is clean in its own mics is kept whatever its overheads hear; where a layer has hits to spare, those whose
    overheads are clean, too, take its turns.
    """
    assert {1, 2, 3, 4} == {pick.hit for pick in chosen(hits_at([-20.0] * 4), far=far).picks}
    assert kept == {pick.hit for pick in chosen(hits_at([-20.0] * 4), far=far, round_robins=2).picks}


def test_the_softest_and_the_hardest_are_always_in() -> None:
    """Of eight hits within a layer's step, of which two may take turns, the two ends do, though others are cleaner."""
    hits = hits_at(np.linspace(-20.4, -20.0, 8))
    found = chosen(hits, clean={1: -31.0, 8: -31.0}, round_robins=2)

    assert {1, 8} == {pick.hit for pick in found.picks}
    assert all(str(h.reason).startswith("spare: ") for h in found.hits[1:7])


def test_many_hits_close_together_make_more_layers() -> None:
    """Forty hits evenly over 6 dB fill eight layers and not two, so that all are used; a dozen has two."""
    many = chosen(hits_at(np.linspace(-16.0, -10.0, 40))).picks

    assert dict.fromkeys(range(1, 9), 5) == Counter(pick.layer for pick in many)
    assert {1: 6, 2: 6} == Counter(pick.layer for pick in chosen(hits_at(np.linspace(-16.0, -10.0, 12))).picks)


@pytest.mark.parametrize(("unplaced", "wanted", "kept"), [
    ({2, 3}, (), {1, 4}), ({1, 2, 3, 4}, (), {1}), ({2, 3}, (3,), {1, 3, 4}), ((), (), {1, 2, 3, 4})])
def test_alternates_begin_alike_or_take_no_turns(unplaced: Set[int], wanted: Sequence[int], kept: Set[int]) -> None:
    """A hit whose attack cannot be told takes no turns with others, and says why; where none of a layer can be told one
    plays alone; what the user wants is kept.
    """
    hits = hits_at([-20.0] * 4)
    found = choose(hits, Chooser({h.id: "A" for h in hits}, {h.id: -60.0 for h in hits}, Choosing(), {},
                                 {"take 1": 48000}, frozenset(), frozenset(wanted), unplaced=frozenset(unplaced)))

    assert kept == {pick.hit for pick in found.picks}
    assert all("onset" in (h.reason or "") for h in found.hits if h.id not in kept)


def test_every_hit_is_kept_or_has_a_reason() -> None:
    """What is left out says why, in words; what is kept needs none; hits come back in their order."""
    rng = np.random.default_rng(7)
    hits = hits_at(rng.uniform(-40, -3, 60))
    found = chosen(hits, "".join(rng.choice(list("AABBCD"), 60)), round_robins=3)

    assert [h.id for h in hits] == [h.id for h in found.hits]
    assert {p.hit for p in found.picks} == {h.id for h in found.hits if h.kept}
    assert all((h.reason is None) == h.kept for h in found.hits)
    assert any(h.kept for h in found.hits)
    assert not all(h.kept for h in found.hits)


def test_a_layer_that_nothing_clean_reaches_has_the_best_there_is() -> None:
    """Soft and middle strokes that are no better than C stand in for want of better, the cleaner grade alone where
    there are two; among hard ones that are clean none does, D never, and without fallback none at all.
    """
    hits = hits_at([-30.0, -30.2, -20.0, -20.2, -20.4, -10.0, -10.2, -10.4, -40.0])
    found = by_id(chosen(hits, "CCBBCABCD", grade="A", layer_step_db=5.0))

    assert [(True, True)] * 4 + [(False, False)] + [(True, False)] + [(False, False)] * 3 == \
        [(found[k].kept, found[k].fallback) for k in range(1, 10)]
    assert [1, 1, 2, 2, 2, 3, 3, 3] == [found[k].layer for k in range(1, 9)]
    assert "grade C, A required" in str(found[1].reason)
    assert [6] == [h.id for h in chosen(hits, "CCBBCABCD", grade="A", fallback=False).hits if h.kept]


def test_the_grade_asked_for_is_kept_to() -> None:
    """With grade B asked for, C and D are left out with their grade in the reason; with C, only D is."""
    hits = hits_at([-20.0, -20.1, -20.2, -20.3])

    assert [True, True, False, False] == [h.kept for h in chosen(hits, "ABCD").hits]
    assert [True, True, True, False] == [h.kept for h in chosen(hits, "ABCD", grade="C").hits]
    assert "grade D" in str(by_id(chosen(hits, "ABCD"))[4].reason)


def test_partners_are_named_in_the_reason() -> None:
    """A hit left out because another drum fell on it says which."""
    struck = replace(hit(2, level_db=-20.0), partners=(Partner("hat", -31.0), Partner("kick", -18.0)))
    found = chosen([hit(1), struck], "AD")

    assert "together with hat and kick" in str(found.hits[1].reason)


def test_flams_and_drags_are_left_out() -> None:
    """A stroke of an ornament is no one-shot, however clean."""
    found = chosen([hit(1), replace(hit(2), ornament=Ornament("flam", 1))])

    assert [True, False] == [h.kept for h in found.hits]
    assert "flam" in str(found.hits[1].reason)


def test_the_cleanest_are_the_alternates() -> None:
    """Of eight even hits the three cleanest are kept, cleanest first; the others are told to be beaten."""
    clean = {1: -30.0, 2: -58.0, 3: -34.0, 4: -50.0, 5: -33.0, 6: -31.0, 7: -42.0, 8: -32.0}
    found = chosen(hits_at([-12.0] * 8), clean=clean, round_robins=3)

    assert [2, 4, 7] == [p.hit for p in found.picks]
    assert [1, 2, 3] == [p.round_robin for p in found.picks]
    assert all("3" in str(h.reason) for h in found.hits if not h.kept)


def test_level_is_no_reason_to_leave_a_hit_out() -> None:
    """A hit 2.7 dB off the others of its only layer takes turns with them."""
    assert all(h.kept for h in chosen(hits_at([-12.0, -12.3, -11.8, -12.1, -9.4]), layers=1).hits)


def test_two_hits_far_apart_give_one_layer_each_or_one_one_shot() -> None:
    """Nothing usable is thrown away whole: of two unlike hits at least one becomes a one-shot."""
    for gap in (0.5, 2.5, 5.0, 9.0, 30.0):
        assert len(chosen(hits_at([-30.0, -30.0 + gap])).picks) >= 1


def test_drums_and_articulations_are_chosen_apart() -> None:
    """Each drum and each way of striking it has layers, alternates and velocities of its own; picks are in their
    order.
    """
    hits = [*hits_at(LADDER[:8]), *[replace(h, id=h.id + 100, articulation="rim") for h in hits_at([-15.0, -15.2])],
            *[replace(h, id=h.id + 200, drum="kick") for h in hits_at([-9.0, -9.1, -9.2])]]
    found = chosen(hits)
    kept = [by_id(found)[p.hit] for p in found.picks]

    assert [("kick", "hit")] * 3 + [("snare", "hit")] * 8 + [("snare", "rim")] * 2 == \
        [(h.drum, h.articulation) for h in kept]
    assert {(1, 127)} == {p.velocity for p in found.picks if by_id(found)[p.hit].articulation == "rim"}


def test_the_order_of_hits_changes_nothing() -> None:
    """The same hits in another order are chosen alike."""
    rng = np.random.default_rng(3)
    hits = hits_at(np.round(rng.uniform(-40, -3, 40)))  # with ties
    clean = {h.id: float(round(rng.uniform(-60, -20))) for h in hits}
    mixed = [hits[k] for k in rng.permutation(40)]

    assert chosen(hits, clean=clean, round_robins=2).picks == chosen(mixed, clean=clean, round_robins=2).picks


# ------------------------------------------------------------------------------------------------------------- fallback


def test_the_best_there_is_stands_in_where_nothing_is_clean() -> None:
    """A drum of which nothing reaches the grade keeps its cleanest hits, marked, with the reason; not its dirtiest."""
    clean = {1: -18.0, 2: -16.5, 3: -2.0, 4: 3.0}
    found = by_id(chosen(hits_at([-12.0, -12.2, -12.1, -12.0]), "CDDD", clean=clean))

    assert found[1].kept
    assert found[1].fallback
    assert "grade" in str(found[1].reason)
    assert not found[4].kept
    assert not found[4].fallback


def test_without_fallback_nothing_stands_in() -> None:
    """A recipe without fallback leaves such a drum empty, each hit with its reason."""
    found = chosen(hits_at([-12.0, -12.2]), "DD", fallback=False)

    assert () == found.picks
    assert all(h.reason and not h.kept and not h.fallback for h in found.hits)


def test_one_clean_hit_needs_no_fallback() -> None:
    """Where one hit reaches the grade, dirty ones are not marked as fallbacks."""
    assert not any(h.fallback for h in chosen(hits_at([-12.0, -12.2, -12.1]), "ADD").hits)


# ----------------------------------------------------------------------------------------------------------- overruling


def test_a_rejected_hit_is_never_kept() -> None:
    """Rejected means rejected: not as the only one, and not as a fallback."""
    for grades in ("A", "D"):
        found = chosen([hit(1)], grades, rejected={1})

        assert () == found.picks
        assert "by hand" in str(found.hits[0].reason)


def test_another_takes_a_rejected_hits_place() -> None:
    """The next cleanest hit moves up."""
    hits, clean = hits_at([-12.0] * 4), {1: -58.0, 2: -50.0, 3: -40.0, 4: -30.0}

    assert [2, 3] == [p.hit for p in chosen(hits, clean=clean, round_robins=2, rejected={1}).picks]


def test_a_wanted_hit_is_kept_whatever_its_grade() -> None:
    """Wanted means kept: dirty, off its layer's level, beyond the round robins or part of a flam."""
    hits = [*hits_at([-12.0, -12.1, -12.2, -12.3]), hit(5, level_db=-7.5),
            replace(hit(6, level_db=-12.2), ornament=Ornament("flam", 1))]
    found = chosen(hits, "AAADDA", layers=1, round_robins=2, wanted={4, 5, 6})

    assert {4, 5, 6} <= {p.hit for p in found.picks}
    assert all(by_id(found)[n].reason is None for n in (4, 5, 6))


def test_a_hit_without_a_level_is_left_out() -> None:
    """A hit whose strength cannot be told belongs to no layer, and says so."""
    found = chosen([hit(1), hit(2, level_db=None)])

    assert [True, False] == [h.kept for h in found.hits]
    assert found.hits[1].layer is None
    assert "level cannot be measured" in str(found.hits[1].reason)


def test_no_hits_no_picks() -> None:
    """Nothing in, nothing out."""
    assert Chosen((), ()) == chosen([])


# ------------------------------------------------------------------------------------------------------------- measured


def odd_or_plain(again_s: float | None) -> Measured:
    """A stroke with or without a second attack."""
    return Measured(48000, 0.5, True, np.zeros(0), np.full((3, 8), -40.0), again_s, None if again_s is None else -11.0,
                    None, None, np.zeros(0, np.float32))


def test_what_is_odd_is_set_aside_and_told() -> None:
    """A stroke with a second attack is no one-shot, says so, and stands in the problems with its place; wanted, it is
    kept.
    """
    hits = hits_at([-12.0, -12.1, -12.2, -12.0])
    measured = {h.id: odd_or_plain(0.062 if h.id == 3 else None) for h in hits}
    found = chosen(hits, measured=measured)

    assert [1, 2, 4] == sorted(p.hit for p in found.picks)
    assert "first to hear: a second attack 62 ms later, 11 dB softer" in str(by_id(found)[3].reason)
    assert ["snare, hit"] == [p.where for p in found.problems]
    assert "1 left out, first to hear" in found.problems[0].what
    assert 3 in {p.hit for p in chosen(hits, measured=measured, wanted={3}).picks}
    assert () == chosen(hits, measured=measured, wanted={3}).problems


@pytest.mark.parametrize(("layers", "kept"), [(8, {1, 2, 3, 4, 5}), (1, {1, 2, 3})])
def test_what_would_be_heard_to_jump_is_a_layer_beside(layers: int, kept: Set[int]) -> None:
    """Two that ring twice as long are no round robins of three, but a layer of their own where there is room for one;
    what is not clean goes with the layer nearest in level.
    """
    hits = hits_at([-12.0, -12.1, -12.2, -12.3, -12.4, -12.4])
    measured = {h.id: replace(odd_or_plain(None), length_s=1.2 if h.id in (4, 5) else 0.5) for h in hits}
    found = chosen(hits, "AAAAAD", measured=measured, layers=layers)

    assert kept == {p.hit for p in found.picks} - ({1, 5} - kept)
    assert tiled(found)
    by_layer = {h.id: h.layer for h in found.hits}
    if layers > 1:
        assert [2, 2, 2, 1, 1, 1] == [by_layer[k] for k in range(1, 7)]
        assert all(h.reason is None for h in found.hits if h.kept)


def test_a_drum_of_odd_strokes_is_not_left_empty() -> None:
    """Where every stroke is odd, the kit still holds the drum."""
    hits = hits_at([-12.0, -12.1])

    assert chosen(hits, measured={h.id: odd_or_plain(0.05) for h in hits}).picks


def test_only_what_may_be_kept_is_measured() -> None:
    """Hits that their grade rules out need no look at the audio, unless nothing better is there or they are wanted."""
    hits = hits_at([-12.0, -12.1, -12.2])
    clean = {h.id: -20.0 for h in hits}

    def measured_of(grades: str, wanted: frozenset[int] = frozenset()) -> list[int]:
        chooser = Chooser(dict(zip((1, 2, 3), grades, strict=True)), clean, Choosing(), {}, {}, frozenset(), wanted)
        return [h.id for h in worth_measuring(hits, chooser)]

    assert [1] == measured_of("ADD")
    assert [1, 3] == measured_of("ADD", frozenset({3}))
    assert [1, 2, 3] == measured_of("DDD")


# -------------------------------------------------------------------------------------------------------------- by hand


def tiled(found: Chosen) -> bool:
    """Whether the layers of the only group share velocities 1 to 127."""
    ranges = sorted({p.velocity for p in found.picks})
    return [v for low, high in ranges for v in range(low, high + 1)] == list(range(1, 128))


@pytest.mark.parametrize("layer", [1, 3, 5, 9])
def test_a_layer_set_by_hand_moves_one_hit(layer: int) -> None:
    """The hit is in the layer told, near its level or not, a new one too; others stay where they were."""
    hits = hits_at(LADDER)
    plain, found = chosen(hits), chosen(hits, by_hand=ByHand(layer={10: layer}))

    assert layer == by_id(found)[10].layer == next(p.layer for p in found.picks if p.hit == 10)
    assert {h.id: h.layer for h in plain.hits if h.id != 10} == {h.id: h.layer for h in found.hits if h.id != 10}
    assert tiled(found)


def test_an_emptied_layer_leaves_its_number_free() -> None:
    """Other layers keep their numbers, and all velocities are still played."""
    found = chosen(hits_at(LADDER), by_hand=ByHand(layer=dict.fromkeys(range(5, 9), 1)))

    assert {1, 3, 4, 5} == {p.layer for p in found.picks}
    assert tiled(found)


def test_round_robins_by_hand_are_those_and_no_others() -> None:
    """In the order told, whatever their grade and layer; a hit that is wanted besides comes after them."""
    found = chosen(hits_at(LADDER), "A" * 18 + "DD", by_hand=ByHand(robins={("snare", "hit", 2): (20, 6)}), wanted=[7])
    second = {p.round_robin: p.hit for p in found.picks if p.layer == 2}

    assert {1: 20, 2: 6, 3: 7} == second
    assert {"other hits were chosen by hand for its layer"} == {by_id(found)[k].reason for k in (5, 8)}
    assert not by_id(found)[20].fallback
    assert tiled(found)


def test_layers_are_kept_and_rejected_whole() -> None:
    """A rejected layer is left out with its reason; a kept one has all its hits; of both, the later counts."""
    everyone = frozenset(range(1, 21))
    found = chosen(hits_at(LADDER), round_robins=1,
                   by_hand=ByHand(fates=[(everyone, 1, False), (everyone, 2, True), (everyone, 3, True),
                                         (everyone, 3, False)]))

    assert {2, 4, 5} == {p.layer for p in found.picks}
    assert {5, 6, 7, 8} == {p.hit for p in found.picks if p.layer == 2}
    assert {"rejected by hand"} == {by_id(found)[k].reason for k in (1, 4, 9, 12)}
    assert tiled(found)
    assert () == chosen(hits_at([-20.0]), by_hand=ByHand(fates=[(everyone, 1, False)])).picks


def test_keeping_one_hit_leaves_the_others_of_a_poor_group() -> None:
    """Where no hit reaches the grade, one that the user wants is there beside the best there is, no makeshift."""
    hits = hits_at([-20.0, -20.1, -20.2])
    clean = {1: -10.0, 2: -9.0, 3: 30.0}
    found = by_id(chosen(hits, "DDD", clean, wanted=[3]))

    assert [(True, True), (True, True), (True, False)] == [(found[k].kept, found[k].fallback) for k in (1, 2, 3)]


def test_a_wanted_hit_of_unknown_strength_is_kept() -> None:
    """It goes into the softest layer unless told otherwise."""
    hits = [*hits_at(LADDER), hit(21, level_db=None)]

    assert (1, True) == (by_id(chosen(hits, wanted=[21]))[21].layer, by_id(chosen(hits, wanted=[21]))[21].kept)
    assert 4 == by_id(chosen(hits, wanted=[21], by_hand=ByHand(layer={21: 4})))[21].layer
    assert [21] == [p.hit for p in chosen(hits[-1:], wanted=[21]).picks]
