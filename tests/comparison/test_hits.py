"""Which hits are compared: of like strength, the same ones in every mic."""

from __future__ import annotations

from dataclasses import replace

from stage_inputs import hit

from oneshot.comparison import hits


def test_only_strokes_of_like_strength_are_compared() -> None:
    """Two takes that share one level of three: that level, from both; an ornament and a stroke with a partner are none
    of them. Of levels that as many have, the hardest.
    """
    every = [hit(n, level_db=level, take=take) for n, (level, take) in enumerate(
        [(-10, "a"), (-10.5, "a"), (-9.5, "a"), (-20, "a"), (-20.4, "b"), (-30, "b"), (-30.2, "b"), (-30.1, "b")])]
    found = hits.of_similar_level(every)

    assert {"a": [3], "b": [4]} == {take: [h.id for h in mine] for take, mine in found.items()}
    assert {} == hits.of_similar_level([replace(every[0], level_db=None)])
    assert {} == hits.of_similar_level([])
    ladder = [hit(n + 1, level_db=-10.0 * n) for n in range(3)]
    assert [1] == [h.id for h in hits.of_similar_level(ladder)["one"]]


def test_the_stroke_that_most_takes_have_is_compared() -> None:
    """A rim shot of one take, though more frequent, gives way to the centre that both have."""
    every = [hit(n, articulation="rim", take="a") for n in range(5)]
    every += [hit(10, articulation="centre", take="a"), hit(11, articulation="centre", take="b"), hit(12, drum="kick")]

    assert {"kick": "hit", "snare": "centre"} == hits.usual_ways(every)


def test_the_hits_cleanest_in_their_worst_mic_are_the_same_in_all() -> None:
    """What is clean in one mic and not in the other comes last, what nobody knows at the very end; eight at most."""
    every = [hit(n, bleed_db={"Top": -40.0, "Far": -30.0 + n}) for n in range(10)]
    every += [hit(20, bleed_db={"Top": -3.0, "Far": -50.0}), hit(21, bleed_db={"Top": None})]

    assert list(range(8)) == [h.id for h in hits.cleanest(every, ["Top", "Far"])]
    assert [9, 20, 21] == [h.id for h in hits.cleanest([every[9], every[11], every[10]], ["Top", "Far"])]


def test_takes_without_clean_hits_keep_what_they_have() -> None:
    """A take's clean hits stand for it; where it has none, all of them, and its mics are marked."""
    every = [hit(1, take="a", bleed_db={"Top": -30.0}), hit(2, take="a", bleed_db={"Top": -5.0}),
             hit(3, take="b", bleed_db={"Top": -5.0}), hit(4, take="b", bleed_db={"Top": None})]

    assert [1, 3, 4] == sorted(h.id for h in hits.clean_ones(every, "Top"))
    assert hits.mostly_clean(every[:1], "Top")
    assert not hits.mostly_clean(every[1:], "Top")
    assert not hits.mostly_clean(every, "Nowhere")
