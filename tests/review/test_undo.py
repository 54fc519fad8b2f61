"""The way back and forward through what was decided: corrections and balance alike, in every process."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from review_desk import Client, entries

from oneshot.config.corrections_file import Place
from oneshot.config.recipe_file import load_recipe
from oneshot.core.user_state import note_beside
from oneshot.review.undo import MOST_STEPS, History, Stand, read_history, step_between

if TYPE_CHECKING:
    from stage_inputs import Pier


def standing(client: Client) -> tuple[bytes, dict[str, Any]]:
    """Both files that hold decisions: the corrections' bytes, and what the recipe says of the balance."""
    recipe, _ = load_recipe(client.desk.folder / "recipe.toml")
    return (client.desk.folder / "corrections.toml").read_bytes(), dict(recipe.balance)


def decide_all(client: Client) -> list[tuple[bytes, dict[str, Any]]]:
    """One decision of each kind, faders between them; where things stood before the first and after each."""
    snare, kick = client.kept("snare"), client.kept("kick")
    spots = [standing(client)]
    steps: list[tuple[str, dict[str, Any]]] = [
        ("reject", {"hit": snare[0]}), ("keep", {"hit": snare[0]}), ("nudge", {"hit": kick[0], "frames": 9}),
        ("fader", {"mic": "OH L", "fader": {"gain_db": -9.5, "pan": -0.5, "on": True, "polarity": 1}}),
        ("end", {"hit": kick[0], "after_ms": 120.0}), ("fade", {"hit": kick[0], "out_ms": 20.0}),
        ("gain", {"drum": "floor", "gain_db": -2.0}), ("drop", {"hit": kick[1], "mics": ["OH L", "OH R"]}),
        ("fader", {"mic": "OH L", "fader": {"gain_db": -12}}), ("layer", {"hit": snare[1], "layer": 1}),
        ("move", {"hit": kick[2], "to": "floor"}), ("rename", {"drum": "floor", "to": "big tom"}),
        ("fader", {"mic": "OH L", "fader": None}), ("split", {"hit": snare[2], "to_articulation": "edge"}),
        ("round_robins", {"hit": snare[1], "drum": "snare", "articulation": "centre", "layer": 1}),
        ("add", {"hits": [{"take": "pier", "frame": kick[0].onset - 9000}]}),
        ("merge", {"drums": ["kick", "big-tom"], "to": "kick"}),
    ]
    for kind, said in steps:
        if kind == "fader":
            client.post("balance", said)
        else:
            client.decide(kind, **said)
        spots.append(standing(client))
    return spots


def test_every_decision_goes_back_and_forward(client: Client) -> None:
    """Each kind of correction and faders set, set again and let go: to the byte, all the way back and forward."""
    spots = decide_all(client)

    for expected in spots[-2::-1]:
        assert client.post("undo", {})["done"]
        assert expected == standing(client)
    assert client.post("undo", {})["done"] is None
    for expected in spots[1:]:
        assert client.post("redo", {})["done"]
        assert expected == standing(client)
    assert client.post("redo", {})["done"] is None


def test_the_way_leads_through_other_processes(client: Client, pier: Pier) -> None:
    """Half of it taken back, the server ended and begun again between any two steps: back and forward as before."""
    spots = decide_all(client)

    for expected in spots[-2:5:-1]:
        later = Client(client.desk.folder, pier.session)
        later.post("undo", {})
        assert expected == standing(later)
    for expected in spots[7:]:
        later = Client(client.desk.folder, pier.session)
        later.post("redo", {})
        assert expected == standing(later)


def test_what_comes_back_is_told(client: Client) -> None:
    """The page knows what a step back or forward would do, and an answer says what it did."""
    hit = client.kept("snare")[0]
    assert (None, None) == (client.get("kit")["undo"], client.get("kit")["redo"])
    client.decide("reject", hit)
    client.post("balance", {"mic": "OH R", "fader": {"gain_db": -3.0}})
    told = client.get("kit")

    assert {"kind": "balance", "mic": "OH R", "from": None, "to": {"gain_db": -3.0}} == told["undo"]
    assert ["OH R"] == told["moved"]
    assert "OH R" == client.post("undo", {})["done"]["mic"]
    told = client.get("kit")
    assert ("reject", "balance") == (told["undo"]["kind"], told["redo"]["kind"])
    assert [] == told["moved"]
    assert hit.onset == told["undo"]["hits"][0]["frame"]


def test_a_new_decision_ends_the_way_forward(client: Client) -> None:
    """After a step back another decision takes the place of what was taken back."""
    first, second = client.kept("snare")[:2]
    client.decide("reject", first)
    client.post("undo", {})

    client.decide("reject", second)

    assert client.get("kit")["redo"] is None
    assert client.post("redo", {})["done"] is None
    assert [second.onset] == [entry.hits[0].frame for entry in entries(client.desk.folder)]


def test_a_page_that_is_behind_takes_nothing_back(client: Client) -> None:
    """A second tab that has not seen the last change is refused in both directions."""
    seen = client.get("kit")["revision"]
    client.decide("reject", client.kept("snare")[0])

    client.post("undo", {"revision": seen}, 409)
    client.post("undo", {})
    client.post("redo", {"revision": seen}, 409)

    assert () == entries(client.desk.folder)


def test_another_hand_ends_the_way(client: Client, pier: Pier) -> None:
    """A text edited by hand is never changed by a step back or forward; what is decided after that can go back."""
    first, second, third = client.kept("snare")[:3]
    path = client.desk.folder / "corrections.toml"
    client.decide("reject", first)
    client.decide("reject", second)
    mine = path.read_text(encoding="utf-8") + "# mine\n"
    path.write_text(mine, encoding="utf-8")

    later = Client(client.desk.folder, pier.session)

    assert (None, None) == (later.get("kit")["undo"], later.get("kit")["redo"])
    for way in ("undo", "redo"):
        assert later.post(way, {})["done"] is None
    assert mine == path.read_text(encoding="utf-8")
    later.decide("reject", third)
    assert "reject" == later.post("undo", {})["done"]["kind"]
    assert later.post("undo", {})["done"] is None
    assert mine == path.read_text(encoding="utf-8")


def test_entries_written_by_hand_are_not_undone(client: Client, pier: Pier) -> None:
    """Two entries with notes, written into the file and built: undo has nothing to take back, then or once the page has
    decided something and taken that back, nor in the next process.
    """
    first, second, third = client.kept("snare")[:3]
    path = client.desk.folder / "corrections.toml"
    mine = path.read_text(encoding="utf-8") + "".join(
        f'\n[[reject]]\ntake = "{hit.take}"\nframe = {hit.onset}\nnote = "buzz"\n' for hit in (first, second))
    path.write_text(mine, encoding="utf-8")
    client.desk.look()
    client.build()

    assert client.get("kit")["undo"] is None
    assert client.post("undo", {})["done"] is None
    client.decide("reject", client.desk.near(Place(third.take, third.onset)))
    later = Client(client.desk.folder, pier.session)
    assert "reject" == later.post("undo", {})["done"]["kind"]
    assert later.post("undo", {})["done"] is None
    assert mine == path.read_text(encoding="utf-8")
    assert ["buzz", "buzz"] == [entry.note for entry in entries(client.desk.folder)]


def test_a_recipe_edited_by_hand_is_seen(client: Client) -> None:
    """A fader written into recipe.toml while the page is open counts, and makes the page stale."""
    before = client.get("kit")["revision"]
    path = client.desk.folder / "recipe.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[balance]\n", '[balance]\n"OH L" = { gain_db = -21.0 }\n'), encoding="utf-8")

    told = client.get("kit")

    assert before + 1 == told["revision"]
    assert (-21.0, ["OH L"]) == (told["balance"]["OH L"]["gain_db"], told["moved"])


def test_a_fader_leaves_what_a_person_wrote_in_the_recipe(client: Client) -> None:
    """Comments, order and other tables of recipe.toml stay as they are, there and back."""
    path = client.desk.folder / "recipe.toml"
    mine = '# mine\n[balance] # by ear\n"OH R" = { gain_db = -6.0 } # softer\n\n# few\n[choose]\nlayers = 3\n'
    path.write_text(mine, encoding="utf-8")
    client.get("kit")
    client.post("balance", {"mic": "OH L", "fader": {"gain_db": -9.5}})

    assert mine.replace("softer\n", 'softer\n"OH L" = { gain_db = -9.5 }\n') == path.read_text(encoding="utf-8")
    client.post("balance", {"mic": "OH R", "fader": {"gain_db": -7.5}})
    assert '[balance] # by ear\n"OH R" = { gain_db = -7.5 } # softer\n' in path.read_text(encoding="utf-8")
    client.post("undo", {})
    client.post("undo", {})
    assert mine == path.read_text(encoding="utf-8")


@pytest.mark.parametrize("lost", ["corrections.toml", "recipe.toml"])
def test_killed_between_the_note_and_the_file_nothing_is_lost(client: Client, pier: Pier, lost: str,
                                                              monkeypatch: pytest.MonkeyPatch) -> None:
    """The note of the way may be a step ahead of the files: the next start finds where they stand."""
    spots = decide_all(client)

    def cut_off(path: Path, content: Any) -> None:
        if path.name == lost:
            raise KeyboardInterrupt
        path.write_text(content, encoding="utf-8")

    with monkeypatch.context() as patch:
        patch.setattr("oneshot.review.decisions.write_atomic", cut_off)
        desk = client.desk
        ways: dict[str, Callable[[], object]] = {
            "corrections.toml": partial(desk.undo, desk.revision),
            "recipe.toml": partial(desk.set_faders, desk.revision, [("OH R", {"on": False})])}
        go = ways[lost]
        with pytest.raises(KeyboardInterrupt):
            go()

    later = Client(client.desk.folder, pier.session)
    assert spots[-1] == standing(later)
    for expected in spots[-2::-1]:
        later.post("undo", {})
        assert expected == standing(later)


@pytest.mark.parametrize("note", ["", "[]", "{}", '{"history": 3}', '{"history": {"count": 9, "steps": [{"at": 1}]}}',
                                  '{"history": {"count": "x", "steps": []}}', '{"history": {"count": 1, "steps": 5}}'])
def test_a_note_that_says_nothing_stops_nobody(client: Client, pier: Pier, note: str) -> None:
    """A damaged note costs the way back to what was decided before, and no more."""
    first, second = client.kept("snare")[:2]
    client.decide("reject", first)
    note_beside(client.desk.folder, "review.json").write_text(note, encoding="utf-8")

    later = Client(client.desk.folder, pier.session)

    assert later.post("undo", {})["done"] is None
    later.decide("reject", second)
    assert "reject" == later.post("undo", {})["done"]["kind"]
    assert [first.onset] == [entry.hits[0].frame for entry in entries(later.desk.folder)]


def test_one_decision_is_withdrawn_among_others(client: Client) -> None:
    """The second of three goes, a person's remarks and the others stay; undo puts it back where it stood."""
    first, second, third = client.kept("snare")[:3]
    path = client.desk.folder / "corrections.toml"
    client.decide("reject", first)
    client.decide("drop", second, mics=["OH L"])
    client.decide("reject", third)
    path.write_text(path.read_text(encoding="utf-8") + "# mine\n", encoding="utf-8")
    before = path.read_bytes()
    told = client.get(f"hits/{second.id}")["entries"]

    seen = client.get("kit")["revision"]
    client.post("withdraw", {"number": told[0]["number"]})
    client.post("withdraw", {"revision": seen, "number": 0}, 409)

    assert [("drop", 1)] == [(entry["kind"], entry["number"]) for entry in told]
    assert [first.onset, third.onset] == [entry.hits[0].frame for entry in entries(client.desk.folder)]
    assert path.read_text(encoding="utf-8").endswith("# mine\n")
    done = client.post("undo", {})["done"]
    assert ("withdraw", "drop") == (done["kind"], done["entry"]["kind"])
    assert before == path.read_bytes()
    for number in (3, -1, "1", None, 1.5):
        assert "no such correction" in client.post("withdraw", {"number": number}, 422)["error"]


def test_another_decision_on_a_built_hit_is_one_change(client: Client) -> None:
    """Kept after it was left out and built: one entry waits, none was deleted; undone and deleted, one was."""
    client.decide("reject", client.kept("snare")[0])
    client.build()
    hit = client.desk.near(entries(client.desk.folder)[0].hits[0])
    client.decide("keep", hit)
    told = client.get("kit")
    assert ([True], 0) == ([entry["pending"] for entry in told["decisions"]], told["withdrawn"])
    client.post("undo", {})
    client.post("withdraw", {"number": 0})

    told = client.get("kit")
    assert ([], 1) == (told["decisions"], told["withdrawn"])


def test_what_was_decided_already_is_no_step(client: Client) -> None:
    """The same said twice changes nothing, and leaves nothing to take back but the first."""
    hit = client.kept("snare")[0]
    client.decide("reject", hit)
    client.decide("reject", hit)
    client.post("balance", {"mic": "OH L", "fader": {"gain_db": -9.0}})
    client.post("balance", {"mic": "OH L", "fader": {"gain_db": -9.0}})

    assert ["balance", "reject"] == [client.post("undo", {})["done"]["kind"] for _ in range(2)]
    assert client.post("undo", {})["done"] is None


def test_steps_are_small_and_not_endless() -> None:
    """A step holds what it changed, not the whole text, and so many are kept and no more."""
    history, now = History(), Stand("", {})
    for n in range(MOST_STEPS + 50):
        after = Stand(now.text + f"entry {n:05d}\n", {})
        history = history.with_step(step_between(now, after, {"n": n}))
        now = after

    assert MOST_STEPS == len(history.steps) == history.count
    assert len(json.dumps(history.record())) < MOST_STEPS * 300
    assert history == read_history(json.loads(json.dumps(history.record())))
    assert history == history.settled(now)
    assert History() == history.settled(Stand("something else", {}))


@pytest.mark.parametrize(("old", "new"), [("", "a"), ("a", ""), ("aa", "a"), ("a", "aa"), ("abab", "ab"), ("x", "y"),
                                          ("same", "same"), ("one two three", "one three two")])
def test_a_step_leads_there_and_back(old: str, new: str) -> None:
    """Whatever two texts and balances have in common, the step between them gives each from the other."""
    before, after = Stand(old, {"a": {"gain_db": 1.0}, "b": {"on": False}}), Stand(new, {"a": {"gain_db": 2.0}})

    step = step_between(before, after, {})

    assert after == step.again(before)
    assert before == step.back(after)
