"""Whatever is written into corrections.toml, build, verify and pack agree: corrections drawn at random, right and not
quite right. ONESHOT_EXAMPLES=1000 tries more of them.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from drawn_corrections import check_told, texts
from hypothesis import HealthCheck, Phase, event, given, settings

from oneshot import pipeline
from oneshot.core.errors import OneshotError
from oneshot.core.files import sha256_of
from oneshot.kit.release import pack_kit
from oneshot.kit.verify import verify, verify_kit

if TYPE_CHECKING:
    from stage_inputs import Pier

EXAMPLES = int(os.environ.get("ONESHOT_EXAMPLES", "80"))


def sums(folder: Path) -> dict[str, str]:
    """Path -> sum of each file in a folder, but for the corrections themselves."""
    return {path.relative_to(folder).as_posix(): sha256_of(path) for path in sorted(folder.rglob("*"))
            if path.is_file() and path.name != "corrections.toml"}


@pytest.fixture(autouse=True)
def _one_analysis(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was found in the session is stored once for all; nobody listens to the previews in packs."""
    def short(folder: Path, out: Path) -> None:
        out.write_bytes(next((folder / "samples").rglob("*.*")).read_bytes())

    monkeypatch.setenv("ONESHOT_CACHE", str(tmp_path_factory.getbasetemp() / "one analysis for corrections"))
    monkeypatch.setattr(pack_kit, "preview", short)


def _agree(pier: Pier, folder: Path, text: str) -> str:
    """What became of corrections: "built" and in order, or "refused" in a line with the kit as it was."""
    kit = folder / "kit"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(pier.folder, kit)
    (kit / "corrections.toml").write_text(text, encoding="utf-8")
    before = sums(kit)
    try:
        built = pipeline.build(pier.session, kit, jobs=1)
    except OneshotError as error:
        check_told(error)
        assert before == sums(kit)
        assert ["kit"] == sorted(path.name for path in folder.iterdir())
        return "refused"

    assert text == (kit / "corrections.toml").read_text(encoding="utf-8")
    assert all("\n" not in f"{problem.where}{problem.what}{problem.todo}" for problem in built.kit.problems)
    assert [] == verify_kit(kit)
    if built.kit.one_shots:
        pack_kit.pack_kit(kit, folder / "kit.zip", licence="cc0")
        assert [] == verify(folder / "kit.zip")
    return "built"


@pytest.mark.full
def test_whatever_corrections_say_the_kit_is_as_it_says(jetty: Pier, tmp_path: Path) -> None:
    """Build, verify and pack agree; what is refused leaves the kit as it was."""
    @settings(max_examples=EXAMPLES, deadline=None, derandomize=True, database=None,
              suppress_health_check=[HealthCheck.too_slow],
              phases=[Phase.generate])  # to make a failing one small takes minutes
    @given(text=texts(jetty.kit.hits, [mic.name for mic in jetty.kit.session.takes[0].mics]))
    def agree(text: str) -> None:
        event(_agree(jetty, tmp_path / "c", text))

    agree()
