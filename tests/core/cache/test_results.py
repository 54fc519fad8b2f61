"""A kit built again from results of earlier builds has the bytes of one built without, and the very files of before
where these can be used again.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from review_desk import own_copy

from oneshot import pipeline
from oneshot.config.corrections_file import Correction, Corrections, Place, dump
from oneshot.core.cache.disk import Store
from oneshot.core.cache.results import SPARE, Kind, Results, digest_of, recalled, retagged, sound_of, using
from oneshot.core.errors import KitError, WorkError
from oneshot.core.files import sha256_of
from oneshot.core.records.hits import Hit
from oneshot.core.records.session import Floats
from oneshot.core.workers import spread, working
from oneshot.cutting.mix import mixdown
from oneshot.kit.read import read_kit

if TYPE_CHECKING:
    from stage_inputs import Pier

LENGTHS = Kind("lengths", int)


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


def both(left: str, right: str = "") -> str:
    """A session.toml that says something of either overhead; of both the same where nothing is said of the right."""
    return f'[mics."OH L"]\n{left}\n[mics."OH R"]\n{right or left}\n'


def without(session: Path, kit: Path, monkeypatch: pytest.MonkeyPatch, recipe: Path | None = None) -> None:
    """Build a kit with a cache folder that holds nothing."""
    with monkeypatch.context() as patch:
        patch.setenv("ONESHOT_CACHE", str(kit.parent / f"cache-{len(list(kit.parent.iterdir()))}"))
        pipeline.build(session, kit, recipe_path=recipe)


def paired(session: Pier, tmp_path: Path) -> tuple[Path, Path]:
    """(a kit that was built here before, the same kit for building without results)."""
    mine = own_copy(session, tmp_path)
    (tmp_path / "other").mkdir()
    other = own_copy(session, tmp_path / "other")
    pipeline.build(session.session, mine)
    return mine, other


@pytest.fixture
def pair(jetty: Pier, tmp_path: Path) -> tuple[Path, Path]:
    """The smaller session's kit, twice."""
    return paired(jetty, tmp_path)


@pytest.fixture
def larger_pair(pier: Pier, tmp_path: Path) -> tuple[Path, Path]:
    """The pier's kit, twice."""
    return paired(pier, tmp_path)


@pytest.mark.full
def test_a_build_with_results_has_the_bytes_of_one_without(larger_pair: tuple[Path, Path], pier: Pier,
                                                           monkeypatch: pytest.MonkeyPatch) -> None:
    """Rejected, nudged, trimmed, ended, dropped, renamed, moved to a layer, added: to the byte, step after step."""
    mine, other = larger_pair
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

        pipeline.build(pier.session, mine)
        without(pier.session, other, monkeypatch)

        assert contents(other) == contents(mine)


def test_what_did_not_change_is_the_file_it_was(pair: tuple[Path, Path], jetty: Pier) -> None:
    """One hit nudged: its files are new, every other file of a sample is the very file of before."""
    mine, _ = pair
    before = {p.stat().st_ino for p in mine.rglob("samples/**/*.wav")}
    hit = kept(mine, "kick")[0]
    write(mine, Correction("nudge", at(hit), frames=9))

    built = pipeline.build(jetty.session, mine)

    shot = next(s for s in built.kit.one_shots if s.hit == hit.id)
    new = {p.relative_to(mine).as_posix() for p in mine.rglob("samples/**/*.wav") if p.stat().st_ino not in before}
    assert {file.path for file in shot.files} == new


@pytest.mark.full
@pytest.mark.parametrize("files", ['level = "drum"\nbits = "16"', 'lite = true\nlevel = "kit"', 'format = "flac"'])
def test_finished_files_are_used_again_as_well(larger_pair: tuple[Path, Path], pier: Pier, tmp_path: Path,
                                               monkeypatch: pytest.MonkeyPatch, files: str) -> None:
    """Levelled, dithered, mixed down, packed: to the byte what a build without results makes, step after step, and of
    a drum that nothing was said of the very files of before.
    """
    mine, other = larger_pair
    (tmp_path / "r.toml").write_text(f"[files]\n{files}\n", encoding="utf-8")
    kick, floor = kept(mine, "kick"), kept(mine, "floor")
    said = (Correction("nudge", at(kick[0]), frames=11), Correction("gain", drum="floor", gain_db=-2.0),
            Correction("reject", at(floor[0])), Correction("rename", drum="floor", to="big tom"))
    for n in range(len(said) + 1):
        write(mine, *said[:n])
        write(other, *said[:n])
        before = {p.stat().st_ino for p in mine.rglob("samples/snare/**/*.*")}

        pipeline.build(pier.session, mine, recipe_path=tmp_path / "r.toml")
        without(pier.session, other, monkeypatch, tmp_path / "r.toml")

        assert contents(other) == contents(mine)
        if n and "lite" not in files:  # one trim of a whole kit, and its balance, may move with any of its drums
            assert before == {p.stat().st_ino for p in mine.rglob("samples/snare/**/*.*")}


def test_there_and_back_and_there_again(pair: tuple[Path, Path], jetty: Pier,
                                        monkeypatch: pytest.MonkeyPatch) -> None:
    """Renamed, undone, redone: tags that come and go are in the files each time, and the sums are the files' own."""
    mine, other = pair
    renamed = Correction("rename", drum="snare", to="big drum")
    for said in ((renamed,), (), (renamed,)):
        write(mine, *said)
        built = pipeline.build(jetty.session, mine)
        for file in (file for shot in built.kit.one_shots for file in shot.files):
            assert sha256_of(mine / file.path) == file.sha256
    write(other, renamed)
    without(jetty.session, other, monkeypatch)

    assert contents(other) == contents(mine)


def test_new_tags_are_no_new_sound(pair: tuple[Path, Path], jetty: Pier,
                                   monkeypatch: pytest.MonkeyPatch) -> None:
    """A renamed drum has new tags in its files; what was worked out from their samples is not worked out again."""
    mine, _ = pair
    drawn: list[object] = []

    def draw(*given: object) -> dict[str, object]:
        drawn.append(given)
        return {}

    for name in ("oneshot.kit.report.data.outlines", "oneshot.kit.assemble.outlines"):
        monkeypatch.setattr(name, draw)
    write(mine, Correction("rename", drum="snare", to="big drum"))

    built = pipeline.build(jetty.session, mine)

    assert "big-drum" in {shot.drum for shot in built.kit.one_shots}
    assert [] == drawn


@pytest.mark.full
@pytest.mark.parametrize(("before", "after"), [
    ("", both('pair = ""')),
    ("", both('side = "R"', 'side = "L"')),
    ("", both('role = "room"')),
    (both('name = "A"\npair = ""', 'name = "B"\npair = ""'), both('name = "B"\npair = ""', 'name = "A"\npair = ""')),
])
def test_what_session_toml_says_of_a_mic_is_what_counts(pair: tuple[Path, Path], jetty: Pier, tmp_path: Path,
                                                        monkeypatch: pytest.MonkeyPatch, before: str,
                                                        after: str) -> None:
    """Split pairs, swapped sides, other roles, names that changed places: nothing of before passes for it."""
    mine, other = pair
    session = tmp_path / "session"
    shutil.copytree(jetty.session, session)
    for said in (before, after):
        (session / "session.toml").write_text(said, encoding="utf-8")
        pipeline.build(session, mine)
    without(session, other, monkeypatch)

    assert contents(other) == contents(mine)


@pytest.mark.full
def test_a_drum_renamed_to_another_kind_is_cut_as_that(pair: tuple[Path, Path], jetty: Pier,
                                                       monkeypatch: pytest.MonkeyPatch) -> None:
    """A snare that is a crash after all has a cymbal's fades; so has a later build that had the snare's at hand."""
    mine, other = pair
    for kit in (mine, other):
        write(kit, Correction("rename", drum="snare", to="crash"))
    pipeline.build(jetty.session, mine)
    without(jetty.session, other, monkeypatch)

    assert contents(other) == contents(mine)


def test_a_file_that_somebody_touched_is_made_anew(pair: tuple[Path, Path], jetty: Pier) -> None:
    """A sample written over is not used again, though it holds what it did; one that holds something else stops the
    build, until it is moved away.
    """
    mine, other = pair
    path = min(mine.rglob("samples/**/*.wav"))
    whole = path.read_bytes()
    path.write_bytes(whole[:-100])
    with pytest.raises(KitError, match="changed after the kit was built"):
        pipeline.build(jetty.session, mine)
    path.unlink()
    pipeline.build(jetty.session, mine)
    path.write_bytes(whole)
    pipeline.build(jetty.session, mine)

    assert contents(other) == contents(mine)


def test_a_build_that_fails_leaves_nothing_false(pair: tuple[Path, Path], jetty: Pier,
                                                   monkeypatch: pytest.MonkeyPatch) -> None:
    """After a full disk in the middle, the next build is as if that one had never been."""
    mine, other = pair
    said = (Correction("reject", at(kept(mine, "snare")[0])),)
    write(mine, *said)
    write(other, *said)

    def full(*given: object, **more: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("oneshot.kit.write.write_kit", full)
        with pytest.raises(WorkError, match="No space left"):
            pipeline.build(jetty.session, mine)
    pipeline.build(jetty.session, mine)
    without(jetty.session, other, monkeypatch)

    assert contents(other) == contents(mine)


def test_another_kit_of_the_session_takes_nothing_from_this_one(pair: tuple[Path, Path], jetty: Pier,
                                                                tmp_path: Path) -> None:
    """Files are used again where they lie in the kit that is built anew: a second kit has files of its own, alike."""
    mine, _ = pair

    pipeline.build(jetty.session, tmp_path / "second")

    mine_, second = ({p.relative_to(kit): p.stat().st_ino for p in kit.rglob("samples/**/*.wav")}
                     for kit in (mine, tmp_path / "second"))
    assert mine_.keys() == second.keys()
    assert not set(mine_.values()) & set(second.values())
    assert {p: sha256_of(mine / p) for p in mine_} == {p: sha256_of(tmp_path / "second" / p) for p in mine_}


def test_the_soundfont_copies_what_is_the_same_and_believes_no_changed_byte(
        pair: tuple[Path, Path], jetty: Pier, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only the sums of one-shots that changed are mixed anew; in a SoundFont that somebody wrote into, those he hit,
    too.
    """
    mine, other = pair
    mixed: list[int] = []
    real = mixdown.stereo

    def stereo(folder: Path, shot: object, *more: object) -> tuple[Floats, int]:
        mixed.append(shot.hit)  # type: ignore[attr-defined]
        return real(folder, shot, *more)  # type: ignore[arg-type]

    monkeypatch.setattr(mixdown, "stereo", stereo)
    built = pipeline.build(jetty.session, mine)
    assert [] == mixed
    path = mine / "mappings/kit.sf2"
    data = bytearray(path.read_bytes())
    middle = data.index(b"smpl") + 5000
    data[middle : middle + 2] = bytes(255 - each for each in data[middle : middle + 2])
    path.write_bytes(data)

    pipeline.build(jetty.session, mine)

    assert 1 == len(mixed) < len(built.kit.one_shots)
    without(jetty.session, other, monkeypatch)
    assert contents(other) == contents(mine)


def test_what_is_recalled_is_made_once_by_any_process(tmp_path: Path) -> None:
    """With results at hand a result is made once per key, also by a later build; without them each time."""
    made: list[str] = []

    def ask(key: str) -> int:
        def make() -> int:
            made.append(key)
            return len(key)
        return recalled(LENGTHS, key, make)

    with using(Results(Store(tmp_path))) as results:
        assert [3, 3, 5] == [ask("abc"), ask("abc"), ask("abcde")]
        results.save()
    assert 3 == ask("abc")
    assert ["abc", "abcde", "abc"] == made
    with using(Results(Store(tmp_path))):
        ask("abcde")
    with using(Results(Store(tmp_path / "of another session"))):
        ask("abcde")
    assert ["abc", "abcde", "abc", "abcde"] == made


def test_arrays_come_back_as_they_were(tmp_path: Path) -> None:
    """To the bit, with their type and shape."""
    sounds: Kind[Floats] = Kind("sounds-of-a-test", np.ndarray)
    x = np.linspace(-1, np.pi, 12).reshape(3, 4)
    with using(Results(Store(tmp_path))) as results:
        recalled(sounds, 1, lambda: x)
        results.save()

    with using(Results(Store(tmp_path))):
        back = recalled(sounds, 1, lambda: np.zeros(1))

    assert (x.dtype, x.tolist()) == (back.dtype, back.tolist())


def test_results_do_not_grow_without_end(tmp_path: Path) -> None:
    """What a build used stays, and of the rest the latest."""
    for turn in range(3):
        results = Results(Store(tmp_path))
        with using(results):
            for n in range(SPARE):
                recalled(LENGTHS, (turn, n), lambda: 1)
            results.save()

    results = Results(Store(tmp_path))
    assert [None, 1, 1] == [results.get(LENGTHS, (turn, 5)) for turn in range(3)]


@pytest.mark.parametrize("jobs", [1, 2])
def test_what_workers_work_out_is_kept(tmp_path: Path, jobs: int) -> None:
    """Whoever worked it out: the next build finds all of it, and what was there before is there still."""
    with using(Results(Store(tmp_path))) as results:
        recalled(LENGTHS, "before", lambda: 7)
        results.save()
    with using(Results(Store(tmp_path))) as results, working(jobs):
        spread(lambda n: recalled(LENGTHS, n, lambda: n * n), range(6))
        results.save()

    results = Results(Store(tmp_path))
    assert [7, *(n * n for n in range(1, 6))] == [results.get(LENGTHS, key) for key in ("before", *range(1, 6))]


def test_what_another_build_replaced_meanwhile_stops_nothing(tmp_path: Path) -> None:
    """A worker used a result that is not there any more as the build ends: the others are kept."""
    results = Results(Store(tmp_path))
    results.put(LENGTHS, "mine", 3)
    results.learn({(LENGTHS, digest_of("gone")): None})
    results.save()

    assert 3 == Results(Store(tmp_path)).get(LENGTHS, "mine")


def test_a_key_is_the_same_in_every_process() -> None:
    """Sets have no order, and numpy's numbers are numbers."""
    names = [f"mic {n}" for n in range(20)]
    assert digest_of((frozenset(names), np.int64(3))) == digest_of((frozenset(reversed(names)), 3))
    assert digest_of((1, "1")) != digest_of((1, 1))


def test_sounds_are_known_by_who_was_there_first(tmp_path: Path) -> None:
    """A chain of new tags leads back to the first file."""
    assert "c" == sound_of("c")
    with using(Results(Store(tmp_path))):
        retagged("a", "b")
        retagged("b", "c")
        retagged("c", "a")
        assert ["a", "a"] == [sound_of("b"), sound_of("c")]
