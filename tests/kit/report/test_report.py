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

import numpy as np
import pytest
from kits import small_kit

from oneshot.core.errors import AudioError
from oneshot.core.records.hits import Delay
from oneshot.core.records.kit import Kit
from oneshot.core.records.session import Problem
from oneshot.kit.playback.keymap import layers_of, mix_levels
from oneshot.kit.report import write_report
from oneshot.kit.report.charts import pitch_chart, velocity_chart
from oneshot.kit.report.data import START_S, clock, outline
from oneshot.kit.report.gaps import Gap, gaps, numbered, unanswered
from oneshot.kit.report.markup import Markup, figure, join, tag
from oneshot.kit.report.page import script_json
from oneshot.kit.report.sections import level_axis

HOSTILE = "<img src=x onerror=\"alert('hit')\"> & </script><script>alert(1)</script> {{data}} \u202egnp"
VOID = {"br", "hr", "input", "meta", "link", "img"}


class Page(HTMLParser):
    """Reads a page strictly: every element closed in its turn; collects tags, ids, texts and data."""

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
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        """An end tag must close what was opened last."""
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
    assert len(targets) > 8
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
    assert json.loads(page.data)["shots"][0]["files"][0]["mics"] == [HOSTILE]


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


def test_every_one_shot_has_its_button_and_its_files(kit: Kit, tmp_path: Path) -> None:
    """Each one-shot can be played, from paths that exist beside the page."""
    page = Page(written(kit, tmp_path))
    data = json.loads(page.data)
    numbers = [int(value) for name, attrs in page.tags if name == "button" and (value := attrs.get("data-shot"))]
    said = re.findall(r'<button[^>]* data-shot="\d+"[^>]*>(.*?)</button>', written(kit, tmp_path), re.DOTALL)
    labels = [re.sub(r"<i .*?</i>|<[^>]+>", "", inner) for inner in said]
    paths = [file["path"] for shot in data["shots"] for file in shot["files"]]

    assert sorted(numbers) == list(range(len(kit.one_shots)))
    assert "Play kick, hit: layer 1, round robin 1, grade B" in labels
    assert len(set(labels)) == len(kit.one_shots)
    assert [path for path in paths if not (tmp_path / path).is_file()] == []
    assert {shot["home"] for shot in data["shots"]} == {0}


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


def unpacked(text: str, channels: int) -> np.ndarray:
    """An outline as int8 (channels, points, 2)."""
    return np.frombuffer(base64.b64decode(text), dtype=np.int8).reshape(channels, -1, 2)


def test_outlines_keep_extremes_and_square_roots() -> None:
    """Least and greatest of each stretch, sign(x)·√|x/peak|·127: a quarter of the peak becomes a half of the height."""
    data = np.array([[0.0, 0.8, -0.2, 0.2]])

    assert unpacked(outline(data, points=2), 1).tolist() == [[[0, 127], [-64, 64]]]


def test_outlines_of_silence_nothing_and_short_files() -> None:
    """Silence, NaN and files shorter than the outline are drawn, not refused."""
    assert not unpacked(outline(np.zeros((2, 500))), 2).any()
    assert not unpacked(outline(np.full((1, 5), np.nan)), 1).any()
    assert unpacked(outline(np.ones((1, 1)), points=3), 1).tolist() == [[[127, 127]] * 3]
    assert not unpacked(outline(np.zeros((1, 0)), points=3), 1).any()


def test_the_start_is_drawn_over_one_span() -> None:
    """A file shorter than the start view is filled up with silence, so that all mics share one axis."""
    from kits import RATE, stroke

    from oneshot.kit.report.data import outlines

    start = unpacked(outlines(stroke(1, -3, 1, frames=round(START_S * RATE / 2)), RATE)["start"], 1)[0]

    assert start[: len(start) // 2].any()
    assert not start[len(start) // 2 + 1:].any()


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
    assert step.record == "hits between −21 and −6 dB"
    assert Gap("kick, hit", "3 of 9 have less than 40 dB of decay", "hits with their full decay") in found


def test_a_chart_shows_what_a_key_plays_over_velocity(kit: Kit) -> None:
    """One dot for each alternate; the line runs from the velocity 1 to 127 of the law that the mappings play by."""
    kick = [shot for shot in kit.one_shots if shot.drum == "kick"]
    chart = velocity_chart(kick, mix_levels(kit))
    layers = layers_of(kick, mix_levels(kit))

    assert chart is not None
    assert chart.count("<circle") == len(kick) == 9
    assert f"from {figure(layers[0].wanted_db[1])} dB at 1 to {figure(layers[-1].wanted_db[127])} dB at 127" in chart


def test_no_chart_is_drawn_of_what_is_not_there(kit: Kit) -> None:
    """Layers that leave velocities out, no one-shot, fewer than three pitches: no chart, and the page stands."""
    side = [shot for shot in kit.one_shots if shot.articulation == "side stick"]
    hits = {hit.id: hit for hit in kit.hits}

    assert velocity_chart(side, mix_levels(kit)) is None
    assert velocity_chart([], {}) is None
    assert pitch_chart(side[:2], hits, kit.session.takes) is None


def test_a_chart_shows_pitch_in_cents(kit: Kit) -> None:
    """A hundred cents are a semitone, a factor of 2^(1/12) (equal temperament): three pitches a semitone apart read
    from -100 to 100 about their median.
    """
    hits = {hit.id: hit for hit in kit.hits}
    shots = [replace(shot, fundamental_hz=200.0 * 2 ** (n / 12)) for n, shot in enumerate(kit.one_shots[:3])]
    chart = pitch_chart(shots, hits, kit.session.takes)

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


def test_a_drums_axis_spans_its_strokes_in_steps_of_six(kit: Kit) -> None:
    """Whole steps around what was played, never an axis without length."""
    hit = kit.hits[0]

    assert level_axis([replace(hit, level_db=-31.0), replace(hit, level_db=-5.0)]) == (-36.0, 0.0)
    assert level_axis([replace(hit, level_db=-12.0)]) == (-12.0, -6.0)
    assert level_axis([]) == (-60.0, 0.0)


def test_positions_read_as_time() -> None:
    """Frames of a take as minutes, seconds and thousandths, carried over at the minute."""
    assert clock(48000 * 62 + 16560, 48000) == "1:02.345"
    assert clock(48000 * 60 - 1, 48000) == "1:00.000"


@pytest.mark.full
@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs the chromium browser")
def test_a_browser_draws_the_page(kit: Kit, tmp_path: Path) -> None:
    """In a real browser the script runs to its end: the player shows, the mics of a one-shot are laid out."""
    page = write_report(kit, tmp_path)

    browser = ["chromium", "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path / 'profile'}"]
    done = subprocess.run([*browser, "--virtual-time-budget=3000", "--dump-dom", page.as_uri()], capture_output=True,
                          text=True, check=False, timeout=120)

    assert done.returncode == 0
    assert '<aside class="player" aria-label="Player">' in done.stdout
    assert done.stdout.count('class="mic stereo"') == 3
    assert 'id="disk">' in done.stdout
