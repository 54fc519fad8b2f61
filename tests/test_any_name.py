"""Whatever things are called, build, verify and pack agree, and no file of a kit has a name that some system refuses:
names drawn at random of files, of session.toml, of recipes and of corrections. ONESHOT_EXAMPLES=1000 tries more.
"""

from __future__ import annotations

import dataclasses
import os
import re
import shutil
import sys
import zipfile
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from drawn_corrections import check_told, toml_of
from hypothesis import HealthCheck, Phase, event, given, settings
from hypothesis import strategies as st

from oneshot import pipeline
from oneshot.config.recipe import KitInfo, PrintRecipe, Recipe
from oneshot.config.recipe_file import recipe_toml
from oneshot.core.errors import OneshotError
from oneshot.kit.release import pack_kit
from oneshot.kit.release.pack_session import pack_session, prepared
from oneshot.kit.verify import verify, verify_kit
from oneshot.session.open import open_session
from oneshot.session.session_file import draft_toml, quote

if TYPE_CHECKING:
    from stage_inputs import Pier

pytestmark = pytest.mark.full
EXAMPLES = int(os.environ.get("ONESHOT_EXAMPLES", "25"))

RESERVED = re.compile(r"(?:con|prn|aux|nul|com[0-9]|lpt[0-9])(?:\..*)?", re.IGNORECASE)
"""Names of devices, which Windows takes for those in every folder, whatever suffix follows."""

ODD = ("CON", "nul", "com1", "Lpt9", "aux.wav", "..", ".", ".hidden", "-rf", "~", "a/b", "../../up", "/etc", "C:\\x",
       "a:b", "tab\there", "line\nend", "\x00", "\x1b[31m", "\x7f", "\x85", "\u2028", "\u202e", "\ufeff", "\ud800",
       "\uffff", "e\u0301", "\u00e9", "ﬁ", "İ", "ß", "🥁", "𝔎𝔦𝔠𝔨", "کیک", "キック", " ", "  x  ", "x.", "x ", "*?<>|",
       '"', "'", "''' ", '"""', "%n%s", "$KIT", "{kit}", "{mic}", "<b>", "&amp;", "]]>", "=", "#", "//", "/*",
       "[[reject]]", "oneshot", "manifest.json", "samples", "kick", "KICK", "Kick In", "OH L", "snare", "a" * 300,
       "é" * 120, "🥁" * 60, "0", "1.0", "true", "sample=x", "<region>", "#include", "…", "\\", "\\n", "\\u0041")


def texts(*, most: int = 400) -> st.SearchStrategy[str]:
    """A text that somebody may call a thing: one of the odd ones, two of them, or any."""
    odd = st.sampled_from(ODD)
    return st.one_of(odd, odd, st.builds("{} {}".format, odd, odd), st.text(max_size=30)).map(lambda text: text[:most])


def of_a_file(text: str, suffix: str = "") -> str:
    """A text as a name that this disk takes, which is of bytes, at most 255, and neither a slash nor a zero."""
    kept = text.replace("/", "_").replace("\0", "_")
    data = kept.encode("utf-8", "surrogatepass")[:255 - len(suffix)].decode("utf-8", "ignore")
    return "_" if not data + suffix or data + suffix in (".", "..") else data + suffix


def check_names(paths: Iterable[str]) -> None:
    """Fails where a path has a name that is refused, or taken for another, on a system that people use."""
    paths = sorted(paths)
    for path in paths:
        for part in path.split("/"):
            assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9 ._-]*", part), path
            assert not part.endswith((".", " ")), path
            assert not RESERVED.fullmatch(part), path
            assert len(part) <= 100, path
    assert len({path.casefold() for path in paths}) == len(paths)


@pytest.fixture(autouse=True)
def _one_analysis(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was found is stored once for all; nobody listens to the previews in packs."""
    def short(folder: Path, out: Path) -> None:
        out.write_bytes(next((folder / "samples").rglob("*.*")).read_bytes())

    monkeypatch.setenv("ONESHOT_CACHE", str(tmp_path_factory.getbasetemp() / "one analysis for names"))
    monkeypatch.setattr(pack_kit, "preview", short)


def built_and_packed(session: Path, kit: Path) -> str:
    """What became of it: "built", in order and with names that every system takes; or "refused" in a line, and nothing
    is there.
    """
    beside = sorted(path.name for path in kit.parent.iterdir())
    held = sorted(path.name for path in kit.iterdir()) if kit.exists() else []
    try:
        built = pipeline.build(session, kit, jobs=1).kit
    except OneshotError as error:
        check_told(error)
        assert beside == sorted(path.name for path in kit.parent.iterdir())
        assert held == (sorted(path.name for path in kit.iterdir()) if kit.exists() else [])
        return "refused"
    assert [] == verify_kit(kit)
    check_names(path.relative_to(kit).as_posix() for path in kit.rglob("*"))
    if built.one_shots:
        pack_kit.pack_kit(kit, kit.parent / "pack.zip", licence="cc0")
        assert [] == verify(kit.parent / "pack.zip")
        with zipfile.ZipFile(kit.parent / "pack.zip") as pack:
            check_names(pack.namelist())
        (kit.parent / "pack.zip").unlink()  # under another name it would be a pack of another kit
    return "built"


def copied(pier: Pier, root: Path, take: str, mics: dict[str, str]) -> Path:
    """The session with its take and its files called otherwise; the recordings themselves are not copied."""
    for path in pier.session.rglob("*.wav"):
        place = root / take / mics.get(path.stem, path.name)
        place.parent.mkdir(parents=True, exist_ok=True)
        os.link(path, place)
    return root


def emptied(folder: Path) -> Path:
    """The folder, empty."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    return folder


def held(examples: int) -> settings:
    """The same examples on every machine; ``examples`` of them."""
    return settings(max_examples=examples, deadline=None, derandomize=True, database=None,
                    suppress_health_check=[HealthCheck.too_slow],
                    phases=[Phase.generate])  # to make a failing one small takes minutes


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take no such names")
def test_files_may_be_called_anything(jetty: Pier, tmp_path: Path) -> None:
    """The folders of session, take and kit, and the file of one mic."""
    @held(EXAMPLES)
    @given(name=texts(), take=texts(), kit=texts(), mic=texts(), where=st.sampled_from(["Kick In", "Snare Top", "OH"]))
    def called(name: str, take: str, kit: str, mic: str, where: str) -> None:
        folder = emptied(tmp_path / "n")
        session = copied(jetty, folder / "s" / of_a_file(name), of_a_file(take), {where: of_a_file(mic, ".wav")})
        (folder / "k").mkdir()
        event(built_and_packed(session, folder / "k" / of_a_file(kit)))

    called()


MIC = {"name": "mic", "drum": "drum", "place": "place", "pair": "pair"}
LABEL = {"drum": "labelled drum", "articulation": "labelled way", "strength": "strength"}
WISHES = {"name": "kit", "author": "author", "studio": "studio", "version": "version"}
NAMED = ("session", "take", *MIC.values(), *LABEL.values(), *WISHES.values(), "player", "print", "to", "way")
"""What the test below names."""


def lines(table: dict[str, str], said: dict[str, str]) -> str:
    """Key and value of each key of a table of which something is said."""
    return "".join(f"{key} = {quote(said[of])}\n" for key, of in table.items() if of in said)


def session_toml(said: dict[str, str]) -> str:
    """A session.toml that says so."""
    label = lines(LABEL, said)
    take = lines({"name": "take"}, said)
    return (lines({"name": "session"}, said) + f'[mics."Snare Top"]\n{lines(MIC, said)}' + f"[takes.jetty]\n{take}"
            + (f"[[labels]]\nfrom_s = 0.0\nto_s = 5.0\n{label}" if label else ""))


def recipe_of(said: dict[str, str]) -> Recipe:
    """A recipe that says so; by default where it may not."""
    try:
        info = KitInfo(**{key: said[of] for key, of in WISHES.items() if of in said},
                       players=(said["player"],) if "player" in said else ())
        prints = (PrintRecipe(name=said["print"], drum="kick"),) if "print" in said else ()
        return dataclasses.replace(Recipe(), kit=info, prints=prints)
    except OneshotError as error:
        check_told(error)
        return Recipe()


def test_things_may_be_called_anything(jetty: Pier, tmp_path: Path) -> None:
    """In session.toml, then in recipe.toml and corrections.toml, too."""
    @held(EXAMPLES)
    @given(said=st.dictionaries(st.sampled_from(NAMED), texts(most=5_000).map(
        lambda text: text.encode("utf-8", "replace").decode()), min_size=1, max_size=6))
    def called(said: dict[str, str]) -> None:
        _called(jetty, emptied(tmp_path / "n"), said)

    called()


def _called(jetty: Pier, folder: Path, said: dict[str, str]) -> None:
    """A kit is built of a session that is called so, and once more when the kit is."""
    session, kit = copied(jetty, folder / "session", "jetty", {}), folder / "kit"
    (session / "session.toml").write_text(session_toml(said), encoding="utf-8")
    event(built_and_packed(session, kit))
    if not kit.exists():
        return
    (kit / "recipe.toml").write_text(recipe_toml(recipe_of(said)), encoding="utf-8")
    rows: list[tuple[str, dict[str, Any]]] = []
    if "to" in said:
        rows.append(("rename", {"drum": "kick", "to": said["to"]}))
    if "way" in said:
        rows.append(("rename", {"drum": "snare", "articulation": "centre", "to": said["way"], "note": said["way"]}))
    (kit / "corrections.toml").write_text(toml_of(rows), encoding="utf-8")

    event(f"once more: {built_and_packed(session, kit)}")


def test_a_session_may_be_called_anything(jetty: Pier, tmp_path: Path) -> None:
    """Its recordings packed, and its session.toml drafted: what is drafted says what is there."""
    @held(EXAMPLES // 2)
    @given(name=texts(), take=texts(), mic=texts())
    def called(name: str, take: str, mic: str) -> None:
        _given_away(jetty, emptied(tmp_path / "n"), name, take, mic)

    called()


def _given_away(jetty: Pier, folder: Path, name: str, take: str, mic: str) -> None:
    """The session is packed under such names."""
    root = copied(jetty, folder / of_a_file(name), of_a_file(take), {"Snare Top": of_a_file(mic, ".wav")})
    try:
        found = open_session(root)
    except OneshotError as error:
        check_told(error)
        event("refused")
        return
    (root / "session.toml").write_text(draft_toml(found), encoding="utf-8")
    again = open_session(root)
    assert [(t.name, t.mics) for t in found.takes] == [(t.name, t.mics) for t in again.takes]
    (root / "session.toml").unlink()
    try:
        pack_session(prepared(root, licence="cc0"), folder / "session.zip", progress=lambda stage, share: None)
    except OneshotError as error:
        check_told(error)
        assert not (folder / "session.zip").exists()
        event("not packed")
        return
    event("packed")
    with zipfile.ZipFile(folder / "session.zip") as pack:
        check_names(pack.namelist())
