"""Playback: what sounds at each key and velocity, and a kit played to a file."""
