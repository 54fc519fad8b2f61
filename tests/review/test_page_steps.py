"""Undo and redo as they are handled on the page: by button and key, after a reload, in a second tab."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect
from review_desk import entries
from review_sight import NOT_HERE, Sight

from oneshot.config.recipe_file import load_recipe
from oneshot.kit.read import read_kit

pytestmark = [pytest.mark.full, pytest.mark.skipif(NOT_HERE, reason="this machine says that it has no browser")]


def gains(sight: Sight) -> dict[str, float | None]:
    """What the kit's recipe says of the balance."""
    return {mic: fader.gain_db for mic, fader in load_recipe(sight.folder / "recipe.toml")[0].balance.items()}


def heard(sight: Sight, row: int) -> float:
    """Where a fader of the page stands."""
    return float(sight.page.locator(f"#gain-{row}").input_value())


def move(sight: Sight, row: int, gain_db: float) -> None:
    """Move a fader and wait until it is written."""
    sight.page.locator(f"#gain-{row}").fill(str(gain_db))
    expect(sight.page.locator(".fader").nth(row).get_by_role("button", name="reset")).to_be_visible()
    sight.page.wait_for_timeout(150)


def test_corrections_and_balance_go_back_and_forward_in_order(sight: Sight) -> None:
    """A rejection and two faders: undone and redone one by one, by key and button, and told each time."""
    page, waiting = sight.page, sight.page.locator("#waiting")
    sight.choose("kept", "snare")
    expect(page.locator("#undo")).to_be_disabled()
    expect(page.locator("#redo")).to_be_disabled()
    sight.press("n")
    sight.decided(1)
    page.click("[data-view=playing]")
    page.click("#linked")  # each by itself
    before = heard(sight, 4)
    move(sight, 4, -20)
    move(sight, 5, -11)
    mics = list(gains(sight))
    assert [-20.0, -11.0] == list(gains(sight).values())

    page.locator("#gain-5").focus()
    sight.press("Control+z")
    expect(waiting).to_have_text(f"Undone: balance of {mics[1]}: gain \u221211.0\u202fdB. "
                                 "1 correction and 1 balance change not built yet.")
    assert "gain-5" == page.evaluate("document.activeElement.id")
    page.keyboard.press("Control+z")
    expect(waiting).to_contain_text(f"Undone: balance of {mics[0]}")
    assert {} == gains(sight)
    assert before == heard(sight, 4)
    page.click("#undo")
    expect(waiting).to_contain_text("Undone: left out, pier")
    assert () == entries(sight.folder)
    expect(page.locator("#undo")).to_be_disabled()

    page.click("#redo")
    expect(waiting).to_contain_text("Redone: left out, pier")
    sight.press("Control+Shift+z")
    expect(waiting).to_contain_text(f"Redone: balance of {mics[0]}")
    page.keyboard.press("Control+Shift+z")
    expect(waiting).to_contain_text(f"Redone: balance of {mics[1]}")
    assert [-20.0, -11.0] == list(gains(sight).values())
    assert (-20.0, -11.0) == (heard(sight, 4), heard(sight, 5))
    expect(page.locator("#redo")).to_be_disabled()


def test_the_way_survives_a_reload_and_is_one_for_all_tabs(sight: Sight) -> None:
    """What one tab did the other undoes; after a reload it can be redone."""
    sight.choose("kept", "kick")
    sight.press("n")
    sight.decided(1)
    sight.page.click("[data-view=playing]")
    move(sight, 0, -7)
    other = Sight(sight.page.context.new_page(), sight.folder, sight.address)
    other.press("Control+z")
    expect(other.page.locator("#waiting")).to_contain_text("Undone: balance of")
    other.press("Control+z")
    other.decided(0)
    other.page.reload()
    other.page.wait_for_selector("#hit-title")
    expect(other.page.locator("#redo")).to_be_enabled()
    expect(sight.page.locator("#count")).to_have_text("", timeout=15000)  # it hears of it by itself
    expect(sight.page.locator("#redo")).to_be_enabled()
    sight.press("Control+Shift+z")
    sight.decided(1)

    assert ["reject"] == [entry.kind for entry in entries(sight.folder)]
    assert {} == gains(sight)


def test_a_build_leaves_the_way_as_it_is(sight: Sight) -> None:
    """Rejected, moved and built: both can still be undone, wait for the next build then, and are built back."""
    sight.choose("kept", "snare")
    hit = sight.shown()
    sight.press("n")
    sight.decided(1)
    sight.page.click("[data-view=playing]")
    move(sight, 2, -15)
    sight.build()
    expect(sight.page.locator("#waiting")).to_contain_text("The kit is up to date.")
    sight.press("Control+z")
    expect(sight.page.locator("#waiting")).to_contain_text("1 balance change not built yet.")
    sight.press("Control+z")
    sight.decided(0)
    expect(sight.page.locator("#waiting")).to_contain_text("1 deleted correction and 1 balance change not built yet.")
    sight.build()

    assert {} == gains(sight)
    sight.page.click("[data-view=strokes]")
    sight.choose("kept", "snare")
    assert hit.onset in {row["frame"] for row in sight.page.evaluate(
        "async () => (await import('/static/state.js')).state.hits.filter((row) => row.kept)")}


def test_keys_for_both_are_shown_and_a_field_keeps_its_own(sight: Sight) -> None:
    """The help names the keys; in a field of text they type, and undo what was typed."""
    page = sight.page
    sight.choose("kept", "snare")
    sight.press("n")
    sight.decided(1)
    sight.press("N")
    page.keyboard.type("ux")
    page.keyboard.press("Control+z")
    page.wait_for_timeout(200)
    assert 1 == len(entries(sight.folder))
    sight.press("Escape", "?")

    expect(page.locator("#help")).to_contain_text("undo the last correction or balance change")
    expect(page.locator("#help")).to_contain_text("Ctrl+Shift+Z")


def test_an_undone_rename_goes_back_to_the_old_name(sight: Sight) -> None:
    """Renamed, built, undone: the old name stands again, another rename takes effect; what has none says so."""
    page = sight.page

    def rename(to: str, count: int) -> None:
        """Type a name and wait until it is told."""
        sight.names().fill("#rename-to", to)
        page.get_by_role("button", name="Rename", exact=True).click()
        sight.decided(count)

    sight.choose("kept", "floor")
    rename("low tom", 1)
    expect(page.locator("#hit-title")).to_contain_text("low-tom")
    sight.build()
    sight.press("Control+z")
    expect(page.locator("#hit-title")).to_contain_text("floor")
    rename("floor-x", 1)
    sight.build()
    expect(page.locator("#hit-title")).to_contain_text("floor-x")
    expect(page.locator("#waiting")).not_to_contain_text("no effect")
    assert "floor-x" in {drum.name for drum in read_kit(sight.folder).drums}

    path = sight.folder / "corrections.toml"
    path.write_text(path.read_text(encoding="utf-8") + '\n[[reject]]\ndrum = "floor"\n', encoding="utf-8")
    sight.decided(2)
    sight.build()
    expect(page.locator("#waiting")).to_contain_text("1 correction has no effect: see Corrections.")
    page.click("[data-view=decisions]")
    expect(page.locator("#decisions .where").nth(1)).to_have_text("no effect: floor does not exist in the kit")
    expect(page.locator("#decisions .warnings")).to_contain_text("floor does not exist in the kit")
