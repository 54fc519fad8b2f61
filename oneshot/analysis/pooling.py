"""Pooling: what a recipe says of which takes share a drum's velocity layers and round robins."""

from __future__ import annotations

from dataclasses import dataclass

from oneshot.config.recipe import Recipe
from oneshot.core.records.session import Session


@dataclass(frozen=True, slots=True)
class Pooling:
    """``how``: which takes share a set: "alike" ones, those "in doubt" as well, "all", or "none". ``unheard``: mics
    that only some takes have and that go into no kit, sorted: they keep no takes apart.
    """

    how: str = "alike"
    unheard: tuple[str, ...] = ()


def pooling_of(session: Session, recipe: Recipe) -> Pooling:
    """What a recipe asks for. Mics that every take has are not named, whatever the recipe exports: what was found in
    the session then serves the next recipe as well.
    """
    asked = recipe.export.mics
    pairs = {mic.name: mic.pair for take in session.takes for mic in take.mics}
    some = {name for name in pairs if any(name not in {mic.name for mic in take.mics} for take in session.takes)}
    left_out = (name for name in some if asked and name not in asked and pairs[name] not in asked)
    return Pooling(recipe.choose.pool_takes, tuple(sorted(left_out)))
