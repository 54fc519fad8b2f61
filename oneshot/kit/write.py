"""Write: everything of a kit but its sound files."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from oneshot.config import release_lock
from oneshot.config.corrections_file import EMPTY_TEXT
from oneshot.config.recipe import Recipe
from oneshot.config.recipe_file import merged
from oneshot.core.files import link, write_atomic
from oneshot.core.records.kit import Kit
from oneshot.kit.contents import CORRECTIONS, RECIPE, Kept
from oneshot.kit.export import sf2, write_all
from oneshot.kit.report import write_report


def write_kit(kit: Kit, stage: Path, recipe: Recipe, kept: Kept, before: release_lock.Released | None,
              drawn: Mapping[str, Mapping[str, object]], *, own_recipe: bool) -> None:
    """Everything but the sound files. ``drawn``: as in ``write_report``; ``own_recipe``: the recipe is the kit's own,
    in which people's comments stay.

    Raises OSError where the disk refuses.
    """
    said = (kept.texts[RECIPE] or b"").decode("utf-8", errors="replace") if own_recipe else ""
    write_atomic(stage / RECIPE, merged(said, recipe))
    write_atomic(stage / CORRECTIONS, kept.texts[CORRECTIONS] or EMPTY_TEXT)
    if before is not None:
        write_atomic(stage / release_lock.NAME, release_lock.to_json(before))
    earlier = kept.folder / sf2.NAME
    if kit.one_shots and kept.kit is not None and earlier.is_file():  # the SoundFont takes from it what is the same
        (stage / sf2.NAME).parent.mkdir(exist_ok=True)
        link(earlier, stage / sf2.NAME)
    write_all(kit, stage)
    write_report(kit, stage, drawn)
