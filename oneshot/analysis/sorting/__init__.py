"""Sorting: which drum and articulation each hit is, over all takes."""
