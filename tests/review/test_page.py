"""The review page in a browser: Debian's Chromium, driven by Playwright, on the server that the command starts.

What the page cannot be tested without is not passed over in silence: where Chromium, Playwright or axe-core is missing
the tests fail, save on a machine that says ONESHOT_NO_BROWSER=1.
"""

from __future__ import annotations

import http.client
import json
import re
import shutil
import signal
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from playwright.sync_api import Browser, Route, expect
from review_desk import entries, own_copy, running
from review_sight import AXE, LAPTOP, NOT_HERE, PHONE, Sight

from oneshot.audio.io import TakeReader
from oneshot.kit.read import read_kit
from oneshot.session.open import open_session

if TYPE_CHECKING:
    from stage_inputs import Pier

pytestmark = [pytest.mark.full, pytest.mark.skipif(NOT_HERE, reason="this machine says that it has no browser")]


def test_where_nothing_stands_out_all_strokes_are_listed(sight: Sight) -> None:
    """A kit of clean strokes that are all kept has none to hear first: the page opens on all of them."""
    rows = sight.page.locator("#shown").inner_text()

    assert "all" == sight.page.locator("#show").input_value()
    assert f"{len(read_kit(sight.folder).hits)} hits of" in rows


def test_nothing_sounds_until_it_is_asked_and_then_softly(sight: Sight) -> None:
    """No sound by itself; the volume begins at -24 dB; a caution stands beside it."""
    sight.page.wait_for_timeout(500)
    settings = sight.page.evaluate("async () => (await import('/static/listen.js')).settings()")

    assert {"volume": -24, "context": "none"} == settings
    assert "low volume" in sight.page.locator("#caution").inner_text()


def test_a_stroke_is_played_as_recorded_and_at_once(sight: Sight, pier: Pier) -> None:
    """Decoded audio has the length of the cut and the peak of the recording in every mic; once loaded, nothing is asked
    of the server again: the key plays what is there.
    """
    sight.choose("kept", "snare")
    sight.press(" ")
    sight.sounds("snare")
    sight.press("Escape")
    asked: list[str] = []
    sight.page.on("request", lambda request: asked.append(request.url))
    for _ in range(5):
        sight.press(" ")
        sight.sounds("snare")
        sight.press("Escape")
    played, hit = sight.played(), sight.shown()

    take = open_session(pier.session).takes[0]
    file = next(s for s in read_kit(sight.folder).one_shots if s.hit == hit.id).files[0]
    with TakeReader(pier.session, take, dtype="float64") as reader:
        x = reader.read(file.source_start, file.source_start + file.frames)
    assert [] == [url for url in asked if "/sound" in url]
    assert file.frames == pytest.approx(played["frames"], abs=2)
    assert [m.name for m in take.mics] == played["mics"]
    assert played["peaks"] == pytest.approx(abs(x).max(axis=1).tolist(), rel=1e-6)


def test_decisions_by_hand_reach_the_file(sight: Sight) -> None:
    """Reject, move, nudge, end, fade, trim, drop, layer, rename: each stands in corrections.toml."""
    page = sight.page
    sight.choose("kept", "kick")
    page.click("#reject")
    sight.decided(1)
    page.select_option("#to-drum", "floor")
    page.get_by_role("button", name="Move", exact=True).click()
    sight.decided(2)
    sight.choose("kept", "snare")
    for number, (field, value, name) in enumerate((("#start-ms", "-0.3", "Start"), ("#end-ms", "210", "End"),
                                                   ("#out-ms", "33", "Fades"), ("#gain-db", "-1.5", "Level")), 3):
        form = page.locator("form.say", has=page.get_by_role("heading", name=name, exact=True))
        page.fill(field, value)
        form.get_by_role("button").click()
        sight.decided(number)
    page.click("#drop-5")
    sight.decided(7)
    page.fill("#to-layer", "2")
    page.get_by_role("button", name="Set layer").click()
    sight.decided(8)
    sight.names().fill("#rename-to", "cowbell")
    page.get_by_role("button", name="Rename", exact=True).click()
    sight.decided(9)

    found = entries(sight.folder)
    assert ["reject", "move", "nudge", "end", "fade", "gain", "drop", "layer", "rename"] == [e.kind for e in found]
    assert ("floor", -13, 210.0, 33.0, -1.5, 2) == (
        found[1].to, found[2].frames, found[3].after_ms, found[4].out_ms, found[5].gain_db, found[7].layer)
    expect(page.locator("#hit-title")).to_contain_text("cowbell")


def test_several_strokes_are_picked_and_dealt_with_together(sight: Sight) -> None:
    """Two strokes picked, split off as an articulation of their own, and set to take turns in the order picked."""
    page = sight.page
    sight.choose("kept", "snare")
    page.locator("#list").press("ArrowDown")
    sight.settled()
    second = sight.shown()
    sight.press("s", "ArrowUp")
    sight.settled()
    first = sight.shown()
    sight.press("s")
    expect(page.locator("#pick")).to_contain_text("Select: no. 2")
    page.fill("#split-name", "edge")
    page.get_by_role("button", name="Split off", exact=True).click()
    sight.decided(1)
    expect(page.locator("#hit-title")).to_contain_text("edge")
    page.fill("#robins-layer", "1")
    page.get_by_role("button", name="Set round robins", exact=True).click()
    sight.decided(2)
    sight.build()

    split, robins = entries(sight.folder)
    assert [second.onset, first.onset] == [p.frame for p in split.hits] == [p.frame for p in robins.hits]
    kit = read_kit(sight.folder)
    onset = {h.id: h.onset for h in kit.hits}
    assert {1: second.onset, 2: first.onset} == {
        s.round_robin: onset[s.hit] for s in kit.one_shots if s.articulation == "edge"}


def test_drums_are_joined(sight: Sight) -> None:
    """Two drums become one under the name chosen, at once in the list and after a build in the kit."""
    page = sight.page
    sight.choose("all", "floor")
    sight.names().select_option("#merge-drum", "kick")
    page.select_option("#merge-name", "floor")
    page.get_by_role("button", name="Merge", exact=True).first.click()
    sight.decided(1)
    expect(page.locator("#of option")).to_have_count(3)
    sight.build()

    assert ["floor", "snare"] == sorted(d.name for d in read_kit(sight.folder).drums)


def test_handles_are_dragged_and_a_click_places_a_missed_stroke(sight: Sight) -> None:
    """The end is drawn to another place; a click in the context and `a` add a stroke there, to the frame it shows."""
    page = sight.page
    sight.choose("kept", "kick")
    expect(page.locator("#height")).to_have_text(re.compile("dBFS"))  # the waveforms are drawn, and lie where they stay
    lane = page.locator("canvas.wave").first
    box = lane.bounding_box()
    assert box is not None
    hit = sight.shown()
    file = next(s for s in read_kit(sight.folder).one_shots if s.hit == hit.id).files[0]
    view = page.evaluate("""async () => { const hit = await import('/static/hit.js');
        const {start, stop} = hit.cut(); return {start, stop}; }""")
    assert file.source_start == view["start"]

    seconds = min(max(file.frames / 44100 * 1.25, 0.3), 4)
    first = file.source_start - round(0.12 * seconds * 44100)
    x = box["x"] + (view["stop"] - first) / (seconds * 44100) * box["width"]
    page.mouse.move(x, box["y"] + 20)
    page.mouse.down()
    page.mouse.move(x - 40, box["y"] + 20, steps=4)
    page.mouse.up()
    sight.decided(1)
    expected = (view["stop"] - 40 / box["width"] * seconds * 44100 - file.source_start - file.onset_frame) / 44.1
    assert entries(sight.folder)[0].after_ms == pytest.approx(expected, abs=8)

    page.mouse.click(box["x"] + 0.9 * box["width"], box["y"] + 20)
    sight.press("a")
    sight.decided(2)
    added = entries(sight.folder)[1]
    assert "add" == added.kind
    assert added.hits[0].frame == pytest.approx(first + 0.9 * seconds * 44100, abs=0.004 * seconds * 44100)


def test_fifteen_decisions_a_build_and_another_day(browser: Browser, pier: Pier, tmp_path: Path) -> None:
    """Fifteen decisions, built, closed, opened again: all are there, the kit is as they say, the last can go back."""
    folder = own_copy(pier, tmp_path)
    with running(folder, pier.session) as (address, _):
        context = browser.new_context(viewport=LAPTOP)
        sight = Sight(context.new_page(), folder, address)
        for count, (drum, keys) in enumerate((("kick", "n"), ("snare", "[]"), ("floor", "y")), 1):
            sight.choose("all", drum)
            for n in range(5):
                sight.press(keys[n % len(keys)])
                sight.decided(5 * count - 4 + n)
                sight.press("ArrowDown")
                sight.settled()
        said = entries(folder)
        sight.build()
        context.close()
        assert [] == sight.faults

    with running(folder, pier.session) as (address, _):
        context = browser.new_context(viewport=LAPTOP)
        again = Sight(context.new_page(), folder, address)
        again.decided(15)
        expect(again.page.locator("#waiting")).to_have_text("The kit is up to date.")
        again.press("Control+z")
        again.decided(14)
        context.close()
    kit = read_kit(folder)
    kept = {h.onset: h.kept for h in kit.hits}
    assert ["reject"] * 5 + ["nudge"] * 5 + ["keep"] * 5 == [e.kind for e in said]
    assert [False] * 5 == [kept[e.hits[0].frame] for e in said[:5]]
    assert [True] * 5 == [kept[e.hits[0].frame] for e in said[10:]]
    assert {-4, 4} <= {f.nudged_frames for s in kit.one_shots for f in s.files}
    assert said[:14] == entries(folder)


def test_what_a_build_took_stays_told(sight: Sight) -> None:
    """Where the kit comes slowly after a build, the page's look for news of elsewhere does not take the build for such
    and wipe away what was said of it.
    """
    def slowly(route: Route) -> None:
        sight.page.wait_for_timeout(3000)
        route.continue_()

    sight.choose("kept", "snare")
    sight.press("n")
    sight.decided(1)
    sight.page.route("**/api/kit", slowly)
    sight.build()
    sight.page.wait_for_timeout(6000)

    expect(sight.page.locator("#waiting")).to_have_text(re.compile(r"^Built in [0-9.]+ s\. The kit is up to date\.$"))


def test_a_build_of_a_handful_of_changes_cuts_no_other_drum_again(sight: Sight) -> None:
    """In a kit that was built here, a rejected snare leaves the kick's files the very ones they were."""
    sight.choose("kept", "snare")
    sight.press("n")
    sight.decided(1)
    sight.build()
    kicks = {path.name: path.stat().st_ino for path in (sight.folder / "samples" / "kick").rglob("*.wav")}
    sight.choose("kept", "snare")
    sight.press("n")
    sight.decided(2)
    sight.build()

    assert kicks
    assert kicks == {path.name: path.stat().st_ino for path in (sight.folder / "samples" / "kick").rglob("*.wav")}


def test_taking_back_works_after_a_reload(sight: Sight) -> None:
    """Two decisions, a reload, two steps back: the file is as it was."""
    before = (sight.folder / "corrections.toml").read_bytes()
    sight.choose("kept", "snare")
    sight.press("n")
    sight.decided(1)
    sight.press("ArrowDown", "y")
    sight.decided(2)
    sight.page.reload()
    sight.page.wait_for_selector("#hit-title")
    sight.decided(2)
    sight.press("Control+z")
    sight.decided(1)
    sight.press("Control+z")
    sight.decided(0)

    assert before == (sight.folder / "corrections.toml").read_bytes()


def test_a_second_tab_is_told_and_overwrites_nothing(sight: Sight) -> None:
    """Both tabs decide; the one that is behind is told, shows what there is, and may decide then."""
    other = Sight(sight.page.context.new_page(), sight.folder, sight.address)
    for each in (sight, other):
        each.choose("kept", "snare")
    other.page.route("**/api/state", lambda route: route.abort())  # it hears of nothing by itself
    sight.press("n")
    sight.decided(1)
    other.press("ArrowDown", "n")

    expect(other.page.locator("#trouble")).to_contain_text("changed by another page")
    other.decided(1)
    other.press("n")
    other.decided(2)
    assert 2 == len(entries(sight.folder))


def test_a_second_server_is_refused(sight: Sight, pier: Pier) -> None:
    """One review of a kit at a time: the second command says who has it."""
    second = subprocess.run([sys.executable, "-m", "oneshot", "review", str(sight.folder), "--session",
                             str(pier.session), "--no-browser"], capture_output=True, text=True, check=False)

    assert 1 == second.returncode
    assert "in use (a review" in second.stderr


def test_everything_works_from_the_keyboard(sight: Sight) -> None:
    """Without a pointer: the list, playing, each mic, comparison, lift, deciding, a figure, the views, the help."""
    page = sight.page
    sight.choose("all")
    sight.press("ArrowDown", "ArrowDown", " ", "3", "c", "ArrowDown", "c")
    sight.sounds("first ")
    assert 2 == sight.played()["strokes"]
    sight.press("Escape", "t")
    assert "harms hearing" in page.locator("#caution").inner_text()
    sight.press("t", "y")
    sight.decided(1)
    sight.press("L")
    page.keyboard.type("2.5")
    sight.press("Enter")
    sight.decided(2)
    sight.press("Escape", "ArrowRight", "ArrowRight", "+", "-", "w")
    expect(page.locator("#playing")).to_be_visible()
    sight.press("g")
    sight.sounds("Groove")
    sight.press("Escape", "w")
    expect(page.locator("#decisions")).to_be_visible()
    sight.press("w", "?")
    expect(page.locator("#help")).to_be_visible()
    sight.press("Escape", "Control+z", "Control+z")
    sight.decided(0)
    sight.press("N")
    assert "rename-to" == page.evaluate("document.activeElement.id")


def test_the_balance_is_heard_and_kept(sight: Sight) -> None:
    """A fader moved while a groove plays goes to recipe.toml and survives a build."""
    page = sight.page
    page.click("[data-view=playing]")
    page.click("#groove")
    sight.sounds("Groove")
    page.locator("#gain-4").fill("-20")
    expect(page.locator(".fader").nth(4).get_by_role("button", name="reset")).to_be_visible()
    name = list(read_kit(sight.folder).balance)[4]
    sight.press("Escape")
    sight.build()

    assert -20.0 == read_kit(sight.folder).balance[name].gain_db


@pytest.mark.parametrize(("size", "scheme"), [(LAPTOP, "light"), (LAPTOP, "dark"), (PHONE, "light"), (PHONE, "dark")])
def test_the_page_is_open_to_everyone(browser: Browser, pier: Pier, tmp_path: Path, size: Any, scheme: Any) -> None:
    """axe-core finds nothing serious in any view, light and dark, on a laptop and a phone; nothing is wider than the
    screen.
    """
    folder = own_copy(pier, tmp_path)
    with running(folder, pier.session) as (address, _):
        context = browser.new_context(viewport=size, color_scheme=scheme, bypass_csp=True)
        sight = Sight(context.new_page(), folder, address)
        sight.choose("kept", "snare")
        sight.press("n")
        sight.decided(1)
        for view in ("strokes", "playing", "decisions", "help"):
            sight.page.click("#help-open" if view == "help" else f"[data-view={view}]")
            sight.page.wait_for_timeout(300)
            assert sight.page.evaluate("document.documentElement.scrollWidth") <= size["width"]
            sight.page.evaluate(AXE.read_text(encoding="utf-8"))
            found = sight.page.evaluate("async () => (await axe.run(document)).violations")
            grave = [f"{each['id']}: {node['html'][:120]}" for each in found for node in each["nodes"]
                     if each["impact"] in ("serious", "critical")]
            assert [] == grave, view
        context.close()
        assert [] == sight.faults


def test_two_thousand_strokes_scroll_as_ten_do(sight: Sight) -> None:
    """However long the list, only what is in sight exists: few rows while it is scrolled from end to end."""
    result = sight.page.evaluate("""async () => {
        const list = await import('/static/list.js'), state = (await import('/static/state.js')).state;
        const many = Array.from({length: 2000}, (_, i) => ({...state.hits[i % state.hits.length], s: i}));
        list.show(many, many[0].id, new Set());
        const box = document.getElementById('list');
        let most = 0;
        for (let i = 0; i < 120; i++) {
          box.scrollTop += 900;
          await new Promise((done) => requestAnimationFrame(done));
          most = Math.max(most, document.querySelectorAll('.stroke').length);
        }
        return {most, end: box.scrollHeight};
    }""")

    assert result["most"] < 60
    assert result["end"] > 2000 * 50


def test_names_are_texts_whatever_they_hold(browser: Browser, pier: Pier, tmp_path: Path) -> None:
    """A mic, a drum and a reason that look like markup are shown as they are and run nothing."""
    evil = '<img src=x onerror="document.title=1">'
    folder = own_copy(pier, tmp_path)
    session = tmp_path / "session"
    shutil.copytree(pier.session, session)
    old = next(session.rglob("Snare Top.wav"))
    old.rename(old.with_name(f"Snare {evil.replace('/', '')}.wav"))
    text = (folder / "manifest.json").read_text(encoding="utf-8")
    document = json.loads(text.replace('"Snare Top"', json.dumps(f"Snare {evil}")).replace(
        '"snare"', json.dumps(evil)))
    for hit in document["hits"]:
        hit["reason"] = None if hit["kept"] else f"<script>document.title=2</script>{evil}"
    (folder / "manifest.json").write_text(json.dumps(document), encoding="utf-8")

    with running(folder, session) as (address, _):
        context = browser.new_context(viewport=LAPTOP)
        sight = Sight(context.new_page(), folder, address)
        sight.choose("all")
        sight.press("ArrowDown", "n")
        for view in ("playing", "decisions", "strokes"):
            sight.page.click(f"[data-view={view}]")
            sight.page.wait_for_timeout(200)
        assert 0 == sight.page.locator("img").count()
        assert sight.page.locator("text=onerror").count() > 0
        assert sight.page.title().endswith(": review")
        context.close()
        assert [] == sight.faults


def test_what_was_acknowledged_survives_a_kill(pier: Pier, tmp_path: Path) -> None:
    """The server is killed in the middle of its work, again and again: every decision that was acknowledged is in the
    file, and the file can always be read.
    """
    folder = own_copy(pier, tmp_path)
    hits = read_kit(folder).hits
    acknowledged: list[int] = []
    for turn in range(3):
        with running(folder, pier.session) as (address, process):
            base, token = address.split("/#")
            killer = threading.Timer(0.4 + 0.17 * turn, process.kill)
            killer.start()
            n = len(acknowledged)
            try:
                while True:
                    revision = _ask(f"{base}/api/state", token, None)["revision"]
                    hit = hits[n % len(hits)]
                    _ask(f"{base}/api/decide", token, {"revision": revision, "entry": {
                        "kind": "gain", "gain_db": -1.0 - (n // len(hits)) % 20,
                        "hits": [{"take": hit.take, "frame": hit.onset}]}})
                    acknowledged.append(hit.onset)
                    n += 1
            except OSError:
                pass
            killer.join()
            assert -signal.SIGKILL == process.wait(30)
        found = {e.hits[0].frame for e in entries(folder)}
        assert set(acknowledged) <= found
    assert len(acknowledged) > 10


def _ask(address: str, token: str, record: Any) -> Any:
    """A request as another program would make it; OSError where the server is gone."""
    request = urllib.request.Request(address, headers={"X-Oneshot-Token": token},  # noqa: S310 - our own server
                                     data=None if record is None else json.dumps(record).encode())
    try:
        with urllib.request.urlopen(request, timeout=10) as answer:  # noqa: S310
            return json.loads(answer.read())
    except urllib.error.HTTPError as error:
        raise AssertionError(error.read()) from None
    except (ValueError, ConnectionError, http.client.HTTPException) as error:  # an answer cut off is none
        raise OSError(str(error)) from None
