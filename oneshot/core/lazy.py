"""Lazy imports. Faces: a package offers names of its modules and imports a module only when one of its names is asked
for. ``later``: a slow library is imported at its first use.

A face is written three times over, for three readers, and tests/test_faces.py keeps them alike: the imports under
``TYPE_CHECKING`` for mypy and editors, ``__all__`` for people, and the table given to ``face`` for the interpreter. The
call stands in the ``else`` branch, so that to mypy a name that the face does not offer stays an error.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def face(package: str, places: Mapping[str, str]) -> tuple[Callable[[str], object], Callable[[], list[str]]]:
    """``__getattr__`` and ``__dir__`` (PEP 562) for the package of that name.

    ``places``: offered name -> the module it is defined in, seen from the package; "module:name" where it has another
    name there. A name must not be that of a submodule: once that is imported, Python takes the submodule. Nothing is
    kept here, every look goes to the module, so that what replaces a name there counts here, too.

    >>> getter, _ = face("oneshot.core", {"Failure": "errors:OneshotError"})
    >>> getter("Failure")
    <class 'oneshot.core.errors.OneshotError'>
    >>> getter("nothing")
    Traceback (most recent call last):
    AttributeError: module 'oneshot.core' has no attribute 'nothing'
    """
    def getter(name: str) -> object:
        """The object of an offered name; AttributeError for any other."""
        if name not in places:
            raise AttributeError(f"module {package!r} has no attribute {name!r}", name=name, obj=sys.modules[package])
        module, _, there = places[name].partition(":")
        return getattr(import_module(f"{package}.{module}"), there or name)

    def names() -> list[str]:
        """All names of the package, those not imported yet included, sorted."""
        return sorted({*vars(sys.modules[package]), *places})

    return getter, names


class _Later:
    """A module that is imported when one of its names is asked for."""

    def __init__(self, name: str) -> None:
        self._name = name
        _PUT_OFF[name] = None

    def __getattr__(self, name: str) -> Any:
        return getattr(import_module(self._name), name)


_PUT_OFF: dict[str, None] = {}


def later(name: str) -> Any:
    """The module of that name, imported when it is first used: what takes a second to import should not be waited for
    by whoever mistyped a path.

    >>> later("math").floor(2.5)
    2
    """
    return _Later(name)


def fetch() -> None:
    """Import all that was put off until ``later`` so far."""
    for name in _PUT_OFF:
        import_module(name)
