"""The page's tables of figures: bleed and delays of each take, mics, gaps, prints, what was left out, problems."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import TypeVar

from oneshot.analysis.detection.spectrogram import BAND_EDGES_HZ
from oneshot.core.records.hits import Delay, Hit
from oneshot.core.records.kit import BandBleed, Kit, MicView
from oneshot.core.records.session import Mic, Take
from oneshot.kit import null_reasons
from oneshot.kit.export.manifest import public_problems
from oneshot.kit.report.data import clock
from oneshot.kit.report.gaps import gaps
from oneshot.kit.report.left_out import fates, left_out, nearest, reason_kind
from oneshot.kit.report.markup import Content, Markup, cell, figure, grid, tag
from oneshot.kit.report.mixes import late, learned_words, made_of, processed_rows
from oneshot.kit.report.sections import count, section
from oneshot.kit.report.text import grouped

STANDS_OUT_DB = 3.0
"""From here on a band is worth a word."""
LONGEST_LIST = 2000
"""Rows of left-out strokes on the page; hits.csv has them all."""

Value = TypeVar("Value")


def bleed_section(kit: Kit) -> Markup | None:
    """How loud each drum is in each mic, against its home mic: a heat map with its numbers, for each take."""
    tables = [_matrix(take, kit.bleed[take.name], f"{take.name}: level of each drum in each mic, dB", _bleed_cell,
                      lambda take, drum, mic: null_reasons.bleed_reason(kit, take, drum, mic))
              for take in kit.session.takes if kit.bleed.get(take.name)]
    if not tables:
        return None
    over_all = [tag("p", f"{take.name}: {drum} is never isolated in {', '.join(mics)}: level estimated from "
                         "all its hits.") for take in kit.session.takes for drum in kit.bleed.get(take.name, {})
                if (mics := null_reasons.solved(kit, take.name, drum))]
    views = [_views(take, kit.mic_views[take.name]) for take in kit.session.takes if kit.mic_views.get(take.name)]
    bands = [_bands(take, kit.bleed_bands[take.name]) for take in kit.session.takes if kit.bleed_bands.get(take.name)]
    return section("bleed", "Bleed", tables, *over_all, *views, *bands,
                   note="Level of each drum in each mic relative to its home mic (0 dB). The stronger the colour, the "
                        "louder the drum in that mic.")


def _views(take: Take, views: Sequence[MicView]) -> Markup:
    """In words, folded away: what each close mic hears of the other drums, the loudest of them first."""
    order = {mic.name: n for n, mic in enumerate(take.mics)}
    lines = [tag("li", view_text(view)) for view in sorted(views, key=lambda v: (order[v.mic], -v.level_db, v.drum))]
    return tag("details", tag("summary", f"{take.name}: bleed of other drums in the close mics"), tag("ul", lines))


def view_text(view: MicView) -> str:
    """One mic and one drum in a sentence; a band is told where the drum stands out there by 3 dB more."""
    text = f"In {view.mic}, a hard {view.drum} hit is {_against(view.level_db)} a hard {view.own} hit"
    if view.band_db < view.level_db + STANDS_OUT_DB:
        return f"{text}."
    band = (f"below {view.high_hz:g} Hz" if view.low_hz <= 0 else f"above {view.low_hz:g} Hz" if view.high_hz >= 20000
            else f"from {view.low_hz:g} to {view.high_hz:g} Hz")
    return f"{text}; {band} it is {_against(view.band_db)} it."


def _against(level_db: float) -> str:
    whole = round(level_db)
    return f"{abs(whole)} dB {'above' if whole > 0 else 'below'}" if whole else "level with"


def _bands(take: Take, rows: Mapping[str, Mapping[str, BandBleed]]) -> Markup:
    """Folded away: each drum in each mic, octave by octave, against the same octave in the home mic."""
    head = ["Mic", *(_band_name(low, high) for low, high in pairwise(BAND_EDGES_HZ)), "Spread", "Hits"]
    tables = []
    for drum, row in rows.items():
        lines: list[list[Content]] = []
        for name in (mic.name for mic in take.mics if mic.name in row):
            each = row[name]
            lines.append([name, *(_bleed_cell(value, True) for value in each.bands_db),
                          cell(figure(each.spread_db), number=True), cell(f"{each.hits:,}", number=True)])
        tables.append(grid(head, lines, caption=f"{drum}, dB relative to its home mic", class_="heat"))
    return tag("details", tag("summary", f"{take.name}: bleed by octave"), tables)


def _band_name(low: float, high: float) -> str:
    """``to 140 Hz``, ``1.8 to 3.2 kHz``, ``14 kHz up``."""
    if low <= 0:
        return f"to {high:g} Hz"
    if high >= BAND_EDGES_HZ[-1]:
        return f"{low / 1000:g} kHz up"
    return f"{low:g} to {high:g} Hz" if high < 1000 else f"{low / 1000:g} to {high / 1000:g} kHz"


def delays_section(kit: Kit) -> Markup | None:
    """When each drum arrives in each mic after its home mic, as time and as the way sound goes in it."""
    tables = [_matrix(take, kit.delays[take.name], f"{take.name}: arrival after the home mic", _delay_cell,
                      lambda take, drum, mic: null_reasons.delay_reason(kit, take, drum, mic))
              for take in kit.session.takes if kit.delays.get(take.name)]
    if not tables:
        return None
    return section("delays", "Delays", tables, note="Arrival after the home mic in milliseconds ± its spread (half the "
                                                    "16 to 84 % range); below, the path difference in air of "
                                                    f"{kit.session.air_c:g} °C and the number of clear readings.")


def _matrix(take: Take, values: Mapping[str, Mapping[str, Value]], caption: str,
            draw: Callable[[Value | None, bool], Markup], why: Callable[[str, str, str], str | None]) -> Markup:
    """Drums down, mics across in the take's own order; mics that no drum has a value for are left out. ``why``: take,
    drum and mic -> why there is no value.
    """
    mics = [mic.name for mic in take.mics if any(mic.name in row for row in values.values())]
    rows = [[drum, *(draw(row.get(mic), mic in row) if (reason := why(take.name, drum, mic)) is None else _null(reason)
                     for mic in mics)] for drum, row in values.items()]
    return grid(["Drum", *mics], rows, caption=caption, class_="heat")


def _null(reason: str) -> Markup:
    """A figure that is not known, and why."""
    return tag("td", "–", tag("span", reason, class_="sub"), class_="n")


def _bleed_cell(value: float | None, known: bool) -> Markup:
    if value is None:
        return cell("–" if known else "", number=True)
    warmth = min(max((value + 60) / 60, 0), 1)
    return tag("td", figure(value), class_="n", style=f"--v:{warmth:.3f}")


def _delay_cell(value: Delay | None, known: bool) -> Markup:
    if value is None or value.ms is None:
        return cell("–" if known else "", number=True)
    warmth = min(abs(value.ms) / 30, 1)
    spread = "" if value.spread_ms is None else f" ± {value.spread_ms:.2f}"
    below = [tag("span", text, class_="sub") for text in (figure(value.path_m, "m", digits=2),
                                                          count(value.hits, "reading"))]
    return tag("td", figure(value.ms, digits=2), spread, below, class_="n", style=f"--v:{warmth:.3f}")


# ------------------------------------------------------------------------------------------------------------- the rest


def mics_section(kit: Kit) -> Markup:
    """Every mic of every take: role, noise, measured polarity; and its place in the balance."""
    noise = {item.take: item.noise_dbfs for item in kit.noise}
    tables = []
    for take in kit.session.takes:
        rows = [_mic_row(mic, noise.get(take.name, {}), kit.polarity.get(take.name, {}), kit) for mic in take.mics]
        tables.append(grid(["Mic", "Role", "Placed at", "Pair", "Noise, dBFS", "Polarity", "Gain, dB", "Pan"], rows,
                           caption=take.name, numbers={4, 6, 7}))
    told: list[Content] = [tag("p", line) for line in learned_words(kit.learned)] if kit.learned else []
    return section("mics", "Mics and balance", tables, told,
                   note="Noise floor and polarity are measured; gain and pan are the balance used by the mapping.")


def processed_section(kit: Kit) -> Markup | None:
    """Processed tracks: what they are made of, where they lie, and where a compressor had not come back yet."""
    rows: list[list[Content]] = [
        [row["name"], row["take"], made_of(row["made_of"]), row["files"], "yes" if row["plays"] else "no",
         late(row["latency_frames"], row["sample_rate"]), late(row["applied_frames"], row["sample_rate"]),
         row["recovering"] or "–"] for row in processed_rows(kit)]
    if not rows:
        return None
    return section("processed", "Processed tracks", grid(
        ["Track", "Take", "Made of", "Files", "Plays", "Latency, frames", "Compensated", "Recovering"], rows,
        caption="Processed tracks, cut in sync with the mics", numbers={3, 7}, class_="words"),
        note="Not used for detection or grading. Recovering: files that start while a compressor still reduces the "
             "gain by 2 dB or more after an earlier hit; manifest.json has the figures.")


def _mic_row(mic: Mic, noise: Mapping[str, float | None], polarity: Mapping[str, int], kit: Kit) -> list[Content]:
    fader = kit.balance.get(mic.name)
    turned = {1: "as home mic", -1: "inverted"}.get(polarity.get(mic.name, 0), "–")
    place = " ".join(part for part in (mic.drum, mic.place) if part) or "–"
    level: Content = "–" if fader is None else figure(fader.gain_db) if fader.on else "off"
    return [mic.name, str(mic.role), place, mic.pair or "–", figure(noise.get(mic.name)), turned, level,
            "–" if fader is None else _pan(fader.pan)]


def _pan(pan: float) -> str:
    if abs(pan) < 0.005:
        return "centre"
    return f"{abs(pan):.0%} {'left' if pan < 0 else 'right'}"


def gaps_section(kit: Kit) -> Markup:
    """What the kit lacks."""
    found = gaps(kit)
    if not found:
        return section("gaps", "Gaps", tag("p", "None: every velocity plays, and no step is wider than 6 dB."))
    rows = [[gap.where, gap.what, gap.record] for gap in found]
    return section("gaps", "Gaps", grid(["Drum, articulation", "Missing", "Record next time"], rows,
                                        caption="Gaps in the kit", class_="words"))


def prints_section(kit: Kit) -> Markup | None:
    """The candidates of every print, best first, with why they stand where they stand."""
    if not kit.prints:
        return None
    rows: list[list[Content]] = []
    for number, item in enumerate(kit.prints):
        play = tag("button", tag("canvas", width=132, height=44, aria_hidden="true"), type="button", class_="shot",
                   data_print=number, aria_label=f"Play {item.print}, candidate {item.rank}")
        parts = ", ".join(f"{name} {figure(mic.gain_db)} dB" for name, mic in item.mics.items())
        rows.append([f"{item.print} {item.rank}", tag("td", play), item.why, parts, figure(item.true_peak_dbtp),
                     figure(item.momentary_lufs), "up" if item.first_excursion > 0 else "down", item.hit])
    return section("prints", "Prints", grid(
        ["Candidate", "Play", "Why", "Mics", "True peak, dBTP", "LUFS, 400 ms", "First excursion", "Hit"], rows,
        caption="Prints, best first", numbers={4, 5, 7}, class_="words"))


def fates_section(kit: Kit) -> Markup:
    """What became of the hits of each drum and articulation, and the cleanest of those that are not clean."""
    groups = [(drum.name, how.name) for drum in kit.drums for how in drum.articulations]
    rows: list[list[Content]] = []
    for group in groups:
        counts = fates(hit for hit in kit.hits if (hit.drum, hit.articulation) == group)
        rows.append([f"{group[0]}, {group[1]}", sum(counts.values()), *counts.values()])
    total = fates(kit.hits)
    rows.append(["all", sum(total.values()), *total.values()])
    return section(
        "fates", "What became of the hits",
        tag("p", "Kept: it has a one-shot. Spare: clean, but its layer is full. Not clean: too much bleed. Odd: other "
                 "sound, pitch or length than its layer, part of an ornament, a duplicate, or left out by hand."),
        grid(["Drum, articulation", "Found", "Kept", "Spare", "Not clean", "Odd"], rows,
             caption="Hits by what became of them", numbers={1, 2, 3, 4, 5}),
        _nearest(kit))


def _nearest(kit: Kit) -> Content:
    """The cleanest of the hits that are not clean, with what disturbs them."""
    takes = {take.name: take for take in kit.session.takes}
    rows: list[list[Content]] = [
        [each.hit.id, each.hit.take, clock(each.hit.onset, takes[each.hit.take].sample_rate),
         f"{each.hit.drum}, {each.hit.articulation}", figure(each.bleed_db), each.disturbed_by]
        for each in nearest(kit)]
    return grid(["Hit", "Take", "At", "Drum, articulation", "Bleed in home mic, dB", "Disturbed by"], rows,
                caption="Not clean, but nearest to it", numbers={4}, class_="words") if rows else None


def left_out_section(kit: Kit) -> Markup | None:
    """Why strokes were left out, counted; and which, to open."""
    reasons = left_out(kit.hits)
    if not reasons:
        return None
    most = max(reasons.values())
    rows: list[list[Content]] = []
    for reason, number in reasons.items():
        bar = tag("span", class_="fill", style=f"left:0;width:{number / most:.1%}")
        rows.append([reason, number, tag("td", tag("span", bar, class_="track", aria_hidden="true"))])
    hits = [hit for hit in kit.hits if not hit.kept]
    return section(
        "left-out", "Left out",
        grid(["Reason", "Hits", "Share"], rows, caption="Hits left out, by reason", numbers={1}, class_="words"),
        tag("details", tag("summary", f"List: {count(len(hits), 'hit')}"), _left_out_list(kit, hits)))


def _left_out_list(kit: Kit, hits: Sequence[Hit]) -> Content:
    takes = {take.name: take for take in kit.session.takes}
    homes = {drum.name: drum.home for drum in kit.drums}
    rows: list[list[Content]] = []
    for hit in hits[:LONGEST_LIST]:
        home = homes.get(hit.drum)
        rows.append([hit.id, hit.take, clock(hit.onset, takes[hit.take].sample_rate), f"{hit.drum}, {hit.articulation}",
                     figure(hit.level_db), figure(hit.bleed_db.get(home) if home else None)
                     if home is None or (why := null_reasons.hit_reason(kit, hit, home)) is None else _null(why),
                     hit.reason or reason_kind(None)])
    more = len(hits) - len(rows)
    return [grid(["Hit", "Take", "At", "Drum, articulation", "Level, dB", "Bleed in home mic, dB", "Reason"], rows,
                 caption="Hits left out", numbers={2, 4, 5}, class_="words"),
            tag("p", f"{more:,} more are in hits.csv.") if more else None]


def problems_section(kit: Kit) -> Markup | None:
    """What the build wants to be told: where, what, and what to do."""
    told = grouped(public_problems(kit))
    if not told:
        return None
    rows = [[", ".join(where) or "the session", what, todo] for where, what, todo in told]
    table = grid(["Where", "What", "What to do"], rows, caption="Warnings", class_="words")
    return section("problems", "Warnings", table)
