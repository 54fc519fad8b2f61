"""session.toml: it overrules, it is checked, what has no effect is told, and its draft reads back."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from short_sessions import FRAMES, full, only, session_of, told

from oneshot.core.errors import SessionError, SettingsError
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Label, Session
from oneshot.session.open import draft_toml, open_session


def test_session_toml_overrules_names_and_headers(tmp_path: Path) -> None:
    """Names, roles, drums, places, pairs, polarity, takes, stretches and labels are what the user says."""
    session = full(tmp_path)

    assert "Barn, March" == session.name
    assert ["take 1", "brushes"] == [t.name for t in session.takes]
    first, second = (take.mic("Kick In") for take in session.takes)
    assert (Role.CLOSE, "kick", "in", -1) == (first.role, first.drum, first.place, first.polarity)
    assert (Role.CLOSE, "kick", "in", 1) == (second.role, second.drum, second.place, second.polarity)
    assert {("OH L", "Above", "L"), ("OH R", "Above", "R")} == {
        (m.name, m.pair, m.side) for m in session.takes[0].mics if m.role is Role.OVERHEAD}
    assert ((0, 1440), (2400, 3840)) == session.takes[1].ignored
    assert (Label("take 1", 0, 2400, "kick"),
            Label("brushes", 0, FRAMES, tool="brushes", told_by="take name"),
            Label("brushes", 960, FRAMES, "snare", "rimshot", "left", "off", "hard")) == session.labels
    assert () == session.problems


def test_a_drum_alone_makes_a_close_mic(tmp_path: Path) -> None:
    """Saying what a mic stands at says that it stands there."""
    mic = only(session_of(tmp_path, "Untitled", "Room", toml='[mics.Untitled]\ndrum = "snare"\n')).mic("Untitled")

    assert (Role.CLOSE, "snare") == (mic.role, mic.drum)


def test_unknown_keys_and_names_are_told_with_the_nearest_known(tmp_path: Path) -> None:
    """A slip of the pen has no effect, but not in silence."""
    session = session_of(tmp_path, "Kick In", "OH L", toml="""
        titel = "x"
        [mics."Kick in"]
        role = "room"
        [mics."OH L"]
        polarty = -1
        [takes."tkae 9"]
        use = false
    """)

    assert Role.CLOSE is only(session).mic("Kick In").role
    assert 'did you mean "Kick In"?' == told(session, 'mics."Kick in" is').todo
    assert 'did you mean "polarity"?' == told(session, "polarty").todo
    assert "use one of name, air_c, processed, mics, takes, labels" == told(session, "titel").todo
    assert [f"session.toml, line {n}" for n in (2, 3, 6, 7)] == [
        told(session, word).where for word in ("titel", 'mics."Kick in" is', "polarty", "tkae 9")]


@pytest.mark.parametrize(("toml", "message"), [
    ('\n[mics.Kick]\nrole = "overhed"', r'session\.toml, line 3: mics\."Kick"\.role is "overhed": .*mean "overhead"\?'),
    ('[mics.Kick]\n# the left one\nside = "l"', r'session\.toml, line 3: .*it must be L or R; did you mean "L"\?'),
    ('[[labels]]\nfrom_s = 0\nto_s = 1\n[[labels]]\nfrom_s = 2\nto_s = 1', r"session\.toml, line 6: labels 2\.to_s"),
    ("[[labels]]\nfrom_s = 0\nto_s = 1\ntake = 'kit'", r"session\.toml, line 4: labels 1\.take"),
    ("name = 'x'\n[[labels]]\nfrom_s = 1", r"session\.toml, line 2: labels 1 has no to_s"),
    ('[takes.x]\n[takes.x.mics."OH L"]\n\nside = 3', r'session\.toml, line 4: takes\."x"\.mics\."OH L"\.side'),
    ('\n[mics.Room]\nrole = "close"', r"session\.toml, line 3: .*names no drum"),
])
def test_a_bad_value_is_told_with_its_line(tmp_path: Path, toml: str, message: str) -> None:
    """The line on which it stands, and the nearest right word."""
    with pytest.raises(SettingsError, match=message):
        session_of(tmp_path, "Kick", "Room", toml=toml)


@pytest.mark.parametrize(("toml", "message"), [
    ("name = 5", r"name is 5: it must be a string"),
    ("name = x y", r"is not valid TOML: .*line 1"),
    ('[mics."Kick"]\nrole = "closest"', r'mics\."Kick"\.role is "closest": it must be one of close, overhead'),
    ("[mics.Kick]\npolarity = 0", r'mics\."Kick"\.polarity is 0: it must be 1 \(as recorded\) or -1'),
    ("[mics.Kick]\npolarity = true", "polarity is true"),
    ('[mics.Kick]\nside = "left"', r'side is "left": it must be L or R'),
    ('[mics.Room]\nrole = "close"', r'it names no drum: add drum'),
    ("mics = 3", r"mics must be written as \[mics"),
    ("[mics]\nKick = 3", r'mics\."Kick" must be a table'),
    ('[takes.x]\nignore = [[1, 2], 3]', r'takes\."x"\.ignore is .*and 3 is not'),
    ('[takes.x]\nignore = [[2, 1]]', "does not end after it starts"),
    ('[takes.x]\nignore = [[-1, 1]]', "0 or more"),
    ('[takes.x]\nuse = "no"', "must be true or false"),
    ("labels = 3", r"labels must be written as \[\[labels\]\]"),
    ("[[labels]]\nfrom_s = 1", r"labels 1 has no to_s"),
    ("[[labels]]\nfrom_s = 1\nto_s = 1", r"labels 1\.to_s is 1: it must be above from_s"),
    ("air_c = 68", "must be degrees Celsius, -20 to 50"),
    ("air_c = true", "must be degrees Celsius"),
    ("[[labels]]\nfrom_s = nan\nto_s = 1", "must be seconds"),
    ("[[labels]]\nfrom_s = 0\nto_s = 1\nhand = 'both'", "left or right"),
    ("[[labels]]\nfrom_s = 0\nto_s = 1\ntake = 'kit'", r'labels 1\.take is "kit", which is not a take'),
    ("[[labels]]\nfrom_s = 5\nto_s = 6", r"from_s is 5, but .* ends at 0\.100 s"),
])
def test_a_bad_value_stops_with_file_and_key(tmp_path: Path, toml: str, message: str) -> None:
    """One line: which file, which key, what it must be."""
    with pytest.raises(SettingsError, match=message) as caught:
        session_of(tmp_path, "Kick", "Room", toml=toml)
    assert str(tmp_path / "session.toml") in str(caught.value)
    assert "\n" not in str(caught.value)


def test_other_faults_of_session_toml_are_told(tmp_path: Path) -> None:
    """No take left, two takes or mics of one name, a label that does not say its take, text in another encoding."""
    cases: dict[str, tuple[str, type[Exception]]] = {
        "\n".join(f'[takes."take {t}"]\nuse = false' for t in (1, 2, 3)): ("every take out", SessionError),
        '[takes."take 1"]\nname = "take 2"': ('two takes are called "take 2"', SettingsError),
        '[mics.Room]\nname = "OH L"': ('two mics called "OH L"', SessionError),
        "[[labels]]\nfrom_s = 0\nto_s = 1": ('names no take: add take = "take 1"', SettingsError),
    }
    for toml, (message, kind) in cases.items():
        with pytest.raises(kind, match=message):
            full(tmp_path, toml)
    (tmp_path / "session.toml").write_bytes("name = \"Müller\"".encode("latin-1"))
    with pytest.raises(SettingsError, match="UTF-8"):
        open_session(tmp_path)


def test_air_is_as_warm_as_told(tmp_path: Path) -> None:
    """20 °C unless session.toml says otherwise, kept to the last digit by a draft."""
    warm = session_of(tmp_path / "warm", "Kick", toml="air_c = 17.123456789\n")

    assert 20.0 == session_of(tmp_path / "plain", "Kick").air_c
    assert 17.123456789 == warm.air_c
    assert "\nair_c = 17.123456789 " in draft_toml(warm)


def test_a_pair_that_is_none_is_told(tmp_path: Path) -> None:
    """A pair the user names needs a left and a right."""
    session = session_of(tmp_path, "Kick", "Room", toml='[mics.Room]\npair = "Rooms"\nside = "L"\n')

    assert only(session).mic("Room").pair is None
    assert "treated as mono" in told(session, "/Room").what


@pytest.mark.parametrize("make", [
    full, lambda root: full(root, ""), lambda root: session_of(root, "OH 1", "OH 2", "Kick"),
    lambda root: session_of(root, 'A "q" \\ é', "Untitled", "Trig SN"), lambda root: session_of(root, "Drum Mix"),
])
def test_a_draft_reads_back_to_the_same_session(tmp_path: Path, make: Callable[[Path], Session]) -> None:
    """What check --write drafts changes nothing until it is edited, and leaves nothing open to be told."""
    root = tmp_path / "Barn"
    session = make(root)

    (root / "session.toml").write_text(draft_toml(session), encoding="utf-8")

    again = open_session(root)
    kept = [t for t in again.takes if t.name in {s.name for s in session.takes}]
    assert (session.name, session.takes, session.labels) == (again.name, tuple(kept), again.labels)
    assert () == again.problems


def test_notes_are_kept_as_they_are_written(tmp_path: Path) -> None:
    """A note for every take, another one for one take, "" for none there; a draft says them again."""
    session_of(tmp_path / "take 1", "Kick")
    session_of(tmp_path / "take 2", "Kick", "OH")
    (tmp_path / "session.toml").write_text(
        '[mics.Kick]\nnote = "é, 5 cm \\"in\\""\n[mics.OH]\nnote = "x"\n[takes."take 2".mics.OH]\nnote = ""\n'
        '[takes."take 2".mics.Kick]\nnote = "moved"\n', encoding="utf-8")
    session = open_session(tmp_path)

    assert [('é, 5 cm "in"',), ("moved", None)] == [tuple(mic.note for mic in take.mics) for take in session.takes]
    (tmp_path / "session.toml").write_text(draft_toml(session), encoding="utf-8")
    assert session.takes == open_session(tmp_path).takes


@pytest.mark.parametrize("note", ["3", '"a\\nb"', '"a\\u0007"', '"\\u202e"'])
def test_a_note_is_one_line_of_text(tmp_path: Path, note: str) -> None:
    """No line ends, controls or marks that turn the direction of text."""
    with pytest.raises(SettingsError, match="must be a string of one line"):
        session_of(tmp_path, "Kick", toml=f"[mics.Kick]\nnote = {note}\n")


def test_a_draft_explains_itself(tmp_path: Path) -> None:
    """Every key the file knows stands in the draft, filled in or as an example."""
    text = draft_toml(session_of(tmp_path, "Kick In", "OH L", "OH R"))

    for key in ("name", "air_c", "role", "drum", "place", "pair", "side", "polarity", "use", "ignore", "take", "from_s",
                "to_s", "articulation", "hand", "wires", "strength"):
        assert f"{key} = " in text
