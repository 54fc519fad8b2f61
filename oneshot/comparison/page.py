"""The page: one file beside the excerpts that holds all figures and switches between mics or takes as they play.

It asks nothing of a network and computes no figure of its own. The sounds are inside it (FLAC of 16 bits, base64):
from a disk a page may not read the files beside it, and players of their own would not be in step. Names are text
everywhere: the markup of the report page escapes them.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from oneshot.comparison.figures import NOMINAL
from oneshot.core.files import write_atomic
from oneshot.kit.report.markup import Content, Markup, figure, grid, join, tag
from oneshot.kit.report.one_file import filled

NAME = "compare.html"


@dataclass(frozen=True, slots=True)
class Sound:
    """One excerpt: what it is of, its file, and the same as it is inside the page (FLAC)."""

    drum: str
    articulation: str
    take: str
    mic: str
    file: str
    sample_rate: int
    inside: bytes

    def holding(self, inside: bytes) -> Sound:
        """The same with what is inside the page."""
        return replace(self, inside=inside)


def write(folder: Path, record: Mapping[str, Any], sounds: Sequence[Sound]) -> None:
    """Write the page. ``record``: of ``run.comparison_record``. Raises OSError if it cannot be written."""
    write_atomic(folder / NAME, render(record, sounds))


def render(record: Mapping[str, Any], sounds: Sequence[Sound]) -> str:
    """The page as text; the same comparison gives the same text."""
    heard: dict[str, list[Sound]] = {}
    for sound in sounds:
        heard.setdefault(sound.drum, []).append(sound)
    drums = [drum for drum in dict.fromkeys(view["drum"] for view in record["views"]) if drum in heard]
    several = len({view["take"] for view in record["views"]}) > 1
    data = {"drums": [{"name": drum, "sounds": [
        {"id": f"sound-{number}-{k}", "name": f"{sound.mic}, {sound.take}" if several else sound.mic}
        for k, sound in enumerate(heard[drum])]} for number, drum in enumerate(drums)]}
    held = [tag("script", Markup(base64.b64encode(sound.inside).decode("ascii")), type="text/plain",
                id=f"sound-{number}-{k}")
            for number, drum in enumerate(drums) for k, sound in enumerate(heard[drum])]
    body = [_masthead(record), _contents(drums), tag("main", [
        tag("div", (_drum(record, drum, number, heard[drum]) for number, drum in enumerate(drums)), id="drums"),
        _carriers(record["balance"]), _costs(record["costs"])]), held]
    return filled(__package__, title=f"{record['session']}: mics side by side", body=join(body), data=data)


def _masthead(record: Mapping[str, Any]) -> Markup:
    takes = list(dict.fromkeys(view["take"] for view in record["views"]))
    return tag("header", tag("h1", f"{record['session']}: mics side by side"),
               tag("p", "The same hits of like strength in every mic, equally loud and in step. "
                        f"{'Takes: ' + ', '.join(takes) + '. ' if len(takes) > 1 else ''}", class_="facts"),
               tag("p", "A mic's button plays it; another one's changes to it without a gap. Keys: 1 to 9 for the mics "
                        "of the drum that plays, B for blind, Escape to stop.", class_="facts"),
               tag("p", "Drum hits are sudden and may be loud: start at a low volume, especially on headphones.",
                   class_="caution", id="caution"), class_="mast")


def _contents(drums: Sequence[str]) -> Markup:
    links = [*((f"drum-{number}", drum) for number, drum in enumerate(drums)), ("few", "Few mics"), ("costs", "Costs")]
    return tag("nav", tag("ul", (tag("li", tag("a", name, href=f"#{anchor}")) for anchor, name in links)),
               aria_label="On this page")


def _drum(record: Mapping[str, Any], drum: str, number: int, sounds: Sequence[Sound]) -> Markup:
    """A drum: its switch, its answers, its figures."""
    views = [view for view in record["views"] if view["drum"] == drum]
    takes = list(dict.fromkeys(sound.take for sound in sounds))
    rows: list[Content] = []
    for take in takes:
        buttons = [tag("button", sound.mic, type="button", data_sound=k, aria_pressed="false",
                       aria_label=f"{sound.mic}, {take}" if len(takes) > 1 else None)
                   for k, sound in enumerate(sounds) if sound.take == take]
        rows += [tag("span", take, class_="sub") if len(takes) > 1 else None, tag("div", buttons, class_="row")]
    parts = [tag("h2", drum, tag("span", views[0]["articulation"], class_="sub")),
             tag("div", rows, class_="switch", role="group", aria_label=f"Mics of {drum}", hidden=True),
             tag("div", tag("div", class_="row"), class_="switch", role="group", aria_label=f"{drum}, blind",
                 data_blind=True, hidden=True),
             tag("details", tag("summary", "Answers"), tag("ol"), class_="answers", hidden=True),
             tag("div", _figures(views), _pairs([pair for pair in record["pairs"] if pair["drum"] == drum]),
                 class_="figures")]
    return tag("section", parts, id=f"drum-{number}", aria_label=drum)


def _figures(views: Sequence[Mapping[str, Any]]) -> Content:
    """A drum's mics and takes, and octave by octave."""
    several = len({view["take"] for view in views}) > 1
    head = ["Mic", *(["Take"] if several else []), "Hits", "Level, dBFS", "Noise, dBFS", "Later, ms", "Further, m",
            "Direct re room, dB", "EDT, s", "T20, s", "Brightness, Hz", "Below 120 Hz, %", "Crest factor, dB",
            "Attack, dB per dB", "Body, dB per dB"]
    rows = [[view["mic"], *([view["take"]] if several else []),
             f"{view['strokes']}{'' if view['clean'] else ', unclean'}", figure(view["level_dbfs"]),
             figure(view["noise_dbfs"]), figure(view["delay_ms"], digits=2), figure(view["path_m"], digits=2),
             figure(view["direct_to_room_db"]), figure(view["edt_s"], digits=2), figure(view["t20_s"], digits=2),
             figure(view["brightness_hz"], digits=0), figure(view["low_percent"], digits=0), figure(view["crest_db"]),
             figure(view["attack_slope"], digits=2), figure(view["body_slope"], digits=2)] for view in views]
    if all(view["attack_slope"] is None and view["body_slope"] is None for view in views):
        head, rows = head[:-2], [row[:-2] for row in rows]
    octaves = [[view["mic"], *([view["take"]] if several else []), figure(view["tilt_db"]),
                *(figure(band) for band in view["bands_db"])] for view in views]
    names = ["Mic", *(["Take"] if several else []), "Tilt", *NOMINAL]
    first = 2 if several else 1
    drum = views[0]["drum"]
    about = f"{drum}: medians over the hits; level, brightness, low end and crest factor over 300 ms"
    octave = f"{drum}: parts of the mic's own level, dB; tilt in dB an octave"
    return [grid(head, rows, caption=about, numbers=range(first, len(head))),
            _fold("Octaves", grid(names, octaves, caption=octave, numbers=range(first, len(names))))]


def _pairs(pairs: Sequence[Mapping[str, Any]]) -> Content:
    """Two mics together, all pairs."""
    if not pairs:
        return None
    several = len({pair["take"] for pair in pairs}) > 1
    head = ["Mics", *(["Take"] if several else []), "Second later, ms", "First notch, Hz", "Second re first, dB",
            "Comb, dB", "Sum, dB", "One inverted, dB", "Low end, dB", "One inverted, dB", "Most low end, dB",
            "Second moved by, ms", "Polarity"]
    rows = [[f"{pair['first']} + {pair['second']}", *([pair["take"]] if several else []),
             figure(pair["delay_ms"], digits=2), figure(pair["first_notch_hz"], digits=0), figure(pair["level_db"]),
             f"+{figure(pair['peak_db'])} to {figure(pair['notch_db'])}",
             *(figure(pair[key]) for key in ("sum_db", "inverted_db", "low_db", "low_inverted_db", "best_low_db")),
             figure(pair["best_shift_ms"], digits=2), "as it is" if pair["best_polarity"] > 0 else "inverted"]
            for pair in pairs]
    caption = (f"{pairs[0]['drum']}: sums at equal level, re two mics that share nothing, 3 dB where they agree "
               "wholly; low end below 120 Hz; comb at the levels recorded, re the louder mic")
    first = 2 if several else 1
    return _fold("Two mics together", grid(head, rows, caption=caption, numbers=range(first, len(head) - 1)))


def _carriers(balance: Mapping[str, Any]) -> Markup:
    rows = [[" ".join(each["mics"]), figure(each["percent"], "%", digits=0), figure(each["off_db"], "dB")]
            for each in balance["carriers"]]
    caption = f"Over the drums of {balance['take']}, each counting alike; spectrum by third octaves, mean"
    head = ["Mic or pair", "Of the mix, with those above", "Spectrum off"]
    inner = (grid(head, rows, numbers=(1, 2), caption=caption) if rows else
             tag("p", "No drum was heard in the mics of the balance.", class_="note"))
    said = ("What carries most of the computed balance: one after the other the mic or pair with which those above it "
            "come nearest to it.")
    return tag("section", tag("h2", "Few mics"), tag("p", said, class_="note"), inner, id="few")


def _costs(costs: Sequence[Mapping[str, Any]]) -> Markup:
    rows = [[each["mic"], each["hits"], figure(each["megabytes"]), figure(each["hiss_dbfs"]), figure(each["hiss_db"])]
            for each in costs]
    table = grid(["Mic", "Files", "MB", "Hiss, dBFS", "Re all mics, dB"], rows, numbers=range(1, 5), caption=(
        "In a kit by the default recipe, estimated; hiss: noise floor as the balance raises it"))
    return tag("section", tag("h2", "Costs"), table, id="costs")


def _fold(title: str, *content: Content) -> Markup:
    return tag("details", tag("summary", title), content)
