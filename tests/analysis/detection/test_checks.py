"""What is told of a take once it was heard."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from oneshot.analysis.detection.checks import CLIPPED_FRAMES, check_numbers, scan_problems
from oneshot.core.errors import AudioError, WorkError
from oneshot.core.records.roles import Role
from oneshot.core.records.session import Mic, Problem, Source, Take, collect

ROLES = {"Kick": Role.CLOSE, "OH": Role.OVERHEAD, "Room": Role.ROOM, "Click": Role.TALK, "Guitar": Role.IGNORE}
TAKE = Take("take 1", 48000, 96_000, "PCM_24",
            tuple(Mic(name, role, "kick" if role is Role.CLOSE else None,
                      sources=(Source(f"t/{name}.wav", 0, 100, 90_000),)) for name, role in ROLES.items()))
GOOD: dict[str, Any] = {"peak": [0.5] * 5, "bad_frame": [-1] * 5, "clipped": [0] * 5, "noise_dbfs": [-80.0] * 5}


def of(**changes: Any) -> tuple[Problem, ...]:
    """The problems of the take above, with some measurements changed."""
    return scan_problems(TAKE, **{**GOOD, **changes})


def test_a_good_take_has_no_problems() -> None:
    """Nothing is told where nothing is wrong, and without noise or digests nothing is invented."""
    assert () == of()
    assert () == scan_problems(TAKE, peak=GOOD["peak"], bad_frame=GOOD["bad_frame"], clipped=GOOD["clipped"])


@pytest.mark.parametrize(("changes", "where", "what"), [
    ({"peak": [0.5, 0.0, 0.5, 0.5, 0.5]}, "take 1/OH", "is silent"),
    ({"peak": [0.5, 0.001, 0.5, 0.5, 0.5]}, "take 1/OH", "is very quiet: it peaks at -60.0 dBFS"),
    ({"peak": [2.0, 0.5, 0.5, 0.5, 0.5]}, "take 1/Kick", "goes 6.0 dB above full scale, as float files may"),
    ({"clipped": [CLIPPED_FRAMES, CLIPPED_FRAMES - 1, 0, 0, 0]}, "take 1/Kick", "is clipped: 10 frames at full scale"),
    ({"noise_dbfs": [-80, -80, -40, np.nan, -80]}, "take 1/Room", "is noisy: its noise floor is -40.0 dBFS"),
    ({"digests": ["a", "b", "a", "c", "d"]}, "take 1/Room", "has the same audio as Kick"),
    ({"peak": [0.5, 0.5, 0.5, 0.0, 0.5]}, "take 1/Click", "is silent"),
])
def test_what_is_wrong_with_one_mic_is_told_of_that_mic(changes: dict[str, object], where: str, what: str) -> None:
    """One problem, at its mic, with the figure."""
    (problem,) = of(**changes)

    assert (where, what) == (problem.where, problem.what)
    assert problem.todo


def test_mics_that_are_left_out_are_not_judged() -> None:
    """A silent, clipped, broken guitar says nothing about a drum session."""
    assert () == of(peak=[0.5, 0.5, 0.5, 0.5, 0.0], clipped=[0, 0, 0, 0, 99], bad_frame=[-1, -1, -1, -1, 7])


def test_a_sample_that_is_no_number_stops_with_file_and_frame() -> None:
    """The frame is that of the file, which starts at take frame 100."""
    with pytest.raises(AudioError, match=r"t/OH\.wav holds NaN or infinity at frame 48000 \(1\.000 s\)"):
        of(bad_frame=[-1, 48_100, -1, -1, -1])
    with pytest.raises(AudioError, match="frame 0"):
        check_numbers(TAKE, np.array([100, -1, -1, -1, -1]))


def test_a_take_of_silence_stops() -> None:
    """Where no mic that is listened to holds sound there is no work, even if the click runs."""
    with pytest.raises(WorkError, match="take 1 is silent in every mic") as caught:
        of(peak=[0.0, 1e-7, 0.0, 0.5, 0.5])
    assert "\n" not in str(caught.value)


def test_two_channels_with_one_recording_are_told_as_such() -> None:
    """A mono recording in a two-channel file is no wrong file."""
    mics = tuple(Mic(f"Kick {side}", Role.CLOSE, "kick", sources=(Source("Kick.wav", channel, 0, 10),))
                 for channel, side in enumerate("LR"))
    take = Take("take 1", 48000, 10, "PCM_24", mics)

    (problem,) = scan_problems(take, peak=[0.5, 0.5], bad_frame=[-1, -1], clipped=[0, 0], digests=["a", "a"])

    assert "take 1/Kick R" == problem.where
    assert "it is a mono recording in a two-channel WAV file" == problem.todo


@pytest.mark.parametrize("name", ["peak", "bad_frame", "clipped", "noise_dbfs", "digests"])
def test_a_measurement_of_the_wrong_length_is_refused(name: str) -> None:
    """Rows are the take's mics, all of them."""
    with pytest.raises(ValueError, match=name):
        of(**{name: ["1"] * 4 if name == "digests" else [1] * 4})


def test_problems_come_in_one_order_and_once() -> None:
    """However the stages came by them."""
    a, b, c = Problem("a", "x", "y"), Problem("b", "x", "y"), Problem("b", "z", "y")

    assert (a, b, c) == collect([c, a, b, a, c])
    assert () == collect([])


def test_a_dc_offset_is_told_as_such() -> None:
    """A mic that stands off zero is told so with its figure, and not that it is noisy."""
    (problem,) = of(offset=[0.01, 0.0005, 0.0, 0.0, 0.0], noise_dbfs=[-31.7, -80.0, -80.0, -80.0, -80.0])

    assert "has a DC offset of +0.0100 of full scale" == problem.what
