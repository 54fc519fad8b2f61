"""The page of a comparison: safe with any name, self-contained, and in a browser switched without a gap, also blind."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from playwright.sync_api import expect
from review_sight import AXE, LAPTOP, NOT_HERE, PHONE
from stage_inputs import RATE, hit, strike

from oneshot.audio.convert import quantised
from oneshot.audio.io import sound_bytes
from oneshot.comparison import figures, page
from oneshot.comparison.run import Comparison, comparison_record
from oneshot.core.records.hits import Delay
from oneshot.core.records.session import Session

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

HOSTILE = "</script><img src=x onerror=alert(1)>"
STARTED = """() => { window.started = 0; const start = AudioBufferSourceNode.prototype.start;
    AudioBufferSourceNode.prototype.start = function (...when) {
        window.started += 1; window.sources = (window.sources || []).concat([this]);
        return start.apply(this, when); }; }"""
"""Count the sounds that are started."""


def record(drums: tuple[str, ...] = ("kick", "snare"), mics: tuple[str, ...] = ("Top", "Far"),
           takes: tuple[str, ...] = ("one", "two")) -> dict[str, Any]:
    """A comparison with a few figures."""
    views = tuple(figures.view(hit(1, drum=drum, take=take), mic, "close", [strike(1)], RATE, clean=True,
                               known=figures.Known(-80.0, Delay(2.9, 0.1, 8, 1.0)))
                  for drum in drums for mic in mics for take in takes)
    session = Session("barn", Path("barn"), ())
    return comparison_record(Comparison(session, dict.fromkeys(drums, mics[0]), views, (), None, (), (), {}, ()))


def sounds(drums: tuple[str, ...] = ("kick", "snare"), mics: tuple[str, ...] = ("Top", "Far"),
           takes: tuple[str, ...] = ("one", "two")) -> list[page.Sound]:
    """An excerpt of each."""
    x = 0.1 * np.concatenate([strike(1), strike(2)])[None]
    flac = sound_bytes(quantised(x, 16, "x"), RATE, "PCM_16", ".flac")
    return [page.Sound(drum, "hit", take, mic, f"{drum}.wav", RATE, flac) for drum in drums for take in takes
            for mic in mics]


def test_names_are_text_and_the_page_asks_for_nothing() -> None:
    """Names of drums, mics and takes with markup in them stay text, in the page and in its data; nothing leads outside,
    and the same comparison gives the same page.
    """
    odd = (HOSTILE,)
    text = page.render(record(odd, odd, odd), sounds(odd, odd, odd))

    assert text == page.render(record(odd, odd, odd), sounds(odd, odd, odd))
    assert "<img" not in text
    assert not re.search(r"(?:src|href)=[\"'](?!#)", text)
    assert "https:" not in text
    data = re.search(r'<script type="application/json" id="data">(.*?)</script>', text)
    assert data is not None
    assert HOSTILE == json.loads(data[1])["drums"][0]["name"]
    assert "default-src 'none'" in text
    assert 'value="-24"' in text
    assert "start at a low volume" in text


def test_a_comparison_without_anything_is_a_page_too() -> None:
    """No drum, no excerpt: still a page, without controls."""
    text = page.render(record(()), [])

    assert "barn: mics side by side" in text
    assert "{{" not in text


@pytest.fixture
def sight(browser: Browser, tmp_path: Path) -> Iterator[Page]:
    """The page from a disk, with every started sound counted."""
    page.write(tmp_path, record(), sounds())
    context = browser.new_context(viewport=LAPTOP)
    seen = context.new_page()
    seen.add_init_script(f"({STARTED})()")
    seen.goto((tmp_path / page.NAME).as_uri())
    yield seen
    context.close()


@pytest.mark.full
@pytest.mark.skipif(NOT_HERE, reason="this machine says that it has no browser")
def test_mics_are_switched_while_all_of_them_play(sight: Page) -> None:
    """Four sounds start at once, loops of one length; another mic is heard without a new start, by mouse or by key; the
    other drum starts its own; Escape stops.
    """
    buttons = sight.locator("#drum-0 .switch button:visible")
    buttons.nth(0).click()
    said = sight.locator("#now")
    expect(said).to_have_text("kick: Top, one")
    sight.keyboard.press("4")
    expect(said).to_have_text("kick: Far, two")
    assert buttons.nth(3).get_attribute("aria-pressed") == "true"
    assert 1 == sight.locator("[aria-pressed=true]").count()
    assert 4 == sight.evaluate("window.started")
    assert sight.evaluate("sources.every((s) => s.loop && s.loopEnd === sources[0].loopEnd && s.loopEnd > 0)")
    sight.locator("#drum-1 .switch button:visible").nth(1).click()
    expect(said).to_have_text("snare: Far, one")
    assert 8 == sight.evaluate("window.started")
    sight.keyboard.press("Escape")
    expect(said).to_have_text("Nothing is playing.")
    assert sight.locator("#stop").is_disabled()


@pytest.mark.full
@pytest.mark.skipif(NOT_HERE, reason="this machine says that it has no browser")
def test_blind_shows_no_name_until_asked(sight: Page) -> None:
    """Letters in place of names, figures out of sight, no answer anywhere in sight; the answers, once opened, name each
    letter once, and are gone when blind is left.
    """
    names = ("Top", "Far", "one", "two")
    sight.keyboard.press("b")
    sight.locator("#drum-0 .switch button:visible").nth(1).click()

    expect(sight.locator("#now")).to_have_text("kick: B")
    assert ["A", "B", "C", "D"] == sight.locator("#drum-0 .switch button:visible").all_inner_texts()
    assert "" == sight.locator("#drum-0 .answers ol").inner_text()
    assert [] == [name for name in names if name in sight.locator("#drums").inner_text().split()]
    sight.locator("#drum-0 .answers summary").click()
    expect(sight.locator("#drum-0 .answers li")).to_have_count(4)
    answers = sight.locator("#drum-0 .answers li").all_inner_texts()
    assert ["A", "B", "C", "D"] == [each[0] for each in answers]
    assert ["Far, one", "Far, two", "Top, one", "Top, two"] == sorted(each[3:] for each in answers)
    sight.keyboard.press("b")
    expect(sight.locator(".answers li")).to_have_count(0)
    assert sight.locator(".figures").first.is_visible()


@pytest.mark.full
@pytest.mark.skipif(NOT_HERE, reason="this machine says that it has no browser")
@pytest.mark.parametrize(("size", "scheme"), [(LAPTOP, "light"), (LAPTOP, "dark"), (PHONE, "light"), (PHONE, "dark")])
def test_the_page_is_open_to_everyone(browser: Browser, tmp_path: Path, size: Any, scheme: Any) -> None:
    """No fault of a script, no request but its own, nothing wider than the screen, nothing at all for axe-core, also
    blind.
    """
    page.write(tmp_path, record(), sounds())
    context = browser.new_context(viewport=size, color_scheme=scheme, bypass_csp=True)
    seen, faults, asked = context.new_page(), [], []
    seen.on("pageerror", lambda error: faults.append(str(error)))
    seen.on("request", lambda request: asked.append(request.url))
    seen.goto((tmp_path / page.NAME).as_uri())
    seen.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    seen.evaluate(AXE.read_text(encoding="utf-8"))
    for key in ("", "b"):
        if key:
            seen.keyboard.press(key)
        found = seen.evaluate("async () => (await axe.run(document)).violations")
        assert [] == [f"{each['id']}: {each['nodes'][0]['html'][:120]}" for each in found]
        assert seen.evaluate("document.documentElement.scrollWidth") <= size["width"]
    assert [] == faults
    assert [(tmp_path / page.NAME).as_uri()] == asked
    context.close()
