"""The report as it is seen: opened from a disk in Chromium, on a laptop, a phone and on paper, in light and dark."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from kits import small_kit
from playwright.sync_api import Browser, Page, ViewportSize
from review_sight import AXE, LAPTOP, NOT_HERE, PHONE

from oneshot.core.records.kit import Kit
from oneshot.kit.levels import mix_levels_dbfs
from oneshot.kit.report import write_report
from oneshot.kit.report.velocity_map import map_data, rows_of

if TYPE_CHECKING:
    from stage_inputs import Pier

pytestmark = [pytest.mark.full, pytest.mark.skipif(NOT_HERE, reason="this machine says that it has no browser")]

PAPER = ViewportSize(width=718, height=1000)
"""A4 (ISO 216: 210 by 297 mm) less margins of 10 mm, in CSS pixels of 1/96 inch."""
INKS = ("--paper", "--card", "--ink", "--soft", "--line", "--fill", "--tone", "--mark")
SOUNDS = """() => { window.sounds = []; window.Audio = class {
    constructor(path) { this.path = decodeURIComponent(path); window.sounds.push(this); }
    set oncanplaythrough(ready) { setTimeout(ready); }
    play() { this.played = true; return Promise.resolve(); }
    pause() {} removeAttribute() {} load() {}
}; }"""
"""In place of a sound card: what the page would play, and how loud."""


OUTLINED = """() => {
    const probe = document.createElement("canvas").getContext("2d");
    probe.fillStyle = getComputedStyle(document.documentElement).getPropertyValue("--fill");
    probe.fillRect(0, 0, 1, 1);
    const fill = [...probe.getImageData(0, 0, 1, 1).data.slice(0, 3)];
    return [...document.querySelectorAll("canvas")].filter((canvas) => {
        const {top, bottom} = canvas.getBoundingClientRect();
        return canvas.clientWidth && top < innerHeight && bottom > 0;
    }).map((canvas) => {
        const {data} = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
        const at = (i) => data[4 * i + 3] && fill.every((x, n) => x === data[4 * i + n]);
        return Array.from({length: data.length / 4}, (_, i) => i).some(at);
    }); }"""
"""Of each canvas in sight, whether an outline is filled in it."""
A4 = (595, 842)
"""In points of 1/72 inch."""


def sheets(pdf: bytes) -> list[tuple[int, int]]:
    """Width and height of every page of a PDF that Chromium wrote, in points (ISO 32000-1, 7.7.3.3)."""
    pages = re.findall(rb"/Type\s*/Page\b(.*?)endobj", pdf, re.DOTALL)
    boxes = [re.search(rb"/MediaBox\s*\[([^\]]*)\]", page) for page in pages]
    numbers = [[float(number) for number in box[1].split()] for box in boxes if box]
    assert len(numbers) == len(pages)
    return [(round(right - left), round(top - low)) for left, low, right, top in numbers]


@pytest.mark.parametrize(("size", "scheme"), [(LAPTOP, "light"), (LAPTOP, "dark"), (PHONE, "light"), (PHONE, "dark")])
def test_the_report_is_open_to_everyone(browser: Browser, pier: Pier, size: Any, scheme: Any) -> None:
    """No fault of a script, no request but the page's own, nothing wider than the screen, nothing serious for axe-core;
    every canvas in sight is drawn.
    """
    context = browser.new_context(viewport=size, color_scheme=scheme, bypass_csp=True)
    page, faults, asked = context.new_page(), [], []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto((pier.folder / "report.html").as_uri())
    page.locator("#panel").scroll_into_view_if_needed()
    page.wait_for_timeout(600)
    drawn = page.evaluate(OUTLINED)

    assert [] == faults
    assert [(pier.folder / "report.html").as_uri()] == asked
    assert drawn
    assert all(drawn)
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("async () => (await axe.run(document)).violations")
    assert [] == [f"{each['id']}: {node['html'][:120]}" for each in found for node in each["nodes"]
                  if each["impact"] in ("serious", "critical")]
    context.close()


def test_the_report_can_be_printed(browser: Browser, pier: Pier) -> None:
    """On A4 no table runs over the edge; paper is white also where the screen is dark; what was folded is printed."""
    inks = "(names) => names.map((name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim())"
    context = browser.new_context(viewport=PAPER, color_scheme="light")
    page = context.new_page()
    page.goto((pier.folder / "report.html").as_uri())
    light = page.evaluate(inks, INKS)
    assert "" not in light
    page.emulate_media(media="screen", color_scheme="dark")
    dark = page.evaluate(inks, INKS)
    page.emulate_media(media="print", color_scheme="light")
    paper = page.evaluate(inks, INKS)
    page.emulate_media(media="print", color_scheme="dark")

    assert paper == page.evaluate(inks, INKS)
    assert paper[0] == "#fff"
    assert light != dark
    assert page.evaluate("document.documentElement.scrollWidth") <= PAPER["width"]
    assert not page.locator(".player").is_visible()
    folded = page.locator(".fold:not([open])")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert folded.count() == 0
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert folded.count() >= 5
    paper_pages = sheets(page.pdf(format="A4"))
    page.evaluate("document.querySelectorAll('.fold > :not(summary)').forEach((each) => each.remove())")
    rest = sheets(page.pdf(format="A4"))
    assert [pytest.approx(A4, abs=1)] * len(paper_pages) == paper_pages
    assert len(paper_pages) > len(rest) > 0
    context.close()


@pytest.fixture
def sight(browser: Browser, tmp_path: Path) -> Iterator[tuple[Page, Kit]]:
    """The page of a small kit, with nothing to hear and a list of what it plays."""
    kit = small_kit(tmp_path)
    context = browser.new_context(viewport=LAPTOP)
    page = context.new_page()
    page.add_init_script(f"({SOUNDS})()")
    page.goto(write_report(kit, tmp_path).as_uri())
    yield page, kit
    context.close()


def played(page: Page) -> list[tuple[str, float]]:
    """Names and volumes (dB re full) of what was played since the last look."""
    page.wait_for_timeout(60)
    found = page.evaluate("() => sounds.splice(0).filter((s) => s.played).map((s) => [s.path, s.volume])")
    return [(path, 20 * math.log10(volume)) for path, volume in found]


def test_a_click_plays_that_velocity(sight: tuple[Page, Kit]) -> None:
    """Each place on a strip plays the one-shots of its layer in turn, all mics together, as much louder as the mapping
    would: the level wanted there, less its own.
    """
    page, kit = sight
    kick = next(row for row in rows_of(kit) if row.name == "kick, hit")
    levels = mix_levels_dbfs(kit)
    box = page.locator(".strip").first.bounding_box()
    assert box is not None
    heard = []
    for velocity in (20, 20, 60, 125):
        page.mouse.click(box["x"] + (velocity - 0.5) / 127 * box["width"], box["y"] + box["height"] / 2)
        heard.append(played(page))

    shots = [kick.cells[0].shots[0], kick.cells[0].shots[1], kick.cells[1].shots[0], kick.cells[2].shots[0]]
    assert [[file.path for file in shot.files] for shot in shots] == [[path for path, _ in each] for each in heard]
    trims = [cell.wanted[v] - (levels[shot.hit] or 0) for cell, v, shot in
             zip((kick.cells[0], kick.cells[0], kick.cells[1], kick.cells[2]), (20, 20, 60, 125), shots, strict=True)]
    louder = [each[0][1] - heard[0][0][1] for each in heard]
    assert louder == pytest.approx([trim - trims[0] for trim in trims], abs=0.15)
    mark = page.locator(".now").evaluate("(mark) => [mark.style.left, mark.style.top].map(parseFloat)")
    _, height = map_data(kit, rows_of(kit))[0]["cells"][2]["dots"][0]
    assert mark == pytest.approx([(84 + 43 / 6) / 1.27, height], abs=0.1)
    assert "velocity 125" in (page.locator("#now").text_content() or "")
    assert page.locator("#panel h3").text_content() == "kick, hit: layer 3, round robin 1"


def test_the_map_is_played_by_keys(sight: tuple[Page, Kit]) -> None:
    """One stop of the tab key; arrows go from layer to layer and strip to strip, with Shift from velocity to velocity;
    Enter plays, Escape stops.
    """
    page, _ = sight
    assert page.locator(".cell[tabindex='0']").count() == 1
    page.locator(".cell[tabindex='0']").focus()
    for key in ("ArrowLeft", "ArrowDown", "Enter"):
        page.keyboard.press(key)
    assert {"snare_centre_V02_RR01_SnareTop.wav", "snare_centre_V02_RR01_OH.wav"} == {
        path.rsplit("/", 1)[1] for path, _ in played(page)}
    at = int(page.locator(".at span").inner_text())
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("Enter")
    assert at + 1 == int(page.locator(".at span").inner_text())
    assert f"round robin 2, velocity {at + 1}" in page.locator("#now").inner_text()
    page.keyboard.press("Escape")
    assert page.locator("#now").inner_text() == "Nothing is playing."


def test_a_gap_is_seen_and_plays_nothing(sight: tuple[Page, Kit]) -> None:
    """Where no layer answers, nothing is played, and it says so."""
    page, _ = sight
    gap = page.locator(".silent")
    gap.click()

    assert gap.inner_text() == "silent"
    assert [] == played(page)


def test_a_one_shot_is_explained_in_words(sight: tuple[Page, Kit]) -> None:
    """Start, attack, fade, end and what follows are named; the close mic comes first; the scale can be linear."""
    page, _ = sight
    signs = page.locator(".signs").inner_text()

    assert [word for word in ("start, 2.0 ms before", "attack", "fade-out begins", "end, 0.20 s", "next hit") if
            word not in signs] == []
    assert ["Kick In", "OH L + OH R"] == page.locator(".mic-name button").all_inner_texts()
    before = page.locator(".lane canvas").first.evaluate("(canvas) => canvas.toDataURL()")
    page.get_by_role("button", name="linear").click()
    assert before != page.locator(".lane canvas").first.evaluate("(canvas) => canvas.toDataURL()")


def test_a_phone_has_one_line_of_player_and_cards(browser: Browser, pier: Pier) -> None:
    """The player takes one line, tables are cards whose lines have names, and nothing is wider than the screen with all
    of it unfolded.
    """
    context = browser.new_context(viewport=PHONE)
    page = context.new_page()
    page.goto((pier.folder / "report.html").as_uri())
    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    bar = page.locator(".player").bounding_box()
    cell = page.locator("#mics tbody td").first

    assert bar is not None
    assert bar["height"] <= 48
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert cell.evaluate("(td) => getComputedStyle(td, '::before').content") == '"Role "'
    assert page.locator("#mics tbody tr").first.evaluate("(row) => getComputedStyle(row).display") == "block"
    assert page.locator("#mics table").get_attribute("role") == "table"
    context.close()


def test_the_page_is_short(browser: Browser, pier: Pier) -> None:
    """Engineering is folded away: a laptop's page is a few screens."""
    context = browser.new_context(viewport=LAPTOP)
    page = context.new_page()
    page.goto((pier.folder / "report.html").as_uri())

    assert page.evaluate("document.documentElement.scrollHeight") < 4000
    page.evaluate("location.hash = '#bleed'")
    page.wait_for_timeout(60)
    assert page.locator("#bleed").get_attribute("open") is not None
    context.close()
