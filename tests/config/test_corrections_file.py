"""corrections.toml: read strictly, written so that it reads back alike."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from oneshot.config.corrections_file import (
    EMPTY_TEXT,
    KINDS,
    Correction,
    Corrections,
    Place,
    dump,
    load,
    parse,
    safe_name,
)
from oneshot.core.errors import SettingsError

HEAD = 'format = "oneshot-corrections"\nversion = 1\n'
HIT = 'take = "one"\nframe = 5\n'


def examples() -> Corrections:
    """The entries that a new kit's file shows, their marks taken away."""
    head, shown = EMPTY_TEXT.split("# Uncomment", 1)
    return parse(head + "\n".join(line.removeprefix("# ") for line in shown.splitlines()[1:]))


def test_no_file_corrects_nothing(tmp_path: Path) -> None:
    """A kit without corrections.toml has none."""
    assert Corrections() == load(tmp_path / "corrections.toml")


def test_what_a_new_kit_gets_shows_every_kind_and_corrects_nothing() -> None:
    """The file that comes with a new kit is valid and empty; uncommented, it is one entry of each kind."""
    assert Corrections() == parse(EMPTY_TEXT)
    assert list(KINDS) == [entry.kind for entry in examples().entries]


def test_entries_keep_the_order_of_the_file() -> None:
    """What stands further down comes later, whatever its kind."""
    found = parse(HEAD + f"""
[[reject]]
{HIT}
[[ rename ]]  # [[keep]]
drum = "drum-1"
to = "Cow Bell"
[[reject]]
hits = [{{ take = "two", frame = 0 }}, {{ take = "one", frame = 9 }}]
note = "both choke"
[[keep]]
drum = "snare"
layer = 2
""")

    assert (Correction("reject", (Place("one", 5),)), Correction("rename", drum="drum-1", to="Cow Bell"),
            Correction("reject", (Place("two", 0), Place("one", 9)), note="both choke"),
            Correction("keep", drum="snare", layer=2)) == found.entries


@pytest.mark.parametrize(("text", "match"), [
    ("", r"corrections\.toml must contain format"),
    ('format = "other"\nversion = 1', "must contain format"),
    ('format = "oneshot-corrections"\nversion = 2', "version = 1"),
    ('format = "oneshot-corrections"\nversion = true', "version = 1"),
    ("format = ", "not valid TOML"),
    ("a = " + "[" * 5000, "not valid TOML"),
    (HEAD + "[[delete]]\nframe = 1", "line 3: delete is not a correction"),
    (HEAD + f"[[keep]]\n{HIT}[rejct]\nframe = 1", "line 6: rejct is not a correction"),
    (HEAD + f"[[keep]]\n{HIT}\n [[ keep ]]\n{HIT}layre = 2", "line 7: keep no. 2 has the unknown key layre"),
    (HEAD + "reject = 7", r"write each reject as a \[\[reject\]\] table"),
    (HEAD + "reject = [1, 2]", r"\[\[reject\]\]"),
    (HEAD + "[reject]\nframe = 1", r"\[\[reject\]\]"),
    (HEAD + 'reject = [{ take = "one", frame = 1 }]', "under its own"),
    (HEAD + f'[[reject]]\n{HIT}note = """\n[[keep]]\n"""', "under its own"),
    (HEAD + '[[reject]]\ntake = "one"', "reject no. 1 needs a take"),
    (HEAD + f"[[reject]]\n{HIT}[[reject]]\ntake = 1\nframe = 1", "reject no. 2 needs a take"),
    (HEAD + '[[keep]]\ntake = "one"\nframe = -1', "keep no. 1 needs a take"),
    (HEAD + '[[keep]]\ntake = "one"\nframe = true', "needs a take"),
    (HEAD + '[[keep]]\ntake = "one"\nframe = 1.5', "needs a take"),
    (HEAD + f'[[keep]]\ntake = "one"\nframe = {2**63 - 1}', "needs a take"),
    (HEAD + f"[[keep]]\n{HIT}id = 4", "has the unknown key id"),
    (HEAD + f"[[keep]]\n{HIT}gain_db = 4", "does not take gain_db"),
    (HEAD + f'[[keep]]\n{HIT}drum = "snare"', "does not take drum beside hits"),
    (HEAD + f'[[rename]]\n{HIT}drum = "snare"\nto = "a"', "does not take hits: leave"),
    (HEAD + "[[keep]]", "needs a take and a frame, or hits, or a drum"),
    (HEAD + '[[keep]]\narticulation = "rim"', "or a drum"),
    (HEAD + "[[keep]]\nhits = []", "write hits as"),
    (HEAD + "[[keep]]\nhits = [1]", "write hits as"),
    (HEAD + '[[keep]]\nhits = [{ take = "one", frame = 1, id = 2 }]', "nothing else"),
    (HEAD + f'[[keep]]\n{HIT}hits = [{{ take = "one", frame = 1 }}]', "not both"),
    (HEAD + '[[keep]]\nhits = [{ take = "a", frame = 1 }, { take = "a", frame = 1 }]', "a hit twice"),
    (HEAD + '[[rename]]\ndrum = "a"', "rename no. 1 needs to"),
    (HEAD + '[[rename]]\ndrum = "a"\nto = 3', "to must be a string"),
    (HEAD + '[[rename]]\ndrum = "a"\nto = "b"\nlayer = 36', "does not take layer"),
    (HEAD + '[[rename]]\ndrum = "a"\nto = "***"', "no letter or digit"),
    (HEAD + '[[rename]]\ndrum = "a"\nto = "\\n\\n"', "to must be a string"),
    (HEAD + f"[[move]]\n{HIT}", "needs to or to_articulation"),
    (HEAD + '[[move]]\ndrum = "a"\nlayer = 1\nto = "b"', "does not take layer"),
    (HEAD + '[[merge]]\nto = "b"', "needs drums or articulations, one of them"),
    (HEAD + '[[merge]]\nto = "b"\narticulations = ["a"]', "needs drums, or a drum and its articulations"),
    (HEAD + '[[merge]]\nto = "b"\ndrums = ["a"]\narticulations = ["a"]', "one of them"),
    (HEAD + '[[merge]]\nto = "b"\ndrums = "a"', "drums must be a list of strings"),
    (HEAD + '[[split]]\ndrum = "a"\nto = "b"', "does not take drum"),
    (HEAD + f"[[layer]]\n{HIT}layer = 0", "layer must be a whole number from 1 to 99"),
    (HEAD + '[[round_robins]]\ndrum = "a"\narticulation = "b"\nlayer = 1', "needs hits"),
    (HEAD + '[[add]]\nhits = [{ take = "a", frame = 1 }, { take = "a", frame = 9 }]', "takes one hit"),
    (HEAD + f"[[nudge]]\n{HIT}", "needs frames or ms"),
    (HEAD + f"[[nudge]]\n{HIT}frames = 1\nms = 1", "one of them"),
    (HEAD + f"[[nudge]]\n{HIT}frames = 1.5", "frames must be a whole number"),
    (HEAD + f"[[nudge]]\n{HIT}ms = nan", "ms must be a number from -100 to 100, not nan"),
    (HEAD + f"[[end]]\n{HIT}after_ms = inf", "after_ms must be a number"),
    (HEAD + f"[[end]]\n{HIT}", "end no. 1 needs after_ms"),
    (HEAD + f"[[fade]]\n{HIT}", "needs in_ms or out_ms"),
    (HEAD + f"[[drop]]\n{HIT}mics = []", "mics must be a list of strings"),
    (HEAD + f"[[gain]]\n{HIT}gain_db = 1e300", "gain_db must be a number from -40 to 40"),
    (HEAD + f"[[gain]]\n{HIT}gain_db = {'9' * 400}", "not valid TOML .*64 bits"),
    (HEAD + f"[[gain]]\n{HIT}gain_db = {'9' * 9000}", "not valid TOML"),
    (HEAD + f"[[gain]]\n{HIT}gain_db = 0x{'f' * 9000}", "not valid TOML .*64 bits"),
    (HEAD + f'[[gain]]\n{HIT}"a\\nb" = 1', "has the unknown key a b"),
])
def test_a_bad_file_is_told_in_one_line(tmp_path: Path, text: str, match: str) -> None:
    """What is wrong is one clear line, not endless, that names the file."""
    path = tmp_path / "corrections.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=match) as caught:
        load(path)

    assert "corrections.toml" in str(caught.value)
    assert 1 == len(str(caught.value).splitlines())
    assert len(str(caught.value)) < 500


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


def test_a_byte_order_mark_and_other_line_ends_do_no_harm(tmp_path: Path) -> None:
    """A file from an editor that writes a byte order mark and carriage returns is read like any other."""
    path = tmp_path / "corrections.toml"
    path.write_bytes(("\ufeff" + HEAD + f"[[reject]]\n{HIT}").replace("\n", "\r\n").encode())

    assert (Correction("reject", (Place("one", 5),)),) == load(path).entries


# -------------------------------------------------------------------------------------------------------------- writing


def any_text(rng: np.random.Generator) -> str:
    """A text of letters and of signs that a TOML writer could trip over."""
    signs = [*"abc 12\"'\\#=[]{}\n\r\t\x00\x1f\x7f\x85\u2028é漢🥁", "[[reject]]", '"""', "\n[[keep]]\n"]
    return "a" + "".join(rng.choice(signs, int(rng.integers(0, 12))))


def any_entry(rng: np.random.Generator) -> Correction:
    """One of the examples with other values in its keys."""
    entry = examples().entries[int(rng.integers(len(KINDS)))]
    places = tuple(Place(any_text(rng), 1000 * n + int(rng.integers(1000)))
                   for n in range(1 if entry.kind == "add" else int(rng.integers(1, 4))))
    values: dict[str, Any] = {"note": any_text(rng), "hits": places if entry.hits else ()}
    for name in ("drum", "articulation", "to", "to_articulation"):
        if getattr(entry, name) is not None:
            values[name] = any_text(rng)
    for name in ("drums", "mics"):
        if getattr(entry, name):
            values[name] = tuple(any_text(rng) for _ in range(int(rng.integers(1, 3))))
    for name in ("ms", "gain_db", "in_ms", "out_ms", "after_ms"):
        if getattr(entry, name) is not None:
            values[name] = float(rng.choice([1.0, 1.5, 10 / 3, 7.1, 9.999999999999]))
    return Correction(**{**{name: getattr(entry, name) for name in Correction.__dataclass_fields__}, **values})


@pytest.mark.parametrize("seed", range(30))
def test_what_is_written_reads_back_alike(tmp_path: Path, seed: int) -> None:
    """Any corrections, whatever signs are in their names, come back equal and in order; written again, alike."""
    rng = np.random.default_rng(seed)
    corrections = Corrections(tuple(any_entry(rng) for _ in range(int(rng.integers(0, 20)))))
    path = tmp_path / "corrections.toml"
    path.write_bytes(dump(corrections).encode())

    assert corrections == load(path)
    assert dump(corrections) == dump(load(path))


def test_what_is_written_says_what_it_does() -> None:
    """Every entry carries its explanation."""
    text = dump(examples())

    assert [] == [kind for kind, form in KINDS.items()
                  if f"[[{Correction(kind).word}]]" not in text or form.does not in text]


def test_the_last_entry_of_its_kind_is_taken_away() -> None:
    """``without`` gives new corrections; what is not there cannot be taken away."""
    one, two = Correction("reject", (Place("one", 1),)), Correction("keep", (Place("one", 2),))
    some = Corrections((one, two, one))

    assert (one, two) == some.without(one).entries
    with pytest.raises(ValueError, match="not in tuple"):
        Corrections().without(one)


@pytest.mark.parametrize(("text", "expected"), [
    ("Cow Bell", "cow-bell"), ("  rack  TOM 2 ", "rack-tom-2"), ("../../etc", "etc"), ("a/b\\c", "a-b-c"),
    ("é", "e"), ("Tüte 1", "tute-1"), ("Große Trommel", "grosse-trommel"), ("Tom–Łódź", "tom-lodz"),
    ("太鼓", ""), ("x" * 40, "x" * 24), ("a" * 23 + " b", "a" * 23),
    ("CON", "con-1"), ("Lpt 9", "lpt-9"), ("lpt9", "lpt9-1"), ("console", "console"),
])
def test_names_are_made_fit_for_files(text: str, expected: str) -> None:
    """Lower-case ASCII letters, digits and single hyphens, at most 24: nothing that leaves a folder."""
    assert expected == safe_name(text)


def test_the_words_of_the_page_and_those_from_before_mean_the_same() -> None:
    """Mixed in one file they keep their order; written are those of the page; a fault is told by the word that stands
    there.
    """
    words = ("reject", "use", "keep", "leave_out", "use", "reject")
    text = HEAD + "".join(f'[[{word}]]\ntake = "one"\nframe = {n}\n' for n, word in enumerate(words))
    found = parse(text)

    assert ["reject", "keep", "keep", "reject", "keep", "reject"] == [entry.kind for entry in found.entries]
    assert list(range(6)) == [entry.hits[0].frame for entry in found.entries]
    again = dump(found)
    assert (3, 3, 0, 0) == tuple(again.count(f"[[{word}]]") for word in ("leave_out", "use", "reject", "keep"))
    assert found == parse(again)
    assert "# [[leave_out]]" in EMPTY_TEXT
    assert "# [[reject]]" not in EMPTY_TEXT
    for word in ("use", "keep"):
        with pytest.raises(SettingsError, match=f"{word} no. 1 has the unknown key id"):
            parse(HEAD + f"[[{word}]]\n{HIT}id = 4")
