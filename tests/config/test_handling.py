"""Corrections: applied as a pure function, entry by entry, and found again after another analysis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from stage_inputs import hit

from oneshot.config.corrections import Corrected
from oneshot.config.corrections_file import Correction, Corrections, Place
from oneshot.config.handling import ForAnalysis, Handling, Merged, apply, handling, told_to_analysis, unmet
from oneshot.core.records.hits import Hit, Partner

RATES = {"one": 48000, "two": 96000}
HITS = (hit(1, 48000, drum="kick"), hit(2, 96000), hit(3, 96600), hit(4, 144000, articulation="rim"),
        replace(hit(5, 96000, take="two"), partners=(Partner("kick", -30.0),)))


def at(*frames: int, take: str = "one") -> dict[str, Any]:
    """The hits at those frames, as an entry names them."""
    return {"hits": tuple(Place(take, frame) for frame in frames)}


def entry(kind: str, **said: Any) -> Correction:
    """An entry."""
    return Correction(kind, **said)


def applied(*entries: Correction, hits: Sequence[Hit] = HITS) -> Corrected:
    """The hits after those corrections."""
    return apply(hits, Corrections(entries), RATES, {"Kick In", "OH"})


def strokes(found: Corrected) -> list[str]:
    """Drum and articulation of each hit."""
    return [f"{h.drum}/{h.articulation}" for h in found.hits]


def told(found: Corrected) -> list[str]:
    """What could not be done."""
    return [p.what for p in found.problems]


# --------------------------------------------------------------------------------------------------------- finding hits


def test_nothing_overruled_changes_nothing() -> None:
    """Without corrections the hits come back equal, none rejected, none wanted, nothing told."""
    found = applied()

    assert HITS == found.hits
    assert (frozenset(), frozenset(), {}, {}, (), ()) == (found.rejected, found.wanted, found.layer, found.robins,
                                                          found.settings, found.problems)
    assert {"kick": ("kick",), "snare": ("snare",)} == found.sources
    assert {} == handling(found, found.hits, RATES)
    assert ForAnalysis() == told_to_analysis(Corrections())


def test_a_hit_is_found_by_its_place() -> None:
    """The nearest hit of that take is meant, whatever its number."""
    found = applied(entry("reject", **at(96010)), entry("keep", hits=(Place("one", 96400), Place("two", 96000))))

    assert frozenset({2}) == found.rejected
    assert frozenset({3, 5}) == found.wanted
    assert HITS == found.hits
    assert [] == told(found)


@pytest.mark.parametrize("seed", range(10))
def test_places_survive_another_analysis(seed: int) -> None:
    """Other numbers, another order and onsets up to 10 ms off leave every kind of entry with its hit."""
    rng = np.random.default_rng(seed)
    off = [int(rng.integers(-470, 471)) for _ in range(4)]  # of a grid of 24,000 frames
    hits = [hit(n, 24000 * n, drum="snare" if n % 2 else "tom") for n in range(1, 5)]
    moved = [replace(h, id=h.id + 40, onset=h.onset + off[h.id - 1]) for h in reversed(hits)]
    entries = (entry("reject", **at(24000)), entry("move", **at(48000), to="snare"),
               entry("layer", **at(72000), layer=2), entry("gain", **at(96000), gain_db=-3.0))
    first, second = applied(*entries, hits=hits), applied(*entries, hits=moved)

    assert [] == told(first) == told(second)
    assert {k + 40 for k in first.rejected} == second.rejected
    assert {h.id + 40: h.drum for h in first.hits} == {h.id: h.drum for h in second.hits}
    assert {k + 40: v for k, v in first.layer.items()} == second.layer
    assert {k + 40: v for k, v in handling(first, first.hits, RATES).items()} == handling(second, second.hits, RATES)


@pytest.mark.parametrize(("take", "rate"), [("one", 48000), ("two", 96000)])
def test_a_place_reaches_ten_milliseconds(take: str, rate: int) -> None:
    """A hit 9 ms away is still meant, one 11 ms away is not, at any rate; the entry is told, with its take and
    frame.
    """
    for ms, expected in ((9, frozenset({1})), (-9, frozenset({1})), (11, frozenset()), (-11, frozenset())):
        frame = 50_000 + round(ms * rate / 1000)
        found = applied(entry("reject", **at(frame, take=take)), hits=[hit(1, 50_000, take=take)])

        assert expected == found.rejected
        assert ([] if expected else [f"leave_out: no hit at frame {frame} of {take}"]) == told(found)


@pytest.mark.parametrize("kind", ["reject", "keep", "move", "split", "layer", "round_robins", "add", "nudge", "end",
                                  "fade", "drop", "gain"])
def test_an_entry_that_finds_no_hit_is_told(kind: str) -> None:
    """A take or place that is gone gives a problem that names it, whatever the entry wants, and changes nothing."""
    said: dict[str, dict[str, Any]] = {
        "move": {"to": "kick"}, "split": {"to": "new"}, "layer": {"layer": 1}, "end": {"after_ms": 5.0},
        "round_robins": {"drum": "snare", "articulation": "hit", "layer": 1}, "nudge": {"frames": 3},
        "fade": {"in_ms": 1.0}, "drop": {"mics": ("OH",)}, "gain": {"gain_db": 1.0}}
    for frame, take, words in ((96000, "three", "there is no take 'three'"), (7, "one", "no hit at frame 7 of one")):
        found = applied(entry(kind, **at(frame, take=take), **said.get(kind, {})))

        assert [f"{Correction(kind).word}: {words}"] == told(found)
        assert replace(applied(), problems=found.problems, void=found.void) == found
        assert [(kind, found.problems[0].what)] == [(each.kind, why) for each, why in found.void]


@pytest.mark.parametrize("kind", ["reject", "keep", "move", "nudge", "end", "fade", "drop", "gain", "round_robins",
                                  "rename", "merge"])
def test_an_entry_that_finds_no_drum_is_told(kind: str) -> None:
    """A name that nothing has any more gives a problem that says which, and changes nothing."""
    said: dict[str, dict[str, Any]] = {
        "move": {"to": "kick"}, "end": {"after_ms": 5.0}, "round_robins": {"layer": 1}, "nudge": {"frames": 3},
        "fade": {"in_ms": 1.0}, "gain": {"gain_db": 1.0}, "rename": {"to": "x"},
        "merge": {"to": "hit", "articulations": ("bell",)}}
    way = {} if kind == "merge" else {"articulation": "bell"}
    found = applied(entry(kind, drum="snare", **way, **said.get(kind, {})))

    assert ["snare/bell does not exist in the kit"] == told(found)
    assert replace(applied(), problems=found.problems, void=found.void) == found
    assert [(kind, found.problems[0].what)] == [(each.kind, why) for each, why in found.void]


def test_nothing_is_changed_in_place() -> None:
    """The same call gives the same answer twice."""
    entries = entry("reject", **at(48000)), entry("rename", drum="kick", to="boom"), entry("gain", drum="boom",
                                                                                           gain_db=1.0)

    assert applied(*entries) == applied(*entries)
    assert "kick" == HITS[0].drum


# -------------------------------------------------------------------------------------------------------------- renames


def test_a_drum_is_renamed_everywhere() -> None:
    """A new name for a drum reaches its hits and the partners of others, and nothing else."""
    found = applied(entry("rename", drum="kick", to="Big Boom"))

    assert ["big-boom", "snare", "snare", "snare", "snare"] == [h.drum for h in found.hits]
    assert "big-boom" == found.hits[4].partners[0].drum
    assert {"big-boom": ("kick",), "snare": ("snare",)} == found.sources
    assert {"kick": "big-boom", "snare": "snare"} == found.stands
    assert HITS[1:4] == found.hits[1:4]


def test_an_articulation_is_renamed_in_its_drum_alone() -> None:
    """A new name for one way of striking leaves the same way of other drums alone."""
    found = applied(entry("rename", drum="snare", articulation="hit", to="brush"))

    assert ["kick/hit", "snare/brush", "snare/brush", "snare/rim", "snare/brush"] == strokes(found)


@pytest.mark.parametrize("drum", ["snare", "piccolo"])
def test_drum_and_articulation_can_be_renamed_at_once(drum: str) -> None:
    """After a drum's rename its articulations are found under its new name and, in the same run, its old one."""
    found = applied(entry("rename", drum="snare", to="piccolo"), entry("rename", drum=drum, articulation="rim",
                                                                      to="edge"))

    assert ["piccolo/hit", "piccolo/edge"] == strokes(found)[1:4:2]


def test_renames_can_be_chained() -> None:
    """Each rename starts from the kit as the ones before left it, in one run or with others between."""
    one, two = entry("rename", drum="kick", to="boom"), entry("rename", drum="boom", to="thud")

    for found in (applied(one, two), applied(one, entry("keep", drum="boom"), two)):
        assert "thud/hit" == strokes(found)[0]
        assert [] == told(found)
    assert ["boom does not exist in the kit"] == told(applied(two, one))


def test_names_can_be_swapped() -> None:
    """Two drums, or two articulations, change names where both renames stand together; also in a ring of three."""
    drums = applied(entry("rename", drum="kick", to="snare"), entry("rename", drum="snare", to="kick"))
    ways = applied(entry("rename", drum="snare", articulation="rim", to="hit"),
                   entry("rename", drum="snare", articulation="hit", to="rim"))
    ring = [hit(n, drum=name) for n, name in enumerate("abc", 1)]
    turned = applied(*(entry("rename", drum=a, to=b) for a, b in ("ab", "bc", "ca")), hits=ring)

    assert ["snare", "kick", "kick", "kick", "kick"] == [h.drum for h in drums.hits]
    assert ["snare/rim", "snare/rim", "snare/hit"] == strokes(ways)[1:4]
    assert ["b", "c", "a"] == [h.drum for h in turned.hits]
    assert [] == told(drums) + told(ways) + told(turned)


def test_a_name_that_is_taken_is_refused() -> None:
    """A rename never joins two drums or articulations unseen: it is told, and nothing changes."""
    for said in ({"drum": "kick", "to": "Snare"}, {"drum": "snare", "articulation": "rim", "to": "hit"}):
        found = applied(entry("rename", **said))

        assert HITS == found.hits
        assert 1 == len(told(found))
        assert "cannot be renamed" in told(found)[0]


# ----------------------------------------------------------------------------------------------- moving between groups


def test_hits_are_moved() -> None:
    """To another drum, in the way it is struck if that drum knows it, else in its usual one; or as told."""
    found = applied(entry("move", **at(144000), to="kick"), entry("move", **at(48000), to="snare",
                                                                  to_articulation="hit"))
    way = applied(entry("move", **at(96000), to_articulation="rim"))

    assert ["snare/hit", "snare/hit", "snare/hit", "kick/hit", "snare/hit"] == strokes(found)
    assert "snare/rim" == strokes(way)[1]


def test_a_group_is_moved() -> None:
    """All of an articulation at once."""
    assert ["kick/hit"] * 2 == strokes(applied(entry("move", drum="snare", articulation="rim", to="kick")))[0:4:3]


def test_a_moved_hit_is_no_partner_of_its_own() -> None:
    """A hit of two drums that is moved to the other one is no longer struck together with it."""
    assert () == applied(entry("move", **at(96000, take="two"), to="kick")).hits[4].partners


@pytest.mark.parametrize("said", [{"to": "gong"}, {"to_articulation": "bell"},
                                  {"to": "kick", "to_articulation": "rim"}])
def test_moving_to_what_is_not_there_is_told(said: dict[str, str]) -> None:
    """A slip of the pen makes no new drum."""
    found = applied(entry("move", **at(96000), **said))

    assert HITS == found.hits
    assert 1 == len(told(found))


def test_drums_are_merged() -> None:
    """All hits of the drums named are of one; where its name is one of theirs, that one gives home mic and tables."""
    found = applied(entry("merge", drums=("kick", "snare"), to="snare"))
    new = applied(entry("merge", drums=("kick", "snare"), to="both"))

    assert {"snare"} == {h.drum for h in found.hits}
    assert {"snare": ("snare", "kick")} == found.sources
    assert {"kick": "snare", "snare": "snare"} == found.stands
    assert () == found.hits[4].partners
    assert {"both": ("kick", "snare")} == new.sources
    assert found == applied(entry("merge", drums=("kick", "snare", "kick"), to="snare"))


def test_articulations_are_merged() -> None:
    """Two ways of striking one drum become one; other drums keep theirs."""
    found = applied(entry("merge", drum="snare", articulations=("hit", "rim"), to="centre"))

    assert ["kick/hit", *["snare/centre"] * 4] == strokes(found)


def test_hits_are_split_off() -> None:
    """A list of hits becomes an articulation, or a drum that has its source's home mic and tables."""
    way = applied(entry("split", **at(96000, 96600), to_articulation="Edge"))
    drum = applied(entry("split", **at(96000, 96600), to="piccolo", to_articulation="centre"))

    assert ["kick/hit", "snare/edge", "snare/edge", "snare/rim", "snare/hit"] == strokes(way)
    assert ["kick/hit", "piccolo/centre", "piccolo/centre", "snare/rim", "snare/hit"] == strokes(drum)
    assert {"kick": ("kick",), "snare": ("snare",), "piccolo": ("snare",)} == drum.sources


def test_splitting_into_what_is_there_is_told() -> None:
    """A split makes something new; what is there already is moved to."""
    for said in ({"to": "kick"}, {"to_articulation": "rim"}):
        found = applied(entry("split", **at(96000), **said))

        assert HITS == found.hits
        assert "already" in told(found)[0]


def test_an_added_hit_is_kept() -> None:
    """A hit that the user says is there must become a one-shot, of the drum told; also where it is found unaided."""
    found = applied(entry("add", **at(96000), drum="kick", articulation="felt"))

    assert frozenset({2}) == found.wanted
    assert ("kick/felt", True) == (strokes(found)[1], found.hits[1].added)
    assert [False] * 3 == [h.added for h in found.hits[2:]]


def test_the_analysis_is_told_of_hits_under_the_names_it_knows() -> None:
    """A drum named in an entry is the one so called after the renames and merges above it, and only those."""
    entries = (entry("add", **at(5), drum="kick"), entry("rename", drum="kick", to="Boom"),
               entry("add", **at(7), drum="boom"), entry("merge", drums=("boom", "drum-2"), to="thud"),
               entry("move", **at(8, 9), to="thud"), entry("move", **at(8), to_articulation="rim"),
               entry("add", **at(6)))
    found = told_to_analysis(Corrections(entries)).hits

    assert [5, 7, 8, 9, 6] == [t.frame for t in found]
    assert [True, True, False, False, True] == [t.missed for t in found]
    assert {"kick"} == found[0].drums
    assert {"kick"} == found[1].drums
    assert {"kick", "drum-2"} <= found[2].drums
    assert frozenset() == found[4].drums


# ------------------------------------------------------------------------------------------------------------- settings


def test_settings_of_a_hit_add_up_to_its_handling() -> None:
    """Nudge in frames or ms, end, both fades, gain and dropped mics, each from its own entry."""
    one = at(96000, take="two")
    found = applied(entry("nudge", **one, ms=-0.3), entry("end", **one, after_ms=400.0),
                    entry("fade", **one, in_ms=0.5), entry("fade", **one, out_ms=80.0),
                    entry("gain", **one, gain_db=-1.5), entry("drop", **one, mics=("OH",)),
                    entry("drop", **one, mics=("Kick In",)), entry("nudge", **at(48000), frames=7))
    everything = Handling(nudge_frames=-29, end_ms=400.0, fade_in_ms=0.5, fade_out_ms=80.0, gain_db=-1.5,
                          dropped=frozenset({"OH", "Kick In"}))

    assert {1: Handling(nudge_frames=7), 5: everything} == handling(found, found.hits, RATES)
    assert [] == told(found)


def test_the_narrower_entry_counts() -> None:
    """Hit before layer before articulation before drum, wherever they stand in the file."""
    entries = [entry("gain", drum="snare", gain_db=1.0), entry("gain", drum="snare", articulation="hit", gain_db=2.0),
               entry("gain", drum="snare", layer=4, gain_db=3.0), entry("gain", **at(96600), gain_db=4.0)]
    for order in (entries, entries[::-1]):
        found = applied(*order)
        layered = [replace(h, layer=4 if h.id in (3, 5) else 1) for h in found.hits]

        assert {2: 2.0, 3: 4.0, 4: 1.0, 5: 3.0} == {k: h.gain_db for k, h in handling(found, layered, RATES).items()}
        assert [] == told(found)


def test_contradictions_are_told_and_the_later_counts() -> None:
    """Two entries that say different things of one hit, each as narrowly; twice the same is no contradiction."""
    fate = applied(entry("keep", **at(48000)), entry("reject", **at(48000)))
    gain = applied(entry("gain", **at(48000), gain_db=1.0), entry("gain", **at(48100), gain_db=2.0))
    group = applied(entry("gain", drum="snare", gain_db=1.0), entry("gain", drum="snare", gain_db=2.0))
    layer = applied(entry("layer", **at(48000), layer=1), entry("layer", **at(48000), layer=2))
    same = applied(entry("keep", **at(48000)), entry("keep", **at(48000)))

    assert (frozenset({1}), frozenset()) == (fate.rejected, fate.wanted)
    assert 2.0 == handling(gain, gain.hits, RATES)[1].gain_db == handling(group, group.hits, RATES)[4].gain_db
    assert {1: 2} == layer.layer
    assert ["leave_out contradicts an earlier use of the hit at frame 48000 of one"] == told(fate)
    assert [1, 1, 1, 0] == [len(told(found)) for found in (gain, group, layer, same)]


def test_a_hit_outranks_its_group() -> None:
    """Keeping one hit of a drum that is rejected is no contradiction."""
    found = applied(entry("keep", **at(96000)), entry("reject", drum="snare"))

    assert (frozenset({3, 4, 5}), frozenset({2})) == (found.rejected, found.wanted)
    assert [] == told(found)


def test_a_groups_setting_follows_its_group() -> None:
    """Under a new name, and for hits moved into it; hits moved out leave it; what merges away keeps its own."""
    gain = entry("gain", drum="kick", gain_db=2.0)
    renamed = applied(gain, entry("rename", drum="kick", to="boom"))
    moved = applied(gain, entry("move", **at(96000), to="kick"), entry("move", **at(48000), to="snare"))
    merged = applied(gain, entry("merge", drums=("kick",), to="snare"))

    assert [1] == list(handling(renamed, renamed.hits, RATES))
    assert [2] == list(handling(moved, moved.hits, RATES))
    assert [1] == list(handling(merged, merged.hits, RATES))


def test_round_robins_are_a_list_in_order() -> None:
    """The hits of a group in the order given; one that is rejected, elsewhere or named in two layers is told."""
    group = {"drum": "snare", "articulation": "hit"}
    found = applied(entry("round_robins", **group, layer=2, **at(96600, 96000)))
    odd = applied(entry("round_robins", **group, layer=2, **at(48000, 96000)), entry("reject", **at(96600)),
                  entry("round_robins", **group, layer=3, **at(96000, 96600)))

    assert {("snare", "hit", 2): (3, 2)} == found.robins
    assert {("snare", "hit", 2): (2,)} == odd.robins
    assert ["is now in kick/hit", "is already a round robin of layer 2", "is rejected"] == \
        [what.split(" of one ")[1] for what in told(odd)]


def test_a_mic_that_nobody_knows_is_told() -> None:
    """A mic that is to be dropped and is none, nor a pair, has a problem of its own."""
    assert ["drop: there is no mic or pair OH R"] == told(applied(entry("drop", **at(96000), mics=("OH", "OH R"))))


def test_a_layer_that_is_not_there_is_told() -> None:
    """An entry about a layer in which no hit ended is told once layers are known; not where its drum is left out."""
    found = applied(entry("gain", drum="snare", articulation="hit", layer=3, gain_db=1.0))

    assert ["gain: snare has no layer 3 in articulation hit"] == [p.what for p in unmet(found, found.hits)]
    assert () == unmet(found, [replace(h, layer=3) for h in found.hits])
    assert () == unmet(found, [h for h in found.hits if h.drum == "kick"])


def test_the_analysis_is_told_of_merged_drums() -> None:
    """Drums that end as one, under the names that it knows: first the one whose name is taken."""
    entries = (entry("rename", drum="kick", to="Boom"), entry("merge", drums=("drum-2", "boom"), to="boom"),
               entry("merge", drums=("hat", "ride"), to="hat"), entry("merge", drums=("crash", "hat"), to="hat"))

    assert told_to_analysis(Corrections(entries)).merged == (
        Merged(("kick", "drum-2"), "boom"), Merged(("hat", "ride", "crash"), "hat"))


def test_what_was_said_of_articulations_outlasts_a_merge() -> None:
    """Articulations are not told anew where an entry above the merge speaks of one of them."""
    merge = entry("merge", drums=("hat", "ride"), to="hat")
    rename = entry("rename", drum="ride", articulation="bow", to="closed")

    assert () == told_to_analysis(Corrections((rename, merge))).merged
    assert told_to_analysis(Corrections((merge, rename))).merged
