"""Measurement: onsets in every mic, decays, bleed, level, what else sounds in a tail."""
