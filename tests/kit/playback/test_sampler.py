"""A kit played back."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from kit_example import ATTACK, FRAMES, RATE

from oneshot.core.records.hits import Partner
from oneshot.core.records.kit import Fader, Kit
from oneshot.cutting.fades import fade_out_curve
from oneshot.cutting.mix import mixdown
from oneshot.kit.playback import sampler
from oneshot.kit.playback.keymap import CHOKE_S
from oneshot.kit.playback.sampler import Note, Player, performance


@pytest.fixture(scope="module")
def kit(example: Kit) -> Kit:
    """The example kit."""
    return example


def player(kit: Kit, rate: int = RATE) -> Player:
    """A player of the example kit."""
    return Player(kit.session.root / "kit", kit, rate)


def test_the_attack_falls_on_the_note(kit: Kit) -> None:
    """Pre-roll comes before the note's frame; a note at the very start loses it."""
    x = player(kit).play([Note(RATE, 36, 127)])

    assert ATTACK == kit.one_shots[0].files[0].onset_frame
    assert RATE == int(np.flatnonzero(np.abs(x).max(axis=0) > 1e-6)[0])
    assert 0 == int(np.flatnonzero(np.abs(player(kit).play([Note(0, 36, 127)])).max(axis=0) > 1e-6)[0])


def test_the_hardest_stroke_sounds_as_recorded(kit: Kit) -> None:
    """At velocity 127 the hardest layer plays its samples by the balance, at its layer's level and nothing more."""
    voice = player(kit).voices([Note(RATE, 36, 127)])[0]
    expected, _ = mixdown.stereo(kit.session.root / "kit", voice.shot, kit.balance)

    x = player(kit).play([Note(RATE, 36, 127)])[:, RATE - ATTACK:]

    assert abs(voice.gain_db) <= 0.05  # half the 0.1 dB between the two alternates
    np.testing.assert_allclose(expected * 10 ** (voice.gain_db / 20), x)


def test_alternates_go_in_turn_and_each_layer_counts_its_own(kit: Kit) -> None:
    """Three soft strokes between two hard ones: 1 2 1 in the soft layer, 1 2 in the hard one."""
    voices = player(kit).voices([Note(RATE * n, 36, v) for n, v in enumerate((127, 20, 20, 20, 127), 1)])

    assert [1, 1, 2, 1, 2] == [voice.shot.round_robin for voice in voices]
    assert [3, 1, 1, 1, 3] == [voice.shot.layer for voice in voices]


def test_hats_cut_each_other_and_nothing_else(kit: Kit) -> None:
    """A closed hat ends an open one within 40 ms; a kick ends nothing."""
    voices = player(kit).voices([Note(RATE, 46, 100), Note(RATE + 500, 36, 100), Note(RATE + 4000, 42, 100)])

    assert [RATE + 4000, None, None] == [voice.cut_at for voice in voices]
    x = player(kit).play([Note(RATE, 46, 100), Note(RATE + 4000, 42, 1)])
    whole = player(kit).play([Note(RATE, 46, 100)])
    soft = player(kit).play([Note(RATE + 4000, 42, 1)])
    late = slice(RATE + 4000 + round(0.04 * RATE) + 1, RATE + FRAMES - ATTACK - 10)
    np.testing.assert_allclose(soft[:, late], x[:, late], atol=1e-12)
    assert np.abs(whole[:, late]).max() > 0


def test_blocks_are_the_whole(kit: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    """Strokes that overlap, that are choked and that begin before the first frame, over gaps and seams of blocks: the
    sum of the single strokes, to the last bit.
    """
    notes = [Note(0, 36, 90), *(Note(RATE // 3 * n, 42 + 4 * (n % 2), 40 + 5 * n) for n in range(1, 9)),
             Note(8 * RATE, 36, 127)]
    one = player(kit)
    voices = one.voices(notes)
    expected = np.zeros((2, 8 * RATE - ATTACK + FRAMES))
    for voice in voices:
        x, start = one._shot(voice.shot)[0] * 10 ** (voice.gain_db / 20), voice.note.at - ATTACK
        if voice.cut_at is not None and voice.cut_at < start + FRAMES:
            fade = fade_out_curve(round(CHOKE_S * RATE))
            x[:, voice.cut_at - start:] *= np.pad(fade, (0, FRAMES))[:start + FRAMES - voice.cut_at]
        expected[:, max(start, 0):start + FRAMES] += x[:, max(-start, 0):]

    assert any(voice.cut_at for voice in voices)
    for block in (700, 2**18):
        monkeypatch.setattr(sampler, "BLOCK", block)
        np.testing.assert_array_equal(expected, player(kit).play(notes))
        assert all(x.shape[1] <= block for x in player(kit).blocks(notes))


def test_only_so_many_one_shots_stay_in_memory(kit: Kit, monkeypatch: pytest.MonkeyPatch) -> None:
    """By their bytes: a kit of long cymbals holds fewer of them. What is read again sounds the same."""
    monkeypatch.setattr(sampler, "KEPT_BYTES", 2 * 2 * 8 * FRAMES)
    one, notes = player(kit), [Note(RATE * n, 36, 10 + 12 * n) for n in range(10)]
    x = one.play(notes)

    assert 2 == len(one._mixed)
    monkeypatch.undo()
    np.testing.assert_array_equal(player(kit).play(notes), x)


def test_a_key_has_a_limit_of_voices(kit: Kit) -> None:
    """The fourth kick ends the first, not the others."""
    voices = player(kit).voices([Note(RATE + 100 * n, 36, 100) for n in range(4)])

    assert [RATE + 300, None, None, None] == [voice.cut_at for voice in voices]


def test_keys_that_are_not_there_are_counted(kit: Kit) -> None:
    """No sound, no error: what was asked for and is missing can be told."""
    one = player(kit)

    assert 0 == one.play([Note(0, 99, 100), Note(RATE, 99, 100)]).shape[1]
    assert {99: 2} == one.missing


def test_another_rate_is_converted(kit: Kit) -> None:
    """At 48 kHz the stroke, white noise, loses what lies above the converter's passband, some 5 %, and nothing else;
    its attack stays on the note.
    """
    a, b = player(kit).play([Note(RATE, 36, 127)]), player(kit, 48000).play([Note(48000, 36, 127)])

    assert 10 * np.log10(np.sum(a**2) / RATE) == pytest.approx(10 * np.log10(np.sum(b**2) / 48000), abs=0.3)
    assert 48000 == pytest.approx(int(np.flatnonzero(np.abs(b).max(axis=0) > 0.1 * np.abs(b).max())[0]), abs=20)


def test_a_mic_that_is_off_is_not_heard(kit: Kit) -> None:
    """The balance decides."""
    off = replace(kit, balance={**kit.balance, **{name: Fader(on=False) for name in ("OH L", "OH R", "Hat")}})

    assert np.abs(player(off).play([Note(0, 36, 100)])).max() > 0
    assert 0 == np.abs(player(off).play([Note(0, 42, 100)])).max()


def test_a_performance_is_what_was_measured(kit: Kit) -> None:
    """Hits become notes at their onsets with rising velocity; partners play along; unknown levels stay out."""
    hits = (replace(kit.hits[0], partners=(Partner("hat", -35.0),)), *kit.hits[1:])
    notes = performance(replace(kit, hits=hits), "take 1")

    assert (kit.hits[0].id, kit.hits[0].onset, 36) == (notes[0][0], notes[0][1].at, notes[0][1].key)
    assert (kit.hits[0].id, kit.hits[0].onset, 42) == (notes[1][0], notes[1][1].at, notes[1][1].key)
    kick = [note.velocity for hit, note in notes if note.key == 36]
    assert kick == sorted(kick)
    assert not [hit for hit, _ in notes if kit.hits[hit].level_db is None]
    assert [] == performance(kit, "another take")


def test_a_performance_played_has_the_levels_measured(kit: Kit, tmp_path: Path) -> None:
    """Replayed through its own kit a hit sounds within 0.6 dB of its level: velocities are whole numbers, and a single
    layer sinks by 0.25 dB a step.
    """
    del tmp_path
    measured = {hit.id: hit.level_db for hit in kit.hits if hit.level_db is not None}
    one = player(kit)
    own = {voice.note: voice for voice in one.voices([note for _, note in performance(kit, "take 1")])}
    for hit, note in performance(kit, "take 1"):
        voice = own[note]
        level = measured[voice.shot.hit]
        assert measured[hit] == pytest.approx(level + voice.gain_db, abs=0.6)
