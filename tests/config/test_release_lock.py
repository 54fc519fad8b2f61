"""Released kits are locked: what was given away keeps its drum, stroke, layer, round robin, velocities and key."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from level_ladders import LADDER, by_id, chosen, hits_at
from stage_inputs import Pier, hit
from stroke_sessions import strokes, sums

from oneshot import pipeline
from oneshot.cli import main
from oneshot.config import handling, release_lock
from oneshot.config.corrections_file import Corrections
from oneshot.config.recipe import Choosing
from oneshot.config.release_lock import Group, Released, Slot, Step, news
from oneshot.core.errors import KitError
from oneshot.core.records.hits import Articulation, Drum, Hit
from oneshot.core.records.kit import Kit, OneShot
from oneshot.kit import verify
from oneshot.kit.export.keys import Struck, assign_keys
from oneshot.kit.release import pack_kit
from oneshot.selection.select import Chooser, Chosen, choose

RATES = {"one": 48000}


def kit_of(found: Chosen) -> Kit:
    """A kit that holds the hits chosen and their one-shots, without files."""
    at = {h.id: h for h in found.hits}
    shots = tuple(OneShot(p.hit, at[p.hit].drum, at[p.hit].articulation, p.layer, p.round_robin, p.velocity, "A", None,
                          None, None, ()) for p in found.picks)
    names = sorted({h.drum for h in found.hits})
    drums = tuple(Drum(name, "snare", "Top", (Articulation("hit", 38),)) for name in names)
    return replace(BARE, hits=found.hits, one_shots=shots, drums=drums)


BARE = Kit(None, "oneshot", {}, (), {}, {}, (), {}, {}, (), ())  # type: ignore[arg-type]


def again(hits: list[Hit], before: Released, *, rejected: frozenset[int] = frozenset(), **recipe: Any) -> Chosen:
    """Choose once more among hits, some of them released."""
    held = release_lock.held(hits, release_lock.matched(hits, before, RATES), before, {})
    return choose(hits, Chooser({h.id: "A" for h in hits}, {h.id: -60.0 for h in hits}, Choosing(**recipe), {}, RATES,
                                rejected, held=held))


def places(found: Chosen) -> dict[tuple[str, int], tuple[int, int, tuple[int, int]]]:
    """Take and onset of each pick -> layer, round robin, velocities."""
    at = {h.id: h for h in found.hits}
    return {(at[p.hit].take, at[p.hit].onset): (p.layer, p.round_robin, p.velocity) for p in found.picks}


def test_the_same_hits_make_the_same_kit() -> None:
    """Nothing new, nothing changed: each hit keeps its place and none is added."""
    first = chosen(hits_at(LADDER))
    before = release_lock.record(kit_of(first), None, 0, "1.0")

    assert places(first) == places(again(list(first.hits), before))


def test_new_hits_append_and_settings_move_nothing_that_was_released() -> None:
    """A second helping of strokes and a recipe of two layers: what was released stays; the new follow after it, in the
    layer that their strength belongs to.
    """
    first = chosen(hits_at(LADDER))
    before = release_lock.record(kit_of(first), None, 0, "1.0")
    more = [replace(h, id=h.id + 100, onset=h.onset + 20_000, level_db=(h.level_db or 0) + 0.05) for h in first.hits]
    second = again([*more, *first.hits], before, layers=2, round_robins=6)

    was, now = places(first), places(second)
    assert was == {place: now[place] for place in was}
    new = {place: value for place, value in now.items() if place not in was}
    assert {1: [5, 6], 2: [5, 6], 3: [5, 6], 4: [5, 6], 5: [5, 6]} == {
        n: sorted(robin for layer, robin, _ in new.values() if layer == n) for n in range(1, 6)}


def test_a_rejected_hit_leaves_a_gap_for_good() -> None:
    """Its number is not given to another, in this release nor in the next; a layer that lost all its hits leaves its
    velocities to the one below.
    """
    first = chosen(hits_at(LADDER))
    before = release_lock.record(kit_of(first), None, 0, "1.0")
    out = next(p.hit for p in first.picks if (p.layer, p.round_robin) == (2, 4))
    whole = {p.hit for p in first.picks if p.layer == 4}
    second = again(list(first.hits), before, rejected=frozenset({out, *whole}))
    was, now = places(first), places(second)

    assert set(was) - set(now) == {("one", by_id(first)[k].onset) for k in (out, *whole)}
    assert {(layer, robin) for layer, robin, _ in now.values()} == {
        (layer, robin) for layer, robin, _ in was.values() if layer != 4 and (layer, robin) != (2, 4)}
    ranges = {layer: velocity for layer, _, velocity in was.values()}
    assert (ranges[3][0], ranges[4][1]) == next(velocity for layer, _, velocity in now.values() if layer == 3)
    assert ranges[5] == next(velocity for layer, _, velocity in now.values() if layer == 5)
    after = release_lock.record(kit_of(second), before, 0, "1.1")
    more = [*second.hits, replace(by_id(first)[out], id=900, onset=7_000)]
    third = again(more, after, rejected=frozenset({out, *whole}))
    assert (2, 5) == places(third)["one", 7_000][:2]
    told = release_lock.broken(kit_of(second), before, RATES)
    assert [True, True] == ["5 of its one-shots are no longer in the kit" in told[0].what,
                            "have other velocity ranges" in told[1].what]


def test_what_is_called_otherwise_now_is_called_as_it_was_released() -> None:
    """A drum and a stroke renamed by the analysis get their names back whole, strays are moved; what the user says
    after that counts.
    """
    def slot(n: int) -> Slot:
        return Slot("one", n * 48000, 1, n, ())

    before = Released("1.0", 0, (
        Group("snare", "hit", 38, (Step(1, (1, 127), None),), tuple(slot(n) for n in range(1, 5))),
        Group("snare", "rim", 40, (Step(1, (1, 127), None),), (slot(5), slot(6))),
        Group("tom", "hit", 45, (Step(1, (1, 127), None),), (slot(7),))))
    now = [hit(n, drum="drum-1", articulation="centre") for n in (1, 2, 3, 9)]
    now += [hit(4, drum="kick"), hit(10, drum="kick"), hit(5, drum="drum-1"), hit(6, drum="drum-1"),
            hit(7, drum="kick")]
    entries = release_lock.restoring(now, release_lock.matched(now, before, RATES))
    done = handling.apply(now, Corrections(entries), RATES)

    assert () == done.problems
    called = {h.id: (h.drum, h.articulation) for h in done.hits}
    assert {**dict.fromkeys((1, 2, 3, 4, 9), ("snare", "hit")), 5: ("snare", "rim"), 6: ("snare", "rim"),
            7: ("tom", "hit"), 10: ("kick", "hit")} == called
    assert () == release_lock.restoring(done.hits, release_lock.matched(done.hits, before, RATES))


def test_two_hits_of_one_moment_keep_their_own_drums() -> None:
    """Kick and snare struck within the reach: each is matched to its own, the nearest of the same drum."""
    step = (Step(1, (1, 127), None),)
    before = Released("1.0", 0, (Group("kick", "hit", 36, step, (Slot("one", 48_000, 1, 1, ()),)),
                                 Group("snare", "hit", 38, step, (Slot("one", 48_100, 1, 1, ()),))))
    hits = [hit(1, 48_090, drum="kick"), hit(2, 48_010, drum="snare"), hit(3, 48_000 + 481, drum="kick")]
    found = release_lock.matched(hits, before, RATES)

    assert {1: "kick", 2: "snare"} == {number: stroke[0] for number, (stroke, _) in found.items()}


def test_what_is_new_is_told_as_a_player_sees_it() -> None:
    """Round robins that went, came or are of another hit now, keys, velocities, drums; else nothing."""
    def record(*groups: Group) -> Released:
        """A release of those."""
        return Released("1.0", 0, groups)

    def slot(robin: int, onset: int, *, there: bool = True) -> Slot:
        """A one-shot of the first layer."""
        return Slot("one", onset, 1, robin, (), there)

    step = (Step(1, (1, 127), None),)
    kick = Group("kick", "hit", 36, step, (slot(1, 100), slot(2, 200), slot(3, 300)))
    bell = Group("bell", "hit", 56, step, (slot(1, 900),))
    gone = replace(bell, slots=(slot(1, 900, there=False),))
    now = replace(kick, key=35, slots=(slot(1, 100), slot(2, 200, there=False), slot(3, 350), slot(4, 400)),
                  steps=(Step(1, (1, 90), None),))

    assert () == news(record(kick, bell), record(kick, bell))
    assert ("kick hit: key 35 in place of 36",
            "kick hit V01: RR02 left out, RR04 new, RR03 another hit, velocities 1 to 90 in place of 1 to 127") == news(
        record(kick), record(now))
    assert ("bell hit: left out",) == news(record(kick, bell), record(kick, gone))
    assert ("bell hit: new",) == news(record(kick, gone), record(kick, bell))


def test_released_keys_stay_and_the_recipe_outranks_them() -> None:
    """A key once given is kept though another drum would have it by now; what the recipe says counts more."""
    struck = [Struck("tom-1", "tom", ("hit",)), Struck("tom-2", "tom", ("hit",)), Struck("snare", "snare", ("hit",))]
    kept = {("tom-1", "hit"): 45, ("snare", "hit"): 61, ("gone", "hit"): 40}

    assert {("tom-1", "hit"): 45, ("tom-2", "hit"): 43, ("snare", "hit"): 61} == assign_keys(struck, {}, kept)
    assert {("tom-1", "hit"): 61, ("snare", "hit"): 38} == {
        stroke: key for stroke, key in assign_keys(struck, {"tom-1": 61}, kept).items() if stroke[0] != "tom-2"}


def test_the_record_is_read_as_it_was_written(own_example: Kit, tmp_path: Path) -> None:
    """Through its text and back; damage is told in one line."""
    made = release_lock.record(own_example, None, 3, "1.0")

    assert made == release_lock.from_json(release_lock.to_json(made), "x")
    assert len(own_example.one_shots) == sum(len(group.slots) for group in made.groups)
    assert {"kick/hit": 36, "hat/closed": 42, "hat/open": 46} == {f"{g.drum}/{g.articulation}": g.key
                                                               for g in made.groups}
    assert release_lock.read(tmp_path / "kit") is None
    for text in ("{", "{}", '{"format": "oneshot-released", "version": 2}', "[]",
                 json.dumps({**json.loads(release_lock.to_json(made)), "groups": [{"drum": "x"}]})):
        (tmp_path / "kit" / release_lock.NAME).write_text(text, encoding="utf-8")
        with pytest.raises(KitError, match=r"released\.json: not a valid release lock"):
            release_lock.read(tmp_path / "kit")
    with pytest.raises(KitError, match="not a zip written by oneshot pack"):
        release_lock.read_pack(tmp_path / "kit" / "README.txt")


def test_names_of_takes_can_stand_in_a_record_as_sums(own_example: Kit) -> None:
    """Of slots and prints; who has the session gets them back, and takes that are not there stay as they are."""
    kept = release_lock.record(own_example, None, 0, "1.0")
    bare = release_lock.with_hidden_takes(kept)
    assert kept.prints
    assert "take 1" in release_lock.to_json(kept)
    assert "take 1" not in release_lock.to_json(bare)
    assert bare == release_lock.with_hidden_takes(bare)
    assert bare == release_lock.with_take_names(bare, ["take 2"])
    assert kept == release_lock.with_take_names(bare, ["take 2", "take 1"])


def test_a_released_kit_is_rebuilt_under_its_names(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From end to end: ``pack_kit`` leaves the kit alone unless told to lock it; the kit, or the zip, keeps names
    through other settings and a rejected hit; the next pack lists what changed without being given the first.
    """
    def short(folder: Path, out: Path) -> None:
        out.write_bytes(next((folder / "samples").rglob("*.wav")).read_bytes())

    monkeypatch.setattr(pack_kit, "preview", short)
    session, kit = strokes(tmp_path / "s"), tmp_path / "k"
    built = pipeline.build(session, kit).kit
    before = sums(kit)
    first = pack_kit.pack_kit(kit, tmp_path / "1.zip", licence="cc0", version="1.0")
    assert before == sums(kit)
    pack_kit.pack_kit(kit, tmp_path / "1.zip", licence="cc0", version="1.0", lock=True)
    assert {release_lock.NAME} == set(sums(kit)) - set(before)
    frozen = sums(kit)
    pipeline.build(session, kit)
    assert frozen == sums(kit)

    at = {h.id: h for h in built.hits}
    out = built.one_shots[0]
    (kit / "corrections.toml").write_text(
        f'format = "oneshot-corrections"\nversion = 1\n[[reject]]\ntake = "{at[out.hit].take}"\n'
        f"frame = {at[out.hit].onset}\n", encoding="utf-8")
    changed = pipeline.build(session, kit).kit
    samples = {name for name in before if name.startswith("samples/")} - {file.path for file in out.files}
    assert samples <= set(sums(kit))
    assert not {file.path for file in out.files} & set(sums(kit))  # another hit that comes in has a number of its own
    assert any(problem.where == "release 1.0" for problem in changed.problems)
    second = pack_kit.pack_kit(kit, tmp_path / "2.zip", licence="cc0", version="1.1")
    assert {f"removed  {file.path}" for file in out.files} == {c for c in second.changes if c.startswith("removed")}
    assert [] == verify.verify(second.path)

    pipeline.build(session, tmp_path / "k2", last=first.path)
    assert samples < {name for name in sums(tmp_path / "k2") if name.startswith("samples/")}


def test_an_expansion_keeps_what_is_there(pier: Pier, evening: Path, tmp_path: Path) -> None:
    """A take is put beside that of a released kit: every one-shot of the release keeps its files bit for bit, its
    velocities and its key, and the new ones follow after them.
    """
    session, kit = tmp_path / "s", tmp_path / "k"
    shutil.copytree(pier.session / "pier", session / "pier")
    first = pipeline.build(session, kit).kit
    pack_kit.pack_kit(kit, tmp_path / "1.zip", licence="cc0", version="1.0", lock=True)
    shutil.copytree(evening / "evening", session / "evening")
    second = pipeline.build(session, kit).kit

    def known(made: Kit) -> dict[tuple[str, str, int, int], object]:
        """Place in the kit -> velocities and files."""
        return {(s.drum, s.articulation, s.layer, s.round_robin): (s.velocity, [(f.path, f.sha256, f.gain_db)
                                                                                for f in s.files])
                for s in made.one_shots}

    assert known(first).items() < known(second).items()
    assert [drum.articulations for drum in first.drums] == [drum.articulations for drum in second.drums]
    assert len(first.one_shots) + 12 == len(second.one_shots)
    assert () == tuple(p for p in second.problems if p.where.startswith("release"))


def test_a_drum_built_alone_is_built_alone_again(tmp_path: Path) -> None:
    """--only is remembered in the kit's recipe; a rebuild onto it makes no whole kit of it."""
    session, kit = strokes(tmp_path / "s"), tmp_path / "k"
    every = pipeline.build(session, tmp_path / "all").kit.drums
    first = pipeline.build(session, kit, only=every[0].name).kit
    second = pipeline.build(session, kit).kit

    assert [every[0].name] == [drum.name for drum in first.drums] == [drum.name for drum in second.drums]


def test_the_command_locks_unless_told_not_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """``oneshot pack --yes`` makes a release, and a released kit keeps its names; a trial with --no-lock makes none,
    and neither does a look at the texts.
    """
    monkeypatch.setattr(pack_kit, "preview", lambda folder, out: out.write_bytes(
        next((folder / "samples").rglob("*.wav")).read_bytes()))
    kit = tmp_path / "k"
    pipeline.build(strokes(tmp_path / "s"), kit)

    for more, frozen in (([], False), (["--yes", "--no-lock"], False), (["--yes"], True)):
        with pytest.raises(SystemExit) as left:
            main(["pack", str(kit), "--licence", "cc0", *more])

        assert not left.value.code
        assert frozen == (kit / release_lock.NAME).exists()


@pytest.mark.parametrize("path", [1, None, "", "../x.wav", "/etc/x", "samples/../../x.wav", "a\0b", "a:b.wav",
                                  "..\\x.wav", "C:\\x.wav", "a//b", "./a"])
def test_a_lock_that_names_no_path_of_a_kit_is_refused(path: object) -> None:
    """Files are called after it, so it may lead nowhere else."""
    slot = {"take": "take 1", "onset": 1, "layer": 1, "round_robin": 1, "paths": [path], "there": True}
    group = {"drum": "kick", "articulation": "hit", "key": 36, "slots": [slot],
             "steps": [{"layer": 1, "velocity": [1, 127], "from_db": None}]}
    document = {"format": "oneshot-released", "version": 1, "kit_version": "1.0", "corrections": 0, "groups": [group],
                "sums": {}}
    with pytest.raises(KitError, match=r"released\.json: not a valid release lock .* no path of a kit's file"):
        release_lock.from_json(json.dumps(document), "released.json")
