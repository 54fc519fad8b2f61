"""The review server: what it lets in, what it says and plays, what it writes down, and what it can take back."""

from __future__ import annotations

import json
import math
import shutil
import threading
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile
from kits import small_kit
from review_desk import Client, entries, heard, own_copy, place

from oneshot import pipeline
from oneshot.audio import loudness
from oneshot.audio.io import TakeReader, read_audio
from oneshot.config.corrections_file import Correction, Corrections, Place, dump
from oneshot.config.recipe_file import load_recipe
from oneshot.core.errors import KitError
from oneshot.core.records.kit import Fader
from oneshot.cutting.mix import balance
from oneshot.review import recordings, views
from oneshot.review.decisions import Journal
from oneshot.review.state import Desk

if TYPE_CHECKING:
    from stage_inputs import Pier


# -------------------------------------------------------------------------------------------------------------- looking


def test_the_page_is_told_every_hit_and_drum(client: Client, pier: Pier) -> None:
    """The list holds each hit once, in order of time; the summary the drums, mics and keys."""
    kit, hits = client.get("kit"), client.get("hits")["hits"]

    assert sorted(h.id for h in pier.kit.hits) == sorted(row["id"] for row in hits)
    assert [row["s"] for row in hits] == sorted(row["s"] for row in hits)
    assert ["kick", "snare", "floor"] == [d["name"] for d in kit["drums"]]
    assert set(pier.kit.balance) == set(kit["balance"])
    assert "Pier" not in json.dumps(kit)
    assert str(pier.session.parent) not in json.dumps(kit)


def test_a_hit_is_told_mic_by_mic(client: Client) -> None:
    """Bleed as the manifest has it, its level in dBFS as on the report (10·log10 of 300 ms is the energy's lead), the
    grades of its files, and where its files start and end.
    """
    hit = client.kept("kick")[0]
    shot = client.desk.shots[hit.id]

    told = client.get(f"hits/{hit.id}")

    by_name = {mic["name"]: mic for mic in told["mics"]}
    for file in shot.files:
        for mic in file.mics:
            assert file.grade == by_name[mic]["grade"]
            assert by_name[mic]["bleed"] == pytest.approx(hit.bleed_db[mic], abs=0.06)
    assert shot.files[0].source_start == told["cut"]["start"]
    assert shot.files[0].source_start + shot.files[0].frames == told["cut"]["stop"]
    assert told["home"] == "Kick In"
    assert hit.level_db is not None
    assert told["level"] == pytest.approx(hit.level_db - 10 * math.log10(0.3 * told["rate"]), abs=0.06)
    assert told["level"] == next(row["level"] for row in client.get("hits")["hits"] if row["id"] == hit.id)


def test_dirty_strokes_and_near_misses_come_first(tmp_path: Path) -> None:
    """What is kept below grade B, or nearly was kept, asks to be heard, by its share of the one-shots about as strong;
    what is clean and kept does not.
    """
    kit = small_kit(tmp_path)
    dirty = kit.one_shots[4]
    shots = tuple(replace(s, grade="D") if s is dirty else s for s in kit.one_shots)
    near = replace(kit.hits[0], id=900, kept=False, reason="level outside the round-robin tolerance",
                   layer=None, partners=())

    found = views.first_to_hear(replace(kit, one_shots=shots, hits=(*kit.hits, near)))

    assert "in the kit with grade D" == found[dirty.hit][1]
    assert "just missed selection" == found[900][1]
    assert kit.one_shots[3].hit not in found
    for hit, itself in ((next(h for h in kit.hits if h.id == dirty.hit), 0), (near, 1)):
        like = [h for h in kit.hits if h.kept and (h.drum, h.articulation) == (hit.drum, hit.articulation)
                and abs((h.level_db or 0) - (hit.level_db or 0)) <= 3.0]
        assert found[hit.id][0] == pytest.approx(1 / (len(like) + itself), abs=1e-3)


def test_what_was_heard_and_decided_is_not_asked_for_again(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """Kept, rejected or used first by hand, a stroke is settled at once, built or not, and no longer once undone."""
    asked: list[frozenset[int]] = []
    real = views.first_to_hear

    def noted(kit: Any, settled: frozenset[int]) -> Any:
        asked.append(settled)
        return real(kit, settled)

    monkeypatch.setattr(views, "first_to_hear", noted)
    kept, out, first, other = client.kept("snare")[:4]
    client.decide("keep", kept)
    client.decide("reject", out)
    client.decide("round_robins", drum="snare", articulation="centre", layer=1, hits=[place(first), place(other)])
    client.get("hits")
    client.build()
    ids = {hit.onset: hit.id for hit in client.desk.kit.hits}
    client.get("hits")
    client.post("undo", {})
    client.post("undo", {})
    client.get("hits")

    assert {kept.id, out.id, first.id} == asked[0]
    assert [{ids[kept.onset], ids[out.onset], ids[first.onset]}, {ids[kept.onset]}] == asked[1:]
    kit = client.desk.kit
    dirty = replace(kit, one_shots=tuple(replace(shot, grade="D") for shot in kit.one_shots))
    assert ids[kept.onset] in real(dirty)
    assert ids[kept.onset] not in real(dirty, asked[-1])


def test_third_octave_levels_follow_the_standard() -> None:
    """A sine of 1 kHz at -20 dBFS peak stands in the band around 1 kHz and 40 dB below two bands on.

    Middles of bands: IEC 61260-1, base-ten system (from memory).
    """
    time = np.arange(9600) / 48000
    levels = recordings.spectrum(0.1 * np.sin(2 * np.pi * 1000 * time), 48000)
    at = int(np.argmin(np.abs(recordings.BANDS_HZ - 1000)))

    known = [x if x is not None else -150 for x in levels]
    assert at == int(np.argmax(known))
    assert max(known[at + 3], known[at - 3]) < known[at] - 40
    assert recordings.BANDS_HZ[at] == pytest.approx(1000)
    assert recordings.BANDS_HZ[0] == pytest.approx(31.62, abs=0.01)


# -------------------------------------------------------------------------------------------------------------- hearing


def test_a_window_is_the_recording_itself(client: Client, pier: Pier) -> None:
    """Every mic of a stretch, as it was recorded to the sample: 24-bit integers fit a 32-bit float exactly."""
    take = client.desk.session.takes[0]
    start = client.kept("snare")[0].onset - 500

    x, rate = heard(client.http.get(f"/api/takes/0/sound?start={start}&stop={start + 4000}").content)

    with TakeReader(pier.session, take, dtype="float64") as reader:
        expected = reader.read(start, start + 4000)
    assert take.sample_rate == rate
    np.testing.assert_array_equal(expected, x.T)


def test_peaks_are_those_of_the_recording(client: Client, pier: Pier) -> None:
    """The outline's extremes are the window's own, mic by mic."""
    take = client.desk.session.takes[0]
    start = client.kept("kick")[0].onset - 1000

    answer = client.http.get(f"/api/takes/0/peaks?start={start}&stop={start + 30000}&points=300")

    got = np.frombuffer(answer.content, "<i2").reshape(len(take.mics), int(answer.headers["x-points"]), 2) / 32767
    with TakeReader(pier.session, take, dtype="float64") as reader:
        x = reader.read(start, start + 30000)
    assert 300 == got.shape[1]
    np.testing.assert_allclose(x.max(axis=1), got[..., 1].max(axis=1), atol=2e-5)
    np.testing.assert_allclose(x.min(axis=1), got[..., 0].min(axis=1), atol=2e-5)


def test_a_one_shot_sounds_as_its_files(client: Client) -> None:
    """The kit's own samples, a channel per mic, named in a header."""
    hit = client.kept("kick")[0]
    shot = client.desk.shots[hit.id]

    answer = client.http.get(f"/api/hits/{hit.id}/shot")

    x, _ = heard(answer.content)
    names = json.loads(answer.headers["x-mics"])
    for file in shot.files:
        expected, _ = read_audio(client.desk.folder / file.path)
        for mic, row in zip(file.mics, expected, strict=True):
            sign = -1.0 if file.inverted else 1.0
            np.testing.assert_allclose(sign * row, x[: len(row), names.index(mic)], atol=1e-9)


def test_mics_that_the_kit_does_not_play_are_silent_in_it(client: Client) -> None:
    """What mappings leave out of a one-shot is not heard of it on the page, either."""
    shot = client.desk.shots[client.kept("kick")[0].id]
    mute = shot.files[-1]
    quiet = replace(shot, files=(*shot.files[:-1], replace(mute, plays=False)))

    _, names = recordings.shot_wav(client.desk, quiet)

    assert [mic for file in shot.files[:-1] for mic in file.mics] == list(names)
    assert mute.mics[0] not in names


def test_a_lifted_tail_never_passes_its_ceiling(client: Client, pier: Pier) -> None:
    """Tails come up by 30 dB, and no sample of a stroke passes -12 dBFS (0.2512), by the balance and mic by mic."""
    hit = client.kept("snare")[-1]
    take = client.desk.session.takes[0]
    rate = take.sample_rate

    for mic in (None, "Snare Top"):
        query = "" if mic is None else f"&mic={mic}"
        x, _ = heard(client.http.get(f"/api/hits/{hit.id}/lifted?frames={rate}{query}").content)
        assert np.abs(x).max() <= 10 ** (-12 / 20) + 1e-7

    with TakeReader(pier.session, take, dtype="float64") as reader:
        rows = dict(zip([m.name for m in take.mics], reader.read(hit.onset, hit.onset + rate), strict=True))
    plain = balance.mix(rows, client.desk.kit.balance)
    x, _ = heard(client.http.get(f"/api/hits/{hit.id}/lifted?frames={rate}").content)
    late = slice(round(0.5 * rate), rate)
    quiet = np.abs(plain[:, late]) * 10 ** (30 / 20) < 0.2
    np.testing.assert_allclose(plain[:, late][quiet] * 10 ** (30 / 20), x.T[:, late][quiet], rtol=1e-4, atol=1e-7)
    assert 1000 < quiet.sum()


def test_lifting_holds_any_signal_under_the_ceiling() -> None:
    """Full-scale noise, lifted, stays at -12 dBFS and is not silenced either."""
    x = np.random.default_rng(5).uniform(-1, 1, (2, 48000))

    made = recordings.lift(x, 48000)

    assert np.abs(made).max() == pytest.approx(10 ** (-12 / 20))


def test_two_hits_can_be_brought_to_one_loudness(client: Client, pier: Pier) -> None:
    """What the page levels by is the loudness of the balanced stroke by ITU-R BS.1770, as measured apart from it."""
    hit = client.kept("floor")[0]
    take = client.desk.session.takes[0]
    with TakeReader(pier.session, take, dtype="float64") as reader:
        rows = dict(zip([m.name for m in take.mics],
                        reader.read(hit.onset, hit.onset + take.sample_rate), strict=True))
    expected = loudness.momentary_max_lufs(balance.mix(rows, client.desk.kit.balance), take.sample_rate)

    assert client.get(f"hits/{hit.id}")["lufs"] == pytest.approx(expected, abs=0.06)


@pytest.mark.parametrize("what", ["groove", "ladder?drum=snare", "velocity?drum=kick&articulation=hit"])
def test_the_kit_can_be_played(client: Client, what: str) -> None:
    """A groove, a ladder and a key over velocity play what the kit has, in order of time."""
    found = client.get(f"play/{what}")["voices"]

    assert len(found) > 3
    assert [v["at"] for v in found] == sorted(v["at"] for v in found)
    assert {v["hit"] for v in found} <= set(client.desk.shots)


def test_a_ladder_climbs(client: Client) -> None:
    """From soft to hard: every alternate of every layer once, velocities never falling."""
    found = client.get("play/ladder?drum=snare")["voices"]
    mine = [shot.hit for shot in client.desk.kit.one_shots if shot.drum == "snare"]

    assert sorted(mine) == sorted(v["hit"] for v in found)
    assert [v["velocity"] for v in found] == sorted(v["velocity"] for v in found)


# ------------------------------------------------------------------------------------------------------------- deciding


def test_what_is_decided_is_on_the_disk_at_once(client: Client) -> None:
    """Each decision stands in corrections.toml when the answer comes."""
    hit = client.kept("snare")[0]

    client.decide("reject", hit)

    assert [("reject", hit.onset)] == [(e.kind, e.hits[0].frame) for e in entries(client.desk.folder)]
    assert ["reject"] == next(row for row in client.get("hits")["hits"] if row["id"] == hit.id)["told"]


def test_texts_of_a_person_stay_where_they_are(client: Client) -> None:
    """Remarks between the entries outlive decisions and their taking back."""
    path = client.desk.folder / "corrections.toml"
    hit = client.kept("snare")[0]
    mine = (f'# mine, keep this\nformat = "oneshot-corrections"\nversion = 1\n\n[[reject]]\ntake = "{hit.take}"\n'
            f"frame = {hit.onset}\n# and this\n")
    path.write_text(mine, encoding="utf-8")
    client.get("kit")

    client.decide("gain", client.kept("kick")[0], gain_db=-3.0)
    assert path.read_text(encoding="utf-8").startswith(mine)
    client.post("undo", {})

    assert mine == path.read_text(encoding="utf-8")


def test_a_second_thought_replaces_the_first(client: Client) -> None:
    """Keep after reject, or another figure for the same hit, leaves one entry; so nothing contradicts itself."""
    hit = client.kept("snare")[0]

    for kind, said in (("reject", {}), ("nudge", {"frames": 5}), ("keep", {}), ("nudge", {"frames": -7})):
        client.decide(kind, hit, **said)

    assert [("keep", None), ("nudge", -7)] == [(e.kind, e.frames) for e in entries(client.desk.folder)]


def test_every_decision_can_be_taken_back_also_by_a_new_process(client: Client, pier: Pier) -> None:
    """The way back leads through second thoughts too, and survives the server."""
    hit = client.kept("snare")[0]
    path = client.desk.folder / "corrections.toml"
    texts = [path.read_bytes()]
    for kind in ("reject", "keep", "reject"):
        client.decide(kind, hit)
        texts.append(path.read_bytes())

    later = Client(client.desk.folder, pier.session)
    for expected in texts[-2::-1]:
        assert later.post("undo", {})["done"]
        assert expected == path.read_bytes()
    assert not later.post("undo", {})["done"]


def test_an_undone_rename_shows_the_old_name(client: Client) -> None:
    """Renamed, built, taken back: the page calls the drum as the next build will, and another rename works."""
    client.decide("rename", drum="floor", to="low tom")
    client.build()
    assert {"low-tom"} == {drum["name"] for drum in client.get("kit")["drums"]} - {"kick", "snare"}
    client.post("undo", {})

    assert {"floor"} == {drum["name"] for drum in client.get("kit")["drums"]} - {"kick", "snare"}
    assert ["low-tom", "hit"] in [row["was"] for row in client.get("hits")["hits"]]
    said = client.decide("rename", status=422, drum="low-tom", to="floor-x")
    assert "low-tom does not exist in the kit" in said["error"]
    client.decide("rename", drum="floor", to="floor-x")
    client.build()
    assert "floor-x" in {drum.name for drum in client.desk.kit.drums}
    assert [None] == [entry["void"] for entry in client.get("kit")["decisions"]]


def test_moves_withdrawn_go_back_where_they_came_from(client: Client) -> None:
    """A hit moved, one split off and two drums merged, built and withdrawn one by one: names as they were."""
    names = {(hit.take, hit.onset): (hit.drum, hit.articulation) for hit in client.desk.kit.hits}
    kick = client.kept("kick")
    client.decide("move", kick[0], to="floor")
    client.decide("split", kick[1], to_articulation="edge")
    client.decide("merge", drums=["floor", "snare"], to="snare")
    client.build()
    for _ in range(3):
        client.post("withdraw", {"number": 0})
    client.get("hits")
    before = client.get("state")
    client.pages.rebuild.start()  # the analysis knew of the move and the merger: it is done anew, in the background
    client.pages.rebuild.wait()

    after = client.get("state")
    assert (before["revision"], before["outlook"] + 1) == (after["revision"], after["outlook"])
    took = client.desk.session.takes[0].name
    assert names == {(took, row["frame"]): (row["drum"], row["way"]) for row in client.get("hits")["hits"]}


def test_an_analysis_that_changes_no_name_is_no_news(client: Client) -> None:
    """Where nothing that named a drum was withdrawn, pages are not made to look again once the analysis is done."""
    client.decide("reject", client.kept("snare")[0])
    client.get("kit")
    client.pages.rebuild.start()
    client.pages.rebuild.wait()

    client.get("kit")
    assert 0 == client.get("state")["outlook"]


def test_an_entry_without_effect_says_so(client: Client) -> None:
    """Entries that the build could do nothing with say why, before a build and after it, and the page has its
    warnings; one that speaks of what an undone rename named has none either.
    """
    client.decide("rename", drum="floor", to="low tom")
    client.build()
    client.decide("gain", drum="low-tom", gain_db=-2.0)
    client.post("withdraw", {"number": 0})
    why = "low-tom does not exist in the kit"
    assert [(True, why)] == [(entry["pending"], entry["void"]) for entry in client.get("kit")["decisions"]]
    path = client.desk.folder / "corrections.toml"
    path.write_text(path.read_text(encoding="utf-8") + '''
[[gain]]
drum = "snare"
layer = 77
gain_db = -1.0

[[rename]]
drum = "kick"
to = "snare"

[[reject]]
take = "pier"
frame = 3

[[reject]]
drum = "kick"
layer = 1
''', encoding="utf-8")
    client.desk.look()
    client.build()

    told = client.get("kit")
    void = [entry["void"] for entry in told["decisions"]]
    assert [False] * 5 == [entry["pending"] for entry in told["decisions"]]
    assert why == void[0]
    assert "no layer 77" in void[1]
    assert "cannot be renamed snare" in void[2]
    assert "no hit at frame 3" in void[3]
    assert void[4] is None
    for reason in void[:4]:
        assert any(reason in warning for warning in told["warnings"])


def test_without_its_notes_nothing_can_be_taken_back(client: Client, pier: Pier, own_folders: Path) -> None:
    """On another machine, where nobody noted the way, nobody knows who wrote an entry: it can only be withdrawn."""
    client.decide("reject", client.kept("snare")[0])
    before = entries(client.desk.folder)
    shutil.rmtree(own_folders / "state")

    later = Client(client.desk.folder, pier.session)
    assert not later.post("undo", {})["done"]

    assert before == entries(client.desk.folder)


@pytest.mark.parametrize(("entry", "match"), [
    ({"kind": "explode"}, "an entry needs a kind"),
    ({"kind": "reject"}, "needs a take and a frame"),
    ({"kind": "reject", "hits": [{"take": "pier"}]}, "places"),
    ({"kind": "reject", "hits": "all"}, "places|entry"),
    ({"kind": "gain", "drum": "kick", "gain_db": 400}, "from -40 to 40"),
    ({"kind": "gain", "drum": "kick", "gain_db": {"a": 1}}, "entry|number"),
    ({"kind": "rename", "drum": "kick", "to": "///"}, "no letter or digit"),
    ({"kind": "rename", "drum": "nobody", "to": "cowbell"}, "nobody does not exist in the kit"),
    ({"kind": "reject", "hits": [{"take": "pier", "frame": 3}]}, "no hit at frame 3"),
    ({"kind": "add", "hits": [{"take": "elsewhere", "frame": 3}]}, "outside the take"),
    ("reject", "an entry needs a kind"),
    (None, "an entry needs a kind"),
])
def test_what_says_nothing_is_refused_in_one_line(client: Client, entry: Any, match: str) -> None:
    """A bad entry, or one that would come to nothing, is told and not written."""
    said = client.post("decide", {"entry": entry}, 422)

    assert "\n" not in said["error"]
    with pytest.raises(AssertionError, match=match):
        raise AssertionError(said["error"])
    assert () == entries(client.desk.folder)


def test_a_stale_page_overwrites_nothing(client: Client) -> None:
    """Two tabs: the second decision on an old revision is refused, and both know the new one then."""
    first, second = client.kept("snare")[:2]
    seen = client.get("kit")["revision"]
    client.post("decide", {"revision": seen, "entry": {"kind": "reject", "hits": [place(first)]}})

    said = client.post("decide", {"revision": seen, "entry": {"kind": "reject", "hits": [place(second)]}}, 409)
    client.post("undo", {"revision": seen}, 409)
    client.post("balance", {"revision": seen, "mic": "OH L", "fader": {"on": False}}, 409)

    assert said["stale"]
    assert 1 == len(entries(client.desk.folder))
    assert client.get("kit")["revision"] == seen + 1


def test_a_file_edited_by_hand_is_seen(client: Client) -> None:
    """What a person writes into corrections.toml while the page is open counts, and makes the page stale."""
    before = client.get("kit")["revision"]
    hit = client.kept("kick")[0]
    path = client.desk.folder / "corrections.toml"
    path.write_text(dump(Corrections((Correction("reject", (Place(hit.take, hit.onset),)),))), encoding="utf-8")

    client.post("decide", {"revision": before, "entry": {"kind": "keep", "hits": [place(hit)]}}, 409)

    assert client.get("kit")["revision"] > before
    assert ["reject"] == [entry["kind"] for entry in client.get("kit")["decisions"]]


def test_many_hands_at_once_lose_nothing(client: Client) -> None:
    """Twelve decisions from twelve threads, each trying again when it was late: twelve entries."""
    hits = list(client.desk.kit.hits)[:12]

    def one(hit: Any) -> None:
        while True:
            said = client.http.post("/api/decide", json={
                "revision": client.get("state")["revision"], "entry": {"kind": "reject", "hits": [place(hit)]}})
            if said.status_code == 200:
                return
            assert 409 == said.status_code

    threads = [threading.Thread(target=one, args=(hit,)) for hit in hits]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert {h.onset for h in hits} == {e.hits[0].frame for e in entries(client.desk.folder)}


def test_names_are_those_of_now(client: Client) -> None:
    """After a rename that waits to be built the page speaks of the new name, and entries may."""
    client.decide("rename", drum="floor", to="big tom")
    names = [drum["name"] for drum in client.get("kit")["drums"]]

    client.decide("gain", drum="big-tom", gain_db=-2.0)

    assert "big-tom" in names
    assert "floor" not in names
    assert ["floor", "hit"] in [row["was"] for row in client.get("hits")["hits"]]


def test_the_balance_goes_to_the_recipe(client: Client) -> None:
    """A fader moved on the page stands in recipe.toml, sounds at once, and can be let go again."""
    computed = client.desk.kit.balance["OH L"]

    client.post("balance", {"mic": "OH L", "fader": {"gain_db": -9.5, "pan": -0.5, "on": True, "polarity": 1}})

    recipe, _ = load_recipe(client.desk.folder / "recipe.toml")
    assert -9.5 == recipe.balance["OH L"].gain_db
    assert Fader(-9.5, -0.5, 1, True) == client.desk.balance()["OH L"]
    client.post("balance", {"mic": "OH L", "fader": None})
    assert computed == client.desk.balance()["OH L"]
    client.post("balance", {"mic": "OH L", "fader": {"gain_db": 900}}, 422)
    client.post("balance", {"mic": "nobody", "fader": None}, 422)


def test_a_save_that_fails_leaves_everything_as_it_was(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk: the answer says so, the file and what the server knows stay."""
    def full(path: Path, content: Any) -> None:
        del path, content
        raise OSError(28, "No space left on device")

    before = (client.desk.folder / "corrections.toml").read_bytes()
    monkeypatch.setattr("oneshot.review.decisions.write_atomic", full)

    said = client.decide("reject", client.kept("snare")[0], 507)

    assert "No space left" in said["error"]
    assert before == (client.desk.folder / "corrections.toml").read_bytes()
    assert [] == client.get("kit")["decisions"]


def test_a_kit_without_its_recordings_says_so(pier: Pier, tmp_path: Path) -> None:
    """A session that lacks the kit's takes is refused before anything is served."""
    folder = own_copy(pier, tmp_path)
    other = tmp_path / "other"
    (other / "take 9").mkdir(parents=True)
    soundfile.write(other / "take 9" / "Kick.wav", np.zeros(48000), 48000)

    with pytest.raises(KitError, match="has no take pier"):
        Desk(folder, other)


def test_entries_are_told_apart_from_those_already_built(pier: Pier, tmp_path: Path) -> None:
    """What the kit was built with counts as built; what was written since waits."""
    folder = own_copy(pier, tmp_path)
    journal = Journal(folder)
    journal.open()
    assert () == journal.pending

    client = Client(folder, pier.session)
    client.decide("reject", client.kept("snare")[0])
    again = Journal(folder)
    again.open()

    assert 1 == len(again.pending)
    assert not again.withdrawn


def test_a_build_by_another_command_counts_as_built(client: Client, pier: Pier) -> None:
    """Decided on the page, built by ``oneshot build``, edited by hand afterwards: only the last waits."""
    client.decide("rename", drum="floor", to="big tom")
    pipeline.build(pier.session, client.desk.folder)
    assert [] == [entry for entry in client.get("kit")["decisions"] if entry["pending"]]

    path = client.desk.folder / "corrections.toml"
    mine = dump(Corrections((Correction("gain", drum="big-tom", gain_db=-1.0),)))
    path.write_text(path.read_text(encoding="utf-8") + mine[len(dump(Corrections())):], encoding="utf-8")
    told = client.get("kit")

    assert ["gain"] == [entry["kind"] for entry in told["decisions"] if entry["pending"]]
    assert [] == told["problems"]
