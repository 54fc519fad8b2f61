"""The report as it is seen: opened from a disk in Chromium, on a laptop, a phone and on paper, in light and dark."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from playwright.sync_api import Browser, ViewportSize
from review_sight import AXE, LAPTOP, NOT_HERE, PHONE

if TYPE_CHECKING:
    from stage_inputs import Pier

pytestmark = [pytest.mark.full, pytest.mark.skipif(NOT_HERE, reason="this machine says that it has no browser")]

PAPER = ViewportSize(width=718, height=1000)
"""A4 (ISO 216: 210 by 297 mm) less margins of 10 mm, in CSS pixels of 1/96 inch."""
INKS = ("--wave", "--mark", "--heat", "--a", "--b", "--c", "--d")


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
    page.wait_for_timeout(600)
    drawn = page.evaluate("""() => [...document.querySelectorAll('canvas')].filter((canvas) =>
        canvas.getBoundingClientRect().top < innerHeight && canvas.clientWidth).map((canvas) =>
        canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data.some((x) => x))""")

    assert [] == faults
    assert [(pier.folder / "report.html").as_uri()] == asked
    assert all(drawn)
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("async () => (await axe.run(document)).violations")
    assert [] == [f"{each['id']}: {node['html'][:120]}" for each in found for node in each["nodes"]
                  if each["impact"] in ("serious", "critical")]
    context.close()


def test_the_report_can_be_printed(browser: Browser, pier: Pier) -> None:
    """On A4 no table runs over the edge, and paper is white also where the screen is dark: inks are those of light."""
    inks = "(names) => names.map((name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim())"
    context = browser.new_context(viewport=PAPER, color_scheme="light")
    page = context.new_page()
    page.goto((pier.folder / "report.html").as_uri())
    light = page.evaluate(inks, INKS)
    page.emulate_media(media="screen", color_scheme="dark")
    dark = page.evaluate(inks, INKS)
    page.emulate_media(media="print", color_scheme="dark")

    assert light == page.evaluate(inks, INKS)
    assert light != dark
    assert page.evaluate("document.documentElement.scrollWidth") <= PAPER["width"]
    assert not page.locator(".player").is_visible()
    assert page.pdf(format="A4").startswith(b"%PDF")
    context.close()
