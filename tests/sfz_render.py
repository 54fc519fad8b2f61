"""A small renderer of SFZ, for tests: written from the opcodes' published text (SFZ community specification, 2024).

Knows what our mappings use and refuses the rest: headers control, global, group and region; #define; keys, velocities,
sequences (a counter per region), controllers, volume, pan, width, position, phase, amp_velcurve_N, groups that cut each
other. It shares no code with the package but the reading of sound files.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from oneshot.audio.io import read_audio

KNOWN = {"sample", "key", "lovel", "hivel", "seq_length", "seq_position", "group", "off_by", "off_mode", "loop_mode",
         "amp_veltrack", "volume", "pan", "width", "position", "ampeg_release", "default_path", "phase",
         "note_polyphony", "locc4", "hicc4"}


@dataclass(slots=True)
class Region:
    """One region with all it inherits, and how often it has been asked."""

    opcodes: dict[str, str]
    asked: int = 0

    def number(self, name: str, default: float) -> float:
        """A numeric opcode."""
        return float(self.opcodes.get(name, default))


@dataclass(slots=True)
class Instrument:
    """An SFZ file read for playing. ``pedal``: the value of controller 4."""

    path: Path
    regions: list[Region] = field(default_factory=list)
    pedal: int = 0

    def __post_init__(self) -> None:
        scopes: dict[str, dict[str, str]] = {}
        header = ""
        for line in _defined(self.path.read_text(encoding="utf-8")):
            match = re.match(r"<(\w+)>\s*(.*)", line)
            if match:
                header = match.group(1)
                scopes[header] = {}
                if header == "group":
                    scopes.pop("region", None)
                if header == "region":
                    self.regions.append(Region({}))
            scopes[header].update(_opcodes(match.group(2) if match else line))
            if header == "region":
                self.regions[-1].opcodes = {k: v for name in ("control", "global", "group", "region")
                                            for k, v in scopes.get(name, {}).items()}
        for region in self.regions:
            strange = {name for name in region.opcodes if name not in KNOWN and not name.startswith("amp_velcurve_")}
            if strange:
                raise ValueError(f"opcodes that this renderer does not know: {sorted(strange)}")

    def note(self, key: int, velocity: int) -> list[tuple[Region, NDArray[np.float64]]]:
        """The regions that one note wakes, each with its stereo audio (2, frames)."""
        out = []
        for region in self.regions:
            if region.number("key", -1) != key or not region.number("lovel", 1) <= velocity <= region.number("hivel",
                                                                                                         127):
                continue
            if not region.number("locc4", 0) <= self.pedal <= region.number("hicc4", 127):
                continue
            region.asked += 1
            if (region.asked - 1) % int(region.number("seq_length", 1)) == int(region.number("seq_position", 1)) - 1:
                out.append((region, self._sound(region, velocity)))
        return out

    def sounds(self, key: int, velocity: int) -> NDArray[np.float64]:
        """One note alone, stereo (2, frames)."""
        parts = [x for _, x in self.note(key, velocity)]
        out = np.zeros((2, max(x.shape[1] for x in parts)))
        for x in parts:
            out[:, :x.shape[1]] += x
        return out

    def _sound(self, region: Region, velocity: int) -> NDArray[np.float64]:
        x, _ = read_audio(self.path.parent / (region.opcodes.get("default_path", "") + region.opcodes["sample"]))
        gain = 10 ** (region.number("volume", 0) / 20) * _velocity_gain(region, velocity)
        if region.opcodes.get("phase") == "invert":
            gain = -gain
        if len(x) == 1:
            angle = (region.number("pan", 0) / 100 + 1) * math.pi / 4
            return gain * np.stack([math.cos(angle) * x[0], math.sin(angle) * x[0]])
        if (region.number("width", 100), region.number("position", 0)) != (100, 0):
            raise ValueError("only pairs of full width are known here")
        return gain * x


def _defined(text: str) -> list[str]:
    """The lines of a file without comments, variables replaced."""
    lines = [re.sub(r"//.*", "", line).strip() for line in text.splitlines()]
    values = dict(re.findall(r"#define \$(\w+) (\S+)", "\n".join(lines)))
    return [re.sub(r"\$(\w+)", lambda match: values[match.group(1)], line)
            for line in lines if line and not line.startswith("#define")]


def _opcodes(line: str) -> dict[str, str]:
    """name=value pairs of a line; a value runs to the next name or the end of the line."""
    parts = re.split(r"(?:^|\s)(\w+)=", line)
    return {name: value.strip() for name, value in zip(parts[1::2], parts[2::2], strict=True)}


def _velocity_gain(region: Region, velocity: int) -> float:
    """amp_velcurve_N points joined by straight lines; with amp_veltrack=100."""
    points = sorted((int(name.removeprefix("amp_velcurve_")), float(value))
                    for name, value in region.opcodes.items() if name.startswith("amp_velcurve_"))
    return float(np.interp(velocity, [v for v, _ in points], [gain for _, gain in points]))
