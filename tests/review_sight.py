"""The review page as it is seen and handled in a browser, for its tests."""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, ViewportSize, expect

from oneshot.core.records.hits import Hit
from oneshot.kit.read import read_kit

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or "/usr/bin/chromium"
AXE = Path(os.environ.get("AXE_CORE", Path(__file__).parent.parent / ".axe/node_modules/axe-core/axe.min.js"))
NOT_HERE = os.environ.get("ONESHOT_NO_BROWSER") == "1"
LAPTOP, PHONE = ViewportSize(width=1366, height=768), ViewportSize(width=390, height=844)

CHOSEN_AND_SHOWN = """() => [
    (document.querySelector(".stroke[aria-selected=true]")?.id ?? "").split("-")[1] ?? "",
    document.querySelector("#hit")?.dataset.hit ?? ""]"""
"""The numbers of the two, "" where there is none."""


class Sight:
    """A page that is open on a kit."""

    def __init__(self, page: Page, folder: Path, address: str) -> None:
        self.page, self.folder, self.address = page, folder, address
        self.faults: list[str] = []
        page.on("pageerror", lambda error: self.faults.append(str(error)))
        page.on("dialog", lambda dialog: self.faults.append(f"dialog: {dialog.message}"))
        page.on("request", lambda request: self.faults.append(request.url)
                if not request.url.startswith((address.split("#", maxsplit=1)[0], "data:")) else None)
        self.open()

    def open(self) -> None:
        """Load the page and wait until a stroke is shown."""
        self.page.goto(self.address)
        self.page.wait_for_selector("#hit-title")

    def press(self, *keys: str) -> None:
        """Strike keys, each once what the one before did is done."""
        for key in keys:
            self.page.keyboard.press(key)
            self.page.wait_for_timeout(40)

    def settled(self) -> None:
        """Wait until the stroke that is chosen is the one that is shown; which one it is may change meanwhile, while
        keys wait for their turn.
        """
        seen = ""
        for _ in range(200):
            chosen, shown = self.page.evaluate(CHOSEN_AND_SHOWN)
            if chosen and chosen == shown:
                return
            seen = f"stroke {chosen} is chosen and {shown} shown"
            self.page.wait_for_timeout(50)
        raise AssertionError(seen)

    def names(self) -> Page:
        """The page with the fields for names in sight: on a low screen they open in place of the others."""
        if self.page.locator("#set-names").get_attribute("open") is None:
            self.page.click("#set-names summary")
        return self.page

    def decided(self, count: int) -> None:
        """Wait until so many decisions are told."""
        expect(self.page.locator("#count")).to_have_text(f"({count})" if count else "")
        expect(self.page.locator("#hit[data-hit]")).to_have_count(1)

    def sounds(self, title: str) -> None:
        """Wait until something of that title plays."""
        expect(self.page.locator("#now")).to_have_text(re.compile(f"^{title}"), timeout=15000)

    def shown(self) -> Hit:
        """The hit that the page shows."""
        number = int((self.page.locator(".stroke[aria-selected=true]").get_attribute("id") or "").split("-")[1])
        return next(h for h in read_kit(self.folder).hits if h.id == number)

    def choose(self, show: str, drum: str = "") -> None:
        """Which strokes are listed."""
        self.page.select_option("#show", show)
        self.page.select_option("#of", drum)
        self.settled()
        self.page.locator("#list").focus()

    def build(self) -> float:
        """Build again; the seconds it took, as the page tells them."""
        self.page.click("#build")
        expect(self.page.locator("#waiting")).to_have_text(re.compile("^Built in"), timeout=60000)
        self.settled()
        return float(self.page.locator("#waiting").inner_text().split()[2])

    def played(self) -> dict[str, Any]:
        """What was played last, as the page's own player knows it."""
        found: dict[str, Any] = self.page.evaluate("""async () => {
            const last = (await import('/static/listen.js')).lastPlayed();
            return last && {title: last.title, ms: last.started - last.asked, frames: last.frames, rate: last.rate,
                            mics: last.mics, peaks: last.peaks(), strokes: last.strokes}; }""")
        return found
