"""The page in every kit: whole, harmless whatever the names, quiet, the same every time."""

from __future__ import annotations

import base64
import json
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from kits import small_kit

from oneshot.core.errors import AudioError
from oneshot.core.records.hits import Delay
from oneshot.core.records.kit import Kit
from oneshot.core.records.session import Problem
from oneshot.kit.levels import hit_dbfs, level_range
from oneshot.kit.report import write_report
from oneshot.kit.report.charts import pitch_chart
from oneshot.kit.report.data import (
    FILE_FIELDS,
    POINTS,
    SHOT_FIELDS,
    START_S,
    STEP_DB,
    STEPS,
    clock,
    coarser,
    following,
    outline,
    pooled,
    shared,
)
from oneshot.kit.report.gaps import Gap, gaps, numbered, unanswered
from oneshot.kit.report.markup import Markup, figure, join, tag
from oneshot.kit.report.one_file import script_json

HOSTILE = "<img src=x onerror=\"alert('hit')\"> & </script><script>alert(1)</script> {{data}} \u202egnp"
VOID = {"br", "hr", "input", "meta", "link", "img"}
CELLS = ("td", "th")
ENDED_BY = {"td": CELLS, "th": CELLS, "tr": (*CELLS, "tr"), "tbody": (*CELLS, "tr", "thead", "tbody")}
"""What ends at the start of a part of a table (HTML Living Standard, 13.1.2.4)."""
PARTS = {"td": ("tr",), "th": ("tr",), "tr": ("thead", "tbody"), "thead": ("table",), "tbody": ("table",)}
"""What a part of a table stands in."""


class Page(HTMLParser):
    """Reads a page strictly: every element closed in its turn, or by what follows in a table where HTML says so;
    collects tags, ids, texts and data.
    """

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.faults: list[str] = []
        self.words: list[str] = []
        self.data = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element and who is open."""
        if len(dict(attrs)) != len(attrs):
            self.faults.append(f"<{tag}> says an attribute twice")
        self.tags.append((tag, dict(attrs)))
        while self.open and self.open[-1] in ENDED_BY.get(tag, ()):
            self.open.pop()
        if tag in PARTS and (not self.open or self.open[-1] not in PARTS[tag]):
            self.faults.append(f"<{tag}> in {self.open[-1:]}")
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """An end tag must close what was opened last; a table's also its parts."""
        while tag == "table" and self.open and self.open[-1] in PARTS:
            self.open.pop()
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"</{tag}> closes nothing")

    def handle_data(self, data: str) -> None:
        """Keep the script's data apart from what is read."""
        if self.open and self.open[-1] == "script":
            self.data = self.data or data
        elif not self.open or self.open[-1] != "style":
            self.words.append(data)

    @property
    def ids(self) -> list[str]:
        """All ids, in order."""
        return [value for _, attrs in self.tags if (value := attrs.get("id"))]


@pytest.fixture
def kit(tmp_path: Path) -> Kit:
    """A small finished kit in ``tmp_path``."""
    return small_kit(tmp_path)


def written(kit: Kit, folder: Path) -> str:
    """The page's text."""
    return write_report(kit, folder).read_text(encoding="utf-8")


def shots_of(page: Page) -> list[dict[str, Any]]:
    """The one-shots in a page's data, by name, as its script unpacks them."""
    data = json.loads(page.data)
    assert list(SHOT_FIELDS) == data["shotFields"]
    assert list(FILE_FIELDS) == data["fileFields"]
    shots = [dict(zip(SHOT_FIELDS, row, strict=True)) for row in data["shots"]]
    for shot in shots:
        shot["files"] = [{**dict.fromkeys(FILE_FIELDS, 0), **dict(zip(FILE_FIELDS, row, strict=False))}
                         for row in shot["files"]]
        for file in shot["files"]:
            lane = data["lanes"][file["lane"]]
            file["path"] = shot["stem"] + lane["rest"]
            file["mics"] = lane["mics"]
    return shots


def test_one_mic_is_one_mic(kit: Kit, tmp_path: Path) -> None:
    """A kit of one mic says so."""
    take = kit.session.takes[0]
    one = replace(kit, session=replace(kit.session, takes=(replace(take, mics=take.mics[:1]),)))

    assert " · 1 mic · " in written(one, tmp_path)
    assert " · 4 mics · " in written(kit, tmp_path)


def hostile(kit: Kit) -> Kit:
    """The same kit with markup in every name a person or a file can give."""
    drum = replace(kit.drums[0], name=HOSTILE, articulations=(replace(kit.drums[0].articulations[0], name=HOSTILE),))
    mics = tuple(replace(mic, name=HOSTILE, drum=HOSTILE) if mic.name == "OH L" else mic
                 for mic in kit.session.takes[0].mics)
    take = replace(kit.session.takes[0], name=HOSTILE, mics=mics)
    shots = [replace(shot, drum=HOSTILE, articulation=HOSTILE,
                     files=(replace(shot.files[0], mics=(HOSTILE,)), *shot.files[1:]))
             if shot.drum == "kick" else shot for shot in kit.one_shots]
    hits = [replace(hit, take=HOSTILE, drum=HOSTILE if hit.drum == "kick" else hit.drum,
                    articulation=HOSTILE if hit.drum == "kick" else hit.articulation,
                    reason=HOSTILE if not hit.kept else None) for hit in kit.hits]
    return replace(kit, session=replace(kit.session, name=HOSTILE, takes=(take,)), drums=(drum, *kit.drums[1:]),
                   one_shots=tuple(shots), hits=tuple(hits), recipe={"kit": {"name": HOSTILE}},
                   bleed={HOSTILE: {HOSTILE: {HOSTILE: -3.0}}}, delays_ms={HOSTILE: {HOSTILE: {HOSTILE: 3.0}}},
                   delays={HOSTILE: {HOSTILE: {HOSTILE: Delay(3.0, 0.1, 2, 1.03)}}},
                   balance={HOSTILE: kit.balance["OH L"]}, problems=(Problem(HOSTILE, HOSTILE, HOSTILE),),
                   prints=tuple(replace(item, print=HOSTILE, why=HOSTILE) for item in kit.prints), generator=HOSTILE)


def test_the_page_is_whole(kit: Kit, tmp_path: Path) -> None:
    """Every element closes in its turn, no id comes twice, every link inside the page has its target."""
    page = Page(written(kit, tmp_path))
    targets = [href[1:] for name, attrs in page.tags if name == "a" and (href := attrs.get("href"))]

    assert page.faults == []
    assert page.open == []
    assert len(set(page.ids)) == len(page.ids)
    assert len(targets) > 6
    assert [target for target in targets if target not in page.ids] == []


def test_names_are_text_and_never_markup(kit: Kit, tmp_path: Path) -> None:
    """Markup in a name adds no element, ends no script and is shown as it was written."""
    plain_page, page = Page(written(kit, tmp_path)), Page(written(hostile(kit), tmp_path))
    shown = HOSTILE.replace("\u202e", "\ufffd")

    assert page.faults == []
    assert sum(name == "script" for name, _ in page.tags) == 2
    assert not [name for name, _ in page.tags if name == "img"]
    assert {name for name, _ in page.tags} == {name for name, _ in plain_page.tags}
    assert not [attrs for _, attrs in page.tags if any(key.startswith("on") for key in attrs)]
    assert any(shown in words for words in page.words)
    assert shots_of(page)[0]["files"][0]["mics"] == [HOSTILE]


def test_the_page_asks_nothing_of_a_network(kit: Kit, tmp_path: Path) -> None:
    """No address, no import, no picture: all is in the file, and its policy forbids the rest."""
    text = written(kit, tmp_path)
    page = Page(text)
    policy = next(attrs["content"] for name, attrs in page.tags if attrs.get("http-equiv"))

    assert not re.search(r"https?:|//[a-z]+\.|@import|url\(", text)
    assert not [name for name, attrs in page.tags if "src" in attrs or name == "link"]
    assert policy is not None
    assert "default-src 'none'" in policy


def test_only_the_pages_own_script_may_run(kit: Kit, tmp_path: Path) -> None:
    """The policy names the script by its hash (CSP Level 3, hash-source): a changed script would not run."""
    import hashlib

    text = written(kit, tmp_path)
    script = text.rsplit("<script>", 1)[1].split("</script>", 1)[0]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()

    assert f"script-src 'sha256-{digest}';" in text


def test_every_one_shot_has_its_place_on_the_map_and_its_files(kit: Kit, tmp_path: Path) -> None:
    """Each one-shot is in one layer of the map, each layer has a button of its own name, and the files are there."""
    page = Page(written(kit, tmp_path))
    shots, strips = shots_of(page), json.loads(page.data)["map"]
    cells = [attrs for name, attrs in page.tags if name == "button" and attrs.get("class") == "cell"]
    labels = [attrs["aria-label"] for attrs in cells]

    assert list(range(len(kit.one_shots))) == sorted(n for row in strips for cell in row["cells"]
                                                     for n in cell["shots"] + cell["beside"])
    assert sum(len(row["cells"]) for row in strips) == len(cells) == len(set(labels)) == 8
    assert "kick, hit, velocity 1 to 42: layer 1, 3 round robins" in labels
    assert [] == [file["path"] for shot in shots for file in shot["files"] if not (tmp_path / file["path"]).is_file()]
    assert {0} == {shot["home"] for shot in shots}


def test_it_starts_quiet_and_says_so(kit: Kit, tmp_path: Path) -> None:
    """The volume stands at -12 dB and the caution is on the page."""
    page = Page(written(kit, tmp_path))
    volume = next(attrs for name, attrs in page.tags if attrs.get("id") == "volume")

    assert volume["value"] == "-12"
    assert any("low volume" in words for words in page.words)


def test_two_pages_of_one_kit_are_the_same(kit: Kit, tmp_path: Path) -> None:
    """No clock, no chance: the page is byte for byte the same."""
    first = write_report(kit, tmp_path).read_bytes()

    assert first == write_report(kit, tmp_path).read_bytes()


def test_a_missing_file_is_told(kit: Kit, tmp_path: Path) -> None:
    """A kit that lacks a sample gets no page, and the sample's name."""
    lost = tmp_path / kit.one_shots[0].files[0].path
    lost.unlink()

    with pytest.raises(AudioError, match=re.escape(str(lost))):
        write_report(kit, tmp_path)
    assert not (tmp_path / "report.html").exists()


def test_an_empty_kit_has_a_page(kit: Kit, tmp_path: Path) -> None:
    """A kit in which nothing was found still says what it is."""
    empty = replace(kit, drums=(), hits=(), one_shots=(), prints=(), bleed={}, delays_ms={}, delays={}, problems=())
    page = Page(written(empty, tmp_path))

    assert page.faults == []
    assert "No drum was found." in page.words


def test_figures_of_the_page_are_the_kits(kit: Kit, tmp_path: Path) -> None:
    """Bleed, delay and way of sound stand as numbers: 3.9 ms at 343.2 m/s (ISO 9613-1, 20 °C) are 1.34 m."""
    words = " ".join(Page(written(kit, tmp_path)).words)

    assert "−10.0" in words
    assert "3.90" in words
    assert "1.34\u202fm" in words
    assert "± 0.03" in words
    assert "4 readings" in words
    assert "20 °C" in words
    assert "OH L, OH R" in words


def levels_in(text: str) -> list[float | None]:
    """An outline as dBFS; None is silence."""
    return [(STEPS.index(letter) - len(STEPS) + 1) * STEP_DB if letter != STEPS[0] else None for letter in text]


def test_outlines_are_on_one_scale() -> None:
    """The greatest absolute sample of each stretch in dB below full scale: 20·log10(0.5) is -6.02 dB, two files of
    unlike level have unlike outlines.
    """
    loud, soft = (outline(np.array([[0.0, 1.0, -0.5, 0.2]]) * gain, points=2) for gain in (1.0, 0.5))

    assert [0.0, -6.0] == levels_in(loud)
    assert [-6.0, -12.0] == levels_in(soft)
    assert [0.0, 0.0] == levels_in(outline(np.array([[0.1, 0.1], [-1.0, 3.0]]), points=2))


def test_outlines_of_silence_nothing_and_short_files() -> None:
    """Silence, NaN and files shorter than the outline are drawn, not refused."""
    assert [None] * 3 == levels_in(outline(np.zeros((2, 500)), points=3))
    assert [None] * 3 == levels_in(outline(np.full((1, 5), np.nan), points=3))
    assert [0.0] * 3 == levels_in(outline(np.ones((1, 1)), points=3))
    assert [None] * 3 == levels_in(outline(np.zeros((1, 0)), points=3))


def test_outlines_get_coarser_where_there_are_many_files() -> None:
    """Stretches drawn as one have the level of the loudest; both views divide evenly; a few files are drawn finely."""
    assert [-6.0, 0.0] == levels_in(coarser(outline(np.array([[0.25, 0.5, 1.0, 0.0]]), points=4), 2))
    assert 1 == pooled(100)
    assert 4 == pooled(2500)
    assert not [view for view in POINTS.values() for by in {pooled(n) for n in range(1, 9000, 50)} if view % by]


def test_the_start_is_drawn_over_one_span() -> None:
    """A file shorter than the start view is filled up with silence, so that all mics share one axis."""
    from kits import RATE, stroke

    from oneshot.kit.report.data import outlines

    start = levels_in(outlines(stroke(1, -3, 1, frames=round(START_S * RATE / 2)), RATE)["start"])

    assert any(start[: len(start) // 2])
    assert not any(start[len(start) // 2 + 1:])


def test_what_follows_a_hit_is_not_what_was_struck_with_it(kit: Kit) -> None:
    """The next hit of the take, of whatever drum; the last has none, and what begins within an event is no next one."""
    first, second, third = (replace(kit.hits[n], onset=onset) for n, onset in enumerate((1000, 1100, 49000)))

    assert {first.id: third, second.id: third} == following([third, first, second], {"take 1": 48000})


def test_paths_are_told_once() -> None:
    """What paths begin with alike is kept once; one path alone is all of it."""
    assert "samples/a_" == shared(["samples/a_OH.wav", "samples/a_Kick.wav"])
    assert "samples/a.wav" == shared(["samples/a.wav"])


def test_levels_have_one_reference() -> None:
    """The energy of a sine of amplitude 0.5 over 300 ms is 10·log10(0.125 · 14400) dB, its mean square -9.03 dBFS."""
    energy_db = 10 * np.log10(np.sum(np.square(0.5 * np.sin(2 * np.pi * 100 * np.arange(14400) / 48000))))

    assert hit_dbfs(float(energy_db), 48000) == pytest.approx(-9.03, abs=0.01)
    assert hit_dbfs(None, 48000) is None
    assert (-3.0, 2.0) == level_range([2.0, None, -3.0])
    assert level_range([None]) is None


def test_markup_escapes_what_is_not_markup() -> None:
    """Texts, attributes and lists are escaped once; None is nothing; numbers stand as they are."""
    assert join(["<b>", None, 3, Markup("<i>x</i>")]) == "&lt;b&gt;3<i>x</i>"
    assert tag("p", "&", title='"', hidden=True, class_=None) == '<p title="&quot;" hidden>&amp;</p>'
    assert tag("br") == "<br>"


def test_script_data_cannot_end_its_element() -> None:
    """No "<" and no "&" stands in the data, and it reads back as it was."""
    text = script_json({"name": HOSTILE})

    assert not set("<>&") & set(text)
    assert json.loads(text) == {"name": HOSTILE}
    with pytest.raises(ValueError, match="not JSON compliant"):
        script_json(float("nan"))


def test_figures_read_as_figures() -> None:
    """A true minus, no minus nought, a dash for what is not known."""
    assert figure(-3.14159, "dB") == "−3.1\u202fdB"
    assert figure(-0.01) == "0.0"
    assert figure(None) == "–"


def test_gaps_are_told_with_what_to_record(kit: Kit) -> None:
    """A layer nobody answers, a wide step, few alternates and short rings are found where they are, each with what to
    record; the step of the side stick, whose second layer is missing, lies between the middles of its ranges (1 to 42
    and 85 to 127) and between its levels.
    """
    found = gaps(kit)
    step = next(gap for gap in found if "from layer 1 to layer 3" in gap.what)

    assert ("snare, side stick", "velocities 43 to 84 are silent") in {(gap.where, gap.what) for gap in found}
    assert step.where == "snare, side stick"
    assert step.what == "wide step between velocities 22 and 106: 16 dB from layer 1 to layer 3"
    assert step.record == "hits between those two: −63 to −47\u202fdBFS, all mics added"
    assert Gap("kick, hit", "3 of 9 have less than 40 dB of decay", "hits with their full decay") in found


def test_no_chart_is_drawn_of_what_is_not_there(kit: Kit) -> None:
    """Fewer than three pitches: no chart, and the page stands."""
    hits = {hit.id: hit for hit in kit.hits}

    assert pitch_chart("kick", kit.one_shots[:2], hits, kit.session.takes) is None


def test_a_chart_shows_pitch_in_cents(kit: Kit) -> None:
    """A hundred cents are a semitone, a factor of 2^(1/12) (equal temperament): three pitches a semitone apart read
    from -100 to 100 about their median.
    """
    hits = {hit.id: hit for hit in kit.hits}
    shots = [replace(shot, fundamental_hz=200.0 * 2 ** (n / 12)) for n, shot in enumerate(kit.one_shots[:3])]
    chart = pitch_chart("kick", shots, hits, kit.session.takes)

    assert chart is not None
    assert "from −100 to 100 cents" in chart
    assert "median 211.9" in chart


def test_unanswered_velocities_run_from_1_to_127(kit: Kit) -> None:
    """The ends of the scale count: with no layer at all, 1 to 127 are free; the kick's layers leave none."""
    kick = [shot for shot in kit.one_shots if shot.drum == "kick"]

    assert unanswered([]) == [(1, 127)]
    assert unanswered(kick) == []
    assert unanswered([replace(kick[0], velocity=(20, 126))]) == [(1, 19), (127, 127)]


def test_numbers_are_listed_as_runs() -> None:
    """Three and more in a row are a run."""
    assert numbered("layer", [2]) == "layer 2"
    assert numbered("layer", [5, 1, 2]) == "layers 1, 2 and 5"
    assert numbered("layer", [1, 2, 3, 8]) == "layers 1 to 3 and 8"


def test_polarity_is_shown_where_it_was_measured(kit: Kit, tmp_path: Path) -> None:
    """A polarity that was only declared is none that was measured."""
    measured = replace(kit, polarity={"take 1": {mic.name: -1 for mic in kit.session.takes[0].mics}},
                       polarity_measured={"take 1": ("Snare Top",)})

    assert 0 == Page(written(kit, tmp_path)).words.count("as home mic")
    assert 1 == Page(written(measured, tmp_path)).words.count("inverted")


def test_what_was_left_out_is_named_and_how_to_hear_it(kit: Kit, tmp_path: Path) -> None:
    """Each reason with its drums, the hits that come nearest, and the command; nothing of it is in the kit."""
    words = " ".join(" ".join(Page(written(kit, tmp_path)).words).split())

    assert "too much bleed" in words
    assert "oneshot review KIT" in words
    assert "snare 3" in words
    assert "Nothing: every hit that was found is in the kit." in " ".join(Page(written(replace(
        kit, hits=tuple(hit for hit in kit.hits if hit.kept)), tmp_path)).words)


def test_positions_read_as_time() -> None:
    """Frames of a take as minutes, seconds and thousandths, carried over at the minute."""
    assert clock(48000 * 62 + 16560, 48000) == "1:02.345"
    assert clock(48000 * 60 - 1, 48000) == "1:00.000"


@pytest.mark.full
@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs the chromium browser")
def test_a_browser_draws_the_page(kit: Kit, tmp_path: Path) -> None:
    """In a real browser the script runs to its end: the player shows, the mics of a one-shot are listed."""
    page = write_report(kit, tmp_path)

    browser = ["chromium", "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path / 'profile'}"]
    done = subprocess.run([*browser, "--virtual-time-budget=3000", "--dump-dom", page.as_uri()], capture_output=True,
                          text=True, check=False, timeout=120)

    assert done.returncode == 0
    assert '<aside class="player" aria-label="Player">' in done.stdout
    assert done.stdout.count('class="lane"') == 2
    assert 'id="disk" class="note">' in done.stdout
