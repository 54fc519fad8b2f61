"""Lines of keys in TOML texts: right whatever stands between them, and never an error."""

from __future__ import annotations

import time

import pytest

from oneshot.core.bounded_text import parse_toml
from oneshot.core.toml_lines import TomlLines

TEXT = '''# a comment [with] = signs
name = "Barn"  # [mics]
text = """
[mics."OH L"]
role = 'no key' """
list = [
  "a = 1",  # ] not yet
  [1, 2],
]
odd = 'x = "'; more = 1
'''.replace("; more", "\nmore") + """
[mics."OH L"]
role = "overhead"
'polarity' = -1
[ takes . "take 2" ]
use = false
ignore = [[0, 1],
          [2, 3]]

[takes."take 2".mics."OH L"]
side = "L"
[[labels]]
from_s = 1
[[labels]]
to_s = { a = "b = 1", c = ['#'] }
[labels.deeper]
x.y = 1
"""


@pytest.mark.parametrize(("path", "words"), [
    (("name",), 'name = "Barn"'), (("text",), 'text = """'), (("list",), "list = ["), (("odd",), "odd ="),
    (("more",), "more = 1"), (("mics", "OH L"), '[mics."OH L"]\nrole = "o'), (("mics", "OH L", "role"), 'role = "over'),
    (("mics", "OH L", "polarity"), "'polarity'"), (("takes", "take 2", "ignore"), "ignore = "),
    (("takes", "take 2", "mics", "OH L", "side"), "side ="), (("labels", 0, "from_s"), "from_s"),
    (("labels", 1), "[[labels]]\nto_s"), (("labels", 1, "to_s", "c"), "to_s"),
    (("labels", 1, "deeper", "x", "y"), "x.y = 1"), (("mics", "OH L", "gone"), '[mics."OH L"]\nrole = "o'),
])
def test_a_key_is_found_on_its_line(path: tuple[str | int, ...], words: str) -> None:
    """Texts of several lines, lists, comments and quotes are not taken for keys; what stands inside a value, or is not
    there, has the line of what is around it.
    """
    parse_toml(TEXT)

    assert TEXT[:TEXT.index(words)].count("\n") + 1 == TomlLines(TEXT).of(*path)


def test_what_is_nowhere_has_no_line() -> None:
    """A key that is not there, in no table that is."""
    assert TomlLines(TEXT).of("gone", "role") is None
    assert TomlLines("").of("name") is None


def test_messages_are_matched_by_the_key_they_begin_with() -> None:
    """Dotted, the longest one that is there, and whole names only."""
    lines = TomlLines(TEXT)

    assert lines.of("mics", "OH L", "role") == lines.named("mics.OH L.role is bad")
    assert lines.of("labels", 1, "to_s") == lines.named("labels 2.to_s.a is bad")
    assert lines.of("takes", "take 2") == lines.named("takes.take 2.gone is bad")
    assert lines.named("names is bad") is None


@pytest.mark.parametrize("text", ['"' * 200_000, "[" * 200_000, "x = " + "[" * 100_000, "'''" * 60_000, "a." * 100_000,
                                  "x = '''" + '"' * 200_000, "=\n" * 50_000, 'x = """' + "\\" * 99_999])
def test_no_text_takes_long(text: str) -> None:
    """Even what is no TOML, which never gets here."""
    began = time.process_time()

    TomlLines(text).of("x")

    assert time.process_time() - began < 2
