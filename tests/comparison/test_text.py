"""What the command line says of a comparison."""

from __future__ import annotations

from pathlib import Path

from known_windows import windows
from stage_inputs import RATE, hit, strike

from oneshot.comparison import compare_lines
from oneshot.comparison.few_mics import Carrier, Cost
from oneshot.comparison.figures import Known, views
from oneshot.comparison.pairs import pairs
from oneshot.comparison.run import Comparison, comparison_record
from oneshot.core.records.hits import Delay
from oneshot.core.records.session import Session

LONG = "A name as long as few mics have one, and a control \x1b character"


def said(*takes: str, far: str = "Room") -> str:
    """Of a snare in two mics, the far one behind a compressor."""
    seen, two = [], []
    for take in takes:
        x = strike(1)
        heard = windows({"Top": [x], far: [0.5 * x]}, {far: 139}, take=take, hits=[hit(1, take=take)])
        seen += views(heard, "Top", [Known(-80.0, Delay(0.0, 0.0, 8, 0.0)),
                                     Known(-90.0, Delay(2.9, 0.1, 8, 1.0), "compressor", (0.9, 0.45))])
        two += pairs(heard, [0.0, 139 / RATE * 1000], 0.3432)
    record = comparison_record(Comparison(
        Session("barn", Path("barn"), ()), {"snare": "Top"}, tuple(seen), tuple(two), takes[0],
        (Carrier(("Top",), 90.0, 2.0), Carrier((far,), 97.0, 0.4)), (Cost("Top", 12, 3.4, -84.0, -1.2),), {}, ()))
    return "\n".join(text for _, text in compare_lines(record))


def test_a_drum_in_two_mics() -> None:
    """Its figures, its pair with the comb, what the compressor does, the balance and the costs, in a hundred columns;
    no take where there is only one.
    """
    text = said("one")

    does = "Room: compressor; a hit 10 dB harder is 9.0 dB louder in its attack and 4.5 dB louder in its body"
    for part in ("snare, hit", "Top and", "173", does, "90 %", "97 %", "-84.0"):
        assert part in text
    assert "take" not in text.split("snare, hit")[1].split("Few mics")[0]
    assert max(len(line) for line in text.splitlines()) <= 100


def test_takes_have_numbers_and_long_names_are_shortened() -> None:
    """Two takes stand below each other; a long name, and a control character in it, break no table."""
    text = said("take 1 slate", "take 2 playing", far=LONG)

    assert "takes: 1 take 1 slate, 2 take 2 playing" in text
    assert "\x1b" not in text
    tables = [line for line in text.splitlines() if not line.strip().startswith(LONG[:20])]
    assert max(len(line) for line in tables) <= 100
    assert any(line.strip().startswith(f"{LONG[:17]}…") for line in tables)
