"""Imports that wait until they are needed."""

import sys

import pytest

from oneshot.core.lazy import fetch, later


def test_what_was_put_off_can_be_fetched(monkeypatch: pytest.MonkeyPatch) -> None:
    """A slow library is not imported before it is used, or fetched."""
    monkeypatch.delitem(sys.modules, "colorsys", raising=False)
    later("colorsys")
    assert "colorsys" not in sys.modules

    fetch()
    assert "colorsys" in sys.modules
