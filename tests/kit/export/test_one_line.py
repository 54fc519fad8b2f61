"""Names that hold line ends and controls: whatever a file is called, no line of a format is broken by it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from oneshot.audio.riff import info_chunk
from oneshot.audio.tags import Tags, comments, wav_chunks
from oneshot.config.recipe import KitInfo, Recipe
from oneshot.core.errors import SettingsError
from oneshot.core.records.kit import Kit
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Session, Take
from oneshot.core.text import one_line
from oneshot.kit.export import hits_csv, midi, readme, sf2, sfz
from oneshot.kit.export.sf2 import write as write_sf2
from oneshot.kit.release import contact_sheet, cover, licences, pack_readme, pack_session
from oneshot.kit.release.pack_kit import licensed

ODD, PLAIN = "a\nb\r<region> key=1\x00\x1b\u2028z", "a b <region> key=1   z"


def named(kit: Kit, text: str) -> Kit:
    """The kit with that text in every name that a recording's files, its maker or an older recipe can give it."""
    drums = tuple(replace(drum, name=drum.name + text, choke=None) for drum in kit.drums)
    shots = tuple(replace(shot, drum=shot.drum + text) for shot in kit.one_shots)
    hits = tuple(replace(hit, drum=hit.drum + text, reason=text) for hit in kit.hits)
    info = {"name": "Kit" + text, "version": "1" + text, "author": text, "studio": text, "licence": text,
            "players": [text, "Ada"]}
    takes = tuple(replace(take, name=take.name + text) for take in kit.session.takes)
    return replace(kit, drums=drums, one_shots=shots, hits=tuple(replace(hit, take=hit.take + text) for hit in hits),
                   recipe={**kit.recipe, "kit": info}, generator=kit.generator,
                   session=replace(kit.session, name="Chapel" + text, takes=takes))


def soundfont(kit: Kit) -> bytes:
    """The SoundFont of a kit, whose samples are there."""
    (path,) = write_sf2(kit, kit.session.root / "kit")
    return path.read_bytes()


def recordings(kit: Kit) -> pack_session.Recordings:
    """The recordings of that session about to be given away, one track."""
    take = Take(kit.session.takes[0].name, 48000, 48000, "PCM_24",
                (mic := Mic("Kick" + kit.session.name, Role.CLOSE, "kick" + kit.session.name),))
    track = pack_session.Track("01_a/01_kick.wav", take, mic, "PCM_24")
    recipe = Recipe(kit=KitInfo())
    return pack_session.Recordings(Session(kit.session.name, Path(), (take,)), (track,), recipe, kit.session.name, "",
                                   kit.session.name)


FORMATS: dict[str, Callable[[Kit], object]] = {
    "mapping": sfz.to_sfz, "one drum": lambda kit: sfz.to_sfz(kit, kit.drums[0].name), "readme": readme.to_text,
    "table": hits_csv.to_csv, "keys": midi.key_table, "notes": lambda kit: midi.midi_bytes(kit.session.name, []),
    "soundfont": soundfont, "sheet": lambda kit: contact_sheet.contact_sheet(kit, kit.session.root / "kit"),
    "cover": lambda kit: cover.drawn_cover(kit, kit.session.root / "kit"),
    "pack readme": lambda kit: pack_readme.to_text(kit, kit.session.root / "kit", [sfz.NAME, sf2.NAME]),
    "track sheet": lambda kit: pack_session.sheet(recordings(kit), {}, {}),
    "tracks": lambda kit: pack_session.table(recordings(kit), {}),
}


@pytest.mark.parametrize("name", FORMATS)
def test_a_name_with_line_ends_breaks_no_format(own_example: Kit, name: str) -> None:
    """Each format has what it would have with spaces in their place: no line, field or region more."""
    made = FORMATS[name](named(own_example, ODD))

    assert FORMATS[name](named(own_example, PLAIN)) == made
    assert FORMATS[name](own_example) != made


def test_tags_are_one_line_each() -> None:
    """In RIFF a zero ends a text, in coding histories and comments a line end does."""
    def tags(text: str) -> Tags:
        return Tags(text, text, text, text, text, 38, 0, 48000, 0, (f"A=PCM,T={text}",))

    assert wav_chunks(tags(PLAIN)) == wav_chunks(tags(ODD))
    assert comments(tags(PLAIN)) == comments(tags(ODD))
    assert info_chunk({"INAM": PLAIN}) == info_chunk({"INAM": ODD})


def test_spaces_and_letters_of_all_scripts_stay() -> None:
    """Nothing but controls and line ends is touched; a new line for each would be gone, so is none."""
    text = "Trömmel  \u00a0\u3000\u0627\u200f\U0001f941 e\u0301"

    assert text == one_line(text)
    assert "a  b" == one_line("a\r\nb")


def test_a_version_asked_for_is_one_line(own_example: Kit, tmp_path: Path) -> None:
    """On the command line as in the recipe; the name of a licence is its file's first line, controls apart."""
    with pytest.raises(SettingsError, match=r"--version '1\\n2': write it on one line"):
        licensed(own_example.session.root / "kit", "cc0", "1\n2")
    (tmp_path / "mine.txt").write_text("\n My\tterms\x07\n\nAll of them.\n", encoding="utf-8")

    assert "My terms" == licences.licence_of(str(tmp_path / "mine.txt"), "")[0]
