"""More of what hands do on the page: leaving out and taking in again, hearing what is in sight, keys for all of it."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from playwright.sync_api import Browser, Route, expect
from review_desk import entries, own_copy, running
from review_sight import LAPTOP, NOT_HERE, Sight

from oneshot.audio.io import TakeReader
from oneshot.config.recipe import FaderRecipe
from oneshot.config.recipe_file import load_recipe
from oneshot.kit.read import read_kit
from oneshot.session.open import open_session

if TYPE_CHECKING:
    from stage_inputs import Pier

pytestmark = [pytest.mark.full, pytest.mark.skipif(NOT_HERE, reason="this machine says that it has no browser")]


def mics_of(sight: Sight) -> list[str]:
    """The mics of the kit's take, in their order."""
    return [mic.name for mic in read_kit(sight.folder).session.takes[0].mics]


def test_a_mic_is_left_out_and_taken_in_again(sight: Sight) -> None:
    """The same button takes back what it said, whatever was decided since."""
    sight.choose("kept", "snare")
    for number in (4, 5):
        sight.page.click(f"#drop-{number}")
        sight.decided(number - 3)
    sight.press("y")
    sight.decided(3)
    mics = mics_of(sight)
    omit = sight.page.get_by_role("button", name=f"Omit {mics[4]}: no file of it for this hit")
    expect(omit).to_have_id("drop-4")
    expect(omit).to_have_attribute("aria-pressed", "true")
    sight.page.click("#drop-4")
    sight.decided(2)
    expect(omit).to_have_attribute("aria-pressed", "false")

    assert [(mics[5],), ()] == [entry.mics for entry in entries(sight.folder)]


def test_a_decision_is_withdrawn_from_the_list(sight: Sight) -> None:
    """Three decisions, the first withdrawn: two are left, and undo brings it back."""
    sight.choose("kept", "kick")
    for count in (1, 2, 3):
        sight.press("n")
        sight.decided(count)
        sight.press("ArrowDown")
        sight.settled()
    said = entries(sight.folder)
    sight.page.click("[data-view=decisions]")
    sight.page.get_by_role("button", name="delete no. 1: left out").click()
    sight.decided(2)
    assert said[1:] == entries(sight.folder)
    sight.press("Control+z")
    sight.decided(3)

    assert said == entries(sight.folder)


def test_what_is_in_sight_is_heard_with_what_comes_before_and_after(sight: Sight, pier: Pier) -> None:
    """The stretch that the waveforms show, as recorded; a line goes over them while it sounds."""
    sight.choose("kept", "floor")
    sight.press("-", "-")
    sight.page.wait_for_timeout(300)
    view = sight.page.evaluate("async () => (await import('/static/hit.js')).sight()")
    sight.press("r")
    sight.sounds("pier, from")
    expect(sight.page.locator("#head")).to_be_visible()
    played = sight.played()
    sight.press("Escape")
    expect(sight.page.locator("#head")).to_be_hidden()

    take = open_session(pier.session).takes[0]
    with TakeReader(pier.session, take, dtype="float64") as reader:
        x = reader.read(view["start"], view["start"] + view["frames"])
    assert view["frames"] == played["frames"]
    assert played["peaks"] == pytest.approx(abs(x).max(axis=1).tolist(), rel=1e-6)


def test_what_plays_is_marked_in_the_ladder(sight: Sight) -> None:
    """While a drum goes from soft to hard, each of its one-shots is marked in turn, one layer after the other."""
    sight.page.click("[data-view=playing]")
    sight.page.evaluate("""() => { window.lit = []; new MutationObserver((all) => { for (const each of all)
        if (each.target.classList.contains('now')) window.lit.push(each.target.id); })
        .observe(document.getElementById('playing'), {subtree: true, attributeFilter: ['class']}); }""")
    sight.page.locator(".group", has_text="floor").get_by_role("button", name="Soft to hard").click()
    sight.sounds("floor, hit: from soft to hard")
    shots = sorted((s for s in read_kit(sight.folder).one_shots if s.drum == "floor"), key=lambda s: s.layer)
    expect(sight.page.locator("#now")).to_have_text("Nothing is playing.", timeout=15000)
    lit = [name for name in sight.page.evaluate("window.lit") if name.startswith("shot-")]

    assert {f"shot-{shot.hit}" for shot in shots} == set(lit)
    assert [shot.layer for shot in shots] == [next(s.layer for s in shots if f"shot-{s.hit}" == name) for name in lit]


def test_a_fader_says_what_was_moved_and_no_more(sight: Sight) -> None:
    """A muted mic keeps the gain and the place it was computed to have, to the last digit."""
    before = read_kit(sight.folder).balance
    mic = list(before)[4]
    sight.page.click("[data-view=playing]")
    sight.page.click("#linked")
    sight.page.click("#mute-4")
    expect(sight.page.locator(".fader").nth(4).get_by_role("button", name="reset")).to_be_visible()
    sight.page.locator("#pan-4").fill("0.5")
    expect(sight.page.locator("#waiting")).to_have_text("1 balance change not built yet.")
    sight.page.wait_for_timeout(1000)

    assert {mic: FaderRecipe(pan=0.5, on=False)} == load_recipe(sight.folder / "recipe.toml")[0].balance
    sight.build()
    assert replace(before[mic], pan=0.5, on=False) == read_kit(sight.folder).balance[mic]


def test_every_key_of_the_help_is_a_key(sight: Sight) -> None:
    """What the help shows can be struck without a fault; what it says of a field leads into that field."""
    sight.choose("kept", "snare")
    sight.press("?")
    shown = set(sight.page.locator("#help kbd").all_inner_texts())
    sight.press("Escape")
    first = sight.page.locator("[id^=drop-]").first.get_attribute("id")
    fields = {"E": "start-ms", "e": "end-ms", "f": "in-ms", "d": first, "L": "gain-db", "m": "to-drum", "l": "to-layer",
              "S": "split-name", "q": "robins-layer", "N": "rename-to", "M": "merge-drum", "/": "show"}
    for key, field in fields.items():
        assert (f"Shift+{key.lower()}" if key.isupper() else key) in shown
        sight.page.locator("#list").focus()
        sight.press(key)
        assert field == sight.page.evaluate("document.activeElement.id")
    sight.page.locator("#list").focus()
    sight.press("h")
    expect(sight.page.locator("#apart")).to_have_attribute("aria-pressed", "true")
    before = sight.page.evaluate("async () => (await import('/static/hit.js')).sight().start")
    sight.press(">")
    assert before < sight.page.evaluate("async () => (await import('/static/hit.js')).sight().start")
    sight.press("<", "r", "v", "o", "c", "C", "t", "t", ",", ".", "Escape")

    assert {"Space", "r", "h", "<", ">", "y", "Shift+y", "n", "Ctrl+Z", "Ctrl+Shift+Z", "?"} <= shown
    expect(sight.page.locator("#trouble")).to_be_hidden()


def test_both_sides_of_a_pair_move_together(sight: Sight) -> None:
    """Linked, they rise by as many decibels and go as far to their sides, in one step; a double click goes back to what
    was computed.
    """
    names = list(read_kit(sight.folder).balance)
    left, right = (names.index(name) for name in ("OH L", "OH R"))
    before = read_kit(sight.folder).balance
    page = sight.page

    recipe = sight.folder / "recipe.toml"

    def said(do: Callable[[], None]) -> dict[str, FaderRecipe]:
        """What the recipe says of the balance once something that was done is saved."""
        text = recipe.read_bytes()
        do()
        for _ in range(100):
            if recipe.read_bytes() != text:
                break
            page.wait_for_timeout(50)
        page.wait_for_timeout(100)
        return dict(load_recipe(recipe)[0].balance)

    page.click("[data-view=playing]")
    moved = said(lambda: page.locator(f"#gain-{left}").fill("-20"))
    assert -20.0 == moved["OH L"].gain_db
    rise = -20.0 - before["OH L"].gain_db
    assert before["OH R"].gain_db + rise == pytest.approx(moved["OH R"].gain_db, abs=0.06)
    moved = said(lambda: page.locator(f"#pan-{right}").fill("0.5"))
    assert (-0.5, 0.5) == (moved["OH L"].pan, moved["OH R"].pan)
    moved = said(lambda: page.locator(f"#pan-{left}").dblclick())
    assert (None, None) == (moved["OH L"].pan, moved["OH R"].pan)
    assert {} == said(lambda: page.locator(f"#gain-{right}").dblclick())
    assert {"OH L", "OH R"} == set(said(lambda: sight.press("Control+z")))


def test_solo_is_heard_and_not_saved(sight: Sight) -> None:
    """Only the soloed mics sound, the recipe says nothing of it, and the meter shows the peak of the mix."""
    page = sight.page
    before = (sight.folder / "recipe.toml").read_bytes()
    page.click("[data-view=playing]")
    page.click(f"#solo-{list(read_kit(sight.folder).balance).index('Kick In')}")
    assert ["Kick In"] == page.evaluate("async () => [...(await import('/static/listen.js')).solos()]")
    sight.press("g")
    sight.sounds("Groove")
    expect(page.locator("#peak")).to_have_text(re.compile("dBFS"))
    assert before == (sight.folder / "recipe.toml").read_bytes()


def test_use_first_makes_it_the_first_round_robin(sight: Sight) -> None:
    """The hit comes first in its layer, those that were there come after it in their order."""
    shots = [shot for shot in read_kit(sight.folder).one_shots if shot.drum == "snare"]
    last = max(shots, key=lambda shot: (shot.round_robin, shot.layer))
    assert last.round_robin > 1
    sight.choose("kept", "snare")
    for _ in range(40):
        if sight.shown().id == last.hit:
            break
        sight.press("ArrowDown")
        sight.settled()
    sight.press("Shift+Y")
    sight.decided(1)
    sight.build()

    at = {hit.id: hit.onset for hit in read_kit(sight.folder).hits}
    now = {shot.round_robin: at[shot.hit] for shot in read_kit(sight.folder).one_shots
           if (shot.drum, shot.layer, shot.articulation) == ("snare", last.layer, last.articulation)}
    before = [shot for shot in shots if (shot.layer, shot.articulation) == (last.layer, last.articulation)]
    assert [at[s.hit] for s in (last, *sorted((s for s in before if s is not last), key=lambda s: s.round_robin))] == \
        [now[n] for n in sorted(now)]


def test_keys_act_only_on_a_hit_that_is_in_sight(sight: Sight) -> None:
    """In the other views nothing is decided, played or chosen by the keys of a hit; those that concern the whole kit
    work in every view, and the hit's own work again where it is shown.
    """
    page = sight.page
    sight.choose("kept", "snare")
    hit = sight.shown()
    for view in ("playing", "decisions"):
        page.click(f"[data-view={view}]")
        sight.press("n", "y", "Shift+Y", "[", "}", "s", "a", "ArrowDown", "PageDown", " ", "1", "c", "r", "o", "t")
        expect(page.locator("#now")).to_have_text("Nothing is playing.")
        assert () == entries(sight.folder)
        assert hit.id == sight.shown().id
    assert "" == page.evaluate("document.body.className")
    assert [] == page.evaluate("async () => (await import('/static/state.js')).state.picks")
    sight.press("g")
    sight.sounds("Groove")
    sight.press("Escape", "w", "n")
    sight.decided(1)

    assert [hit.onset] == [place.frame for entry in entries(sight.folder) for place in entry.hits]


def test_what_was_asked_of_a_hit_in_sight_is_done_though_the_view_has_changed(sight: Sight) -> None:
    """A key that waits for its turn holds for the hit it was struck for; one struck in another view does nothing."""
    page = sight.page
    sight.choose("kept", "snare")

    def slowly(route: Route) -> None:
        page.wait_for_timeout(300)
        route.continue_()

    page.route("**/api/decide", slowly)
    for key in ("n", "w", "y"):
        page.keyboard.press(key)
    sight.decided(1)

    expect(page.locator("#playing")).to_be_visible()
    page.wait_for_timeout(400)
    assert ["reject"] == [entry.kind for entry in entries(sight.folder)]


def test_use_first_does_not_guess_a_layer(sight: Sight) -> None:
    """A hit left out whose level was not measured goes into no layer by itself: the page says what to do."""
    page = sight.page
    sight.choose("kept", "snare")
    number = sight.shown().id
    assert len({shot.layer for shot in read_kit(sight.folder).one_shots if shot.drum == "snare"}) > 1

    def unmeasured(route: Route) -> None:
        answer = route.fetch()
        record = answer.json()
        for row in record["hits"]:
            if row["id"] == number:
                row.update(level=None, layer=None, kept=False)
        route.fulfill(response=answer, json=record)

    page.route("**/api/hits", unmeasured)
    page.reload()
    page.wait_for_selector("#hit-title")
    sight.choose("out", "snare")
    sight.press("Shift+Y")

    expect(page.locator("#trouble")).to_have_text(
        "The level of this hit is not known, so neither is its layer: name the layer under Round robins.")
    assert () == entries(sight.folder)


SAID = """() => [...document.querySelectorAll(":is(#hit, .work, .player, .balance) button")]
    .map((each) => [each.id, each.getAttribute("aria-label") ?? each.textContent, each.getAttribute("aria-pressed")])"""
"""Every button of the page's parts: its id, its name, and whether it says that it is pressed."""


def test_each_button_says_what_it_does_and_to_which_mic(sight: Sight) -> None:
    """No two have one name; those of a mic name it; toggles say whether they are on, under a name that stays."""
    sight.choose("kept", "snare")
    sight.page.click("[data-view=playing]")
    before = sight.page.evaluate(SAID)
    mics = mics_of(sight)
    named = {id_: (name, pressed) for id_, name, pressed in before if id_}

    assert len({name for _, name, _ in before}) == len(before)
    for n, mic in enumerate(mics):
        if f"drop-{n}" in named:
            assert (f"Omit {mic}: no file of it for this hit", "false") == named[f"drop-{n}"]
            assert re.fullmatch(rf"Play alone: \d? ?{mic}(home mic)?", named[f"mic-{n}"][0])
    for n, mic in enumerate(read_kit(sight.folder).balance):
        for toggle in ("Mute", "Solo"):
            assert (f"{toggle} {mic}", "false") == named[f"{toggle.lower()}-{n}"]
    toggles = {id_ for id_, _, pressed in before if pressed is not None}
    assert {"keep", "reject", "pick", "lift", "apart", "linked"} <= toggles
    assert [id_ for id_ in toggles if id_.startswith("drop-")]


GRADE_LOOK = """() => ["A", "B", "C", "D"].map((grade) => {
    const made = document.createElement("b");
    made.className = `grade g${grade}`;
    document.body.append(made);
    const style = getComputedStyle(made);
    const seen = ["color", "backgroundColor", "borderTopColor", "borderTopStyle", "borderTopWidth", "borderRadius",
                  "fontSize", "fontWeight"].map((name) => style[name]);
    made.remove();
    return seen; })"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_grades_look_alike_on_both_pages(sight: Sight, browser: Browser, scheme: Any) -> None:
    """A to D are drawn with the same tones, lines and letters on the review page and in the report, no two alike."""
    page = sight.page
    page.emulate_media(color_scheme=scheme)
    here = page.evaluate(GRADE_LOOK)
    report = browser.new_page(color_scheme=scheme)
    report.goto((sight.folder / "report.html").as_uri())
    there = report.evaluate(GRADE_LOOK)
    report.close()

    assert here == there
    assert 4 == len({tuple(each) for each in here})


def luminance(colour: str) -> float:
    """Relative luminance of ``rgb(r, g, b)`` (WCAG 2.2)."""
    values = [int(value) / 255 for value in re.findall(r"\d+", colour)[:3]]
    linear = [value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4 for value in values]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_borders_of_fields_can_be_seen(sight: Sight, scheme: Any) -> None:
    """At least 3:1 against the field itself and against the page around it (WCAG 2.2, 1.4.11)."""
    page = sight.page
    page.emulate_media(color_scheme=scheme)
    sight.choose("kept", "snare")
    found = page.evaluate("""() => [...document.querySelectorAll("select, input:not([type=range])")].map((field) => {
        const style = getComputedStyle(field);
        return [field.id, style.borderTopColor, style.backgroundColor, getComputedStyle(document.body).backgroundColor];
    })""")

    assert {"show", "of", "start-ms", "gain-db", "to-drum", "rename-to"} <= {each[0] for each in found}
    for name, border, *grounds in found:
        for ground in grounds:
            darker, lighter = sorted((luminance(border), luminance(ground)))
            assert (lighter + 0.05) / (darker + 0.05) >= 3, (name, border, ground)


def layers_of(sight: Sight, drum: str) -> int:
    """How many velocity layers a drum has in the kit as it was built last."""
    return len({shot.layer for shot in read_kit(sight.folder).one_shots if shot.drum == drum})


def test_a_build_says_which_layers_it_cost(sight: Sight) -> None:
    """Layers gone with the hits that were left out, and a drum that has none any more, are named after the build, those
    that come back as well; a drum that was only renamed is no loss, and where nothing was lost nothing is said.
    """
    page, said = sight.page, sight.page.locator("#waiting")
    before = {drum: layers_of(sight, drum) for drum in ("floor", "kick", "snare")}
    assert before["floor"] > 1
    count = 0
    for drum, spared in (("floor", 1), ("kick", 0)):
        sight.choose("kept", drum)
        for _ in range(sum(hit.kept and hit.drum == drum for hit in read_kit(sight.folder).hits) - spared):
            sight.press("n")
            count += 1
            sight.decided(count)
            sight.press("ArrowDown")
            sight.settled()
    sight.choose("kept", "snare")
    sight.names().fill("#rename-to", "cowbell")
    page.get_by_role("button", name="Rename", exact=True).click()
    sight.decided(count + 1)
    sight.build()

    assert (1, 0, before["snare"]) == tuple(layers_of(sight, drum) for drum in ("floor", "kick", "cowbell"))
    expect(said).to_contain_text(f"floor, hit has 1 layer now, {before['floor']} before")
    expect(said).to_contain_text("kick, hit has no one-shot any more")
    assert "snare" not in said.inner_text()
    assert "cowbell" not in said.inner_text()
    page.locator("#list").focus()
    for _ in range(count + 1):
        sight.press("Control+z")
    sight.decided(0)
    sight.build()
    expect(said).to_contain_text(f"floor, hit has {before['floor']} layers now, 1 before. The kit is up to date.")
    sight.build()
    expect(said).to_have_text(re.compile(r"^Built in [0-9.]+ s\. The kit is up to date\.$"))


GONE = ("The program behind this page is no longer running. Start oneshot review again and open the address that it "
        "prints: everything listed under Corrections is saved.")


def test_the_page_says_when_the_program_has_ended(browser: Browser, pier: Pier, tmp_path: Path) -> None:
    """By itself and in one line, with what to do; what was typed stays there, what was decided is in the file."""
    folder = own_copy(pier, tmp_path)
    with running(folder, pier.session) as (address, process):
        context = browser.new_context(viewport=LAPTOP)
        sight = Sight(context.new_page(), folder, address)
        page = sight.page
        sight.choose("kept", "snare")
        sight.press("n")
        sight.decided(1)
        page.fill("#gain-db", "-3.5")
        process.terminate()
        process.wait(60)
        expect(page.locator("#trouble")).to_have_text(GONE, timeout=15000)
        page.locator("#list").focus()
        sight.press("y")
        expect(page.locator("#trouble")).to_have_text(GONE)

        assert "-3.5" == page.locator("#gain-db").input_value()
        context.close()
        assert [] == sight.faults
    assert ["reject"] == [entry.kind for entry in entries(folder)]


def test_what_answers_again_is_not_said_to_have_ended(sight: Sight) -> None:
    """A connection that fails for a moment is told, and no longer than it fails; what else was told stays."""
    page, told = sight.page, sight.page.locator("#trouble")
    page.route("**/api/state", lambda route: route.abort())
    expect(told).to_have_text(GONE, timeout=15000)
    page.unroute("**/api/state")
    expect(told).to_be_hidden(timeout=15000)
    sight.choose("kept", "snare")
    sight.press("a")
    expect(told).to_contain_text("Click in a waveform")
    page.route("**/api/state", lambda route: route.abort())
    page.wait_for_timeout(3500)

    expect(told).to_contain_text("Click in a waveform")


def test_more_mics_than_fit_scroll_by_themselves(sight: Sight) -> None:
    """The home mic comes into sight with its hit; a decision leaves the mics where they were scrolled to; the last
    fader can be reached; the line that runs with the sound stays over the mics in sight.
    """
    page = sight.page
    page.set_viewport_size({"width": 1280, "height": 600})
    page.evaluate("""() => { const sheet = document.styleSheets[0];  // each mic as high as five
        sheet.insertRule(".mics { grid-auto-rows: 11rem !important; }", sheet.cssRules.length); }""")
    sight.choose("kept", "kick")
    if page.locator("#every-mic").count():
        page.click("#every-mic")
    scroll = "document.querySelector('.mics').scrollTop"
    page.evaluate("document.querySelector('.mics').scrollTop = 9999")
    page.locator("[id^=drop-]").last.hover()
    down = page.evaluate(scroll)
    assert down > 400
    page.locator("[id^=drop-]").last.click()
    sight.decided(1)
    assert down == pytest.approx(page.evaluate(scroll), abs=40)  # a line above it may come or go
    sight.press("r")
    expect(page.locator("#head")).to_be_visible()
    head, mics = page.locator("#head").bounding_box(), page.locator(".mics").bounding_box()
    assert head is not None
    assert mics is not None
    assert mics["y"] - 1 <= head["y"] < head["y"] + head["height"] <= mics["y"] + mics["height"] + 1
    sight.press("Escape", "ArrowDown")
    sight.settled()
    home, mics = page.locator(".mic.looked").bounding_box(), page.locator(".mics").bounding_box()
    assert home is not None
    assert mics is not None
    assert mics["y"] - 1 <= home["y"] < home["y"] + home["height"] <= mics["y"] + mics["height"] + 1

    page.click("[data-view=playing]")
    page.evaluate("document.querySelector('.balance').scrollTop = 9999")
    last, player = page.locator(".fader").last.bounding_box(), page.locator(".player").bounding_box()
    assert last is not None
    assert player is not None
    assert last["y"] + last["height"] <= player["y"]


@pytest.mark.parametrize("size", [(1440, 900), (1280, 720)])
def test_one_screen_holds_what_a_decision_needs(sight: Sight, size: tuple[int, int]) -> None:
    """List, waveforms of the mics in use and buttons are in sight at once; the page itself never scrolls."""
    sight.page.set_viewport_size({"width": size[0], "height": size[1]})
    sight.choose("kept", "kick")
    sight.page.wait_for_timeout(300)
    for what in ("#list", "#play", "#keep", "#reject", "[id^=mic-]", "#stop", ".mics", ".details"):
        box = sight.page.locator(what).first.bounding_box()
        assert box is not None, what
        assert 0 <= box["y"] < box["y"] + min(box["height"], 40) <= size[1], what
    assert size[1] == sight.page.evaluate("document.documentElement.scrollHeight")
    for what, key in ((".mics", "Escape"), (".details", "Escape"), (".details", "N"), (".details", "e")):
        sight.page.locator("#list").focus()
        sight.press(key)
        whole, seen = (sight.page.evaluate(f"document.querySelector('{what}').{height}")
                       for height in ("scrollHeight", "clientHeight"))
        assert whole <= seen + 1, (what, key)


def test_settings_open_in_place_of_others_on_a_low_screen(sight: Sight) -> None:
    """By mouse and by key; what is open stays so at the next hit; where there is room all of it is."""
    page = sight.page

    def opened() -> list[str]:
        """The parts that are open."""
        return [str(each.get_attribute("id")) for each in page.locator(".forms details[open]").all()]

    rest = ["set-files", "set-group"]
    sight.choose("kept", "kick")
    assert rest == opened()
    page.click("#set-names summary")
    assert ["set-names"] == opened()
    sight.press("ArrowDown")
    page.locator("#list").focus()
    sight.press("ArrowDown")
    sight.settled()
    assert ["set-names"] == opened()
    page.locator("#set-group summary").press("Enter")
    assert rest == opened()
    page.click("#set-files summary")
    assert ["set-group"] == opened()
    page.set_viewport_size({"width": 1920, "height": 1080})
    page.reload()
    page.wait_for_selector("#hit-title")
    assert [*rest, "set-names"] == opened()


def test_what_a_rename_means_stays_chosen(sight: Sight) -> None:
    """An articulation chosen to be renamed stays chosen after a rename, an undo and at another hit; the form says how
    many hits get the name.
    """
    page = sight.page
    sight.choose("kept", "snare")
    kit = read_kit(sight.folder)
    hit = sight.shown()
    every = [each for each in kit.hits if each.drum == "snare"]
    mine = [each for each in every if each.articulation == hit.articulation]
    expect(page.locator("#rename-hits")).to_have_text(f"snare: {len(every)} hits")
    sight.names().select_option("#rename-what", "articulation")
    expect(page.locator("#rename-hits")).to_have_text(f"snare, {hit.articulation}: {len(mine)} hits")
    page.fill("#rename-to", "edge")
    page.get_by_role("button", name="Rename", exact=True).click()
    sight.decided(1)
    page.locator("#list").focus()
    sight.press("Control+z")
    sight.decided(0)
    expect(page.locator("#rename-what")).to_have_value("articulation")
    sight.press("ArrowDown")
    sight.settled()
    expect(page.locator("#rename-what")).to_have_value("articulation")
    page.fill("#rename-to", "rim")
    page.get_by_role("button", name="Rename", exact=True).click()
    sight.decided(1)

    assert hit.articulation == entries(sight.folder)[0].articulation


def test_a_decided_hit_leaves_the_list_of_those_to_hear_first(sight: Sight) -> None:
    """Used or left out, it is gone from the list at once and after a reload, and the next one is shown; undone it is
    there again.
    """
    page = sight.page
    doubtful = [hit.id for hit in read_kit(sight.folder).hits if hit.kept and hit.drum == "snare"][:4]

    def as_doubtful(route: Route) -> None:
        """The server's answer, in which some hits ask to be heard as long as nothing was decided on them."""
        answer = route.fetch()
        said = answer.json()
        settled = {place.frame for entry in entries(sight.folder) for place in entry.hits}
        for row in said["hits"]:
            asks = row["id"] in doubtful and row["frame"] not in settled
            row["heed"] = [1, "in the kit with grade C"] if asks else None
        route.fulfill(response=answer, json=said)

    page.route("**/api/hits", as_doubtful)
    page.reload()
    page.wait_for_selector("#hit-title")
    sight.choose("heed")
    rows = page.evaluate("async () => (await import('/static/state.js')).state.hits.filter((r) => r.heed)"
                         ".map((r) => r.id)")
    assert doubtful == rows
    sight.press("ArrowDown")
    sight.settled()
    sight.press("n")
    sight.decided(1)
    sight.settled()
    expect(page.locator("#shown")).to_contain_text("3 hits of")
    assert doubtful[2] == sight.shown().id
    sight.press("y")
    sight.decided(2)
    sight.settled()
    assert doubtful[3] == sight.shown().id
    sight.press("y")
    sight.decided(3)
    sight.settled()
    assert doubtful[0] == sight.shown().id
    page.reload()
    page.wait_for_selector("#hit-title")
    expect(page.locator("#shown")).to_contain_text("1 hit of")
    sight.press("Control+z")
    expect(page.locator("#shown")).to_contain_text("2 hits of")


def test_a_hit_on_its_way_is_told_and_only_a_line_is_read_out(sight: Sight) -> None:
    """While a hit is fetched its place says so; what a screen reader reads by itself holds a line and no button."""
    page = sight.page

    def late(route: Route) -> None:
        page.wait_for_timeout(700)
        route.continue_()

    page.route(re.compile(r"/api/hits/[0-9]+$"), late)
    page.reload()
    expect(page.locator("#hit")).to_contain_text("Reading")
    page.wait_for_selector("#hit-title")
    sight.choose("kept", "snare")
    hit = sight.shown()
    told = re.compile(rf"^snare, {hit.articulation}\. In the kit: layer {hit.layer}, ")
    expect(page.locator("#told")).to_have_text(told)
    sight.press("n")
    sight.decided(1)

    expect(page.locator("#told")).to_contain_text("corrected since: left out")
    live = page.locator("[aria-live], [role=status], [role=alert], [role=log]")
    assert live.count() > 2
    assert 0 == live.locator("button, input, select").count()


def test_nothing_jumps_and_little_is_cut_on_a_small_laptop(sight: Sight) -> None:
    """At 1280 x 800: decisions, undoing and what is told of them leave everything where it was; the list shows a reason
    in full; both choices of what is listed stand in one row; settings down to the round robins are in sight.
    """
    page = sight.page
    page.set_viewport_size({"width": 1280, "height": 800})
    sight.choose("kept", "snare")

    def tops() -> list[float]:
        """Where things begin."""
        found: list[float] = page.evaluate("""() => ["#list", "#hit-title", ".mics", ".details", "#show", "#of"].map(
            (each) => document.querySelector(each).getBoundingClientRect().top)""")
        return found

    before = tops()
    assert before[4] == before[5]
    for keys, count in (("n", 1), ("ArrowDown", 1), ("n", 2), ("Control+z", 1), ("Control+z", 0)):
        sight.press(keys)
        sight.decided(count)
        sight.settled()
        assert before == tops(), keys
    foot = page.evaluate("document.querySelector('.details').getBoundingClientRect().bottom")
    for name in ("Set layer", "Split off", "Set round robins"):
        box = page.get_by_role("button", name=name, exact=True).bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= foot, name
    cut = page.evaluate("""async () => {
        const list = await import('/static/list.js'), {state} = await import('/static/state.js');
        list.show([{...state.hits[0], drum: "percussion-1", way: "side-stick", kept: false, grade: null, told: null,
                    why: "too much bleed in its own mics: grade C, B required"}], null, new Set());
        return [...document.querySelectorAll('.stroke .what b, .stroke .what .sub')].map(
            (each) => [each.scrollWidth - each.clientWidth, each.scrollHeight - each.clientHeight]); }""")
    assert [[0, 0], [0, 0]] == cut
