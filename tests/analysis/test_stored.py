"""Stored: what one build found in a session, the next one takes from the store, and nothing that does not fit."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import pytest
from stage_inputs import Pier

from oneshot import pipeline
from oneshot.analysis import run, stored
from oneshot.analysis.pooling import Pooling
from oneshot.config.corrections_file import Corrections
from oneshot.config.handling import NOTHING, ForAnalysis, Merged, Told
from oneshot.config.recipe import Recipe
from oneshot.core.cache import keys
from oneshot.core.cache.disk import Store
from oneshot.core.records.session import Session
from oneshot.session.open import open_session

TOLD = ForAnalysis((Told("take 1", 1000, frozenset({"kick", "snare"}), missed=True),),
                   (Merged(("ride", "hat"), "hat"),))


@pytest.fixture(scope="module")
def found(pier: Pier, tmp_path_factory: pytest.TempPathFactory) -> tuple[Session, stored.Found]:
    """A session and what was found in it."""
    session = open_session(pier.session)
    return session, pipeline.analysed(session, Store(tmp_path_factory.mktemp("store")), Corrections(()), Recipe())


@pytest.fixture
def store(found: tuple[Session, stored.Found], tmp_path: Path) -> Store:
    """A store that holds it."""
    out = Store(tmp_path / "store")
    stored.save(out, found[0], TOLD, Pooling(), found[1])
    return out


def test_what_was_found_comes_back_as_it_was(found: tuple[Session, stored.Found], store: Store) -> None:
    """Every field of the findings is read back as it was written, to the last bit of every figure, and so is what was
    to be told.
    """
    session, (findings, apart) = found
    again = stored.load(store, session, TOLD, Pooling())

    assert again is not None
    assert apart == again[1]
    for each in fields(findings):
        assert getattr(findings, each.name) == getattr(again[0], each.name), each.name
    assert [] == store.stale


def other_session(session: Session) -> Session:
    """The same recordings, of which session.toml says something else."""
    return replace(session, air_c=session.air_c + 1)


@pytest.mark.parametrize(("change", "told", "pooling"), [(other_session, TOLD, Pooling()),
                                                         (lambda s: s, ForAnalysis(TOLD.hits), Pooling()),
                                                         (lambda s: s, NOTHING, Pooling()),
                                                         (lambda s: s, TOLD, Pooling("none")),
                                                         (lambda s: s, TOLD, Pooling("alike", ("OH",)))])
def test_what_was_asked_otherwise_is_not_used(found: tuple[Session, stored.Found], store: Store, pooling: Pooling,
                                              change: Callable[[Session], Session], told: ForAnalysis) -> None:
    """Another session.toml, another correction or other takes in one set: nothing is taken from the store."""
    assert stored.load(store, change(found[0]), told, pooling) is None


@pytest.mark.parametrize("name", ["code_digest", "versions"])
def test_other_code_uses_nothing(found: tuple[Session, stored.Found], store: Store, name: str,
                                 monkeypatch: pytest.MonkeyPatch) -> None:
    """What another version of the package, or of a library, has found is not used."""
    monkeypatch.setattr(keys, name, lambda: "another")

    assert stored.load(store, found[0], TOLD, Pooling()) is None


def test_the_place_of_a_session_does_not_matter(found: tuple[Session, stored.Found], store: Store) -> None:
    """A session that was moved to another folder is still the same."""
    assert stored.load(store, replace(found[0], root=Path("elsewhere")), TOLD, Pooling()) is not None


def cut(data: bytes) -> bytes:
    """Cut off in the middle."""
    return data[: len(data) // 2]


def changed(data: bytes) -> bytes:
    """With some bytes written over."""
    return data[: len(data) // 2] + b"\x00\xff\x00\xff" + data[len(data) // 2 + 4 :]


def emptied(_: bytes) -> bytes:
    """Nothing left."""
    return b""


@pytest.mark.parametrize("harm", [cut, changed, emptied])
def test_a_broken_file_is_not_used(found: tuple[Session, stored.Found], store: Store,
                                   harm: Callable[[bytes], bytes]) -> None:
    """A file that was cut off or written over is told as out of date, and the analysis is made anew."""
    path = store.folder / "analysis.record.npy"
    text = harm(np.load(path).tobytes())
    np.save(path, np.frombuffer(text, np.uint8))

    assert stored.load(store, found[0], TOLD, Pooling()) is None
    assert [stored.NAME] == store.stale


def test_what_another_build_wrote_meanwhile_is_not_used(found: tuple[Session, stored.Found], store: Store,
                                                        tmp_path: Path) -> None:
    """A text made with other parameters than the record beside it says is not used."""
    other = Store(tmp_path / "other")
    stored.save(other, found[0], NOTHING, Pooling("none"), found[1])
    (store.folder / "analysis.record.npy").write_bytes((other.folder / "analysis-none.record.npy").read_bytes())

    assert stored.load(store, found[0], TOLD, Pooling()) is None


def test_a_rebuild_with_another_recipe_listens_to_nothing(jetty: Pier, tmp_path: Path,
                                                          monkeypatch: pytest.MonkeyPatch) -> None:
    """A second build, even one that asks for other grades and layers, takes its hits from the store; a kit built so has
    the bytes of one built from nothing, and a build that is to start afresh does.
    """
    recipe = tmp_path / "recipe.toml"
    recipe.write_text("[choose]\ngrade = \"D\"\nlayers = 2\n")
    pipeline.build(jetty.session, tmp_path / "one", recipe_path=recipe, fresh=True)
    pipeline.build(jetty.session, tmp_path / "default", fresh=True)

    def never(*_: Any, **__: Any) -> NoReturn:
        raise AssertionError("it was listened to")

    monkeypatch.setattr(run, "analyse", never)
    pipeline.build(jetty.session, tmp_path / "two", recipe_path=recipe)
    with pytest.raises(AssertionError, match="listened"):
        pipeline.build(jetty.session, tmp_path / "three", fresh=True)

    files = [path.relative_to(tmp_path / "one") for path in sorted((tmp_path / "one").rglob("*")) if path.is_file()]
    assert len(files) > 20
    assert [(tmp_path / "one" / path).read_bytes() for path in files] == [
        (tmp_path / "two" / path).read_bytes() for path in files]


def test_only_what_is_installed_with_the_package_is_asked_for() -> None:
    """The libraries by whose versions a stored analysis goes are dependencies of the package itself, not of its
    tests.
    """
    declared = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())["project"]["dependencies"]

    assert set(keys.LIBRARIES) <= {re.split(r"[^\w-]", each, maxsplit=1)[0] for each in declared}
