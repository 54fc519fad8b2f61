"""Unknown: why a figure of a kit is null, in a few words, by what the kit holds of its mics."""

from __future__ import annotations

from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Kit

SILENT = "the mic is silent"
NOT_HEARD = "not detected in this mic"
NO_ARRIVAL = "no isolated hit in this mic"
BY_DYNAMICS = {"compressor": "compressed", "gate": "gated"}
"""What is told of a mic that compresses or was gated, which has no fixed level against another."""


def bleed_reason(kit: Kit, take: str, drum: str, mic: str) -> str | None:
    """Why a drum's level in a mic of a take is null in the bleed table; None where it is told or does not belong."""
    row = kit.bleed.get(take, {}).get(drum, {})
    if mic not in row or row[mic] is not None:
        return None
    dynamics = kit.dynamics.get(take, {})
    home = next((each.home for each in kit.drums if each.name == drum), mic)
    if _silent(kit, take, mic):
        return SILENT
    if mic in dynamics:
        return BY_DYNAMICS[dynamics[mic]]
    if home in dynamics:
        return f"its home mic {home} is {BY_DYNAMICS[dynamics[home]]}"
    return NOT_HEARD


def delay_reason(kit: Kit, take: str, drum: str, mic: str) -> str | None:
    """Why a drum's delay in a mic of a take is null; None where it is told, or has no place there."""
    row = kit.delays_ms.get(take, {}).get(drum, {})
    if mic not in row or row[mic] is not None:
        return None
    return SILENT if _silent(kit, take, mic) else NO_ARRIVAL


def hit_reason(kit: Kit, hit: Hit, mic: str) -> str | None:
    """Why a hit's bleed in a mic is null; None where it is told, or has no place there."""
    if mic not in hit.bleed_db or hit.bleed_db[mic] is not None:
        return None
    return SILENT if _silent(kit, hit.take, mic) else NOT_HEARD


def solved(kit: Kit, take: str, drum: str) -> list[str]:
    """The mics in which a drum's level was solved over all its strokes, since none stands alone in both it and the home
    mic.
    """
    bands = kit.bleed_bands.get(take, {}).get(drum, {})
    home = next((each.home for each in kit.drums if each.name == drum), None)
    return [mic for mic, value in kit.bleed.get(take, {}).get(drum, {}).items()
            if value is not None and mic != home and mic in bands and bands[mic].hits == 0]


def _silent(kit: Kit, take: str, mic: str) -> bool:
    """Whether a mic of a take holds nothing."""
    noise = next((each.noise_dbfs for each in kit.noise if each.take == take), {})
    return mic in noise and noise[mic] is None
