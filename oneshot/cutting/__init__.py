"""Cutting: from chosen hits to files: windows, fades, repair, formats, tags."""
