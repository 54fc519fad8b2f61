"""The page's tables of figures: bleed and delays of each take, mics, prints, what was left out, problems."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import TypeVar

from oneshot.analysis.detection.spectrogram import BAND_EDGES_HZ
from oneshot.core.records.hits import Delay, Hit
from oneshot.core.records.kit import BandBleed, Kit, MicView
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Take
from oneshot.core.text import counted
from oneshot.cutting.mix.balance import RANKED_BY
from oneshot.kit import null_reasons
from oneshot.kit.export.manifest import public_problems
from oneshot.kit.levels import hit_levels_dbfs, level_range
from oneshot.kit.report.data import clock
from oneshot.kit.report.left_out import left_out, nearest, reason_kind, unused
from oneshot.kit.report.markup import Content, Markup, cell, figure, grid, tag
from oneshot.kit.report.mixes import late, learned_words, made_of, processed_rows
from oneshot.kit.report.order import in_kit_order
from oneshot.kit.report.sections import fold, section
from oneshot.kit.report.text import grouped

SHADES = 20
"""Steps of colour of a heat map: page.css has a class for each."""
STANDS_OUT_DB = 3.0
"""From here on a band is worth a word."""
LONGEST_LIST = 200
"""Left-out hits on the page; hits.csv has them all."""
NEAREST = 6
"""Hits that are all but clean and shown without being asked for."""
FEW_WARNINGS = 4
"""So many are shown without being asked for."""

Value = TypeVar("Value")


def bleed_section(kit: Kit) -> Markup | None:
    """How loud each drum is in each mic, against its home mic: a heat map with its numbers, for each take."""
    tables = [_matrix(take, _by_drum(kit, kit.bleed[take.name]),
                      f"{take.name}: level of each drum in each mic, dB re its home mic", _bleed_cell,
                      lambda take, drum, mic: null_reasons.bleed_reason(kit, take, drum, mic))
              for take in kit.session.takes if kit.bleed.get(take.name)]
    if not tables:
        return None
    over_all = [tag("p", f"{take.name}: {drum} is never isolated in {_some(mics)}: level estimated from "
                         "all its hits.") for take in kit.session.takes for drum in kit.bleed.get(take.name, {})
                if (mics := null_reasons.solved(kit, take.name, drum))]
    views = [_views(take, kit.mic_views[take.name]) for take in kit.session.takes if kit.mic_views.get(take.name)]
    bands = [_bands(take, _by_drum(kit, kit.bleed_bands[take.name])) for take in kit.session.takes
             if kit.bleed_bands.get(take.name)]
    return fold("bleed", "Bleed", _loudest_bleed(kit), tables, *over_all, *views, *bands,
                note="Level of each drum in each mic, dB re its home mic. The stronger the colour, the louder the drum "
                     "there.")


def _loudest_bleed(kit: Kit) -> str:
    """In which other mic a drum is loudest."""
    homes = {drum.name: drum.home for drum in kit.drums}
    far = {mic.name for take in kit.session.takes for mic in take.mics if mic.role is not Role.CLOSE}
    known = [(level, drum, mic) for table in kit.bleed.values() for drum, row in table.items()
             for mic, level in row.items() if level is not None and mic not in far and mic in homes.values()
             and mic != homes.get(drum)]
    if not known:
        return "level of each drum in each mic"
    level, drum, mic = max(known)
    return f"loudest in another drum's mic: {drum} in {mic}, {figure(level, 'dB')}"


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
                          figure(each.spread_db), f"{each.hits:,}"])
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
    tables = [_matrix(take, _by_drum(kit, kit.delays[take.name]), f"{take.name}: arrival after the home mic",
                      _delay_cell, lambda take, drum, mic: null_reasons.delay_reason(kit, take, drum, mic))
              for take in kit.session.takes if kit.delays.get(take.name)]
    if not tables:
        return None
    return fold("delays", "Delays", _longest_delay(kit), tables,
                note="Arrival after the home mic in milliseconds ± its spread (half the 16 to 84 % range); below, the "
                     f"path difference in air of {kit.session.air_c:g} °C and the number of clear readings.")


def _longest_delay(kit: Kit) -> str:
    """Which mic a drum reaches last."""
    known = [(delay.ms, drum, mic) for table in kit.delays.values() for drum, row in table.items()
             for mic, delay in row.items() if delay.ms is not None]
    if not known:
        return "when each drum arrives in each mic"
    ms, drum, mic = max(known)
    return f"longest: {drum} in {mic}, {figure(ms, 'ms')} after its home mic"


def _by_drum(kit: Kit, rows: Mapping[str, Value]) -> dict[str, Value]:
    """What there is of each drum, in kit order."""
    order = {drum.name: n for n, drum in enumerate(in_kit_order(kit.drums))}
    return dict(sorted(rows.items(), key=lambda row: order.get(row[0], len(order))))


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


def _shaded(warmth: float, *content: Content) -> Markup:
    """A cell of a heat map. ``warmth`` goes from 0 to 1 and is drawn in ``SHADES`` steps: a session of 40 mics has
    thousands of such cells, so each says no more than its step.
    """
    step = round(SHADES * min(max(warmth, 0.0), 1.0))
    return tag("td", *content, class_=f"w{step}" if step else None)


def _bleed_cell(value: float | None, known: bool) -> Markup:
    if value is None:
        return cell("–" if known else "")
    return _shaded((value + 60) / 60, figure(value))


def _delay_cell(value: Delay | None, known: bool) -> Markup:
    if value is None or value.ms is None:
        return cell("–" if known else "")
    spread = "" if value.spread_ms is None else f" ± {value.spread_ms:.2f}"
    below = [tag("span", text, class_="sub") for text in (figure(value.path_m, "m", digits=2),
                                                          counted(value.hits, "reading"))]
    return _shaded(abs(value.ms) / 30, figure(value.ms, digits=2), spread, below)


# ------------------------------------------------------------------------------------------------------------- the rest


def mics_section(kit: Kit) -> Markup | None:
    """Every mic of every take: role, noise, measured polarity; and its place in the balance."""
    if not kit.session.takes:
        return None
    noise = {item.take: item.noise_dbfs for item in kit.noise}
    tables = []
    for take in kit.session.takes:
        rows = [_mic_row(mic, noise.get(take.name, {}), take, kit) for mic in take.mics]
        tables.append(grid(["Mic", "Role", "Placed at", "Pair", "Noise, dBFS rms", "Polarity", "Gain, dB", "Pan"], rows,
                           caption=take.name, numbers={4, 6, 7}))
    told: list[Content] = [tag("p", line) for line in learned_words(kit.learned)] if kit.learned else []
    names = {mic.name for take in kit.session.takes for mic in take.recorded}
    levels = level_range(level for item in kit.noise for level in item.noise_dbfs.values())
    floor = "" if levels is None else f"; noise up to {figure(levels[1], 'dBFS rms', digits=0)}"
    return fold("mics", "Mics and balance", f"{counted(len(names), 'mic')}{floor}", tables, told,
                note="Noise is measured where no hit sounds. Polarity re the home mic, where it was measured: in "
                     "the other close mics of a drum. Gain and pan are the balance used by the mappings.")


def processed_section(kit: Kit) -> Markup | None:
    """Processed tracks: what they are made of, where they lie, and where a compressor had not come back yet."""
    rows: list[list[Content]] = [
        [row["name"], row["take"], made_of(row["made_of"]), row["files"], "yes" if row["plays"] else "no",
         late(row["latency_frames"], row["sample_rate"]), late(row["applied_frames"], row["sample_rate"]),
         row["recovering"] or "–"] for row in processed_rows(kit)]
    if not rows:
        return None
    return fold("processed", "Processed tracks", counted(len(rows), "track"), grid(
        ["Track", "Take", "Made of", "Files", "Plays", "Latency, frames", "Compensated", "Recovering"], rows,
        caption="Processed tracks, cut in sync with the mics", numbers={3, 7}, class_="words"),
        note="Not used for detection or grading. Recovering: files that start while a compressor still reduces the "
             "gain by 2 dB or more after an earlier hit; manifest.json has the figures.")


def _mic_row(mic: Mic, noise: Mapping[str, float | None], take: Take, kit: Kit) -> list[Content]:
    fader = kit.balance.get(mic.name)
    polarity = kit.polarity.get(take.name, {}).get(mic.name, 0)
    turned = {1: "as home mic", -1: "inverted"}.get(polarity, "–") \
        if mic.name in kit.polarity_measured.get(take.name, ()) else "–"
    place = " ".join(part for part in (mic.drum, mic.place) if part) or "–"
    level: Content = "–" if fader is None else figure(fader.gain_db) if fader.on else "off"
    return [mic.name, str(mic.role), place, mic.pair or "–", figure(noise.get(mic.name)), turned, level,
            "–" if fader is None else _pan(fader.pan)]


def _pan(pan: float) -> str:
    if abs(pan) < 0.005:
        return "centre"
    return f"{abs(pan):.0%} {'left' if pan < 0 else 'right'}"


def prints_section(kit: Kit) -> Markup | None:
    """The candidates of every print, best first, with what they are ranked by."""
    if not kit.prints:
        return None
    rows: list[list[Content]] = []
    for number, item in enumerate(kit.prints):
        play = tag("button", tag("canvas", width=132, height=44, aria_hidden="true"), type="button", class_="print",
                   data_print=number, aria_label=f"Play {item.print}, layer {item.layer}, rank {item.rank}")
        parts = ", ".join(f"{name} {figure(mic.gain_db)} dB" for name, mic in item.mics.items())
        rows.append([item.print, item.layer, item.rank, tag("td", play), item.why, parts, figure(item.true_peak_dbtp),
                     figure(item.momentary_lufs), "up" if item.first_excursion > 0 else "down", item.hit])
    return section("prints", "Prints", grid(
        ["Print", "Layer", "Rank", "Play", "Ranked by", "Mics", "True peak, dBTP", "LUFS, 400 ms", "First excursion",
         "Hit"], rows,
        caption="Prints, best first", numbers={1, 2, 6, 7, 9}, class_="words"), tag("p", RANKED_BY, class_="note"))


def _nearest(kit: Kit, takes: Mapping[str, Take]) -> Content:
    """The cleanest of the hits that are not clean, with what disturbs them."""
    rows: list[list[Content]] = [
        [f"{each.hit.drum}, {each.hit.articulation}", each.hit.id, _at(each.hit, takes), figure(each.bleed_db),
         each.disturbed_by] for each in nearest(kit, NEAREST)]
    return grid(["Drum, articulation", "Hit", "At", "Bleed in home mic, dB re hit", "Disturbed by"], rows,
                caption="Nearest to clean", numbers={1, 3}, class_="words") if rows else None


def _at(hit: Hit, takes: Mapping[str, Take]) -> str:
    """Where a hit is in the recording."""
    return f"{hit.take}, {clock(hit.onset, takes[hit.take].sample_rate)}"


def left_out_section(kit: Kit) -> Markup:
    """Why hits were left out and which, and how to hear them and take them in."""
    hits = unused(kit)
    reasons = left_out(hits)
    if not reasons:
        return section("left-out", "What was left out", tag("p", "Nothing: every hit that was found is in the kit."))
    such: dict[str, list[Hit]] = {}
    for hit in hits:
        such.setdefault(reason_kind(hit.reason), []).append(hit)
    takes = {take.name: take for take in kit.session.takes}
    rows: list[list[Content]] = []
    for reason, number in reasons.items():
        drums = Counter(hit.drum for hit in such[reason])
        rows.append([reason, f"{number:,}", ", ".join(f"{drum} {n:,}" for drum, n in drums.most_common())])
    how = tag("p", "The hits below are not in this folder. To hear them where they were recorded and take them in: ",
              tag("code", "oneshot review ", tag("span", "KIT", id="kit-path")),
              tag("button", "Copy", type="button", id="copy", hidden=True), class_="how")
    near = _nearest(kit, takes)
    return section(
        "left-out", "What was left out", how,
        grid(["Reason", "Hits", "Of"], rows, caption="Hits left out, by reason", numbers={1}, class_="words"),
        near,
        tag("details", tag("summary", f"List: {counted(len(hits), 'hit')}"), _left_out_list(kit, hits, takes)))


def _left_out_list(kit: Kit, hits: Sequence[Hit], takes: Mapping[str, Take]) -> Content:
    """Left-out hits one by one, the cleanest of each drum first."""
    homes, levels = {drum.name: drum.home for drum in kit.drums}, hit_levels_dbfs(kit)

    def bleed(hit: Hit) -> float:
        """Bleed in the home mic, dB; what is not known comes last."""
        value = hit.bleed_db.get(homes.get(hit.drum, ""))
        return math.inf if value is None else value

    order = {drum.name: n for n, drum in enumerate(in_kit_order(kit.drums))}
    shown = sorted(hits, key=lambda hit: (bleed(hit), hit.id))[:LONGEST_LIST]
    rows: list[list[Content]] = []
    for hit in sorted(shown, key=lambda hit: (order.get(hit.drum, len(order)), bleed(hit), hit.id)):
        home = homes.get(hit.drum)
        rows.append([f"{hit.drum}, {hit.articulation}", hit.id, _at(hit, takes), figure(levels[hit.id]),
                     figure(hit.bleed_db.get(home) if home else None)
                     if home is None or (why := null_reasons.hit_reason(kit, hit, home)) is None else _null(why),
                     hit.reason or reason_kind(None)])
    more = len(hits) - len(rows)
    return [grid(["Drum, articulation", "Hit", "At", "Level, dBFS", "Bleed in home mic, dB re hit", "Reason"], rows,
                 caption="Hits left out", numbers={1, 3, 4}, class_="words"),
            tag("p", f"The cleanest are listed; {more:,} more are in hits.csv.") if more else None]


def problems_section(kit: Kit) -> Markup | None:
    """What the build wants to be told: where, what, and what to do."""
    told = grouped(public_problems(kit))
    if not told:
        return None
    lines = [tag("li", tag("b", _some(where) or "the session"), f": {what}",
                 tag("span", f"{todo[0].upper()}{todo[1:]}.", class_="sub") if todo else None)
             for where, what, todo in told]
    listed = tag("ul", lines, class_="warnings")
    if len(told) > FEW_WARNINGS:
        listed = tag("details", tag("summary", f"List: {counted(len(told), 'warning')}"), listed)
    return section("problems", "Warnings", listed)


def _some(names: Sequence[str]) -> str:
    """Names in a row; of many the first and how many more."""
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
