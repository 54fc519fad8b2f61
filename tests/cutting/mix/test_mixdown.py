"""Mixing one-shots down by the balance: the noise that all their mics make together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from oneshot.core.records.kit import Fader, Kit, TakeNoise
from oneshot.cutting.mix import mixdown
from oneshot.cutting.mix.balance import mix


@pytest.fixture(scope="module")
def kit(example: Kit) -> Kit:
    """A finished kit."""
    return example


def _noise(kit: Kit, level_db: float | None) -> TakeNoise:
    take = kit.session.takes[0]
    return TakeNoise(take.name, {mic.name: level_db for mic in take.mics})


def _told(kit: Kit, level_db: float | None) -> list[str]:
    shots = [replace(shot, mix_db=-20.0) for shot in kit.one_shots]
    take = kit.session.takes[0].name
    return [f"{p.what}; {p.todo}" for p in mixdown.noise_problems(
        shots, kit.balance, [_noise(kit, level_db)], {shot.hit: take for shot in shots})]


def test_summed_noise_is_that_of_a_mix_of_noises(kit: Kit) -> None:
    """White noises mixed by faders and pans have the power that is told, within 0.1 dB."""
    shot = kit.one_shots[0]
    names = [mic for sample in shot.files for mic in sample.mics]
    balance = {name: Fader(gain_db=-3.0 * k, pan=-1 + 0.7 * k) for k, name in enumerate(names)}
    rng = np.random.default_rng(1)
    mixed = mix({name: rng.normal(0, 1e-4, 200000) for name in names}, balance)

    shares = mixdown.noise_shares(shot, balance, _noise(kit, -80.0))

    assert pytest.approx(10 * np.log10((mixed**2).mean(axis=1).sum()), abs=0.1) == 10 * np.log10(sum(shares.values()))


def test_noise_near_the_hardest_hit_is_told_once_with_its_mic(kit: Kit) -> None:
    """Mics at -75 dBFS under a hardest hit at -20 dB are told in one line, which names a mic of the kit."""
    told = _told(kit, -75.0)

    assert 1 == len(told)
    assert any(mic.name in told[0] for mic in kit.session.takes[0].mics)


def test_noise_far_below_is_not_told(kit: Kit) -> None:
    """Mics at -110 dBFS, or digitally silent ones, are nothing to tell."""
    assert [] == _told(kit, -110.0)
    assert [] == _told(kit, None)


def test_mics_that_are_off_make_no_noise(kit: Kit) -> None:
    """A mic that the balance switches off adds nothing."""
    shot = kit.one_shots[0]
    off = {name: replace(fader, on=False) for name, fader in kit.balance.items()}

    assert {} == mixdown.noise_shares(shot, off, _noise(kit, -60.0))
