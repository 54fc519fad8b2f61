"""The recordings of a session given away: clean names, one start and length, every sample as it was recorded."""

from __future__ import annotations

import csv
import io
import zipfile
from pathlib import Path

import numpy as np
import pytest
import soundfile
from command_line import main_code
from short_sessions import FRAMES, sound
from stroke_sessions import NAMES, strokes

from oneshot.audio.io import read_audio, write_long_wav, write_wav
from oneshot.audio.loudness import integrated_lufs, true_peak_dbtp
from oneshot.audio.riff import list_chunks
from oneshot.config.recipe import KitInfo, Recipe
from oneshot.core.errors import KitError, SessionError, SettingsError
from oneshot.kit import verify
from oneshot.kit.release import pack_session


def quiet(stage: str, share: float) -> None:
    """A progress that nobody watches."""
    del stage, share


def unpacked(path: Path, folder: Path) -> Path:
    """The one folder of a zip."""
    with zipfile.ZipFile(path) as file:
        file.extractall(folder)
    (top,) = folder.iterdir()
    return top


def test_tracks_start_together_and_hold_what_was_recorded(tmp_path: Path) -> None:
    """Mics of other lengths, starts, bits and channels: one length, silence where nothing was recorded, and every
    sample as it was; at each file's own bits, without the chunks that the recorder left.
    """
    sound(tmp_path / "s" / "Kick In.wav", stamp=48_000)
    sound(tmp_path / "s" / "Snare: Top?.wav", stamp=48_000 + 700, subtype="PCM_16")
    sound(tmp_path / "s" / "OH.wav", stamp=48_000, channels=2, frames=FRAMES - 100, subtype="FLOAT")
    given = pack_session.prepared(tmp_path / "s", licence="cc0")
    frames = FRAMES + 700

    assert ["01_s/01_kick-in.wav", "01_s/02_oh-l.wav", "01_s/03_oh-r.wav", "01_s/04_snare-top.wav"] == [
        track.path for track in given.tracks]
    assert ["PCM_24", "FLOAT", "FLOAT", "PCM_16"] == [track.subtype for track in given.tracks]
    for track, (name, channel, at) in zip(given.tracks, (("Kick In", 0, 0), ("OH", 0, 0), ("OH", 1, 0),
                                                         ("Snare: Top?", 0, 700)), strict=True):
        pack_session.write_track(given.session.root, track, tmp_path / "t.wav")
        x, header = read_audio(tmp_path / "t.wav")
        source = read_audio(tmp_path / "s" / f"{name}.wav")[0][channel]
        assert (frames, 1, 48_000) == (header.frames, header.channels, header.sample_rate)
        assert np.array_equal(source, x[0, at:at + len(source)])
        assert not x[0, :at].any()
        assert not x[0, at + len(source):].any()
        assert {b"fmt ", b"fact", b"data"} >= {span.id for span in list_chunks(tmp_path / "t.wav")}


def test_every_text_of_the_tables_is_listed_before(tmp_path: Path) -> None:
    """What tracks.csv says of names: takes, mics, drums, where a mic stands, pairs."""
    sound(tmp_path / "s" / "Kick In.wav", stamp=48_000)
    sound(tmp_path / "s" / "OH.wav", stamp=48_000, channels=2)
    given = pack_session.prepared(tmp_path / "s", licence="cc0")
    listed = pack_session.texts_of(given).rows
    rows = list(csv.DictReader(io.StringIO(pack_session.table(given, {}))))
    named = {row[column] for row in rows for column in ("take", "mic", "drum", "place", "pair")} - {""}

    assert {"Kick In", "kick", "in", "OH"} <= named <= {text for _, text in listed}
    assert len(set(listed)) == len(listed)


def test_a_session_is_packed_with_all_that_belongs_to_it(tmp_path: Path) -> None:
    """Tracks, rough mix at -1 dBTP, track sheet, licence, sums; talk stays at home and that is told; the same bytes
    again; verify takes the zip and finds one changed byte.
    """
    strokes(tmp_path / "s", Talkback=np.full(144_000, 0.1))
    recipe = Recipe(kit=KitInfo(name="Mill", author="Grace", players=("Ada",)))
    given = pack_session.prepared(tmp_path / "s", licence="music", version="2", recipe=recipe)
    made, told = pack_session.pack_session(given, tmp_path / "a.zip", progress=quiet)
    pack_session.pack_session(given, tmp_path / "b.zip", progress=quiet)
    top = unpacked(made.path, tmp_path / "out")

    assert ("mill-2", ()) == (top.name, told)
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()
    assert made.files == len([path for path in top.rglob("*") if path.is_file()])
    rows = list(csv.DictReader(io.StringIO((top / "tracks.csv").read_text(encoding="utf-8"))))
    assert sorted(NAMES) == sorted(row["mic"] for row in rows)
    assert {144_000} == {read_audio(top / row["path"])[1].frames for row in rows}
    assert ["Talkback"] == [problem.where for problem in pack_session.left_out(given)]
    x, header = read_audio(top / "01_s" / pack_session.MIX)
    assert (2, 144_000, "PCM_24") == (header.channels, header.frames, header.subtype)
    assert -1.0 == pytest.approx(true_peak_dbtp(x, 48_000), abs=0.01)
    small = top / "01_s" / pack_session.SMALL_MIX
    with soundfile.SoundFile(small) as file:
        assert ("VORBIS", 48_000, "Mill, s (rough mix)", "Grace") == (file.subtype, file.samplerate, file.title,
                                                                       file.artist)
        smaller = file.read(dtype="float64").T
    assert x.shape == smaller.shape
    assert integrated_lufs(x, 48_000) == pytest.approx(integrated_lufs(smaller, 48_000), abs=0.5)
    assert small.stat().st_size < (top / "01_s" / pack_session.MIX).stat().st_size / 4
    text = (top / "README.txt").read_text(encoding="utf-8")
    for word in ("Mill, version 2", "Ada", "Grace", "not to be passed on as samples", "03_oh-r.wav", "low level"):
        assert word in text
    assert "not to be passed on as samples" in (top / "LICENCE.txt").read_text(encoding="utf-8")
    assert [] == verify.verify(made.path)
    with zipfile.ZipFile(made.path) as source, zipfile.ZipFile(tmp_path / "bad.zip", "w") as target:
        for name in source.namelist():
            target.writestr(name, source.read(name) + (b"!" if name.endswith("01_kick.wav") else b""))
        target.writestr("mill-2/more.txt", "x")
    assert ["01_s/01_kick.wav", "more.txt"] == [each.path for each in verify.verify(tmp_path / "bad.zip")]


def test_what_check_finds_is_told_in_one_warning_and_holds_nothing_back(tmp_path: Path) -> None:
    """A clipped mic, one that drops out, and many that are silent: six are named, the worst first, and all tracks are
    in the zip. Talk stays at home, and so does what is wrong with it.
    """
    folder, rng = strokes(tmp_path / "s"), np.random.default_rng(1)
    for n in range(6):
        soundfile.write(folder / f"Room {n + 1}.wav", np.zeros(144_000), 48_000, "PCM_24")
    soundfile.write(folder / "Talkback.wav", np.zeros(144_000), 48_000, "PCM_24")
    holes = 0.1 * rng.standard_normal(144_000)
    holes[50_000:50_600] = 0.0
    soundfile.write(folder / "Tom 1.wav", holes, 48_000, "PCM_24")
    given = pack_session.prepared(folder, licence="cc0")
    made, (told,) = pack_session.pack_session(given, tmp_path / "a.zip", progress=quiet)

    assert ("recordings", "oneshot check tells places and remedies") == (told.where, told.todo)
    assert told.what.startswith("are packed with 7 faults: s/Room 1 is silent; s/Room 2 is silent; ")
    assert told.what.endswith("; and 1 more")
    assert 7 + len(NAMES) == sum(path.suffix == ".wav" and path.name != pack_session.MIX
                                 for path in unpacked(made.path, tmp_path / "out").rglob("*"))


def test_texts_are_listed_and_the_licence_is_asked_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a licence nothing starts; without --yes nothing is written, but all that would be public is shown, with
    the caution; talk alone is nothing to give away.
    """
    strokes(tmp_path / "s")
    with pytest.raises(SettingsError, match="no licence is stated"):
        pack_session.prepared(tmp_path / "s")
    assert 0 == main_code("pack", str(tmp_path / "s"), "--licence", "cc-by-4.0")
    out = capsys.readouterr().out
    for word in ("Kick", "Snare", "OH L", "Attribution 4.0", "hold rights in it", "legal advice", "Nothing was"):
        assert word in out
    assert [tmp_path / "s"] == list(tmp_path.iterdir())
    assert 1 == main_code("pack", str(tmp_path / "s"), "--licence", "cc0", "--lock", "--yes")
    assert "--lock is for kits" in capsys.readouterr().err
    sound(tmp_path / "t" / "Talkback.wav")
    with pytest.raises(SessionError, match="no mic to release"):
        pack_session.prepared(tmp_path / "t", licence="cc0")


def test_a_session_without_strokes_is_given_away_all_the_same(tmp_path: Path) -> None:
    """Silence has no strokes to set a balance by: the mix is by roles, which is told; the next release tells what has
    changed; a zip that is no pack is refused.
    """
    write_wav(_folder(tmp_path / "s") / "Kick.wav", np.zeros((1, 48_000)), 48_000, "PCM_16")
    given = pack_session.prepared(tmp_path / "s", licence="cc0")
    _, told = pack_session.pack_session(given, tmp_path / "1.zip", progress=quiet)
    assert ["rough mix", "recordings"] == [problem.where for problem in told]
    assert "are packed with 1 fault: s/Kick is silent" == told[-1].what

    for _ in range(2):  # a word is a version too, and its zip makes room for the next
        beta = pack_session.prepared(tmp_path / "s", licence="cc0", version="beta")
        pack_session.pack_session(beta, tmp_path / "beta.zip", progress=quiet)
    other = pack_session.prepared(tmp_path / "s", licence="cc0", recipe=Recipe(kit=KitInfo(name="S-Beta")))
    with pytest.raises(SettingsError, match="not written by this command"):
        pack_session.pack_session(other, tmp_path / "beta.zip", progress=quiet)

    newer = pack_session.prepared(tmp_path / "s", licence="cc0", version="1.1")
    made, _ = pack_session.pack_session(newer, tmp_path / "2.zip", last=tmp_path / "1.zip", progress=quiet)
    assert ("changed  README.txt",) == made.changes
    assert [] == verify.verify(made.path)
    (tmp_path / "x.zip").write_bytes(b"x")
    with pytest.raises(KitError, match="not a zip written by oneshot pack"):
        pack_session.pack_session(newer, tmp_path / "3.zip", last=tmp_path / "x.zip", progress=quiet)
    assert not (tmp_path / "3.zip").exists()


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_long_files_are_written_as_short_ones_are(tmp_path: Path, subtype: str) -> None:
    """In blocks or at once: the same bytes."""
    x = np.random.default_rng(1).uniform(-1, 1, (3, 1001))
    write_wav(tmp_path / "a.wav", x, 48_000, subtype)
    write_long_wav(tmp_path / "b.wav", (x[:, at:at + 100] for at in range(0, 1001, 100)), 1001, 3, 48_000, subtype)

    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()
    with pytest.raises(ValueError, match="900 frames came where 1001"):
        write_long_wav(tmp_path / "c.wav", [x[:, :900]], 1001, 3, 48_000, subtype)
    with pytest.raises(ValueError, match="is not"):
        write_long_wav(tmp_path / "c.wav", [x[:2]], 1001, 3, 48_000, subtype)


def test_beyond_four_gigabytes_a_file_is_rf64(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the limit set low: libsndfile reads it as RF64 (EBU Tech 3306), every sample in its place."""
    monkeypatch.setattr("oneshot.audio.io.RIFF_LIMIT", 1000)
    x = np.round(np.random.default_rng(1).uniform(-1, 1, (1, 1001)) * 2**23) / 2**23
    write_long_wav(tmp_path / "a.wav", [x], 1001, 1, 48_000, "PCM_24")
    found, rate = soundfile.read(tmp_path / "a.wav")

    assert ("RF64", 48_000) == (soundfile.info(str(tmp_path / "a.wav")).format, rate)
    assert np.array_equal(x[0], found)


def _folder(path: Path) -> Path:
    path.mkdir()
    return path
