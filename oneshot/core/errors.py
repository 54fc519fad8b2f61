"""The errors of the whole package.

The tree::

    OneshotError              anything the user can put right; its text is one line: what, where, what to do
    ├── SessionError          the session folder, its layout or its session.toml
    │   └── AudioError        one sound file that cannot be read as what it claims to be
    ├── SettingsError         a value in recipe.toml, session.toml or corrections.toml, or an option
    ├── KitError              the kit folder: not ours, damaged, or not what its manifest says
    └── WorkError             the input is fine but the job cannot be done on it (silence, nothing found)
"""

from __future__ import annotations


class OneshotError(Exception):
    """Root of all errors that the user can put right. ``str(error)`` is one clear line, whatever is named in it: names
    in settings files may hold line ends.
    """

    def __str__(self) -> str:
        return " ".join(super().__str__().splitlines())


class SessionError(OneshotError):
    """The session folder, its layout or its session.toml is at fault."""


class AudioError(SessionError):
    """One sound file cannot be read as what it claims to be."""


class SettingsError(OneshotError):
    """A value in a settings file or an option is at fault; the text names field, limit and value."""


class KitError(OneshotError):
    """A kit folder is not ours, damaged, or not what its manifest says."""


class WorkError(OneshotError):
    """The input can be read, but the job cannot be done on it."""
