"""The pictures of docs/pictures, made from the demo: ``python tests/pictures.py [FOLDER]``.

Four drawings (SVG, light and dark by the reader's scheme): a clean and a dirty tail, one file before and after bleed
reduction, delays as distances, the way of the signal. And what the pages of a kit look like (PNG, by headless
Chromium): the report's velocity map and the review page, light and dark. ``FOLDER``: where the demo is rendered and
built, a temporary one unless given.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from html import escape
from itertools import pairwise
from pathlib import Path

import numpy as np
from playwright.sync_api import Page, sync_playwright
from review_sight import CHROMIUM

from oneshot import pipeline
from oneshot.audio.io import TakeReader, read_audio
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Kit, OneShot
from oneshot.core.records.session import Floats
from oneshot.kit.read import read_kit
from oneshot.session.open import open_session

PICTURES = Path(__file__).resolve().parent.parent / "docs" / "pictures"
WIDE, HIGH = 720, 240
LEFT, RIGHT, TOP, FOOT = 52, 12, 14, 30
BELOW_DB = 70.0
SMOOTH_S = 0.005
SOON_S, LOUD_DB = 0.3, -20.0
"""The next hit of the hit with the dirty tail comes this soon; its bleed is louder than this."""
ATTACK_S = 0.05
"""Levels are drawn relative to the loudest of this much from the onset on."""
SPEED_M_S = 343.2
"""Of sound in dry air at 20 °C, ISO 9613-1:1993 (from memory)."""
STYLE = """<style>
svg { background: #f1f1f1; font: 12px system-ui, "Noto Sans", "DejaVu Sans", sans-serif; }
text { fill: #5b5b5b; } .ink { fill: #232323; } .line { stroke: #cdcdcd; fill: none; }
.plain { stroke: #4c4c4c; fill: none; stroke-width: 1.4; } .bar { fill: #4c4c4c; }
.mark { stroke: #a34a28; fill: none; stroke-width: 1.8; } .marked { fill: #a34a28; }
.box { fill: #fbfbfb; stroke: #b2b2b2; }
@media (prefers-color-scheme: dark) {
svg { background: #1c1c1c; } text { fill: #a9a9a9; } .ink { fill: #e6e6e6; } .line { stroke: #444; }
.plain { stroke: #b9b9b9; } .bar { fill: #b9b9b9; } .mark { stroke: #e08a62; } .marked { fill: #e08a62; }
.box { fill: #262626; stroke: #5e5e5e; } }
</style>"""


def svg(high: float, title: str, *parts: str) -> str:
    """A drawing of the usual width."""
    return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {high:g}" role="img">'
            f"<title>{escape(title)}</title>{STYLE}{''.join(parts)}</svg>\n")


def text(x: float, y: float, said: str, kind: str = "", anchor: str = "start") -> str:
    """A line of text."""
    return f'<text x="{x:.1f}" y="{y:.1f}" class="{kind}" text-anchor="{anchor}">{escape(said)}</text>'


def level_db(x: Floats, rate: int) -> Floats:
    """Level over time, dB re full scale, one value a ``SMOOTH_S``. ``x``: (channels, frames)."""
    hop = round(SMOOTH_S * rate)
    whole = x[:, : x.shape[1] // hop * hop].reshape(len(x), -1, hop)
    return np.asarray(10 * np.log10(np.maximum((whole**2).mean(axis=(0, 2)), 1e-12)))


def curves(title: str, rows: Mapping[str, tuple[Floats, str]]) -> str:
    """Levels over time, relative to the loudest: name -> its values (dB) and how its line is drawn."""
    seconds = max(len(row) for row, _ in rows.values()) * SMOOTH_S
    top = max(float(row.max()) for row, _ in rows.values())

    def x(at: float) -> float:
        return LEFT + at / seconds * (WIDE - LEFT - RIGHT)

    def y(db: float) -> float:
        return TOP + min(max((top - db) / BELOW_DB, 0.0), 1.0) * (HIGH - TOP - FOOT)

    parts = []
    for db in range(0, -int(BELOW_DB) - 1, -10):
        parts.append(f'<path class="line" d="M{LEFT} {y(top + db):.1f}H{WIDE - RIGHT}"/>')
        if db % 20 == 0:
            parts.append(text(LEFT - 6, y(top + db) + 4, f"\u2212{-db} dB" if db else "0 dB", anchor="end"))
    parts += [text(x(ms / 1000), HIGH - 10, f"{ms} ms", anchor="middle") for ms in range(0, int(seconds * 1000), 100)]
    for n, (name, (row, kind)) in enumerate(rows.items()):
        line = "L".join(f"{x(i * SMOOTH_S):.1f} {y(float(db)):.1f}" for i, db in enumerate(row))
        parts.append(f'<path class="{kind}" d="M{line}"/>')
        low = HIGH - FOOT - 32 + 18 * n
        parts.append(f'<path class="{kind}" d="M{LEFT + 14} {low}h24"/>')
        parts.append(text(LEFT + 44, low + 4, name, "ink"))
    return svg(HIGH, title, *parts)


def disturbed(kit: Kit) -> tuple[Hit, Hit]:
    """A hit that was left out for what follows it, and that next hit: the hardest that nothing was struck with, that is
    louder than all else in its home mic, and after which another drum is struck before ``SOON_S``.
    """
    homes = {drum.name: drum.home for drum in kit.drums}
    rates = {take.name: take.sample_rate for take in kit.session.takes}
    ordered = sorted(kit.hits, key=lambda hit: (hit.take, hit.onset))
    found = [(hit, after) for hit, after in pairwise(ordered)
             if after.take == hit.take and after.onset - hit.onset < SOON_S * rates[hit.take]
             and after.drum != hit.drum and not hit.kept and not hit.partners and hit.ornament is None
             and LOUD_DB < (hit.bleed_db.get(homes[hit.drum]) or 0.0) < 0.0]
    return max(found, key=lambda each: each[0].level_db or -np.inf)


def tails(session: Path, kit: Kit) -> str:
    """A hit that rings out and one that another drum follows, of one drum, in its home mic."""
    hits = {hit.id: hit for hit in kit.hits}
    dirty, after = disturbed(kit)
    home = next(drum.home for drum in kit.drums if drum.name == dirty.drum)
    clean = min((hits[shot.hit] for shot in kit.one_shots if shot.drum == dirty.drum and shot.grade == "A"),
                key=lambda hit: abs((hit.level_db or 0.0) - (dirty.level_db or 0.0)))
    takes = {take.name: take for take in open_session(session).takes}
    late_ms = 1000 * (after.onset - dirty.onset) / takes[dirty.take].sample_rate
    rows: dict[str, tuple[Floats, str]] = {}
    struck = " and ".join([after.drum, *(partner.drum for partner in after.partners)])
    said = f"left out: {struck} after {late_ms:.0f} ms, bleed {dirty.bleed_db[home]:.0f} dB".replace("-", "\u2212")
    for name, hit, kind in (("grade A: it rings out alone", clean, "plain"), (said, dirty, "mark")):
        with TakeReader(session, takes[hit.take], [home]) as reader:
            rate = reader.take.sample_rate
            row = level_db(reader.read(hit.onset, hit.onset + round(0.6 * rate)).astype(np.float64), rate)
        rows[name] = (row - row[: round(ATTACK_S / SMOOTH_S)].max(), kind)
    return curves(f"Two hits of the {dirty.drum} in {home}: a clean and a dirty tail", rows)


def reduced(folder: Path, kit: Kit) -> str:
    """The file whose bleed was reduced most, before and after."""
    def pairs() -> Iterator[tuple[float, OneShot, str, str]]:
        for shot in kit.one_shots:
            for before in shot.untouched:
                after = next((f for f in shot.files if f.mics == before.mics), None)
                if after is not None and "suppression" in after.repaired:
                    (a, header), (b, _) = read_audio(folder / before.path), read_audio(folder / after.path)
                    frames = min(a.shape[1], b.shape[1], round(0.6 * header.sample_rate))
                    change = level_db(a[:, :frames], header.sample_rate) - level_db(b[:, :frames], header.sample_rate)
                    late = change[round(0.05 / SMOOTH_S) :]  # in the tail, where it is heard
                    yield float(np.mean(np.clip(late, 0, 30))) if late.size else 0.0, shot, before.path, after.path
    _, shot, before, after = max(pairs(), key=lambda each: each[0])
    (a, header), (b, _) = read_audio(folder / before), read_audio(folder / after)
    frames = min(a.shape[1], b.shape[1], round(0.6 * header.sample_rate))
    mics = " and ".join(shot.untouched[0].mics)
    return curves(f"{shot.drum} in {mics}, before and after bleed reduction", {
        "as recorded": (level_db(a[:, :frames], header.sample_rate), "mark"),
        "other hits reduced": (level_db(b[:, :frames], header.sample_rate), "plain")})


def distances(kit: Kit) -> str:
    """How long the snare takes to each mic, as a way in metres."""
    row = {mic: ms for mic, ms in kit.delays_ms[kit.session.takes[0].name]["snare"].items() if ms is not None}
    ranked = sorted(row.items(), key=lambda each: each[1])
    longest, step = max(row.values()), 22
    parts = [text(LEFT + 60, 16, "delay of a snare hit after its home mic, and the way that sound goes in that time")]
    for n, (mic, ms) in enumerate(ranked):
        y, wide = 28 + step * n, (WIDE - 290) * ms / longest
        parts += [text(LEFT + 52, y + 12, mic, "ink", "end"),
                  f'<rect class="bar" x="{LEFT + 60}" y="{y + 2}" width="{max(wide, 1):.1f}" height="12"/>',
                  text(LEFT + 68 + wide, y + 12, f"{ms:.2f} ms, {ms / 1000 * SPEED_M_S:.2f} m")]
    return svg(34 + step * len(ranked), "Delays of the snare as distances", *parts)


def path_of_signal() -> str:
    """From the mics to the kit, in boxes."""
    boxes = [("takes", "every mic, untouched"), ("detection", "close mics and overheads"),
             ("sorting", "by delays and levels"), ("measurement", "bleed, delays, levels"),
             ("selection", "layers, round robins"), ("cutting", "one window for all mics"),
             ("kit", "files, mappings, report")]
    wide, high = 168.0, 52.0
    parts, at = [], []
    for n, (name, about) in enumerate(boxes):
        column, line = (n, 0) if n < 4 else (6 - n + 1, 1)
        x, y = 6 + column * (wide + 12), 8 + line * (high + 34)
        at.append((x, y, line))
        parts += [f'<rect class="box" x="{x}" y="{y}" width="{wide}" height="{high}" rx="3"/>',
                  text(x + wide / 2, y + 22, name, "ink", "middle"), text(x + wide / 2, y + 40, about, "", "middle")]
    for (x, y, line), (_, _, following) in pairwise(at):
        if following != line:
            parts.append(f'<path class="mark" d="M{x + wide / 2} {y + high}v34"/>')
        elif line == 0:
            parts.append(f'<path class="mark" d="M{x + wide} {y + high / 2}h12"/>')
        else:
            parts.append(f'<path class="mark" d="M{x} {y + high / 2}h-12"/>')
    return svg(2 * high + 50, "The way of the signal", *parts)


@contextmanager
def reviewing(kit: Path) -> Iterator[str]:
    """The address of a review of a kit."""
    with subprocess.Popen([sys.executable, "-m", "oneshot", "review", str(kit), "--no-browser"], stdout=subprocess.PIPE,
                          text=True) as server:
        try:
            assert server.stdout is not None
            yield next(found[0] for line in server.stdout if (found := re.search(r"http://\S+", line)))
        finally:
            server.terminate()


def shots(kit: Path) -> None:
    """The velocity map and the review page, light and dark."""
    with reviewing(kit) as address, sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        for scheme in ("light", "dark"):
            page = browser.new_page(viewport={"width": 1280, "height": 720}, color_scheme=scheme)
            page.goto((kit / "report.html").resolve().as_uri())
            page.wait_for_timeout(500)
            page.screenshot(path=PICTURES / f"map-{scheme}.png")
            _review(page, address)
            page.screenshot(path=PICTURES / f"review-{scheme}.png")
        browser.close()


def _review(page: Page, address: str) -> None:
    page.goto(address)
    page.wait_for_selector("#hit-title")
    page.wait_for_timeout(1500)


def main(folder: Path) -> None:
    """All pictures, from a demo in that folder; what is there already is used."""
    session, kit, repaired = folder / "ropewalk", folder / "ropewalk kit", folder / "repaired"
    if not session.is_dir():
        subprocess.run([sys.executable, "-m", "oneshot", "demo", str(session)], check=True)
    if not kit.is_dir():
        pipeline.build(session, kit)
    if not repaired.is_dir():
        recipe = folder / "repair.toml"
        recipe.write_text("[repair]\nsuppression = true\n", encoding="utf-8")
        pipeline.build(session, repaired, recipe_path=recipe)
    PICTURES.mkdir(exist_ok=True)
    for name, drawn in (("tails", tails(session, read_kit(kit))), ("reduction", reduced(repaired, read_kit(repaired))),
                        ("distances", distances(read_kit(kit))), ("signal", path_of_signal())):
        (PICTURES / f"{name}.svg").write_text(drawn, encoding="utf-8")
    shots(kit)


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as temporary:
            main(Path(temporary))
