"""A finished kit read back from its folder."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from oneshot.core.errors import KitError
from oneshot.core.records.kit import Kit
from oneshot.kit.export.manifest import to_json
from oneshot.kit.read import read_kit


def test_a_kit_read_back_says_the_same(example: Kit) -> None:
    """What is read from a manifest makes the same manifest: nothing is lost on the way."""
    folder = example.session.root / "kit"
    document = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))

    assert document == json.loads(json.dumps(to_json(read_kit(folder))))
    assert {"take 1": ("OH L",)} == read_kit(folder).polarity_measured


@pytest.mark.usefixtures("own_example")
def test_fields_of_a_later_version_are_passed_over(tmp_path: Path) -> None:
    """The contract: readers ignore what they don't know."""
    path = tmp_path / "kit" / "manifest.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    document["hits"][0]["weather"] = "fair"
    path.write_text(json.dumps(document), encoding="utf-8")

    assert document["hits"][0]["drum"] == read_kit(tmp_path / "kit").hits[0].drum


@pytest.mark.usefixtures("own_example")
@pytest.mark.parametrize("spoil", [lambda d: d.pop("hits"), lambda d: d["hits"][0].pop("onset"),
                                   lambda d: d.update(drums=5), lambda d: d["session"]["takes"][0]["mics"][0].update(
                                       role="loud"),
                                   lambda d: d["hits"][0].update(onset="soon"),
                                   lambda d: d["hits"][0].update(onset=1.5),
                                   lambda d: d["one_shots"][0].update(velocity=[1, 2, 3]),
                                   lambda d: d["balance"].update({"OH L": {"pan": "left"}})])
def test_a_damaged_manifest_gives_one_line(tmp_path: Path, spoil: object) -> None:
    """What is missing or of another shape is told with the file's name, on one line."""
    path = tmp_path / "kit" / "manifest.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    spoil(document)  # type: ignore[operator]
    path.write_text(json.dumps(document), encoding="utf-8")

    with pytest.raises(KitError, match=r"manifest\.json: not a valid manifest .*; verify the kit") as told:
        read_kit(tmp_path / "kit")
    assert "\n" not in str(told.value)


def test_a_folder_that_is_no_kit_is_refused(tmp_path: Path) -> None:
    """No folder, no manifest."""
    with pytest.raises(KitError, match="no such folder"):
        read_kit(tmp_path / "nothing")
    with pytest.raises(KitError, match="not a kit"):
        read_kit(tmp_path)
    (tmp_path / "manifest.json").write_text("[" * 50_000, encoding="utf-8")
    with pytest.raises(KitError, match="cannot be read as JSON"):
        read_kit(tmp_path)


FRAMES, ROW = 2**40, ("one_shots", 0, "files", 0)


@pytest.mark.usefixtures("own_example")
@pytest.mark.parametrize(("place", "value"), [
    *(((*ROW, "path"), path) for path in ("../x.wav", "/etc/x", "samples/../../x", "", ".", "a\\b", "c:x",
                                          "a\0b", "a//b")),
    (("session", "takes", 0, "mics", 0, "source", 0, "path"), "../../x.wav"), ((*ROW, "frames"), -1),
    ((*ROW, "frames"), FRAMES), ((*ROW, "onset_frame"), -1), ((*ROW, "fade_out_frames"), FRAMES),
    ((*ROW, "gain_db"), 1e300), ((*ROW, "mics"), []), ((*ROW, "mics"), ["nobody"]), ((*ROW, "hit"), 999_999),
    (("session", "takes", 0, "sample_rate"), "48000"), (("session", "takes", 0, "sample_rate"), 1),
    (("session", "takes", 0, "frames"), FRAMES), (("session", "name"), 5), (("hits", 0, "onset"), FRAMES),
    (("hits", 0, "take"), "nowhere"), (("hits", 1, "id"), 0), (("one_shots", 0, "velocity"), [5, 1]),
    (("one_shots", 0, "velocity"), [1, 1000]), (("one_shots", 0, "layer"), 2**40), (("one_shots", 0, "files"), []),
    (("one_shots", 0, "drum"), "nothing"), (("drums", 0, "articulations", 0, "key"), 128), (("recipe",), None),
    (("recipe",), {"cut": 5}), (("bleed",), {"take 1": "none"}), (("delays_ms",), {"take 1": {"kick": {"OH": {}}}}),
    (("tracks",), {"take 1": [{"name": "x"}]}), (("learned",), {"bus": "x"}), (("learned",), [1]),
    (("balance", "OH L", "gain_db"), 1e5), (("drums", 0, "choke"), "")])
def test_what_a_manifest_cannot_mean_is_one_line(tmp_path: Path, place: tuple[str | int, ...], value: object) -> None:
    """Paths that lead out, numbers that nothing can have, names of what is not there: told for every command."""
    path = tmp_path / "kit" / "manifest.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    row = document
    for step in place[:-1]:
        row = row[step]
    row[place[-1]] = value
    path.write_text(json.dumps(document), encoding="utf-8")

    with pytest.raises(KitError, match=r"\A[^\n]*manifest\.json: not a valid manifest [^\n]*\Z"):
        read_kit(tmp_path / "kit")
