"""oneshot: playable multi-mic drum one-shot kits from multitrack recordings."""

__version__ = "0.1.0"
