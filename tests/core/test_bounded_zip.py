"""Zips of others: damaged in every way, encrypted, and those that unpack to more than any disk holds."""

from __future__ import annotations

import struct
import zipfile
from pathlib import Path
from types import SimpleNamespace

import pytest

from oneshot.core import bounded_zip
from oneshot.core.bounded_zip import ZipError, opened

TEXT = b"0123456789 abcdef\n" * 400


def packed(path: Path, content: bytes = TEXT, how: int = zipfile.ZIP_DEFLATED) -> Path:
    """A zip of two files."""
    with zipfile.ZipFile(path, "w", how) as file:
        file.writestr("kit/a.txt", content)
        file.writestr("kit/b/c.txt", b"more")
    return path


def read_all(path: Path, folder: Path) -> str:
    """Everything that a zip is asked for."""
    with opened(path) as pack:
        pack.unpack(folder)
        return pack.text("kit/a.txt")


def test_a_sound_zip_is_read_and_unpacked(tmp_path: Path) -> None:
    """Text and files as they were put in."""
    path = packed(tmp_path / "a.zip")
    (tmp_path / "out").mkdir()

    assert TEXT.decode() == read_all(path, tmp_path / "out")
    assert TEXT == (tmp_path / "out" / "kit" / "a.txt").read_bytes()
    assert b"more" == (tmp_path / "out" / "kit" / "b" / "c.txt").read_bytes()
    with opened(path) as pack:
        assert (["kit/a.txt", "kit/b/c.txt"], True) == (pack.names, pack.plain)


def fault(path: Path, folder: Path) -> str | None:
    """What a ZipError says of a zip; None where all of it can be read."""
    folder.mkdir()
    try:
        read_all(path, folder)
    except ZipError as error:
        return str(error)
    return None


@pytest.mark.parametrize("how", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
def test_every_damaged_byte_is_one_line(tmp_path: Path, how: int) -> None:
    """Each byte of a small zip changed in turn, and the zip cut off before it: what was put in comes out, or a
    ZipError, whose text is one line; no error of another kind.
    """
    sound = packed(tmp_path / "a.zip", b"0123456789" * 3, how).read_bytes()
    faults = []
    for at in range(len(sound)):
        changed = sound[:at] + bytes([sound[at] ^ (0xff if at % 2 else 1)]) + sound[at + 1:]
        for number, data in enumerate((changed, sound[:at])):
            (tmp_path / "b.zip").write_bytes(data)
            faults.append(fault(tmp_path / "b.zip", tmp_path / f"{at} {number}"))
    told = [each for each in faults if each is not None]

    assert len(told) > 1.5 * len(sound)
    assert not [each for each in told if not each or "\n" in each]


@pytest.mark.parametrize("how", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_other_compressions_are_refused(tmp_path: Path, how: int) -> None:
    """They give their output in lumps of any size."""
    with pytest.raises(ZipError, match="another way than deflate"), opened(packed(tmp_path / "a.zip", how=how)):
        pass


def test_an_encrypted_zip_is_refused(tmp_path: Path) -> None:
    """By its flag, which stands in the directory and before each file."""
    path = packed(tmp_path / "a.zip")
    data = bytearray(path.read_bytes())
    data[data.index(b"PK\1\2") + 8] |= 1
    path.write_bytes(data)
    with pytest.raises(ZipError, match="encrypted"), opened(path):
        pass


def test_a_zip_that_claims_too_much_is_refused_before_it_is_read(tmp_path: Path) -> None:
    """Sixty megabytes in sixty kilobytes."""
    path = packed(tmp_path / "a.zip", bytes(60_000_000))

    assert path.stat().st_size < 100_000
    with pytest.raises(ZipError, match=r"unpacks to 60 MB, more than 52 MB"), opened(path):
        pass


def test_what_is_longer_than_it_claims_is_not_read_on(tmp_path: Path) -> None:
    """A file said to be ten bytes long: its sum is that of all of it, so it is found out, and no more is written."""
    path = packed(tmp_path / "a.zip", bytes(10_000_000))
    data = bytearray(path.read_bytes())
    struct.pack_into("<L", data, data.index(b"PK\1\2") + 24, 10)
    path.write_bytes(data)
    with opened(path) as pack:
        with pytest.raises(ZipError, match="CRC"):
            pack.text("kit/a.txt")
        with pytest.raises(ZipError, match="CRC"):
            pack.unpack(tmp_path)
    assert (tmp_path / "kit" / "a.txt").stat().st_size <= 10


def test_a_text_has_a_length(tmp_path: Path) -> None:
    """Beyond it, nothing is read."""
    with opened(packed(tmp_path / "a.zip")) as pack, pytest.raises(ZipError, match="said to be"):
        pack.text("kit/a.txt", len(TEXT) - 1)


def test_a_disk_without_room_is_told_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is unpacked then."""
    monkeypatch.setattr("shutil.disk_usage", lambda folder: SimpleNamespace(free=100))
    with opened(packed(tmp_path / "a.zip")) as pack, pytest.raises(ZipError, match="GB left"):
        pack.unpack(tmp_path)
    assert not (tmp_path / "kit").exists()


@pytest.mark.parametrize("comment", [b"", b"PK\6\6 a comment"])
@pytest.mark.parametrize("before", ["directory", "entries"])
def test_a_zip_of_too_many_files_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, comment: bytes,
                                            before: str) -> None:
    """By the size of its directory, before that is read, and by their number."""
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as file:
        for number in range(400):
            file.writestr(f"{number}.txt", b"")
        file.comment = comment
    monkeypatch.setattr(bounded_zip, "MOST_FILES", 100 if before == "directory" else 399)
    if before == "directory":
        monkeypatch.setattr(zipfile, "ZipFile", None)  # it is not even looked at
    with pytest.raises(ZipError, match="more than"), opened(tmp_path / "a.zip"):
        pass


def test_the_directory_of_a_large_zip_counts_by_its_wide_record(tmp_path: Path,
                                                                monkeypatch: pytest.MonkeyPatch) -> None:
    """A zip of more files than sixteen bits count says the size of its directory in a record of its own (ZIP64)."""
    monkeypatch.setattr(zipfile, "ZIP_FILECOUNT_LIMIT", 10)
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as file:
        for number in range(400):
            file.writestr(f"{number}.txt", b"")
    monkeypatch.setattr(bounded_zip, "MOST_FILES", 100)
    monkeypatch.setattr(zipfile, "ZipFile", None)

    assert b"PK\6\6" in (tmp_path / "a.zip").read_bytes()
    with pytest.raises(ZipError, match="more than 100 files"), opened(tmp_path / "a.zip"):
        pass


@pytest.mark.parametrize("name", ["../out.txt", "kit/../../out.txt"])
def test_nothing_is_unpacked_outside(tmp_path: Path, name: str) -> None:
    """Whatever its name says."""
    (tmp_path / "in").mkdir()
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as file:
        file.writestr(name, b"out")
    with opened(tmp_path / "a.zip") as pack, pytest.raises(ZipError, match="outside"):
        pack.unpack(tmp_path / "in")
    assert not (tmp_path / "out.txt").exists()
