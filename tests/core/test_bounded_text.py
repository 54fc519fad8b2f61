"""JSON and TOML of others: what passes can be walked, and everything else is a ValueError in one line."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from oneshot.core import bounded_text
from oneshot.core.bounded_text import DEEPEST, parse_json, parse_toml, read_bounded, read_json, read_toml

JSON = {
    "deep": "[" * 100_000, "just too deep": "[" * DEEPEST + "[]" + "]" * DEEPEST,
    "deep tables": '{"a":' * 500 + "1" + "}" * 500, "long number": "1" * 5000, "wide number": "[18446744073709551616]",
    "no number": "NaN", "endless": "1e999", "half a pair": '"\\ud800"', "no text": b"\xff", "nothing": "",
    "cut off": '{"a": [1, 2', "two": "{}{}"}
TOML = {
    "deep": "x = " + "[" * 10_000, "just too deep": f"x = {'[' * DEEPEST}{']' * DEEPEST}",
    "deep tables": "x = " + "{a = " * 500 + "1" + "}" * 500, "a long key": f"a{'.a' * 100_000} = 1",
    "a long quoted key": "x = {a" + ' . "b"' * 5000 + " = 1}", "a long heading": f"[a{'.a' * 100_000}]",
    "long number": f"x = {'1' * 5000}", "long hex number": f"x = 0x{'f' * 5000}", "no table": "x"}


@pytest.mark.parametrize(("parse", "text"), [*((parse_json, text) for text in JSON.values()),
                                             *((parse_toml, text) for text in TOML.values())],
                         ids=[*(f"JSON {name}" for name in JSON), *(f"TOML {name}" for name in TOML)])
def test_what_cannot_be_walked_is_refused(parse: Callable[[object], object], text: object) -> None:
    """One line, and no error of another kind."""
    with pytest.raises(ValueError, match=r"\A[^\n]{1,250}\Z"):
        parse(text)


def test_what_is_within_the_limits_passes() -> None:
    """Nesting and numbers as far as they may go, and what only looks like a long key."""
    deep = "[" * (DEEPEST - 1) + "1" + "]" * (DEEPEST - 1)

    assert 2**64 - 1 == parse_json(str(2**64 - 1))
    assert {"x": -(2**63)} == parse_toml(f"x = {-(2**63)}")
    assert isinstance(parse_json(deep), list)
    assert isinstance(parse_toml(f"x = {deep[1:-1]}")["x"], list)
    assert 200 == len(parse_toml(f"x = [{'1.5, ' * 200}]")["x"])
    assert {"note": "... " * 200} == parse_toml(f'note = "{"... " * 200}"')


def test_files_have_a_length(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No more than the limit is read, whatever there is."""
    path = tmp_path / "a"
    path.write_bytes(b"[1]" + b" " * 100)
    monkeypatch.setattr(bounded_text, "MOST_TOML", 100)

    assert [1] == read_json(path)
    with pytest.raises(ValueError, match=r"longer than 0\.0001 MB"):
        read_bounded(path, 100)
    with pytest.raises(ValueError, match=r"longer than 0\.0001 MB"):
        read_toml(path)
    with pytest.raises(FileNotFoundError):
        read_bounded(tmp_path / "b", 100)


def test_lines_and_marks_of_other_systems(tmp_path: Path) -> None:
    """A byte order mark and other ends of lines are no part of the text."""
    (tmp_path / "a").write_bytes(b"\xef\xbb\xbfa = 1\r\nb = 2\rc = 3\n")

    assert "a = 1\nb = 2\nc = 3\n" == read_toml(tmp_path / "a")


@pytest.mark.skipif(sys.platform == "win32", reason="no pipes among files there")
def test_a_pipe_is_no_file(tmp_path: Path) -> None:
    """Reading it would wait for ever."""
    os.mkfifo(tmp_path / "a")
    with pytest.raises(ValueError, match="no file"):
        read_json(tmp_path / "a")
