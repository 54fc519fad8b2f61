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
