"""A kit built again with a memory: the bytes of one built without, from files that are used again where they can be."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from review_desk import own_copy

from oneshot import pipeline
from oneshot.config.corrections_file import Correction, Corrections, Place, dump
from oneshot.core.cache.memory import MOST_BYTES, Memory, recalled, remembering
from oneshot.core.errors import KitError, WorkError
from oneshot.core.files import sha256_of
from oneshot.core.records.hits import Hit
from oneshot.kit.read import read_kit

if TYPE_CHECKING:
    from stage_inputs import Pier


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of a kit and what is in it."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def kept(folder: Path, drum: str) -> list[Hit]:
    """Hits of a drum in the kit, in order of time."""
    return sorted((h for h in read_kit(folder).hits if h.drum == drum and h.kept), key=lambda h: h.onset)


def write(folder: Path, *entries: Correction) -> None:
    """Put corrections into a kit."""
    (folder / "corrections.toml").write_text(dump(Corrections(entries)), encoding="utf-8")


def at(hit: Hit) -> tuple[Place, ...]:
    """How an entry names a hit."""
    return (Place(hit.take, hit.onset),)


def paired(session: Pier, tmp_path: Path) -> tuple[Path, Path, Memory]:
    """(kit built with a memory that knows it, the same kit for building without, the memory)."""
    mine = own_copy(session, tmp_path)
    other = own_copy(session, tmp_path / "other")
    memory = Memory(mine)
    with remembering(memory):
        pipeline.build(session.session, mine)
    return mine, other, memory


@pytest.fixture
def pair(jetty: Pier, tmp_path: Path) -> tuple[Path, Path, Memory]:
    """The smaller session's kit, twice."""
    return paired(jetty, tmp_path)


@pytest.fixture
def larger_pair(pier: Pier, tmp_path: Path) -> tuple[Path, Path, Memory]:
    """The pier's kit, twice."""
    return paired(pier, tmp_path)


@pytest.mark.full
def test_a_build_with_a_memory_has_the_bytes_of_one_without(larger_pair: tuple[Path, Path, Memory], pier: Pier) -> None:
    """Rejected, nudged, trimmed, ended, dropped, renamed, moved to a layer, added: to the byte, step after step."""
    mine, other, memory = larger_pair
    snare, kick, floor = kept(mine, "snare"), kept(mine, "kick"), kept(mine, "floor")
    steps = [
        (Correction("reject", at(snare[0])), Correction("nudge", at(kick[0]), frames=11)),
        (Correction("gain", drum="floor", gain_db=-2.0), Correction("end", at(kick[1]), after_ms=120.0)),
        (Correction("drop", at(kick[2]), mics=("OH",)), Correction("layer", at(floor[0]), layer=2)),
        (Correction("rename", drum="floor", to="big tom"), Correction("reject", at(kick[-1]))),
        (Correction("add", (Place("pier", snare[1].onset + 9000),), drum="snare"),),
    ]
    for n in range(len(steps)):
        said = [entry for step in steps[: n + 1] for entry in step]
        write(mine, *said)
        write(other, *said)

        with remembering(memory):
            pipeline.build(pier.session, mine)
        pipeline.build(pier.session, other)

        assert contents(other) == contents(mine)


def test_what_did_not_change_is_the_file_it_was(pair: tuple[Path, Path, Memory], jetty: Pier) -> None:
    """One hit nudged: its files are new, every other file of a sample is the very file of before."""
    mine, _, memory = pair
    before = {p.stat().st_ino for p in mine.rglob("samples/**/*.wav")}
    hit = kept(mine, "kick")[0]
    write(mine, Correction("nudge", at(hit), frames=9))

    with remembering(memory):
        built = pipeline.build(jetty.session, mine)

    shot = next(s for s in built.kit.one_shots if s.hit == hit.id)
    new = {p.relative_to(mine).as_posix() for p in mine.rglob("samples/**/*.wav") if p.stat().st_ino not in before}
    assert {file.path for file in shot.files} == new


@pytest.mark.full
@pytest.mark.parametrize("files", ['level = "drum"\nbits = "16"', 'lite = true\nlevel = "kit"', 'format = "flac"'])
def test_finished_files_are_used_again_as_well(larger_pair: tuple[Path, Path, Memory], pier: Pier, tmp_path: Path,
                                               files: str) -> None:
    """Levelled, dithered, mixed down, packed: to the byte what a build without a memory makes, step after step, and of
    a drum that nothing was said of the very files of before.
    """
    mine, other, memory = larger_pair
    (tmp_path / "r.toml").write_text(f"[files]\n{files}\n", encoding="utf-8")
    kick, floor = kept(mine, "kick"), kept(mine, "floor")
    said = (Correction("nudge", at(kick[0]), frames=11), Correction("gain", drum="floor", gain_db=-2.0),
            Correction("reject", at(floor[0])), Correction("rename", drum="floor", to="big tom"))
    for n in range(len(said) + 1):
        write(mine, *said[:n])
        write(other, *said[:n])
        before = {p.stat().st_ino for p in mine.rglob("samples/snare/**/*.*")}

        with remembering(memory):
            pipeline.build(pier.session, mine, recipe_path=tmp_path / "r.toml")
        pipeline.build(pier.session, other, recipe_path=tmp_path / "r.toml")

        assert contents(other) == contents(mine)
        if n and "lite" not in files:  # one trim of a whole kit, and its balance, may move with any of its drums
            assert before == {p.stat().st_ino for p in mine.rglob("samples/snare/**/*.*")}


def test_there_and_back_and_there_again(pair: tuple[Path, Path, Memory], jetty: Pier) -> None:
    """Renamed, undone, redone: tags that come and go are in the files each time, and the sums are the files' own."""
    mine, other, memory = pair
    renamed = Correction("rename", drum="snare", to="big drum")
    for said in ((renamed,), (), (renamed,)):
        write(mine, *said)
        with remembering(memory):
            built = pipeline.build(jetty.session, mine)
        for file in (file for shot in built.kit.one_shots for file in shot.files):
            assert sha256_of(mine / file.path) == file.sha256
    write(other, renamed)
    pipeline.build(jetty.session, other)

    assert contents(other) == contents(mine)


def test_new_tags_are_no_new_sound(pair: tuple[Path, Path, Memory], jetty: Pier,
                                   monkeypatch: pytest.MonkeyPatch) -> None:
    """A renamed drum has new tags in its files; what was worked out from their samples is not worked out again."""
    mine, _, memory = pair
    drawn: list[object] = []

    def draw(*given: object) -> dict[str, object]:
        drawn.append(given)
        return {}

    for name in ("oneshot.kit.report.data.outlines", "oneshot.kit.assemble.outlines"):
        monkeypatch.setattr(name, draw)
    write(mine, Correction("rename", drum="snare", to="big drum"))

    with remembering(memory):
        built = pipeline.build(jetty.session, mine)

    assert "big-drum" in {shot.drum for shot in built.kit.one_shots}
    assert [] == drawn


def test_a_file_that_somebody_touched_is_made_anew(pair: tuple[Path, Path, Memory], jetty: Pier) -> None:
    """A sample written over is not used again, though it holds what it did; one that holds something else stops the
    build, until it is moved away.
    """
    mine, other, memory = pair
    path = min(mine.rglob("samples/**/*.wav"))
    whole = path.read_bytes()
    path.write_bytes(whole[:-100])
    with remembering(memory), pytest.raises(KitError, match="changed after the kit was built"):
        pipeline.build(jetty.session, mine)
    path.unlink()
    with remembering(memory):
        pipeline.build(jetty.session, mine)
    path.write_bytes(whole)
    with remembering(memory):
        pipeline.build(jetty.session, mine)

    assert contents(other) == contents(mine)


def test_a_build_that_fails_leaves_no_false_memory(pair: tuple[Path, Path, Memory], jetty: Pier,
                                                   monkeypatch: pytest.MonkeyPatch) -> None:
    """After a full disk in the middle, the next build is as if that one had never been."""
    mine, other, memory = pair
    said = (Correction("reject", at(kept(mine, "snare")[0])),)
    write(mine, *said)
    write(other, *said)

    def full(*given: object, **more: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch, remembering(memory):
        patch.setattr("oneshot.kit.write.write_kit", full)
        with pytest.raises(WorkError, match="No space left"):
            pipeline.build(jetty.session, mine)
    with remembering(memory):
        pipeline.build(jetty.session, mine)
    pipeline.build(jetty.session, other)

    assert contents(other) == contents(mine)


def test_what_is_recalled_is_made_once() -> None:
    """Inside a memory a result is made once per key, outside each time; another session's is forgotten."""
    made: list[str] = []

    def ask(key: str) -> int:
        def make() -> int:
            made.append(key)
            return len(key)
        return recalled("length", key, make)

    memory = Memory(Path("kit"))
    memory.begin("one session")
    with remembering(memory):
        assert [3, 3, 5] == [ask("abc"), ask("abc"), ask("abcde")]
    assert 3 == ask("abc")
    assert ["abc", "abcde", "abc"] == made
    memory.begin("another session")
    with remembering(memory):
        ask("abcde")
    assert ["abc", "abcde", "abc", "abcde"] == made


def test_a_memory_does_not_grow_without_end() -> None:
    """Sound beyond the limit is made each time; sound that a build had no use for is dropped."""
    memory = Memory(Path("kit"), size_bytes=MOST_BYTES - 1000)
    with remembering(memory):
        recalled("sound", 1, lambda: np.zeros(1000))
        recalled("sound", 2, lambda: np.zeros(100))
    assert MOST_BYTES - 200 == memory.size_bytes

    memory.used.clear()
    memory.end()

    assert MOST_BYTES - 1000 == memory.size_bytes
    assert not memory.held
