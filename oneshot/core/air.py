"""Air: how fast sound travels in it."""

from __future__ import annotations


def speed_of_sound(air_c: float) -> float:
    """Speed of sound in dry air of ``air_c`` °C, m/s: 343.2·sqrt(T/293.15 K) (ISO 9613-1:1993, from memory). A metre
    takes 2.9 ms.
    """
    return float(343.2 * ((air_c + 273.15) / 293.15) ** 0.5)
