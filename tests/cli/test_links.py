"""A kit that is reached by a link, or from inside its own folder: what the link leads to is written, and it stays."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from command_line import main_code

from oneshot.audio.io import read_audio, write_wav
from oneshot.kit.read import read_kit

if TYPE_CHECKING:
    from stage_inputs import Pier


@pytest.fixture
def linked(jetty: Pier, tmp_path: Path) -> Path:
    """A link to a copy of the small kit, in a folder with nothing else in it."""
    shutil.copytree(jetty.folder, tmp_path / "far" / "kit")
    (tmp_path / "near").mkdir()
    (tmp_path / "near" / "kit").symlink_to(tmp_path / "far" / "kit")
    return tmp_path / "near" / "kit"


def names(folder: Path) -> list[str]:
    """What lies in a folder."""
    return sorted(path.name for path in folder.iterdir())


def there(linked: Path) -> tuple[bool, list[str], list[str]]:
    """Whether the link is still one, what lies beside it and what beside the kit."""
    return linked.is_symlink(), names(linked.parent), names(linked.resolve().parent)


def test_a_build_replaces_what_the_link_leads_to(jetty: Pier, linked: Path) -> None:
    """Also the kit is new, not just the folder; nothing of the build is left."""
    (linked / "recipe.toml").write_text('[kit]\nname = "Harbour"\n', encoding="utf-8")

    assert 0 == main_code("build", str(jetty.session), str(linked))
    assert (True, ["kit"], ["kit"]) == there(linked)
    assert "Harbour" == dict(read_kit(linked.parent.parent / "far" / "kit").recipe["kit"])["name"]  # type: ignore[call-overload]


@pytest.mark.usefixtures("one_bar")
def test_so_do_the_commands_on_kits(linked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Measured again in place; preview and pack lie beside the link, as they are called after it."""
    path = linked / read_kit(linked).one_shots[0].files[0].path
    x, header = read_audio(path)
    write_wav(path, x * 0.5, header.sample_rate, header.subtype)

    assert 0 == main_code("remeasure", str(linked)), capsys.readouterr().err
    assert (True, ["kit"], ["kit"]) == there(linked)
    assert "outside" == read_kit(linked).one_shots[0].files[0].processed
    assert 0 == main_code("preview", str(linked))
    assert 0 == main_code("pack", str(linked), "--licence", "cc0", "--yes")
    assert (True, ["kit", "kit preview.wav", "kit.zip"], ["kit"]) == there(linked)


def test_a_rebuild_from_the_review_page_does_too(jetty: Pier, linked: Path) -> None:
    """Corrections and the kit go to where the link leads."""
    from review_desk import Client

    client = Client(linked, jetty.session)
    client.decide("reject", client.kept("kick")[0])
    client.build()
    client.server.rebuild.wait()  # for what was replaced to be gone

    assert (True, ["kit"], ["kit"]) == there(linked)
    corrections = (linked.parent.parent / "far" / "kit" / "corrections.toml").read_text(encoding="utf-8")
    assert 1 == sum(line.startswith("[[leave_out]]") for line in corrections.splitlines())


@pytest.mark.usefixtures("one_bar")
@pytest.mark.parametrize("called", [".", ".."])
def test_a_kit_may_be_called_by_where_one_is(linked: Path, monkeypatch: pytest.MonkeyPatch,
                                             capsys: pytest.CaptureFixture[str], called: str) -> None:
    """``.`` and ``..`` are folders as any other; what is written beside them bears the folder's name."""
    monkeypatch.chdir(linked if called == "." else linked / "mappings")
    for words in (("verify",), ("preview",), ("pack", "--licence", "cc0", "--yes"), ("remeasure",)):
        assert 0 == main_code(words[0], called, *words[1:]), capsys.readouterr().err

    assert ["kit", "kit preview.wav", "kit.zip"] == there(linked)[2]


@pytest.mark.parametrize("words", [("build", "SESSION", "LOOP"), ("build", "SESSION", "LOOP/x"), ("remeasure", "LOOP"),
                                   ("preview", "LOOP"), ("pack", "LOOP"), ("verify", "LOOP"), ("check", "LOOP"),
                                   ("compare", "SESSION", "--out", "LOOP"), ("demo", "LOOP"),
                                   ("build", "SESSION", "NEW", "--processed", "LOOP"),
                                   ("build", "SESSION", "NEW", "--recipe", "LOOP"),
                                   ("build", "SESSION", "NEW", "--last", "LOOP")])
def test_a_link_to_itself_is_one_line(jetty: Pier, tmp_path: Path, capsys: pytest.CaptureFixture[str],
                                      words: tuple[str, ...]) -> None:
    """No command follows it round and round, and none writes anything."""
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    paths = {"SESSION": str(jetty.session), "NEW": str(tmp_path / "new"), "LOOP": str(tmp_path / "loop"),
             "LOOP/x": str(tmp_path / "loop" / "x")}

    assert 1 == main_code(*(paths.get(word, word) for word in words))
    assert 1 == len(capsys.readouterr().err.splitlines())
    assert ["loop"] == names(tmp_path)
