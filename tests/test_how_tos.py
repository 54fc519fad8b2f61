"""The tutorial and the how-tos: what they tell a reader to type runs, in the order of the page, and what they quote is
what the program says.

The first word after the fence says what a block is:

- ``sh`` runs, and exits with 0; ``sh noexec`` does not: it opens a browser, serves until it is stopped, or needs other
  machines;
- ``text`` quotes what the ``sh`` block before it printed, in that order; a line ``…`` stands for lines left out;
- ``toml FILE`` is what the reader puts into that file.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile
import tomlkit
from stage_inputs import Pier
from stroke_sessions import strokes
from tomlkit.items import AoT, Table

ROOT = Path(__file__).resolve().parent.parent
HOW_TOS = sorted((ROOT / "docs" / "how-to").glob("*.md"))
PAGES = [ROOT / "docs" / "tutorial.md", *HOW_TOS]
LEFT_OUT = "…"


@dataclass(frozen=True, slots=True)
class Block:
    """A fenced block of a page: its language, what follows that on the line of the fence, and its text."""

    language: str
    about: str
    text: str


def blocks(page: Path) -> list[Block]:
    """The fenced blocks of a page, in order."""
    fenced = re.compile(r"^```(\w+) ?([^\n]*)\n(.*?)^```$", flags=re.MULTILINE | re.DOTALL)
    return [Block(*each) for each in fenced.findall(page.read_text(encoding="utf-8"))]


def without_figures(line: str) -> str:
    """A line with every figure, and every dash in place of one, as ``#``: figures may differ with the versions of the
    libraries, words may not.
    """
    return " ".join("#" if re.fullmatch(r"-|[+-]?\d[\d.,:-]*", word) else re.sub(r"\d+", "#", word)
                    for word in line.split())


def not_printed(quoted: str, printed: str) -> list[str]:
    """The lines of a quotation that are not in what was printed, in that order; figures do not count."""
    lines = iter([without_figures(line) for line in printed.splitlines()])  # each look goes on behind the last find
    return [line for line in quoted.splitlines() if line.strip() != LEFT_OUT and without_figures(line) not in lines]


def put_into(path: Path, text: str) -> None:
    """Write what a reader is told to write: keys replace those of the file, entries of lists go to its end."""
    whole = tomlkit.parse(path.read_text(encoding="utf-8") if path.exists() else "")
    for name, value in tomlkit.parse(text).items():
        if isinstance(value, AoT) and isinstance(whole.get(name), AoT):
            whole[name].extend(value)
        elif isinstance(value, Table) and isinstance(whole.get(name), Table):
            whole[name].update(value)
        else:
            whole[name] = value
    path.write_text(tomlkit.dumps(whole), encoding="utf-8")


@pytest.fixture
def shell(tmp_path: Path, own_folders: Path) -> Callable[[str], str]:
    """Runs lines in a shell, in an empty folder in which ``oneshot`` is this package; returns what they print. A line
    that exits with anything but 0 fails the test.
    """
    tools = own_folders / "bin"
    tools.mkdir()
    command = tools / "oneshot"
    command.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} -m oneshot "$@"\n', encoding="utf-8")
    command.chmod(0o755)
    env = {**os.environ, "PATH": f"{tools}{os.pathsep}{os.environ['PATH']}", "PYTHONPATH": str(ROOT)}

    def run(lines: str) -> str:
        done = subprocess.run(["sh", "-e", "-c", lines], cwd=tmp_path, env=env, check=False, text=True,
                              stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        assert 0 == done.returncode, f"{lines}\n{done.stdout}"
        return done.stdout

    return run


def follow(page: Path, folder: Path, shell: Callable[[str], str]) -> str:
    """Do all that a page says, in a folder; returns all that was printed."""
    printed = [""]
    for block in blocks(page):
        if block.language == "sh" and not block.about:
            printed.append(shell(block.text))
        elif block.language == "text":
            assert [] == not_printed(block.text, printed[-1]), printed[-1]
        elif block.language == "toml":
            put_into(folder / block.about, block.text)
    return "".join(printed)


def lay_out(pier: Pier, evening: Path, folder: Path) -> None:
    """What the how-tos speak of: a session of one take, its mix 64 frames late, a second evening with the same drums,
    and three short sessions more.
    """
    take = folder / "Tuesday session" / "take 1"
    shutil.copytree(pier.session / "pier", take)
    mics = [soundfile.read(path, always_2d=True) for path in sorted(take.glob("*.wav"))]
    mix = np.concatenate([np.zeros(64), 0.3 * sum(x.mean(axis=1) for x, _ in mics)])[: len(mics[0][0])]
    bus = folder / "Mixed" / "take 1" / "Drum bus.wav"
    bus.parent.mkdir(parents=True)
    soundfile.write(bus, np.stack([mix, mix], axis=1), mics[0][1], "FLOAT")
    shutil.copytree(evening, folder / "Thursday session")
    for name in ("Monday", "Tuesday", "Wednesday"):
        strokes(folder / name)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_each_block_is_of_a_known_sort(page: Path) -> None:
    """No command of these pages escapes by a fence without a language or with a word nobody reads."""
    fences = [line for line in page.read_text(encoding="utf-8").splitlines() if line.startswith("```")]
    opened = fences[::2]

    assert ["```"] * len(opened) == fences[1::2]
    assert [] == [fence for fence in opened if not re.fullmatch(r"```(sh( noexec)?|text|toml \S.*\.toml)", fence)]
    assert "```sh" in opened


def test_a_quotation_is_held_against_what_was_printed() -> None:
    """Lines left out are marked, figures may differ; other words, another order or a line of one's own may not."""
    printed = "kick  hit  53  -  1-6\nsnare  hit  5\n\nWarnings: 1\n"

    assert [] == not_printed("kick  hit  9  2  3\n…\nWarnings: 4\n", printed)
    assert ["kick  rim  53  -  1-6"] == not_printed("kick  rim  53  -  1-6\n", printed)
    assert ["kick  hit  53  -  1-6"] == not_printed("Warnings: 1\nkick  hit  53  -  1-6\n", printed)


def test_what_a_page_says_goes_into_a_file(tmp_path: Path) -> None:
    """A key takes the place of the one that is there, an entry of a list comes last, the rest stays; a file that is not
    there is made.
    """
    path = tmp_path / "some.toml"
    path.write_text("[kit]\nname = \"\"\nversion = \"1.0\"\n[[reject]]\nframe = 1\n", encoding="utf-8")
    put_into(path, "[kit]\nname = \"Mill\"\n[[reject]]\nframe = 2\n[[keep]]\nframe = 3\n")
    put_into(tmp_path / "new.toml", "[[reject]]\nframe = 2\n")

    assert {"kit": {"name": "Mill", "version": "1.0"}, "reject": [{"frame": 1}, {"frame": 2}],
            "keep": [{"frame": 3}]} == tomlkit.parse(path.read_text(encoding="utf-8")).unwrap()
    assert {"reject": [{"frame": 2}]} == tomlkit.parse((tmp_path / "new.toml").read_text(encoding="utf-8")).unwrap()


@pytest.mark.full
def test_the_tutorial_can_be_followed(tmp_path: Path, shell: Callable[[str], str]) -> None:
    """From the demo session to what a pack would publish; the correction is applied, and nothing is published."""
    printed = follow(PAGES[0], tmp_path, shell)

    assert 1 == printed.count("rejected by hand")
    assert ["ropewalk", "ropewalk kit", "ropewalk kit preview.wav"] == sorted(path.name for path in tmp_path.iterdir())


@pytest.mark.full
@pytest.mark.parametrize("page", HOW_TOS, ids=lambda page: page.name)
def test_a_how_to_can_be_followed(page: Path, pier: Pier, evening: Path, tmp_path: Path,
                                  shell: Callable[[str], str]) -> None:
    """Every command of the page works on a session of the name that the page gives it, and every correction, label and
    setting that it shows is one that holds.
    """
    lay_out(pier, evening, tmp_path)
    if "**You have** a kit" in page.read_text(encoding="utf-8"):
        shell("oneshot build 'Tuesday session' 'Tuesday kit'")
    printed = follow(page, tmp_path, shell)

    assert [] == re.findall(r"^  \S+\.toml: .*$", printed, flags=re.MULTILINE)  # warnings name the file first
