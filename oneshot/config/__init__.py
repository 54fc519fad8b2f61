"""Config: what a person asks for and overrules: recipe, corrections, and what a release holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from oneshot.core.lazy import face

__all__ = ["Corrections", "Recipe", "load_corrections", "load_recipe", "recipe_toml"]

if TYPE_CHECKING:
    from oneshot.config.corrections_file import Corrections
    from oneshot.config.corrections_file import load as load_corrections
    from oneshot.config.recipe import Recipe
    from oneshot.config.recipe_file import load_recipe, recipe_toml
else:
    __getattr__, __dir__ = face(__name__, {
        "Corrections": "corrections_file", "Recipe": "recipe", "load_corrections": "corrections_file:load",
        "load_recipe": "recipe_file", "recipe_toml": "recipe_file"})
