"""The page's sections as markup: all that can be read without a script. Outlines and sound come from page.js."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from oneshot.core.grades import GRADES, MEANING
from oneshot.core.records.kit import Kit, OneShot
from oneshot.core.text import counted, counted_either
from oneshot.kit.levels import hit_levels_dbfs, level_range
from oneshot.kit.report.advice import next_to_record
from oneshot.kit.report.charts import pitch_chart
from oneshot.kit.report.gaps import gaps, shots_of
from oneshot.kit.report.left_out import FATES, fates
from oneshot.kit.report.markup import Content, Markup, figure, grid, tag
from oneshot.kit.report.text import duration, is_short, rate, sample_format
from oneshot.kit.report.velocity_map import Row, map_markup


def section(anchor: str, title: Content, *content: Content, note: Content = None) -> Markup:
    """A section with its heading, and a note under the heading."""
    about = tag("p", note, class_="note") if note else None
    return tag("section", tag("h2", title, id=f"{anchor}-title"), about, content, id=anchor,
               aria_labelledby=f"{anchor}-title")


def fold(anchor: str, title: Content, line: Content, *content: Content, note: Content = None, folded: bool = True
         ) -> Markup:
    """What is folded away under a heading and one line that says the gist of it."""
    about = tag("p", note, class_="note") if note else None
    head = tag("summary", tag("h3", title), tag("span", line, class_="gist"))
    return tag("details", head, about, content, id=anchor, class_="fold", open=not folded)


def kit_name(kit: Kit) -> str:
    """The kit's name: the recipe's, else the session's."""
    info = kit.recipe.get("kit")
    name = info.get("name") if isinstance(info, Mapping) else None
    return str(name) if name else kit.session.name


def masthead(kit: Kit) -> Markup:
    """Name, session, takes and the sums of the whole kit."""
    takes = kit.session.takes
    seconds = sum(take.frames / take.sample_rate for take in takes)
    formats = sorted({", ".join(filter(None, (rate(take.sample_rate), sample_format(take.subtype)))) for take in takes})
    files = sum(len(shot.files) for shot in kit.one_shots) + len(kit.prints)
    kept = sum(hit.kept for hit in kit.hits)
    made = [counted(len(kit.drums), "drum"),
            *([] if kit.prints_alone else [counted(len(kit.one_shots), "one-shot")]),
            *([counted(len(kit.prints), "print")] if kit.prints else []), counted(files, "sound file"),
            f"{len({each.hit for each in kit.prints}):,} of {counted(len(kit.hits), 'hit')} printed" if kit.prints_alone
            else f"{kept:,} of {counted(len(kit.hits), 'hit')} kept"]
    source = [f"from the session {kit.session.name}", counted(len(takes), "take"), duration(seconds),
              counted_either({len(take.recorded) for take in takes}, "mic"), *formats]
    caution = tag("p", "Drum hits are sudden and may be loud: start at a low volume, especially on headphones.",
                  class_="caution")
    return tag("header", tag("h1", kit_name(kit)), tag("p", " · ".join(made), class_="facts made"),
               tag("p", " · ".join(source), class_="facts"), caution if files else None, class_="mast")


def contents(links: Sequence[tuple[str, str]]) -> Markup:
    """Links to the sections, in order."""
    return tag("nav", tag("ul", [tag("li", tag("a", title, href=f"#{anchor}")) for anchor, title in links]),
               aria_label="Contents")


# -------------------------------------------------------------------------------------------------------------- the map


def map_section(kit: Kit, rows: Sequence[Row]) -> Markup:
    """What the page opens with: the playable map, or why there is none."""
    if not rows:
        return section("map", "Velocity map", tag("p", "No drum was found."))
    if not kit.one_shots and kit.prints:
        return section("map", "Velocity map", tag("p", f"This kit holds {counted(len(kit.prints), 'print')}, listed "
                                                       "below, and no samples or mappings for a map."))
    hint = "Click where you want to play: soft on the left, hard on the right. Round robins take turns."
    keys = "Arrow keys move, Shift and arrow keys set the velocity, Enter plays."
    about = tag("p", hint, " ", tag("span", keys, class_="keys"), class_="note", id="map-hint")
    return section("map", "Velocity map", about if kit.one_shots else None, map_markup(kit, rows))


def one_shot_section() -> Markup:
    """Where the script shows the one-shot that was played last, mic by mic."""
    return section("one-shot", "One-shot", tag("div", id="panel"),
                   tag("p", "Opened from disk, this page starts the mics of a one-shot together only to within some "
                            "milliseconds, without pan and polarity: judge single mics here, and the blend in the "
                            "mapping.", id="disk", class_="note", hidden=True))


def reading_fold() -> Markup:
    """How to read the page: grades, levels, outlines."""
    grades = [[tag("dt", tag("b", grade, class_=f"grade g{grade}")), tag("dd", text)]
              for grade, text in MEANING.items()]
    return fold(
        "reading", "Units and grades", "what dBFS, dBTP, LUFS and the letters A to D mean here",
        tag("dl", grades,
            tag("dt", "dBFS"), tag("dd", "dB below full scale. Levels of hits and mixes: mean square of the first "
                                         "300 ms (a full-scale square wave is 0 dBFS); of a hit, all mics added. "
                                         "Peaks: the largest sample."),
            tag("dt", "dBTP"), tag("dd", "true peak, ITU-R BS.1770"),
            tag("dt", "LUFS"), tag("dd", "momentary loudness, the loudest 400 ms, ITU-R BS.1770"),
            tag("dt", "dB re hit"), tag("dd", "bleed: the worst moment of everything else in a file, relative to the "
                                              "loudest of its hit"),
            tag("dt", "dB re home mic"), tag("dd", "level of a drum in another mic, relative to the mic it is "
                                                   "measured in"),
            class_="words-list"),
        note="Grades go by the worst moment of a file. Outlines show the peak level of each stretch of a file in dBFS, "
             "all mics on one scale, as the files are: the balance is not in them.")


# ------------------------------------------------------------------------------------------------- missing and left out


def missing_section(kit: Kit) -> Markup:
    """What the kit lacks, and what to record for it."""
    if not kit.one_shots:
        return section("missing", "What to record next", tag("ul", [
            tag("li", line) for line in next_to_record(kit.session)], class_="warnings"))
    found = gaps(kit)
    if not found:
        return section("missing", "What to record next", tag(
            "p", "Nothing is missing: every velocity plays, and no step is wider than 6 dB."))
    items: dict[str, list[Markup]] = {}
    for gap in found:
        items.setdefault(gap.where, []).append(tag("li", gap.what, tag("span", f"Record {gap.record}.", class_="sub")))
    listed = [[tag("dt", where), tag("dd", tag("ul", told))] for where, told in items.items()]
    return section("missing", "What to record next", tag("dl", listed, class_="lacks"))


# ---------------------------------------------------------------------------------------------------- drums in figures


def drums_fold(kit: Kit, rows: Sequence[Row]) -> Markup | None:
    """What became of the hits of each drum and articulation, grades, span and home mic."""
    if not rows:
        return None
    levels = hit_levels_dbfs(kit)
    lines: list[list[Content]] = []
    for row in rows:
        hits = [hit for hit in kit.hits if (hit.drum, hit.articulation) == (row.drum.name, row.how.name)]
        shots = shots_of(kit, row.drum, row.how)
        span = level_range(levels[hit.id] for hit in hits if hit.kept)
        short = sum(is_short(shot) for shot in shots)
        lines.append([row.name, f"{len(hits):,}", *map(_number, fates(hits).values()), grade_counts(shots),
                      _number(short),
                      f"{figure(span[0])} to {figure(span[1])}" if span else "–", row.drum.home, row.drum.choke or "–"])
    total = fates(kit.hits)
    if len(rows) > 1:
        lines.append(["all", f"{len(kit.hits):,}", *map(_number, total.values()),
                      grade_counts(kit.one_shots), "", "", "", ""])
    fallback = sum(hit.fallback for hit in kit.hits if hit.kept)
    head = ["Drum, articulation", "Found", *(name.capitalize() for name in FATES), "Grades", "Short decay",
            "Level, dBFS", "Home mic", "Choked by"]
    return fold("drums", "Drums and hits", f"{counted(len(kit.hits), 'hit')} found: "
                + ", ".join(f"{number:,} {name}" for name, number in total.items() if number),
                grid(head, lines, caption="What became of the hits", numbers={1, 2, 3, 4, 5, 7, 8}),
                tag("p", f"{counted(fallback, 'one-shot')} below the required grade: no better hit was there.")
                if fallback else None,
                note="Kept: has a one-shot. Spare: clean, but its layer is full. Not clean: too much bleed. Odd: "
                     "another sound, pitch or length than its layer, part of an ornament, a duplicate, or left out by "
                     "hand. Short decay: less than 40 dB before the file ends. Level: all mics added, first 300 ms.")


def _number(number: int) -> str:
    """A number of things; a dash for none."""
    return f"{number:,}" if number else "–"


def grade_counts(shots: Sequence[OneShot]) -> Markup:
    """How many one-shots have each grade; grades nobody has are left out."""
    counts = {grade: sum(shot.grade == grade for shot in shots) for grade in GRADES}
    return tag("td", [[tag("b", grade, class_=f"grade g{grade}"), f" {number}  "]
                      for grade, number in counts.items() if number], class_="grades")


def pitch_fold(kit: Kit, rows: Sequence[Row]) -> Markup | None:
    """The fundamentals of drums over the session."""
    hits = {hit.id: hit for hit in kit.hits}
    charts = [chart for row in rows if (chart := pitch_chart(row.name, shots_of(kit, row.drum, row.how), hits,
                                                             kit.session.takes))]
    if not charts:
        return None
    return fold("pitch", "Pitch over the session", counted(len(charts), "drum with a pitch", "drums with a pitch"),
                tag("div", charts, class_="charts"), note="Dashed lines are 20 cents from the median.")
