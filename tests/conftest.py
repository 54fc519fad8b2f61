"""What every test gets: cache and state folders of its own, so that no test reads what another one stored."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser
    from review_desk import Client
    from review_sight import Sight
    from stage_inputs import Pier

    from oneshot.core.records.kit import Kit

TERMINAL = ("NO_COLOR", "FORCE_COLOR", "CLICOLOR_FORCE", "TERMINAL_WIDTH", "COLUMNS")


@pytest.fixture(scope="session", autouse=True)
def _never_the_users_folders(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep fixtures that outlive one test, built kits above all, away from the cache of whoever runs the tests."""
    with pytest.MonkeyPatch.context() as patch:
        home = tmp_path_factory.mktemp("home")
        patch.setenv("XDG_CACHE_HOME", str(home / "cache"))
        patch.setenv("XDG_STATE_HOME", str(home / "state"))
        yield


@pytest.fixture(autouse=True)
def own_folders(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Point cache and state into a fresh place and leave the terminal's wishes out of the test."""
    home = tmp_path_factory.mktemp("home")
    monkeypatch.setenv("XDG_CACHE_HOME", str(home / "cache"))
    monkeypatch.setenv("XDG_STATE_HOME", str(home / "state"))
    for name in TERMINAL:
        monkeypatch.delenv(name, raising=False)
    return home


@pytest.fixture(scope="session")
def pier(tmp_path_factory: pytest.TempPathFactory) -> Pier:
    """A small generated session with known truth and the kit built from it by default; not to be written to."""
    from stage_inputs import PIER, PIER_TAKE, Pier

    from oneshot import pipeline
    from oneshot.synth import write_session

    folder = tmp_path_factory.mktemp("pier")
    known = write_session(folder / "session", PIER, (PIER_TAKE,), seed=3)
    built = pipeline.build(folder / "session", folder / "kit")
    return Pier(folder / "session", known[PIER_TAKE.name], built.kit, folder / "kit")


@pytest.fixture(scope="session")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A second session at the pier, to expand its kit with; not to be written to."""
    from stage_inputs import EVENING_TAKE, PIER

    from oneshot.synth import write_session

    folder = tmp_path_factory.mktemp("evening") / "session"
    write_session(folder, PIER, (EVENING_TAKE,), seed=8)
    return folder


@pytest.fixture(scope="session")
def jetty(tmp_path_factory: pytest.TempPathFactory) -> Pier:
    """Smaller than the pier, for tests of what happens around a build: two drums struck four times each, in two close
    mics and the overheads; not to be written to.
    """
    from dataclasses import replace

    from stage_inputs import PIER, Pier

    from oneshot import pipeline
    from oneshot.synth import slate, write_session

    drums, mics = PIER.drums[:2], tuple(m for m in PIER.mics if m.name in {"Kick In", "Snare Top", "OH L", "OH R"})
    take = slate("jetty", (("kick", "hit", -18.0, 0.0, 4, 0.9), ("snare", "centre", -24.0, 0.0, 4, 0.9)))
    folder = tmp_path_factory.mktemp("jetty")
    known = write_session(folder / "session", replace(PIER, name="jetty", drums=drums, mics=mics), (take,), seed=3)
    built = pipeline.build(folder / "session", folder / "kit")
    return Pier(folder / "session", known[take.name], built.kit, folder / "kit")


@pytest.fixture(scope="session")
def example(tmp_path_factory: pytest.TempPathFactory) -> Kit:
    """The example kit, in a folder named kit inside its session's; not to be written to."""
    from kit_example import example_kit

    return example_kit(tmp_path_factory.mktemp("example") / "kit")


@pytest.fixture
def own_example(example: Kit, tmp_path: Path) -> Kit:
    """A copy of the example kit in ``tmp_path / "kit"``, to be changed."""
    from dataclasses import replace

    shutil.copytree(example.session.root / "kit", tmp_path / "kit")
    return replace(example, session=replace(example.session, root=tmp_path))


@pytest.fixture
def one_bar(monkeypatch: pytest.MonkeyPatch) -> None:
    """Previews play one bar, for tests that ask what is in the file and not how it sounds."""
    from oneshot.kit.playback import grooves

    monkeypatch.setattr(grooves, "BARS", grooves.BARS[:1])
    monkeypatch.setattr(grooves, "TOURS", 1)


@pytest.fixture
def client(pier: Pier, tmp_path: Path) -> Client:
    """A copy of the small kit under review."""
    from review_desk import Client, own_copy

    return Client(own_copy(pier, tmp_path), pier.session)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for all tests of a file."""
    from playwright.sync_api import sync_playwright
    from review_sight import CHROMIUM

    with sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture
def sight(browser: Browser, pier: Pier, tmp_path: Path) -> Iterator[Sight]:
    """The page of a copy of the small kit, on a laptop; no fault of a script and no request elsewhere is allowed."""
    from review_desk import own_copy, running
    from review_sight import LAPTOP, Sight

    folder = own_copy(pier, tmp_path)
    with running(folder, pier.session) as (address, _):
        context = browser.new_context(viewport=LAPTOP)
        seen = Sight(context.new_page(), folder, address)
        yield seen
        context.close()
        assert [] == seen.faults
