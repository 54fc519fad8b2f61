"""The zip that people download."""

from __future__ import annotations

import csv
import errno
import io
import itertools
import json
import os
import re
import shutil
import subprocess
import sys
import tracemalloc
import zipfile
from dataclasses import replace
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import soundfile
from PIL import Image

from oneshot import pipeline
from oneshot.audio.io import read_audio
from oneshot.audio.loudness import integrated_lufs
from oneshot.audio.tags import read_back
from oneshot.config import release_lock
from oneshot.config.corrections_file import EMPTY_TEXT
from oneshot.config.recipe import FaderRecipe, PrintPart, PrintRecipe, TailPart
from oneshot.config.recipe_file import recipe_of, recipe_values
from oneshot.core.errors import KitError, SettingsError
from oneshot.core.records.kit import Kit, kit_info
from oneshot.core.records.session import Problem
from oneshot.kit import verify
from oneshot.kit.contents import SUMS, WITH_PACK
from oneshot.kit.export import manifest, write_all
from oneshot.kit.playback import prints_in_turn
from oneshot.kit.playback.preview import preview
from oneshot.kit.read import read_kit, with_processed
from oneshot.kit.release import archive, pack_kit
from oneshot.kit.release.cover import ACCENT
from oneshot.kit.release.without_recording import document as bare_document
from oneshot.kit.release.without_recording import without_recording
from oneshot.session.open import open_session

if TYPE_CHECKING:
    from stage_inputs import Pier


@pytest.fixture(scope="module")
def folder(example: Kit) -> Path:
    """The example kit's folder; not to be written to."""
    return example.session.root / "kit"


@pytest.fixture
def own(own_example: Kit) -> Path:
    """A copy of it, to be changed."""
    return own_example.session.root / "kit"


def _short(folder: Path, out: Path) -> None:
    """A preview of one stroke, for tests that do not listen to it."""
    out.write_bytes(next((folder / "samples").rglob("*.wav")).read_bytes())


def _ask_for_cover(folder: Path) -> None:
    """Name mine.png in the kit's recipe."""
    path = folder / "recipe.toml"
    text = path.read_text(encoding="utf-8")
    assert 'cover = ""' in text
    path.write_text(text.replace('cover = ""', 'cover = "mine.png"'), encoding="utf-8")


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Previews are short."""
    monkeypatch.setattr(pack_kit, "preview", _short)


@pytest.fixture(scope="module")
def sound(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example kit packed, its preview short; not to be written to."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pack_kit, "preview", _short)
        return pack_kit.pack_kit(folder, tmp_path_factory.mktemp("packed") / "out.zip", licence="cc0").path


def read(path: Path) -> dict[str, bytes]:
    """Everything in a zip, by name without its top folder."""
    with zipfile.ZipFile(path) as file:
        return {name.split("/", 1)[1]: file.read(name) for name in file.namelist()}


@pytest.mark.usefixtures("one_bar")
def test_a_pack_holds_the_kit_bit_for_bit_and_what_it_needs(own: Path, tmp_path: Path) -> None:
    """Samples untouched; licence, table, preview, sheet and sums beside them; corrections stay at home."""
    folder = own
    (folder / "corrections.toml").write_text(f"{EMPTY_TEXT}# mine\n", encoding="utf-8")
    made = pack_kit.pack_kit(folder, tmp_path / "out.zip", licence="cc-by-4.0")
    inside = read(made.path)

    for path in (folder / "samples").rglob("*.wav"):
        assert path.read_bytes() == inside[path.relative_to(folder).as_posix()]
    assert set(WITH_PACK) - {"CHANGES.txt", "cover.jpg"} <= set(inside)
    assert "corrections.toml" not in inside
    assert b"Creative Commons Attribution 4.0 International" in inside["LICENCE.txt"]
    assert "Creative Commons Attribution 4.0 International" == json.loads(inside["manifest.json"])["kit"]["licence"]
    assert made.files == len(inside)
    rows = list(csv.DictReader(io.StringIO(inside["files.csv"].decode())))
    assert sorted(row["path"] for row in rows) == sorted(
        name for name in inside if name.startswith(("samples/", "prints/")))
    (tmp_path / "p.wav").write_bytes(inside["preview.wav"])
    heard, header = read_audio(tmp_path / "p.wav")
    assert heard.any()
    smaller, rate = soundfile.read(io.BytesIO(inside["preview.ogg"]), dtype="float64")
    levels = integrated_lufs(heard, header.sample_rate), integrated_lufs(smaller.T, rate)
    assert (heard.shape, header.sample_rate) == (smaller.T.shape, rate)
    assert levels == pytest.approx((levels[0], levels[0]), abs=0.5)
    assert len(inside["preview.ogg"]) < len(inside["preview.wav"]) / 4
    image = Image.open(io.BytesIO(inside["sheet.png"]))
    assert image.width > 300
    assert len(image.convert("L").getcolors(256) or []) > 3


@pytest.mark.usefixtures("quick")
def test_the_same_kit_makes_the_same_bytes(own: Path, sound: Path, tmp_path: Path) -> None:
    """No clock time and no order of the disk."""
    assert sound.read_bytes() == pack_kit.pack_kit(own, tmp_path / "a.zip", licence="cc0").path.read_bytes()


def test_verify_takes_the_zip_and_finds_what_is_wrong_in_it(sound: Path, tmp_path: Path) -> None:
    """A sound pack shows nothing; one changed byte of any file is found by its sum."""
    assert [] == verify.verify(sound)

    with zipfile.ZipFile(sound) as source, zipfile.ZipFile(tmp_path / "bad.zip", "w") as target:
        for name in source.namelist():
            target.writestr(name, source.read(name) + (b"!" if name.endswith("LICENCE.txt") else b""))
    assert ["LICENCE.txt"] == [difference.path for difference in verify.verify(tmp_path / "bad.zip")]


def test_what_is_no_pack_is_refused(tmp_path: Path) -> None:
    """A damaged zip, a zip that climbs out of its folder, a zip of something else: one line each."""
    (tmp_path / "a.zip").write_bytes(b"PK nothing")
    with pytest.raises(KitError, match="cannot be read as a zip"):
        verify.verify(tmp_path / "a.zip")
    with zipfile.ZipFile(tmp_path / "b.zip", "w") as file:
        file.writestr("kit/../../x", "out")
    with pytest.raises(KitError, match="not a zip written by oneshot pack"):
        verify.verify(tmp_path / "b.zip")
    with zipfile.ZipFile(tmp_path / "c.zip", "w") as file:
        file.writestr("thing/x", "x")
    with pytest.raises(KitError, match="not a kit"):
        verify.verify(tmp_path / "c.zip")
    with pytest.raises(KitError, match="not a zip written by oneshot pack"):
        archive.sums_of(tmp_path / "c.zip")


@pytest.mark.usefixtures("quick")
def test_no_licence_is_ever_assumed(folder: Path, tmp_path: Path) -> None:
    """None stated, none packed; a file of one's own is taken by its first line; nonsense is refused."""
    with pytest.raises(SettingsError, match="no licence is stated"):
        pack_kit.pack_kit(folder, tmp_path / "out.zip")
    with pytest.raises(SettingsError, match=r"no such file, and none of cc0, cc-by-4\.0, music"):
        pack_kit.pack_kit(folder, tmp_path / "out.zip", licence="mine")
    (tmp_path / "mine.txt").write_text("\nMy own terms\n\nBe kind.\n", encoding="utf-8")
    made = pack_kit.pack_kit(folder, tmp_path / "out.zip", licence=str(tmp_path / "mine.txt"))

    assert "My own terms" == made.licence
    assert b"Be kind." in read(made.path)["LICENCE.txt"]
    assert b"samples" not in read(made.path)["LICENCE.txt"]


def bomb(path: Path, name: str, line: bytes) -> Path:
    """A zip whose one file is 300 MB of one line."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as file, \
            file.open(f"kit-1.0/{name}", "w", force_zip64=True) as target:
        for _ in range(300):
            target.write((line * (1_000_000 // len(line) + 1))[:1_000_000])
    return path


@pytest.mark.parametrize("name", [SUMS, "released.json", "manifest.json", "samples/a.wav"])
def test_a_zip_that_would_fill_disk_or_memory_is_refused(tmp_path: Path, name: str) -> None:
    """Wherever a zip is opened, by what it claims, before anything of it is read."""
    path = bomb(tmp_path / "a.zip", name, b"0" * 64 + b"  samples/a.wav\n")
    tracemalloc.start()
    for read_it in (verify.verify, archive.sums_of, release_lock.read_pack):
        with pytest.raises(KitError, match="unpacks to 300 MB, more than"):
            read_it(path)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    assert most < 10_000_000
    assert not archive.is_pack_of(path, "kit", "kit")


@pytest.mark.parametrize("name", [SUMS, "released.json", "manifest.json"])
@pytest.mark.parametrize("text", ["[" * 100_000, '{"a":' * 5000, "1" * 5000, '"\\ud800"', '{"kit": 5}', "[]", "\xff"])
def test_odd_texts_in_a_zip_are_one_line(tmp_path: Path, name: str, text: str) -> None:
    """What is said of them is a KitError; a file that is no pack is never taken for one."""
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as file:
        for each in (SUMS, "released.json", "manifest.json"):
            file.writestr(f"kit-1.0/{each}", text.encode("latin-1") if name == each else "{}")
    for read_it in (verify.verify, release_lock.read_pack):
        with pytest.raises(KitError, match=r"\A[^\n]{1,400}\Z"):
            read_it(tmp_path / "a.zip")
    assert not archive.is_pack_of(tmp_path / "a.zip", "kit", "kit")


def test_odd_lines_in_a_list_of_sums_are_told(sound: Path, tmp_path: Path) -> None:
    """Names that lead out of the folder, are none, or are too long for any disk."""
    with zipfile.ZipFile(sound) as old, zipfile.ZipFile(tmp_path / "new.zip", "w") as new:
        for each in old.namelist():
            odd = "".join(f"{'0' * 64}  {name}\n" for name in ("../x", "a\0b", "n" * 5000, "", "/etc/passwd"))
            new.writestr(each, old.read(each) + (odd.encode() if each.endswith(SUMS) else b""))

    assert {"../x", "a\0b", "n" * 5000, "", "/etc/passwd"} == {
        found.path for found in verify.verify(tmp_path / "new.zip") if found.what == f"file in {SUMS}"}


def test_every_text_that_is_published_is_listed(folder: Path) -> None:
    """Names of kit, people, takes, mics and files: what stands in the manifest stands in the list."""
    kit, _, _ = pack_kit.licensed(folder, "cc0", "1.1")
    info = {**kit_info(kit), "players": ["Ada"], "author": "Grace", "studio": "Chapel"}
    kit = replace(kit, recipe={**kit.recipe, "kit": info})
    texts = dict(pack_kit.texts_of(kit).rows)

    assert ("Ada", "Grace", "1.1", "CC0 1.0 Universal") == tuple(
        texts[name] for name in ("player", "author", "version", "licence"))
    assert {"session", "take", "mic", "file of the session"} <= set(texts)
    bare = dict(pack_kit.texts_of(replace(kit, recipe={**kit.recipe, "pack": {"recording_details": False}})).rows)
    assert {"session", "take", "file of the session"} == set(texts) - set(bare)


def marked(kit: Kit) -> Kit:
    """The same with a mark of its own in every text that a person can have written."""
    numbers = count()

    def mark(text: str) -> str:
        """The text, marked."""
        return f"{text} MARK{next(numbers)}."

    named: dict[str, str] = {mic.name: mark(mic.name) for take in kit.session.takes for mic in take.mics}
    takes = tuple(replace(take, name=mark(take.name), mics=tuple(
        replace(mic, name=named[mic.name], drum=mic.drum and mark(mic.drum), pair=mic.pair and mark(mic.pair),
                sources=tuple(replace(source, path=mark(source.path)) for source in mic.sources))
        for mic in take.mics)) for take in kit.session.takes)
    drums = tuple(replace(drum, name=mark(drum.name), home=named[drum.home], articulations=tuple(
        replace(how, name=mark(how.name)) for how in drum.articulations)) for drum in kit.drums)
    hits = tuple(replace(hit, take=takes[0].name, strength=mark("soft"), told_by="cue") for hit in kit.hits)
    prints = tuple(replace(each, print=mark(each.print)) for each in kit.prints)
    said = recipe_of({name: part for name, part in kit.recipe.items() if name not in ("kit", "pack")})
    said = replace(said, keys={mark("cowbell"): 56}, hands={mark("bell"): 57}, voices={mark("gong"): 2},
                   balance={mark("far"): FaderRecipe(on=False)}, tracks={mark("bus"): (mark("dry"),)},
                   export=replace(said.export, mics=(mark("mic"),), drums=(mark("tom"),)),
                   names=replace(said.names, kit="tuesday"), mix=replace(said.mix, learn_from=mark("rough")),
                   prints=(PrintRecipe(name=mark("print"), drum=mark("drum"), mics={mark("in"): PrintPart()},
                                       tails={mark("room"): TailPart()}),))
    return replace(kit, session=replace(kit.session, name=mark("Barn"), takes=takes), drums=drums, hits=hits,
                   prints=prints, recipe={**recipe_values(said), "kit": {
                       "name": mark("kit"), "version": "1.0", "author": mark("author"), "players": (mark("player"),),
                       "studio": mark("studio"), "licence": mark("licence")}, "pack": kit.recipe["pack"]},
                   tracks={takes[0].name: ({"name": mark("parallel"), "mics": [], "made_of": []},)},
                   problems=(Problem(mark("notes"), mark("is no recording"), "remove it"),))


@pytest.mark.parametrize("details", [True, False])
def test_no_text_of_the_manifest_is_left_out_of_the_list(folder: Path, details: bool) -> None:
    """Each text carries a mark: every mark that the manifest of the pack would hold stands in the list, with the recipe
    and with the traces of the recording or without them.
    """
    kit, _, _ = pack_kit.licensed(folder, "cc0", "1.1")
    kit = marked(replace(kit, recipe={**kit.recipe, "pack": {"recording_details": details}}))
    listed = " ".join(text for _, text in pack_kit.texts_of(kit).rows)
    published = json.dumps(manifest.to_json(kit) if details else bare_document(without_recording(kit)),
                           ensure_ascii=False)
    marks = set(re.findall(r"MARK\d+\.", published))

    assert set() == {mark for mark in marks if mark not in listed}
    assert len(marks) > (35 if details else 14)
    assert ("tuesday" in listed) == details


@pytest.mark.usefixtures("quick")
def test_the_next_release_lists_what_changed(folder: Path, tmp_path: Path) -> None:
    """By sum: the manifest and README know the new version, the samples are as they were."""
    first = pack_kit.pack_kit(folder, tmp_path / "1.zip", licence="cc0", version="1.0")
    second = pack_kit.pack_kit(folder, tmp_path / "2.zip", licence="cc0", version="1.1", last=first.path)

    assert {"changed  README.txt", "changed  manifest.json", "changed  released.json"} == set(second.changes)
    told = read(second.path)["CHANGES.txt"].decode()
    assert "changed  README.txt" in told
    assert told.startswith("1.0 to 1.1\n\nNo one-shot, key or velocity range has changed.\n\nFiles\n\n")
    assert [] == verify.verify(second.path)


@pytest.mark.usefixtures("quick")
def test_a_release_packed_once_more_is_the_same_zip(own: Path, tmp_path: Path) -> None:
    """What the kit remembers of a release makes no change of it, neither of the first one nor of the next."""
    for version, again in (("1.0", ()), ("1.1", ("changed  README.txt", "changed  manifest.json",
                                                 "changed  released.json"))):
        first = pack_kit.pack_kit(own, tmp_path / "first.zip", licence="cc0", version=version, lock=True)
        remembered = (own / release_lock.NAME).read_bytes()
        second = pack_kit.pack_kit(own, tmp_path / "second.zip", licence="cc0", version=version, lock=True)

        assert again == first.changes == second.changes
        assert first.path.read_bytes() == second.path.read_bytes()
        assert remembered == (own / release_lock.NAME).read_bytes()


@pytest.mark.usefixtures("quick")
def test_a_version_is_released_once(own: Path, tmp_path: Path) -> None:
    """Other content under a released version is refused, in its zip's place and elsewhere, and the zip stays; a new
    version goes out; a trial may be made again, but not over a released zip.
    """
    out = tmp_path / "out.zip"
    pack_kit.pack_kit(own, out, licence="cc0", version="1.0", lock=True)
    released = out.read_bytes()
    Image.new("RGB", (400, 400), "red").save(own / "mine.png")
    _ask_for_cover(own)
    for place, lock in ((out, True), (tmp_path / "other.zip", True), (out, False)):
        with pytest.raises(SettingsError, match=r"version 1\.0 .*other content: give the new one a new version"):
            pack_kit.pack_kit(own, place, licence="cc0", version="1.0", lock=lock)
    assert released == out.read_bytes()
    assert not (tmp_path / "other.zip").exists()

    for colour in ("red", "blue"):
        Image.new("RGB", (400, 400), colour).save(own / "mine.png")
        pack_kit.pack_kit(own, tmp_path / "trial.zip", licence="cc0", version="1.0")
    pack_kit.pack_kit(own, tmp_path / "new.zip", licence="cc0", version="1.1", lock=True)
    with pytest.raises(SettingsError, match=r"is version 1\.0 with other content"):
        pack_kit.pack_kit(own, out, licence="cc0", version="1.0", lock=True)
    assert [] == verify.verify(tmp_path / "new.zip")


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("version", ["beta", "v2", "ß", "Autumn Edition"])
def test_a_version_may_be_a_word(own: Path, tmp_path: Path, version: str) -> None:
    """Packed once more, the zip takes its own place; that of a kit of another name does not, and what is no pack."""
    out = tmp_path / "out.zip"
    pack_kit.pack_kit(own, out, licence="cc0", version=version, lock=True)
    assert out == pack_kit.pack_kit(own, out, licence="cc0", version=version, lock=True).path
    name = str(kit_info(read_kit(own))["name"])
    assert archive.is_pack_of(out, name, "kit")
    assert not archive.is_pack_of(out, f"{name}-{version}", "kit")
    assert not archive.is_pack_of(out, name[:-1], "kit")


def test_versions_are_ordered_as_published() -> None:
    """Semantic Versioning 2.0.0, section 11: its own examples, each later than the one before; and what it says nothing
    of.
    """
    for row in (("1.0.0", "2.0.0", "2.1.0", "2.1.1"),
                ("1.0.0-alpha", "1.0.0-alpha.1", "1.0.0-alpha.beta", "1.0.0-beta", "1.0.0-beta.2", "1.0.0-beta.11",
                 "1.0.0-rc.1", "1.0.0"),
                ("2024-05-01", "2024-06-01"), ("beta 2", "beta 10"), ("v1.9", "1.10")):
        for earlier, later in itertools.combinations(row, 2):
            assert archive.is_newer(later, earlier)
            assert not archive.is_newer(earlier, later)
    for one, other in (("1", "1.0"), ("beta", "1.0"), ("beta", "alpha"), ("1.0+a", "1.0+b"), ("", "")):
        assert (False, False) == (archive.is_newer(one, other), archive.is_newer(other, one))


@pytest.mark.usefixtures("quick")
def test_a_zip_is_on_the_disk_before_it_takes_its_place(own: Path, tmp_path: Path,
                                                        monkeypatch: pytest.MonkeyPatch) -> None:
    """It is synced while the old one still has the name, and the old one stays where that fails."""
    out = tmp_path / "packs" / "out.zip"
    out.parent.mkdir()
    old = pack_kit.pack_kit(own, out, licence="cc0", version="1").path.read_bytes()

    def full(handle: int) -> None:
        """A disk that has no room when it comes to writing."""
        del handle
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(OSError, match="No space left"):
            pack_kit.pack_kit(own, out, licence="cc0", version="2")
    assert (old, [out]) == (out.read_bytes(), list(out.parent.iterdir()))


@pytest.mark.usefixtures("quick")
def test_the_last_version_is_proposed_and_a_lower_one_is_told(own: Path, tmp_path: Path) -> None:
    """What the kit was last released as, not what its recipe began with; by numbers, not by letters."""
    pack_kit.pack_kit(own, tmp_path / "1.zip", licence="cc0", version="1.10", lock=True)

    assert "1.10" == kit_info(pack_kit.licensed(own, "cc0", None)[0])["version"]
    for version, words in (("beta", ""),
                           ("1.10-rc.1", "version 1.10-rc.1 is lower than that of the last release, 1.10"),
                           ("1.9", "version 1.9 is lower than that of the last release, 1.10"),
                           ("1.10", "version 1.10 is released already"), ("1.11", ""), ("2", "")):
        told = pack_kit.told(own, pack_kit.licensed(own, "cc0", version)[0])
        assert [words] == [line[:len(words)] for line in told] if words else () == told


def test_a_cover_that_cannot_be_used_is_told_before_anything_is_written(own: Path) -> None:
    """Also without --yes: a picture that is missing or too small."""
    _ask_for_cover(own)
    kit = pack_kit.licensed(own, "cc0", "1.0")[0]
    with pytest.raises(SettingsError, match="no such picture"):
        pack_kit.told(own, kit)
    Image.new("RGB", (200, 200)).save(own / "mine.png")
    with pytest.raises(SettingsError, match="200 x 200 pixels"):
        pack_kit.told(own, kit)


def test_a_kit_that_is_not_what_it_says_is_not_packed(own: Path, tmp_path: Path) -> None:
    """A file that was changed after the build is told; no zip is left behind."""
    path = next((own / "samples").rglob("*.wav"))
    path.write_bytes(path.read_bytes()[:-2] + b"\x01\x02")
    with pytest.raises(KitError, match="run oneshot verify, and build the kit again"):
        pack_kit.pack_kit(own, tmp_path / "out.zip", licence="cc0")
    assert [own] == list(tmp_path.iterdir())


@pytest.mark.usefixtures("quick")
def test_what_merely_lies_in_the_folder_is_not_published(own: Path, tmp_path: Path) -> None:
    """Strangers, targets of links, notes, unfinished files and the zip itself stay out, and are named."""
    kit = own
    (tmp_path / "private.txt").write_text("private", encoding="utf-8")
    (kit / "link.txt").symlink_to(tmp_path / "private.txt")
    (kit / "prints").mkdir(exist_ok=True)
    (kit / "prints" / "mine.wav").write_bytes(b"private")
    (kit / "mappings" / "private.sfz").write_bytes(b"private")
    (kit / "corrections.toml").write_text(f"{EMPTY_TEXT}# private\n", encoding="utf-8")
    with (kit / "recipe.toml").open("a", encoding="utf-8") as recipe:
        recipe.write("# private\n")
    (kit / "corrections.toml.bak").write_text("# private", encoding="utf-8")
    (kit / ".corrections.toml.123.part").write_text("# private", encoding="utf-8")
    made = pack_kit.pack_kit(kit, kit / "out.zip", licence="cc0")
    inside = read(made.path)

    assert not [name for name, content in inside.items() if b"private" in content]
    assert ("corrections.toml.bak", "link.txt", "mappings/private.sfz", "prints/mine.wav") == tuple(
        name for name in made.left_out if not name.startswith(("out.zip", ".pack")))
    assert [] == verify.verify(made.path)
    again = pack_kit.pack_kit(kit, tmp_path / "2.zip", licence="cc0")
    assert sorted(again.left_out) == sorted((*made.left_out, "out.zip"))


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("which", ["samples", "report.html", "mappings"])
def test_a_link_is_never_followed(own: Path, tmp_path: Path, which: str) -> None:
    """Not even where a file of the kit's should be, nor through a folder."""
    kit = own
    (kit / "report.html").write_text("page", encoding="utf-8")
    (kit / which).rename(tmp_path / "elsewhere")
    (kit / which).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(KitError, match=r"is a link|differences from its manifest"):
        pack_kit.pack_kit(kit, tmp_path / "out.zip", licence="cc0")
    assert not (tmp_path / "out.zip").exists()


@pytest.mark.parametrize("name", ["setup.exe", "samples/more.wav", "mappings/more.sfz", "corrections.toml"])
@pytest.mark.parametrize("sums", [True, False])
def test_a_zip_to_which_something_was_added_is_found(sound: Path, tmp_path: Path, name: str, *, sums: bool) -> None:
    """With the list of sums as it was, and without it; unpacked, too."""
    with zipfile.ZipFile(sound) as old, zipfile.ZipFile(tmp_path / "new.zip", "w") as new:
        top = old.namelist()[0].split("/")[0]
        for each in old.namelist():
            if sums or not each.endswith(SUMS):
                new.writestr(each, old.read(each))
        new.writestr(f"{top}/{name}", b"added")

    assert (name, "file") in [(found.path, found.what) for found in verify.verify(tmp_path / "new.zip")]
    with zipfile.ZipFile(tmp_path / "new.zip") as file:
        file.extractall(tmp_path)
    if sums:
        assert name in [found.path for found in verify.verify(tmp_path / top)]


def test_a_zip_with_two_files_of_one_name_is_refused(tmp_path: Path) -> None:
    """Which of them is unpacked is not for chance to say."""
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as file:
        file.writestr("kit/manifest.json", "a")
        with pytest.warns(UserWarning, match="Duplicate"):
            file.writestr("kit/manifest.json", "b")
    with pytest.raises(KitError, match="two files of one name"):
        verify.verify(tmp_path / "a.zip")


@pytest.mark.parametrize("name", ["./README.txt", "/README.txt", "", "before"])
def test_a_zip_that_holds_more_than_files_is_refused(sound: Path, tmp_path: Path, name: str) -> None:
    """Names that unpack onto another file, a comment, a program in front of it."""
    path = Path(shutil.copy(sound, tmp_path))
    if name == "before":
        path.write_bytes(b"MZ a program" + path.read_bytes())
    else:
        with zipfile.ZipFile(path, "a") as file:
            if name:
                file.writestr(f"{file.namelist()[0].split('/')[0]}/{name}", b"added")
            else:
                file.comment = b"more"
    with pytest.raises(KitError, match="more than files"):
        verify.verify(path)


@pytest.mark.usefixtures("one_bar")
def test_where_things_lie_on_this_machine_does_not_go_out(jetty: Pier, tmp_path: Path) -> None:
    """Neither the session's folder nor that of processed tracks is named in any file of a pack; the kit still finds
    them here.
    """
    tracks = tmp_path / "home of ada" / "mixed"
    tracks.mkdir(parents=True)
    shutil.copyfile(next(jetty.session.rglob("Kick In.wav")), tracks / "Kick In mixed.wav")
    recipe = tracks.parent / "wishes.toml"
    recipe.write_text("[kit]\nnobody = 1\n", encoding="utf-8")
    built = pipeline.build(jetty.session, tmp_path / "kit", processed=tracks, recipe_path=recipe)
    inside = read(pack_kit.pack_kit(tmp_path / "kit", tmp_path / "out.zip", licence="cc0").path)

    assert built.kit.tracks
    assert "wishes.toml, line 2: kit" in {problem.where for problem in built.kit.problems}
    for name, content in inside.items():
        assert b"home of ada" not in content, name
        assert jetty.session.parent.name.encode() not in content, name
    sources = {source["path"] for take in json.loads(inside["manifest.json"])["session"]["takes"]
               for mic in take["mics"] for source in mic["source"]}
    assert not [path for path in sources if path.startswith(("/", ".."))]
    heard = with_processed(open_session(jetty.session), read_kit(tmp_path / "kit"), tracks)
    assert any(not mic.recorded for take in heard.takes for mic in take.mics)


@pytest.mark.usefixtures("quick")
def test_what_a_killed_pack_left_goes(own: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the next pack to the same place; a disk that fills up leaves nothing to begin with."""
    done = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True)
    left = tmp_path / "packs" / f".out.zip.making-{int(done.stdout)}"
    left.mkdir(parents=True)
    (left / "pack.zip").write_bytes(b"PK")
    with monkeypatch.context() as patch:
        patch.setattr(pack_kit, "contact_sheet", lambda kit, folder: (_ for _ in ()).throw(
            OSError(errno.ENOSPC, "No space left on device")))
        with pytest.raises(OSError, match="No space left"):
            pack_kit.pack_kit(own, tmp_path / "packs" / "out.zip", licence="cc0")
    assert [] == list((tmp_path / "packs").iterdir())

    made = pack_kit.pack_kit(own, tmp_path / "packs" / "out.zip", licence="cc0")
    assert [made.path] == list((tmp_path / "packs").iterdir())
def _ask(folder: Path, *lines: str) -> None:
    """Write those lines into the [pack] section of a kit's recipe."""
    path = folder / "recipe.toml"
    text = path.read_text(encoding="utf-8")
    names = [line.split(" = ")[0] for line in lines]
    rest = [line for line in text.splitlines() if not line.startswith(tuple(f"{name} = " for name in names))]
    path.write_text("\n".join(rest).replace("[pack]", "\n".join(["[pack]", *lines])), encoding="utf-8")


@pytest.mark.usefixtures("quick")
def test_a_pack_without_recording_details_tells_none_and_still_verifies(own: Path, sound: Path, tmp_path: Path) -> None:
    """No name of session, take or file, no place in a take; sound and balance as before; the same bytes each time."""
    kit = read_kit(own)
    write_all(replace(kit, recipe={**kit.recipe, "kit": {"name": "Vestry"}}), own)
    document = json.loads((own / "manifest.json").read_text(encoding="utf-8"))
    _ask(own, "recording_details = false")
    made = pack_kit.pack_kit(own, tmp_path / "out.zip", licence="cc0")
    inside, before = read(made.path), read(sound)

    assert {"hits.csv", "recipe.toml", "report.html"} <= set(before) - set(inside)
    assert not [name for name in inside if "played" in name]
    for name, content in inside.items():
        for trace in (b"take 1/", b"Chapel", b"take-1"):
            assert trace not in content, (name, trace)
    bare = json.loads(inside["manifest.json"])
    assert not [mic for mic in bare["session"]["takes"][0]["mics"] if mic["source"]]
    assert {0} == {hit["onset"] for hit in bare["hits"]}
    assert len(bare["hits"]) < len(document["hits"])
    files = [file for shot in bare["one_shots"] for file in shot["files"]]
    assert {0} == {file["source_start"] for file in files}
    assert document["balance"] == bare["balance"]
    for file in files:
        (tmp_path / "new.wav").write_bytes(inside[file["path"]])
        assert (read_audio(tmp_path / "new.wav")[0] == read_audio(own / file["path"])[0]).all()
    assert [] == verify.verify(made.path)
    assert made.path.read_bytes() == pack_kit.pack_kit(own, tmp_path / "2.zip", licence="cc0").path.read_bytes()
    with zipfile.ZipFile(made.path, "a") as file:
        file.writestr(f"{file.namelist()[0].split('/')[0]}/hits.csv", "added")
    assert "hits.csv" in [found.path for found in verify.verify(made.path)]


@pytest.mark.usefixtures("quick")
def test_tags_lose_their_place_in_the_take_and_keep_the_rest(jetty: Pier, tmp_path: Path) -> None:
    """Key, attack, loudness and what was done stay; a later build keeps the names by such a pack alone."""
    kit = tmp_path / "kit"
    shutil.copytree(jetty.folder, kit)
    _ask(kit, "recording_details = false")
    made = pack_kit.pack_kit(kit, tmp_path / "out.zip", licence="cc0", version="2.0")
    with zipfile.ZipFile(made.path) as file:
        file.extractall(tmp_path / "there")
    (there,) = (tmp_path / "there").iterdir()

    assert [] == verify.verify(made.path)
    shots = read_kit(kit).one_shots
    for file_ in (file_ for shot in shots for file_ in shot.files):
        old, new = read_back(kit / file_.path), read_back(there / file_.path)
        assert replace(old, time_reference=0) == new
        assert b"CC0 1.0 Universal" in (there / file_.path).read_bytes()
    take = read_kit(kit).session.takes[0].name
    assert take not in (there / release_lock.NAME).read_text(encoding="utf-8")

    again = pipeline.build(jetty.session, tmp_path / "again", last=made.path)
    known = release_lock.read(tmp_path / "again")
    assert known is not None
    assert take in {slot.take for group in known.groups for slot in group.slots}
    assert not [problem for problem in again.kit.problems if problem.where.startswith("release")]
    assert [file_.path for shot in shots for file_ in shot.files] == [
        file_.path for shot in again.kit.one_shots for file_ in shot.files]


@pytest.mark.usefixtures("quick")
def test_the_owners_cover_is_taken_from_the_folder(own: Path, tmp_path: Path) -> None:
    """Named in the recipe after the build; it is no stranger then, and the pack's recipe names it as it is there."""
    (own / "art").mkdir()
    Image.new("RGB", (400, 300), (10, 20, 200)).save(own / "art" / "front.jpg", comment=b"Ada")
    _ask(own, 'cover = "art/front.jpg"')
    made = pack_kit.pack_kit(own, tmp_path / "out.zip", licence="cc0")
    inside = read(made.path)

    assert () == made.left_out
    assert (400, 300) == Image.open(io.BytesIO(inside["cover.jpg"])).size
    assert "cover.png" not in inside
    assert b"Ada" not in inside["cover.jpg"]
    assert b'cover = "cover.jpg"' in inside["recipe.toml"]
    assert not [name for name, content in inside.items() if b"art/front" in content]
    assert [] == verify.verify(made.path)


@pytest.mark.usefixtures("quick")
def test_credits_that_were_changed_after_the_build_are_not_passed_over(own: Path, tmp_path: Path) -> None:
    """Tags and manifest would tell the old ones; what the command line gives is no such change."""
    _ask(own)
    path = own / "recipe.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('author = ""', 'author = "Grace"').replace(
        'licence = ""', 'licence = "cc0"'), encoding="utf-8")
    with pytest.raises(KitError, match=r"author, licence changed since the kit was built.*build it again, then pack"):
        pack_kit.pack_kit(own, tmp_path / "out.zip")
    path.write_text(path.read_text(encoding="utf-8").replace('author = "Grace"', 'author = ""'), encoding="utf-8")
    assert "CC0 1.0 Universal" == pack_kit.pack_kit(own, tmp_path / "out.zip", licence="cc0").licence


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize(("licence", "words"), [
    ("cc-by-4.0", 'Credit it like this: "Chapel", Creative Commons Attribution 4.0 International, https://'),
    ("music", "For use in any music, not to be passed on as samples. LICENCE.txt has the whole text"),
    ("cc0", "CC0 1.0 Universal. LICENCE.txt has the whole text")])
def test_the_readme_is_for_whoever_plays_it(folder: Path, tmp_path: Path, licence: str, words: str) -> None:
    """How to load it, keys, layers and round robins, what cuts what off, the licence; no line too long; nothing that
    is not in the pack.
    """
    inside = read(pack_kit.pack_kit(folder, tmp_path / "out.zip", licence=licence).path)
    text = inside["README.txt"].decode()
    flat = " ".join(text.split())

    assert words in flat
    for line in ("A drum kit: 2 drums, 12 recorded hits in 24 files, WAV, 24 bit, 44.1 kHz.",
                 "Each of these cuts off what still sounds of the others: hat closed, hat open."):
        assert line in flat
    assert ["36", "kick", "hit", "3", "2"] in [line.split() for line in text.splitlines()]
    for name in ("mappings/kit.sfz", "mappings/kit.sf2", "samples/", "preview.ogg", "cover.png"):
        assert name in text
    assert max(map(len, text.splitlines())) <= 80
    for jargon in ("corrections", "bleed", "hit hit", "manifest matches", "Grades"):
        assert jargon not in text


@pytest.mark.parametrize("details", [True, False])
def test_prints_alone_are_packed_as_a_kit_is(jetty: Pier, tmp_path: Path, details: bool) -> None:
    """To hear and to see: the best print of each layer in turn, waveforms of them on cover and sheet; a table of its
    files; a README that speaks of prints and of no mapping; verify finds it in order, and notes cannot play it.
    """
    folder = tmp_path / "prints"
    kit = pipeline.build(jetty.session, folder, recipe_path=Path("replacement"), prints_only=True).kit
    assert kit.prints_alone
    if not details:
        _ask(folder, "recording_details = false")
    made = pack_kit.pack_kit(folder, tmp_path / "out.zip", licence="cc0")
    inside = read(made.path)

    assert [] == verify.verify(made.path)
    assert {"preview.wav", "preview.ogg", "cover.png", "sheet.png", "files.csv"} <= set(inside)
    assert not any(name.startswith(("samples/", "mappings/")) for name in inside)
    rows = list(csv.DictReader(io.StringIO(inside["files.csv"].decode())))
    assert sorted(row["path"] for row in rows) == sorted(name for name in inside if name.startswith("prints/"))
    text = inside["README.txt"].decode()
    assert "Prints of drum hits: 2 drums," in text
    assert not [word for word in ("kit.sfz", "keys", "samples/", "best first") if word in text]
    (tmp_path / "p.wav").write_bytes(inside["preview.wav"])
    heard, header = read_audio(tmp_path / "p.wav")
    ladder = prints_in_turn.ladder(kit)
    assert {(each.print, each.drum, each.articulation, each.layer) for each in kit.prints} == {
        (each.print, each.drum, each.articulation, each.layer) for each in ladder}
    half = header.sample_rate // 2
    assert heard.shape[1] == half + sum(max(each.frames, half) for each in ladder)
    at = half
    for each in ladder:
        assert heard[:, at:at + each.frames].any()
        at += max(each.frames, half)
    for name in ("cover.png", "sheet.png"):
        colours = {colour for _, colour in Image.open(io.BytesIO(inside[name])).convert("RGB").getcolors(1 << 21) or []}
        assert ACCENT in colours
    with pytest.raises(KitError, match=r"prints and no mappings.*leave out --midi and --take"):
        preview(folder, tmp_path / "p2.wav", take=kit.session.takes[0].name)
