"""The page's sections as markup: all that can be read without a script. Waveforms and sound come from page.js."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from oneshot.core.grades import GRADES, MEANING
from oneshot.core.records.hits import Articulation, Drum, Hit
from oneshot.core.records.kit import Kit, OneShot
from oneshot.kit.playback.keymap import mix_levels
from oneshot.kit.report.charts import pitch_chart, velocity_chart
from oneshot.kit.report.data import level_range, shot_title
from oneshot.kit.report.gaps import by_layer, shots_of
from oneshot.kit.report.markup import Content, Markup, figure, grid, tag
from oneshot.kit.report.text import duration, is_short, rate, sample_format

"""The grades in words; docs/words.md has the limits."""

Levels = tuple[float, float]


def section(anchor: str, title: Content, *content: Content, note: Content = None) -> Markup:
    """A section with its heading, and a note under the heading."""
    about = tag("p", note, class_="note") if note else None
    return tag("section", tag("h2", title, id=f"{anchor}-title"), about, content, id=anchor,
               aria_labelledby=f"{anchor}-title")


def count(number: int, one: str, many: str | None = None) -> str:
    """``1 take``, ``2 takes``."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def kit_name(kit: Kit) -> str:
    """The kit's name: the recipe's, else the session's."""
    info = kit.recipe.get("kit")
    name = info.get("name") if isinstance(info, Mapping) else None
    return str(name) if name else kit.session.name


def masthead(kit: Kit) -> Markup:
    """Name, session, takes and the figures of the whole kit."""
    takes = kit.session.takes
    seconds = sum(take.frames / take.sample_rate for take in takes)
    mics = sorted({len(take.recorded) for take in takes})
    formats = sorted({f"{rate(take.sample_rate)}, {sample_format(take.subtype)}" for take in takes})
    facts = [f"From the session {kit.session.name}", count(len(takes), "take"), duration(seconds),
             f"{' or '.join(map(str, mics))} mics", *formats]
    kept = sum(hit.kept for hit in kit.hits)
    files = sum(len(shot.files) for shot in kit.one_shots) + len(kit.prints)
    sums = [(len(kit.drums), "drums"), (len(kit.hits), "hits detected"), (len(kit.one_shots), "one-shots"),
            (files, "sound files"), (len(kit.hits) - kept, "hits left out")]
    return tag("header", tag("p", "Drum one-shots", class_="over"), tag("h1", kit_name(kit)),
               tag("p", " · ".join(facts), class_="facts"),
               tag("dl", [tag("div", tag("dt", label), tag("dd", f"{number:,}")) for number, label in sums],
                   class_="sums"), class_="mast")


def contents(links: Sequence[tuple[str, str]]) -> Markup:
    """Links to the sections, in order."""
    return tag("nav", tag("ul", [tag("li", tag("a", title, href=f"#{anchor}")) for anchor, title in links]),
               aria_label="Contents")


# ------------------------------------------------------------------------------------------------------------ the drums


def overview(kit: Kit) -> Markup:
    """One row for each drum and articulation: found, kept, layers, round robins, grades, span, home mic."""
    rows: list[list[Content]] = []
    for number, drum in enumerate(kit.drums):
        for i, how in enumerate(drum.articulations):
            hits = [hit for hit in kit.hits if (hit.drum, hit.articulation) == (drum.name, how.name)]
            shots = shots_of(kit, drum, how)
            layers = by_layer(shots)
            robins = [len(members) for members in layers.values()]
            span = level_range([hit.level_db for hit in hits if hit.kept])
            rows.append([tag("a", f"{drum.name}, {how.name}", href=f"#drum-{number}-{i}"), f"{len(hits):,}", len(shots),
                         len(layers), _from_to(robins), grade_counts(shots),
                         figure(span[1] - span[0]) if span else "–", drum.home, how.key])
    if not rows:
        return section("overview", "The kit", tag("p", "No drum was found."))
    head = ["Drum, articulation", "Found", "Kept", "Layers", "Round robins", "Grades", "Span, dB", "Home mic", "Key"]
    table = grid(head, rows, caption="Drums and articulations", numbers={1, 2, 3, 4, 6, 8})
    return section("overview", "The kit", table, _legend())


def _legend() -> Markup:
    """How to read the page: grades, marks, scales; and what playing from a disk can't do."""
    grades = [[tag("b", grade, class_=f"grade g{grade}"), f" {text}   "] for grade, text in MEANING.items()]
    return tag(
        "div",
        tag("p", "Grades, by the worst moment of a file:  ", grades),
        tag("p", "† best available, below the required grade   ‡ less than 40 dB of decay"),
        tag("p", "Levels are in dB over the first 300 ms of a hit, summed over all mics. In the row of all hits, long "
                 "marks are kept, short marks left out. Waveforms of one drum share a time axis; each is normalised, "
                 "on a square-root scale that makes tails visible."),
        tag("p", "Level over velocity: the line is the level the mapping plays, a dot is a round robin as recorded, "
                 "its mics mixed by the balance. Pitch over the session: dashed lines are 20 cents from the median."),
        tag("p", "Opened from disk, this page starts the mics of a one-shot together only to within some "
                 "milliseconds, without pan and polarity: judge single mics here, and the blend in the mapping.",
            id="disk", hidden=True),
        class_="note legend")


def _from_to(numbers: Sequence[int]) -> str:
    if not numbers:
        return "–"
    return str(min(numbers)) if min(numbers) == max(numbers) else f"{min(numbers)} to {max(numbers)}"


def grade_counts(shots: Sequence[OneShot]) -> Markup:
    """How many one-shots have each grade; grades nobody has are left out."""
    counts = {grade: sum(shot.grade == grade for shot in shots) for grade in GRADES}
    return tag("td", [[tag("b", grade, class_=f"grade g{grade}"), f" {number}  "]
                      for grade, number in counts.items() if number], class_="grades")


def drum_sections(kit: Kit) -> list[Markup]:
    """Each drum and articulation with its ladder of layers, soft to hard."""
    numbers = {id(shot): number for number, shot in enumerate(kit.one_shots)}
    hits = {hit.id: hit for hit in kit.hits}
    levels = mix_levels(kit)
    sections = []
    for number, drum in enumerate(kit.drums):
        for i, how in enumerate(drum.articulations):
            shots = shots_of(kit, drum, how)
            found = [hit for hit in kit.hits if (hit.drum, hit.articulation) == (drum.name, how.name)]
            axis = level_axis(found)
            note = [f"{count(len(found), 'hit')} detected, {len(shots)} kept. Home mic {drum.home}. Key {how.key}.",
                    f" Choked by {drum.choke}." if drum.choke else ""]
            body: Content = [
                _ladder(shots, found, hits, numbers, axis, f"{drum.name}, {how.name}"),
                _panel(f"mics-{number}-{i}"),
                tag("div", velocity_chart(shots, levels), pitch_chart(shots, hits, kit.session.takes), class_="charts"),
            ] if shots else tag("p", "No hit was kept; see “Left out” for the reasons.")
            sections.append(section(f"drum-{number}-{i}", _title(drum, how), body, note=note))
    return sections


def _title(drum: Drum, how: Articulation) -> Content:
    return [drum.name, tag("span", f", {how.name}", class_="how")]


def level_axis(hits: Sequence[Hit]) -> Levels:
    """Least and greatest level on a drum's axis, dB: whole steps of 6 around its strokes."""
    span = level_range([hit.level_db for hit in hits])
    if span is None:
        return -60.0, 0.0
    low, high = 6 * (span[0] // 6), -6 * (-span[1] // 6)
    return (low, high) if high > low else (low, low + 6)


def _ladder(shots: Sequence[OneShot], found: Sequence[Hit], hits: Mapping[int, Hit], numbers: Mapping[int, int],
            axis: Levels, name: str) -> Markup:
    rungs = [tag("div", tag("span", "All hits", class_="who"), stroke_chart(found, axis), class_="rung all")]
    for layer, members in by_layer(shots).items():
        low, high = members[0].velocity
        levels = level_range([hits[shot.hit].level_db for shot in members])
        said = "level unknown" if levels is None else _level_text(levels)
        rungs.append(tag(
            "div",
            tag("span", tag("b", f"Layer {layer}"), tag("span", f"velocity {low} to {high}", class_="sub"),
                class_="who"),
            tag("span", _bar(levels, axis), tag("span", said, class_="sub"), class_="level"),
            tag("span", [_shot_button(shot, hits[shot.hit], numbers[id(shot)]) for shot in members], class_="robins"),
            class_="rung", role="group", aria_label=f"Layer {layer}, velocity {low} to {high}, {said}"))
    return tag("div", rungs, class_="ladder", role="group", aria_label=f"{name}: layers from soft to hard")


def _level_text(levels: Levels) -> str:
    low, high = figure(levels[0]), figure(levels[1])
    return f"{low} dB" if low == high else f"{low} to {high} dB"


def _bar(levels: Levels | None, axis: Levels) -> Markup:
    """Where a layer lies on its drum's level axis; the text beside it says the same."""
    if levels is None:
        return tag("span", class_="track", aria_hidden="true")
    start, stop = ((level - axis[0]) / (axis[1] - axis[0]) * 100 for level in levels)
    return tag("span", tag("span", class_="fill", style=f"left:{start:.1f}%;width:{max(stop - start, 1):.1f}%"),
               class_="track", aria_hidden="true")


def _shot_button(shot: OneShot, hit: Hit, number: int) -> Markup:
    short = is_short(shot)
    marks = [text for text, there in (("best available", hit.fallback), ("short decay", short)) if there]
    label = ", ".join([f"Play {shot_title(shot)}", f"grade {shot.grade}", *marks])
    title = shot_title(shot).removesuffix(str(shot.round_robin))
    return tag("button", tag("canvas", width=132, height=44, data_shot=number, aria_hidden="true"),
               tag("span", tag("span", f"Play {title}", class_="said"), str(shot.round_robin),
                   tag("span", ", grade", class_="said"), " ", tag("b", shot.grade, class_=f"grade g{shot.grade}"),
                   tag("span", "".join(f", {mark}" for mark in marks), class_="said"),
                   tag("i", " †", aria_hidden="true") if hit.fallback else None,
                   tag("i", " ‡", aria_hidden="true") if short else None, class_="tail"),
               type="button", class_="shot", data_shot=number, title=label)


def _panel(anchor: str) -> Markup:
    return tag("div", class_="panel", id=anchor, aria_live="polite")


def stroke_chart(hits: Sequence[Hit], axis: Levels) -> Markup:
    """Every stroke of a drum as a mark on its level axis: long ones are kept. As inline SVG."""
    low, high = axis
    known = [hit for hit in hits if hit.level_db is not None]

    def x(level: float) -> float:
        """Where a level stands on the drawing."""
        return (level - low) / (high - low) * 240

    kept = " ".join(f"M{x(hit.level_db or 0):.1f} 2V22" for hit in known if hit.kept)
    rest = " ".join(f"M{x(hit.level_db or 0):.1f} 14V22" for hit in known if not hit.kept)
    step = 6 if high - low <= 36 else 12
    ticks = [low + step * i for i in range(int((high - low) / step) + 1)]
    anchors = {low: "start", high: "end"}
    labels = [tag("text", figure(tick, digits=0), x=f"{x(tick):.0f}", y="36", text_anchor=anchors.get(tick, "middle"))
              for tick in ticks]
    span = f"between {figure(low, digits=0)} and {figure(high, digits=0)} dB"
    said = f"{count(len(known), 'hit')} {span}, {sum(hit.kept for hit in known)} kept"
    return tag("svg", tag("path", d="M0 22.5H240", class_="axis"), tag("path", d=rest, class_="rest"),
               tag("path", d=kept, class_="kept"), labels, viewBox="0 0 240 40", class_="strokes", role="img",
               aria_label=said)

