"""Corrections carried through to the finished samples of a small generated session, each kind of them."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from stage_inputs import Pier

from oneshot import pipeline
from oneshot.audio.io import read_audio
from oneshot.config.corrections_file import Correction, Corrections, Place, dump
from oneshot.core.files import sha256_of
from oneshot.core.records.hits import Hit
from oneshot.core.records.kit import Kit, OneShot
from oneshot.core.records.session import Floats
from oneshot.kit.verify import verify_kit

RATE = 44100
entry = Correction


@pytest.fixture
def kit(pier: Pier, tmp_path: Path) -> Path:
    """A copy of the pier's kit, to be rebuilt."""
    shutil.copytree(pier.folder, tmp_path / "kit")
    return tmp_path / "kit"


def hits_of(kit: Kit, drum: str) -> list[Hit]:
    """A drum's hits in order of time."""
    return [h for h in kit.hits if h.drum == drum]


def at(*hits: Hit, off: int = 0) -> dict[str, Any]:
    """Those hits, as an entry names them."""
    return {"hits": tuple(Place(h.take, h.onset + off) for h in hits)}


def rebuilt(pier: Pier, folder: Path, *entries: Correction) -> Kit:
    """The kit built again with those corrections; it must be what its manifest says."""
    (folder / "corrections.toml").write_text(dump(Corrections(entries)), encoding="utf-8")
    made = pipeline.build(pier.session, folder).kit

    assert [] == verify_kit(folder)
    return made


def told(kit: Kit) -> list[str]:
    """What could not be done as the corrections say."""
    return [p.what for p in kit.problems if p.where == "corrections.toml"]


def shot(kit: Kit, hit: Hit) -> OneShot:
    """The one-shot made of a hit."""
    return next(s for s in kit.one_shots if s.hit == hit.id)


def sounds(kit: Kit, folder: Path, hit: Hit) -> Floats:
    """The samples of a hit's home file."""
    home = next(d.home for d in kit.drums if d.name == hit.drum)
    return read_audio(folder / next(f.path for f in shot(kit, hit).files if home in f.mics))[0]


def sums(folder: Path) -> dict[str, str]:
    """Path -> SHA-256 of every file."""
    return {p.relative_to(folder).as_posix(): sha256_of(p) for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.mark.full
def test_no_corrections_give_the_same_kit(pier: Pier, kit: Path) -> None:
    """A file without entries, or with ones that find nothing, changes no sample, no hit and no mapping."""
    plain = rebuilt(pier, kit)
    same = {name: digest for name, digest in sums(kit).items() if name != "corrections.toml"}

    assert same == {name: digest for name, digest in sums(pier.folder).items() if name != "corrections.toml"}
    lost = rebuilt(pier, kit, entry("reject", (Place("pier", 3),)), entry("gain", drum="gong", gain_db=3.0))
    assert replace(plain, problems=()) == replace(lost, problems=())
    assert 2 == len(told(lost))


@pytest.mark.full
def test_a_rebuild_with_the_same_corrections_changes_no_byte(pier: Pier, kit: Path, tmp_path: Path) -> None:
    """Corrections of many kinds at once, twice: the same files, those of a new kit included."""
    kicks, snares = hits_of(pier.kit, "kick"), hits_of(pier.kit, "snare")
    entries = (entry("rename", drum="floor", to="tom"),
               entry("split", **at(*snares[:3]), to_articulation="edge"),
               entry("nudge", **at(kicks[2]), ms=0.5), entry("gain", drum="tom", gain_db=-2.0),
               entry("drop", **at(kicks[3]), mics=("OH",)), entry("layer", **at(kicks[4]), layer=1),
               entry("add", (Place("pier", kicks[0].onset + 9000),), drum="kick"))
    rebuilt(pier, kit, *entries)
    first = sums(kit)
    (tmp_path / "other").mkdir()
    shutil.copytree(kit, tmp_path / "other" / "kit")
    rebuilt(pier, tmp_path / "other" / "kit", *entries)

    assert first == sums(tmp_path / "other" / "kit")


@pytest.mark.full
def test_places_a_few_milliseconds_off_find_their_hits(pier: Pier, kit: Path) -> None:
    """Frames as another analysis would have told them, up to 9.9 ms off, do the same."""
    kicks = hits_of(pier.kit, "kick")
    kits = [rebuilt(pier, kit, entry("reject", **at(kicks[1], off=off)),
                    entry("gain", **at(kicks[2], off=off), gain_db=-6.0)) for off in (0, 436, -436)]

    assert kits[0] == kits[1] == kits[2]
    assert [] == told(kits[0])


@pytest.mark.full
def test_a_moved_hit_is_measured_as_the_drum_it_was_moved_to(pier: Pier, kit: Path) -> None:
    """A snare stroke moved to the floor tom has that drum's mics and home attack, and is graded and told as its hit."""
    snare = hits_of(pier.kit, "snare")[2]
    made = rebuilt(pier, kit, entry("move", **at(snare), to="floor"), entry("keep", **at(snare)))
    moved = min(made.hits, key=lambda h: abs(h.onset - snare.onset))

    assert abs(moved.onset - snare.onset) <= 0.005 * RATE
    assert ("floor", True, False) == (moved.drum, moved.kept, moved.fallback)
    assert {"Floor Tom"} == {m for f in shot(made, moved).files for m in f.mics if not m.startswith("OH")}
    assert len(hits_of(pier.kit, "snare")) - 1 == len(hits_of(made, "snare"))
    assert [] == told(made)


@pytest.mark.full
def test_a_split_drum_has_files_of_its_own(pier: Pier, kit: Path) -> None:
    """Strokes split off the snare are a drum with the snare's home mic, tables and kind, layers and key of its own."""
    snares = hits_of(pier.kit, "snare")
    made = rebuilt(pier, kit, entry("split", **at(*snares[:4]), to="snare two", to_articulation="cross"))
    drums = {d.name: d for d in made.drums}

    assert [h.onset for h in snares[:4]] == [h.onset for h in hits_of(made, "snare-two")]
    assert ("snare", drums["snare"].home) == (drums["snare-two"].kind, drums["snare-two"].home)
    assert made.bleed["pier"]["snare"] == made.bleed["pier"]["snare-two"]
    assert pier.kit.mic_views == made.mic_views
    assert drums["snare"].articulations[0].key != drums["snare-two"].articulations[0].key
    assert (kit / "samples" / "snare-two" / "cross").is_dir()


@pytest.mark.full
def test_a_layer_set_by_hand_is_honoured(pier: Pier, kit: Path) -> None:
    """The hit is in the layer told, even one that nobody else is in, and the kit still plays at every velocity."""
    kicks = sorted(hits_of(pier.kit, "kick"), key=lambda h: h.level_db or 0.0)
    for layer in (1, 7):
        made = rebuilt(pier, kit, entry("layer", **at(kicks[-1]), layer=layer), entry("keep", **at(kicks[-1])))
        hit = next(h for h in made.hits if h.onset == kicks[-1].onset)

        assert (layer, True) == (hit.layer, hit.kept)
        assert layer == shot(made, hit).layer


@pytest.mark.full
def test_round_robins_come_in_the_order_told(pier: Pier, kit: Path) -> None:
    """Those hits and no others, whatever layers they were found in; the rest of the layer says why it is left out."""
    kicks = hits_of(pier.kit, "kick")
    wanted = [kicks[5], kicks[0], kicks[3]]
    made = rebuilt(pier, kit, entry("round_robins", **at(*wanted), drum="kick", articulation="hit", layer=1))
    robins = {s.round_robin: s.hit for s in made.one_shots if s.drum == "kick" and s.layer == 1}
    left = [h for h in hits_of(made, "kick") if h.layer == 1 and not h.kept]

    assert {n: h.id for n, h in enumerate(wanted, 1)} == robins
    assert {"other hits were chosen by hand for its layer"} >= {h.reason for h in left}


@pytest.mark.full
def test_a_nudge_moves_the_window_and_is_told(pier: Pier, kit: Path) -> None:
    """All files of the hit start so many frames later, the attack at the same frame of the file as its group's; others
    stay.
    """
    kicks = hits_of(pier.kit, "kick")
    made = rebuilt(pier, kit, entry("nudge", **at(kicks[2]), frames=100), entry("nudge", **at(kicks[3]), ms=-0.3))

    for hit, frames in ((kicks[2], 100), (kicks[3], -13), (kicks[4], 0)):
        for before, after in zip(shot(pier.kit, hit).files, shot(made, hit).files, strict=True):
            assert before.source_start + frames == after.source_start
            assert (before.onset_frame, frames) == (after.onset_frame, after.nudged_frames)


@pytest.mark.full
def test_end_and_fades_are_as_told(pier: Pier, kit: Path) -> None:
    """A hit ends where told, past the next stroke too, and fades over what was told; what cannot be is told."""
    kicks = hits_of(pier.kit, "kick")
    made = rebuilt(pier, kit, entry("end", **at(kicks[2]), after_ms=150.0),
                   entry("fade", **at(kicks[2]), in_ms=0.0, out_ms=20.0),
                   entry("end", **at(kicks[3]), after_ms=2000.0), entry("fade", **at(kicks[4]), in_ms=5000.0))
    short, long = shot(made, kicks[2]).files, shot(made, kicks[3]).files

    assert {round(0.150 * RATE)} == {f.frames - f.onset_frame for f in short}
    assert {(0, round(0.020 * RATE))} == {(f.fade_in_frames, f.fade_out_frames) for f in short}
    assert {2 * RATE} == {f.frames - f.onset_frame for f in long}
    assert {True} == {f.fade_in_frames == f.onset_frame for f in shot(made, kicks[4]).files}
    assert 1 == len(told(made))
    assert "fade-in" in told(made)[0]


@pytest.mark.full
def test_gain_is_in_the_samples_of_all_mics(pier: Pier, kit: Path) -> None:
    """Every file of the hit is so much softer between its fades, and says so, with the dither that samples between two
    steps need: an error of a quarter of a squared step (Lipshitz, Wannamaker and Vanderkooy 1992, from memory); a
    group's gain reaches all its hits.
    """
    kicks = hits_of(pier.kit, "kick")
    made = rebuilt(pier, kit, entry("gain", **at(kicks[2]), gain_db=-6.0),
                   entry("gain", drum="snare", gain_db=-1.5))

    for before, after in zip(shot(pier.kit, kicks[2]).files, shot(made, kicks[2]).files, strict=True):
        assert -6.0 == after.gain_db
        assert (before.peak_dbfs or 0) - 6.0 == pytest.approx(after.peak_dbfs, abs=0.01)
    error = (sounds(made, kit, kicks[2]) - sounds(pier.kit, pier.folder, kicks[2]) * 10 ** (-6 / 20)) * 2.0**23
    assert np.abs(error).max() <= 2.0
    assert 0.25 == pytest.approx(error.var(), rel=0.05)
    assert {-1.5} == {f.gain_db for s in made.one_shots if s.drum == "snare" for f in s.files}
    assert {0.0} == {f.gain_db for s in made.one_shots if s.drum == "floor" for f in s.files}


@pytest.mark.full
def test_a_gain_that_clips_is_told(pier: Pier, kit: Path) -> None:
    """Samples stop at full scale, and the entry is told."""
    kick = hits_of(pier.kit, "kick")[2]
    made = rebuilt(pier, kit, entry("gain", **at(kick), gain_db=30.0))

    peaks = [f.peak_dbfs for f in shot(made, kick).files if f.peak_dbfs is not None]

    assert 0.0 == pytest.approx(max(peaks), abs=0.01)
    assert any("clips" in what for what in told(made))


@pytest.mark.full
def test_dropped_mics_are_not_exported(pier: Pier, kit: Path) -> None:
    """A pair, or one side of it, is left out of that hit alone; the home mic too; but never all that there is."""
    kicks = hits_of(pier.kit, "kick")
    home = next(d.home for d in pier.kit.drums if d.name == "kick")
    made = rebuilt(pier, kit, entry("drop", **at(kicks[1]), mics=("OH",)),
                   entry("drop", **at(kicks[2]), mics=("OH L",)), entry("drop", **at(kicks[3]), mics=(home,)),
                   entry("drop", **at(kicks[4]), mics=("OH", "Kick In", "Kick Out")))
    mics = {h.onset: {m for f in shot(made, h).files for m in f.mics} for h in kicks}
    usual = mics[kicks[5].onset]

    assert usual - {"OH L", "OH R"} == mics[kicks[1].onset]
    assert usual - {"OH L"} == mics[kicks[2].onset]
    assert usual - {home} == mics[kicks[3].onset]
    assert usual == mics[kicks[4].onset]
    assert 1 == len(told(made))


@pytest.mark.full
def test_a_layer_is_rejected_or_kept_whole(pier: Pier, kit: Path) -> None:
    """None of a rejected layer's hits is in the kit, the rest plays at every velocity; all of a kept one's are."""
    layers = sorted({s.layer for s in pier.kit.one_shots if s.drum == "kick"})
    kept = rebuilt(pier, kit, entry("keep", drum="kick", articulation="hit", layer=layers[-1]))
    gone = rebuilt(pier, kit, entry("reject", drum="kick", layer=layers[0]))

    assert {True} == {h.kept for h in hits_of(kept, "kick") if h.layer == layers[-1]}
    assert set(layers[1:]) == {s.layer for s in gone.one_shots if s.drum == "kick"}
    assert {"rejected by hand"} == {h.reason for h in hits_of(gone, "kick") if h.layer == layers[0]}


# ---------------------------------------------------------------------------------------------------------- missed hits


def deaf(pier: Pier, folder: Path, hit: Hit) -> Pier:
    """The pier with a stretch about a hit in which none may be found: a hit that is missed, with everything known."""
    shutil.copytree(pier.session, folder)
    stretch = f"[[{(hit.onset - 900) / RATE:.4f}, {(hit.onset + 3000) / RATE:.4f}]]"
    with (folder / "session.toml").open("a", encoding="utf-8") as text:
        text.write(f'\n[takes."pier"]\nignore = {stretch}\n')
    return replace(pier, session=folder)


@pytest.mark.parametrize(("drum", "said", "off"), [
    ("snare", {"drum": "snare"}, 180),
    *(pytest.param(drum, said, off, marks=pytest.mark.full) for off in (-180, 0, 180) for drum, said in (
        ("kick", {"drum": "kick", "articulation": "hit"}), ("floor", {})))])
def test_a_missed_hit_is_added(pier: Pier, tmp_path: Path, drum: str, said: dict[str, Any], off: int) -> None:
    """A stroke that nobody found, pointed at to 4 ms, comes out as if it had been found: the same drum, its onsets to
    0.2 ms in every mic, its level and bleed to 1 dB; it is kept, and told as added.
    """
    true = hits_of(pier.kit, drum)[3]
    less = deaf(pier, tmp_path / "session", true)
    without = pipeline.build(less.session, tmp_path / "kit").kit
    made = rebuilt(less, tmp_path / "kit", entry("add", **at(true, off=off), **said))
    added = [h for h in made.hits if h.added]

    assert len(pier.kit.hits) - 1 == len(without.hits)
    assert len(pier.kit.hits) == len(made.hits)
    assert [drum] == [h.drum for h in added]
    assert added[0].kept
    assert not added[0].fallback
    assert true.level_db == pytest.approx(added[0].level_db, abs=1.0)
    for mic, onset in true.onsets.items():
        assert onset == pytest.approx(added[0].onsets[mic], abs=0.0002 * RATE), mic
    own = [m for m in true.usable if true.bleed_db[m] is not None]
    assert all(added[0].bleed_db[m] is not None and added[0].bleed_db[m] < -20.0 for m in own)  # type: ignore[operator]
    assert [] == told(made)


@pytest.mark.full
def test_a_hit_added_where_nothing_sounds_is_placed_by_its_drums_pattern(pier: Pier, kit: Path) -> None:
    """Where no mic hears a beginning, onsets are the frame told and the drum's delays after it; others stay as they
    were.
    """
    floor = hits_of(pier.kit, "floor")
    frame = floor[-1].onset + round(1.1 * RATE)
    made = rebuilt(pier, kit, entry("add", (Place("pier", frame),), drum="snare"))
    (added,) = [h for h in made.hits if h.added]
    pattern = next(h for h in hits_of(pier.kit, "snare") if all(v is not None for v in h.onsets.values()))
    lags = {m: (v or 0) - min(w or 0 for w in pattern.onsets.values()) for m, v in pattern.onsets.items()}

    assert "snare" == added.drum
    assert added.kept
    assert set(added.predicted) >= {m for m, v in added.onsets.items() if v is not None} - {"Snare Top"}
    assert abs(added.onset - frame) <= 0.012 * RATE
    first = min(v for v in added.onsets.values() if v is not None)
    for mic, onset in added.onsets.items():
        assert onset is None or abs(onset - first - lags[mic]) <= 0.0011 * RATE
    assert [h.drum for h in pier.kit.hits] == [h.drum for h in made.hits if not h.added]


@pytest.mark.full
def test_adding_what_was_found_keeps_it(pier: Pier, kit: Path) -> None:
    """Once an analysis finds the hit itself, the entry goes on meaning it, and nothing is doubled."""
    kick = hits_of(pier.kit, "kick")[1]
    made = rebuilt(pier, kit, entry("add", **at(kick, off=100), drum="kick"))

    assert len(pier.kit.hits) == len(made.hits)
    assert [kick.onset] == [h.onset for h in made.hits if h.added]
    assert shot(made, kick).drum == "kick"
