"""The licences that a pack can be released under."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from oneshot.kit.release.licences import LICENCES, licence_file, licence_of, offered

DOCS = Path(__file__).resolve().parents[3] / "docs"
DEBIAN = Path("/usr/share/common-licenses/CC0-1.0")
SUMS = {
    "cc0": "a2010f343487d3f7618affe54f789f5487602331c0a8d03f49e9a7c547cf0499",
    "cc-by-4.0": "0820b79605d305cb5cfc77305abe98249e94b6d6c31adbb9ad0111d1cf43d443"}
"""Of the texts as published: the first is both Debian's file (base-files 12.4) and the text in the SPDX list of
licences (npm's spdx-license-list 6.12), the second was held against that list word by word.
"""


@pytest.mark.parametrize("word", sorted(SUMS))
def test_public_legal_texts_are_whole_and_unchanged(word: str) -> None:
    """Byte for byte, from the first line to the last."""
    assert SUMS[word] == hashlib.sha256(LICENCES[word].text.encode()).hexdigest()
    name, text = licence_of(word, "")
    assert LICENCES[word].text.strip() in licence_file(name, text)
    assert LICENCES[word].url in licence_file(name, text)


@pytest.mark.skipif(not DEBIAN.exists(), reason="only on Debian")
def test_cc0_is_as_the_system_has_it() -> None:
    """Debian's copy of the same text."""
    assert DEBIAN.read_text(encoding="utf-8").strip() == LICENCES["cc0"].text.strip()


def test_the_music_text_says_what_its_name_says_and_the_page_shows_it() -> None:
    """Any music, free or paid; not as samples, whether sold or given away; the page has the same text."""
    mine = LICENCES["music"]
    text = " ".join(mine.text.split())
    assert "For use in any music, not to be passed on as samples" == mine.name
    for words in ("music of any kind, free or paid", "Pass the samples on as samples", "sell, rent, lend or give them",
                  "alone or in another library"):
        assert words in text
    assert f"```\n{mine.text}```" in (DOCS / "licence.md").read_text(encoding="utf-8")
    assert all(each.name in (DOCS / "licence.md").read_text(encoding="utf-8") for each in LICENCES.values())


@pytest.mark.parametrize(("said", "word"), [("cc0", "cc0"), ("CC0 1.0", "cc0"), ("CC0 1.0 Universal", "cc0"),
                                            ("CC BY 4.0", "cc-by-4.0"), ("CC-BY-4.0", "cc-by-4.0"),
                                            ("For use in any music, not to be passed on as samples", "music")])
def test_a_recipe_may_name_a_licence_as_people_write_it(said: str, word: str) -> None:
    """The pack has the whole text then, not the name alone."""
    assert LICENCES[word] == offered(said)
    assert LICENCES[word].text in licence_of(None, said)[1]


def test_other_terms_of_a_recipe_stay_as_they_are() -> None:
    """What is none of the offered ones is nobody else's text."""
    assert offered("CC BY-NC 4.0") is None
    assert ("Ask me", "Ask me") == licence_of(None, "Ask me")
    assert "Ask me\n" == licence_file("Ask me", "Ask me")
    assert "Mine\n\nBe kind.\n" == licence_file("Mine", "\nMine\n\nBe kind.\n")
