"""The version of the program, in one place: the build of the package reads it here."""

__version__ = "0.1.0"
