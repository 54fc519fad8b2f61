"""Corrections: read strictly, applied as a pure function, and found again after another analysis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from stage_inputs import hit

from oneshot.corrections import (
    EMPTY_TEXT,
    Corrected,
    Corrections,
    Place,
    Rename,
    apply,
    load,
    safe_name,
)
from oneshot.model import Hit, Partner, SettingsError

RATES = {"one": 48000, "two": 96000}
HEAD = 'format = "oneshot-corrections"\nversion = 1\n'
HITS = (hit(1, 48000, drum="kick"), hit(2, 96000), hit(3, 96600), hit(4, 144000, articulation="rim"),
        replace(hit(5, 96000, take="two"), partners=(Partner("kick", -30.0),)))


def applied(corrections: Corrections, hits: Sequence[Hit] = HITS) -> Corrected:
    """The hits after those corrections."""
    return apply(hits, corrections, RATES)


def read(tmp_path: Path, text: str) -> Corrections:
    """Corrections from a file of that text."""
    path = tmp_path / "corrections.toml"
    path.write_text(HEAD + text, encoding="utf-8")
    return load(path)


# -------------------------------------------------------------------------------------------------------------- reading


def test_no_file_corrects_nothing(tmp_path: Path) -> None:
    """A kit without corrections.toml has none."""
    assert Corrections() == load(tmp_path / "corrections.toml")


def test_what_a_new_kit_gets_corrects_nothing(tmp_path: Path) -> None:
    """The file that comes with a new kit is valid and empty; its examples work once their marks are taken away."""
    path = tmp_path / "corrections.toml"
    path.write_text(EMPTY_TEXT, encoding="utf-8")
    plain = load(path)
    path.write_text("\n".join(line.removeprefix("# ") if "=" in line or "[[" in line else line
                              for line in EMPTY_TEXT.splitlines()), encoding="utf-8")
    examples = load(path)

    assert Corrections() == plain
    assert (1, 1, 1) == (len(examples.reject), len(examples.keep), len(examples.rename))


def test_all_three_kinds_are_read(tmp_path: Path) -> None:
    """Rejects and keeps by take and frame, renames of a drum and of an articulation."""
    found = read(tmp_path, """
[[reject]]
take = "one"
frame = 96000
[[reject]]
take = "two"
frame = 0
[[keep]]
take = "one"
frame = 5
[[rename]]
drum = "drum-1"
to = "Cow Bell"
[[rename]]
drum = "snare"
articulation = "centre"
to = "brush"
""")

    assert (Place("one", 96000), Place("two", 0)) == found.reject
    assert (Place("one", 5),) == found.keep
    assert (Rename("drum-1", "cow-bell"), Rename("snare", "brush", "centre")) == found.rename


@pytest.mark.parametrize(("text", "match"), [
    ("", r"corrections\.toml must say format"),
    ('format = "other"\nversion = 1', "must say format"),
    ('format = "oneshot-corrections"\nversion = 2', "version = 1"),
    ("format = ", "not valid TOML"),
    (HEAD + "[[delete]]\nframe = 1", "delete is no correction"),
    (HEAD + "reject = 7", r"write each reject as a \[\[reject\]\] table"),
    (HEAD + "reject = [1, 2]", r"\[\[reject\]\]"),
    (HEAD + '[[reject]]\ntake = "one"', "reject needs a take"),
    (HEAD + '[[reject]]\ntake = 1\nframe = 1', "reject needs a take"),
    (HEAD + '[[keep]]\ntake = "one"\nframe = -1', "keep needs a take"),
    (HEAD + '[[keep]]\ntake = "one"\nframe = true', "keep needs a take"),
    (HEAD + '[[keep]]\ntake = "one"\nframe = 1.5', "keep needs a take"),
    (HEAD + '[[keep]]\ntake = "one"\nframe = 1\nid = 4', "and nothing else"),
    (HEAD + '[[rename]]\ndrum = "a"', "rename needs a drum"),
    (HEAD + '[[rename]]\ndrum = "a"\nto = 3', "rename needs a drum"),
    (HEAD + '[[rename]]\ndrum = "a"\nto = "b"\nkey = 36', "rename needs a drum"),
    (HEAD + '[[rename]]\ndrum = "a"\nto = "***"', "no letter or digit"),
])
def test_a_bad_file_is_told_in_one_line(tmp_path: Path, text: str, match: str) -> None:
    """What is wrong is one clear line that names the file."""
    path = tmp_path / "corrections.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=match) as caught:
        load(path)

    assert "corrections.toml" in str(caught.value)
    assert 1 == len(str(caught.value).splitlines())


def test_a_file_that_is_no_text_is_told(tmp_path: Path) -> None:
    """Bytes that are no UTF-8, or a folder of that name, give one line."""
    path = tmp_path / "corrections.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsError, match="cannot be read"):
        load(path)
    path.unlink()
    path.mkdir()
    with pytest.raises(SettingsError, match="cannot be read"):
        load(path)


@pytest.mark.parametrize(("text", "expected"), [
    ("Cow Bell", "cow-bell"), ("  rack  TOM 2 ", "rack-tom-2"), ("../../etc", "etc"), ("a/b\\c", "a-b-c"),
    ("é", ""), ("x" * 40, "x" * 24), ("a" * 23 + " b", "a" * 23),
])
def test_names_are_made_fit_for_files(text: str, expected: str) -> None:
    """Lower-case ASCII letters, digits and single hyphens, at most 24: nothing that leaves a folder."""
    assert expected == safe_name(text)


# ------------------------------------------------------------------------------------------------------------- applying


def test_nothing_overruled_changes_nothing() -> None:
    """Without corrections the hits come back equal, none rejected, none wanted, nothing told."""
    assert Corrected(HITS, frozenset(), frozenset(), ()) == applied(Corrections())


def test_a_hit_is_found_by_its_place() -> None:
    """The nearest hit of that take is meant, whatever its number."""
    found = applied(Corrections(reject=(Place("one", 96010),), keep=(Place("one", 96400), Place("two", 96000))))

    assert frozenset({2}) == found.rejected
    assert frozenset({3, 5}) == found.wanted
    assert HITS == found.hits
    assert () == found.problems


def test_a_place_survives_another_analysis() -> None:
    """Other numbers and onsets a few milliseconds off leave a correction where it was."""
    moved = [replace(h, id=h.id + 40, onset=h.onset + 90) for h in reversed(HITS)]

    assert frozenset({42}) == applied(Corrections(reject=(Place("one", 96000),)), moved).rejected


@pytest.mark.parametrize(("take", "rate"), [("one", 48000), ("two", 96000)])
def test_a_place_reaches_ten_milliseconds(take: str, rate: int) -> None:
    """A hit 9 ms away is still meant, one 11 ms away is not, at any rate; the entry is told, with its take and
    frame.
    """
    for ms, expected in ((9, frozenset({1})), (-9, frozenset({1})), (11, frozenset()), (-11, frozenset())):
        frame = 50_000 + round(ms * rate / 1000)
        found = applied(Corrections(reject=(Place(take, frame),)), [hit(1, 50_000, take=take)])

        assert expected == found.rejected
        assert (0 if expected else 1) == len(found.problems)
        if not expected:
            assert f"frame {frame} of {take}" in found.problems[0].what


def test_a_place_in_another_take_is_told() -> None:
    """A take that is gone gives a problem, not an error and not another take's hit."""
    found = applied(Corrections(keep=(Place("three", 96000),)))

    assert frozenset() == found.wanted
    assert "three" in found.problems[0].what


def test_reject_outranks_keep() -> None:
    """A hit both rejected and wanted is rejected."""
    found = applied(Corrections(reject=(Place("one", 48000),), keep=(Place("one", 48000),)))

    assert (frozenset({1}), frozenset()) == (found.rejected, found.wanted)


def test_a_drum_is_renamed_everywhere() -> None:
    """A new name for a drum reaches its hits and the partners of others, and nothing else."""
    found = applied(Corrections(rename=(Rename("kick", "boom"),)))

    assert ["boom", "snare", "snare", "snare", "snare"] == [h.drum for h in found.hits]
    assert "boom" == found.hits[4].partners[0].drum
    assert [replace(h, drum=HITS[0].drum) for h in found.hits[:1]] == [HITS[0]]
    assert HITS[1:4] == found.hits[1:4]


def test_an_articulation_is_renamed_in_its_drum_alone() -> None:
    """A new name for one way of striking leaves the same way of other drums alone."""
    found = applied(Corrections(rename=(Rename("snare", "brush", "hit"),)))

    assert ["hit", "brush", "brush", "rim", "brush"] == [h.articulation for h in found.hits]


def test_drum_and_articulation_can_be_renamed_at_once() -> None:
    """An articulation is named by the drum's old name, as the file was written against the kit that is there."""
    found = applied(Corrections(rename=(Rename("snare", "piccolo"), Rename("snare", "edge", "rim"))))

    assert [("piccolo", "hit"), ("piccolo", "edge")] == [(h.drum, h.articulation) for h in found.hits[1:4:2]]


def test_two_drums_can_swap_names() -> None:
    """Renames are applied at once, not one after the other."""
    found = applied(Corrections(rename=(Rename("kick", "snare"), Rename("snare", "kick"))))

    assert ["snare", "kick", "kick", "kick", "kick"] == [h.drum for h in found.hits]


def test_a_rename_of_nothing_is_told() -> None:
    """A name that no drum or articulation has any more gives a problem that says which."""
    found = applied(Corrections(rename=(Rename("gong", "bell"), Rename("snare", "x", "bell"))))

    assert ["gong", "snare/bell"] == [p.what.split()[3] for p in found.problems]
    assert HITS == found.hits


def test_nothing_is_changed_in_place() -> None:
    """The same call gives the same answer twice."""
    corrections = Corrections(reject=(Place("one", 48000),), rename=(Rename("kick", "boom"),))

    assert applied(corrections) == applied(corrections)
    assert "kick" == HITS[0].drum
