"""The cover of a pack."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from PIL import Image

from oneshot.config.recipe import Packing
from oneshot.core.errors import SettingsError
from oneshot.kit.release import cover as covers
from oneshot.kit.release.contact_sheet import contact_sheet
from oneshot.kit.release.cover import ACCENT, GROUND, SIDE, check_cover, cover
from oneshot.kit.release.lettering import drawable

if TYPE_CHECKING:
    from pathlib import Path

    from oneshot.core.records.kit import Kit


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """An empty folder, for pictures."""
    return tmp_path


def _named(kit: Kit, name: str) -> Kit:
    return replace(kit, recipe={**kit.recipe, "kit": {"name": name}})


def _pixels(data: bytes) -> Image.Image:
    return Image.open(io.BytesIO(data)).convert("RGB")


def test_a_cover_is_drawn_from_the_kit(example: Kit) -> None:
    """Square, on the grey ground, one drum in the one colour, the same bytes each time; its name changes the text."""
    folder = example.session.root / "kit"
    name, data = cover(_named(example, "Chapel"), folder, "")
    image = _pixels(data)
    colours = {colour: count for count, colour in image.getcolors(SIDE * SIDE) or []}

    assert ("cover.png", (SIDE, SIDE)) == (name, image.size)
    assert GROUND == image.getpixel((2, 2))
    assert colours[ACCENT] > 1000
    assert colours[GROUND] > SIDE * SIDE / 2
    assert data == cover(_named(example, "Chapel"), folder, "")[1]
    other = _pixels(cover(_named(example, "A mill"), folder, "")[1])
    above = (0, 0, SIDE, SIDE // 2)
    assert image.crop(above).tobytes() == other.crop(above).tobytes()
    assert image.tobytes() != other.tobytes()


def test_a_long_name_stays_on_the_picture(example: Kit) -> None:
    """The right edge stays free, whatever the name."""
    image = _pixels(cover(_named(example, "Wide and Winding Words " * 8), example.session.root / "kit", "")[1])
    edge = image.crop((SIDE - SIDE // 13, SIDE * 3 // 4, SIDE, SIDE))
    assert [(edge.width * edge.height, GROUND)] == edge.getcolors()


def test_no_box_stands_for_a_letter(example: Kit) -> None:
    """What the font lacks is drawn as the letters nearest to it: the picture is that of a name spelt so."""
    folder = example.session.root / "kit"

    assert "Ropewalk Frei - Schlagzeug fur alle" == drawable("Ropewalk Frei — Schlagzeug für alle")
    assert "Strasse, Bjork O, Lodz" == drawable("Straße, Björk Ø, Łódź")
    assert "Kit" == drawable("Kit 太鼓")
    assert ("", "") == (drawable("太鼓"), drawable(""))
    for odd, plain in (("Frei — für", "Frei - fur"), ("太鼓 9", "9")):
        assert cover(_named(example, odd), folder, "") == cover(_named(example, plain), folder, "")
        assert contact_sheet(_named(example, odd), folder) == contact_sheet(_named(example, plain), folder)


def test_a_name_that_cannot_be_drawn_is_told(example: Kit) -> None:
    """Nothing is left of a name in another script: one line says what to do; of an own picture there is nothing."""
    folder = example.session.root / "kit"

    assert "" == check_cover(_named(example, "Für alle"), folder, "")
    assert "cannot show the name '太鼓': put a picture" in check_cover(_named(example, "太鼓"), folder, "")


def test_an_owners_picture_goes_out_without_what_its_file_tells(folder: Path, example: Kit) -> None:
    """Pixels stay, turned upright; place, camera and comments do not."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0112] = "Camera of Ada", 6  # TIFF 6.0: Make, Orientation (turn right)
    Image.new("RGB", (600, 400), (20, 90, 30)).save(folder / "mine.jpg", exif=exif, comment=b"at home", quality=95)
    name, data = cover(example, folder, "mine.jpg")

    assert "cover.jpg" == name
    assert (400, 600) == _pixels(data).size
    assert b"Ada" not in data
    assert b"at home" not in data
    assert not Image.open(io.BytesIO(data)).getexif()
    near = _pixels(data).getpixel((100, 100))
    assert isinstance(near, tuple)
    assert max(abs(a - b) for a, b in zip(near, (20, 90, 30), strict=True)) < 4


def test_a_transparent_picture_lies_on_the_ground(folder: Path, example: Kit) -> None:
    """PNG with holes."""
    Image.new("RGBA", (400, 400), (0, 0, 0, 0)).save(folder / "mine.png")
    name, data = cover(example, folder, "mine.png")
    assert ("cover.png", GROUND) == (name, _pixels(data).getpixel((0, 0)))


@pytest.mark.parametrize(("what", "words"), [
    ("small", "is 299 x 400 pixels: give 300 to 6000 each way"), ("text", "cannot be read as a PNG or JPEG picture"),
    ("cut", "cannot be read as a PNG or JPEG picture"), ("gif", "cannot be read as a PNG or JPEG picture"),
    ("none", "no such picture"), ("link", "no such picture"), ("big", "MB, 0 are the most")])
def test_a_picture_that_cannot_be_used_is_told_in_one_line(
        folder: Path, example: Kit, monkeypatch: pytest.MonkeyPatch, what: str, words: str) -> None:
    """Too small, too big, no picture, half a picture, of another kind, missing, a link."""
    path = folder / "mine.png"
    Image.effect_noise((299 if what == "small" else 400, 400), 60).save(path, "GIF" if what == "gif" else "PNG")
    if what == "text":
        path.write_text("a picture of me", encoding="utf-8")
    elif what == "cut":
        path.write_bytes(path.read_bytes()[:2000])
    elif what == "none":
        path.unlink()
    elif what == "link":
        path.rename(folder / "elsewhere.png")
        path.symlink_to(folder / "elsewhere.png")
    elif what == "big":
        monkeypatch.setattr(covers, "MOST_BYTES", 1000)
    with pytest.raises(SettingsError, match=words) as told:
        cover(example, folder, "mine.png")
    assert "\n" not in str(told.value)


@pytest.mark.parametrize("path", ["/home/ada/cover.png", "../cover.png", "~/cover.png", "C:\\pictures\\cover.png"])
def test_a_cover_is_named_from_the_kits_folder(path: str) -> None:
    """So no kit tells where things lie on this machine."""
    with pytest.raises(SettingsError, match=r"give its path from there, such as 'cover\.png'"):
        Packing(cover=path)
