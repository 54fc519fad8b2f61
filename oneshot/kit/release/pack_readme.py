"""README.txt of a pack: for whoever downloaded it and wants to play it. UTF-8, lines of up to 80 characters where words
allow.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from oneshot.audio.io import is_float, read_header
from oneshot.core.records.kit import Kit, OneShot, Print, kit_info
from oneshot.core.text import counted
from oneshot.kit.contents import COVERS, RECIPE
from oneshot.kit.export import hits_csv, manifest, midi, sf2, sfz
from oneshot.kit.export.text_blocks import articulations, document, layers_table, listed, makers, titled, wrapped
from oneshot.kit.release.licences import LICENCES, offered
from oneshot.kit.report import PAGE

INDENT = 22
CAUTION = ("Turn down before you play the first note: single hits are sudden, and the hardest are far louder than the "
           "softest.")


def to_text(kit: Kit, folder: Path, files: Iterable[str]) -> str:
    """The whole text. ``folder``: where the kit's sounds lie; ``files``: paths of all that is in the pack."""
    names = set(files)
    return document([_head(kit, folder), _loading(kit, names), titled("Notes, layers and round robins",
                     layers_table(kit)), _playing(kit), _rest(kit, names), wrapped(CAUTION), _rights(kit)])


def _head(kit: Kit, folder: Path) -> list[str]:
    """Name, makers and what there is of it."""
    info = kit_info(kit)
    files = [file for shot in kit.one_shots for file in shot.files]
    made: tuple[OneShot | Print, ...] = kit.prints if kit.prints_alone else kit.one_shots
    words = (f"{counted(len({each.drum for each in made}), 'drum')}, "
             f"{counted(len({each.hit for each in made}), 'recorded hit')} in "
             f"{counted(len(files) or len(kit.prints), 'file')}")
    sounds = [file.path for file in files] or [each.path for each in kit.prints]
    makers_ = makers(info)
    return titled(f"{info['name']}, version {info['version']}", [
        "", *wrapped(f"{'Prints of drum hits' if kit.prints_alone else 'A drum kit'}: {words}, "
                     f"{_format(folder, sounds)}."), *([""] if makers_ else []),
        *(line for each in makers_ for line in wrapped(each))], under="=")


def _format(folder: Path, paths: list[str]) -> str:
    """File format, bits and rates in words."""
    heads = [read_header(folder / path) for path in paths]
    kinds = sorted({head.format.removesuffix("EX") for head in heads})
    bits = sorted({{"FLOAT": "32 bit float", "DOUBLE": "64 bit float"}[head.subtype] if is_float(head.subtype) else
                   f"{head.subtype.rpartition('_')[2].strip('SU')} bit" for head in heads})
    rates = [f"{rate / 1000:g} kHz" for rate in sorted({head.sample_rate for head in heads})]
    return ", ".join(" and ".join(each) for each in (kinds, bits, rates))


def _loading(kit: Kit, names: set[str]) -> list[str]:
    """How to load it, one way after the other."""
    close = " close.sfz plays the close microphones alone." if sfz.CLOSE_NAME in names else ""
    every = (
        (sfz.NAME, sfz.NAME in names,
         ("For instruments that read SFZ: every microphone, its level in a line of its own at the top of the file. "
          f"Keep the folder together. drums/ has each drum on its own.{close}")),
        (sf2.NAME, sf2.NAME in names,
         ("For instruments that read SoundFont 2: the whole kit mixed to stereo, in one file, in bank 128. Further "
          "presets play the next round robins.")),
        ("samples/", bool(kit.one_shots),
         f"To use the files by hand: a folder for each drum and articulation. {_example(kit)}"),
        ("prints/", bool(kit.prints), (
            "Each hit mixed to one file that starts at its attack, for whatever triggers or replaces drums. A folder "
            "for each kind of print; all files in one have the same gain. "
            f"{_example_print(kit)}")),
        (midi.WALK, midi.WALK in names,
         f"Plays every key from soft to hard; {midi.KEYS.rpartition('/')[2]} lists the keys for a spreadsheet."))
    rows = [(name, words) for name, there, words in every if there]
    return titled("How to load it", listed(rows, INDENT))


def _example(kit: Kit) -> str:
    """What a file's name says, by one of them."""
    if not kit.one_shots:
        return ""
    shot = max(kit.one_shots, key=lambda each: (each.layer, -each.hit))
    file = shot.files[0]
    heard = "all microphones mixed" if file.mixdown else f"microphone {' and '.join(file.mics)}"
    return (f"{file.path.rpartition('/')[2]} is {shot.drum}, {shot.articulation}, layer {shot.layer} (1 is the "
            f"softest), round robin {shot.round_robin}, {heard}. All files of one hit start together: place them at "
            "the same time and they are in sync.")


def _example_print(kit: Kit) -> str:
    """What a print's name says, by one of them."""
    if not kit.prints:
        return ""
    one = max(kit.prints, key=lambda each: (each.layer, -each.hit))
    return (f"{one.path.rpartition('/')[2]} is {one.drum}, {one.articulation}, layer {one.layer} (1 is the softest), "
            f"round robin {one.round_robin}, hit {one.hit}.")


def _playing(kit: Kit) -> list[str]:
    """What the table means, and what cuts what off."""
    if not kit.one_shots:
        return []
    words = ("Keys are MIDI note numbers, General MIDI percussion where it has the drum. A layer is the drum hit at "
             "one strength: velocity chooses it, and the level follows velocity without steps. Round robins are hits "
             "of one strength that repeated notes play in turn, so that no two in a row are the same.")
    groups: dict[str, list[str]] = {}
    for drum, way, _ in articulations(kit):
        if drum.choke:
            groups.setdefault(drum.choke, []).append(f"{drum.name} {way.name}")
    return wrapped(words, *(f"Each of these cuts off what still sounds of the others: {', '.join(group)}."
                            for group in groups.values() if len(group) > 1))


def _rest(kit: Kit, names: set[str]) -> list[str]:
    """What else is in it."""
    every = (("preview.wav", "what it sounds like"), ("preview.ogg", "the same, smaller"),
             (COVERS[0], "the cover"), (COVERS[1], "the cover"),
             ("sheet.png", "the layers of every drum, drawn"),
             ("files.csv", "level of each file, for a spreadsheet" if kit.prints_alone else
              "level of each file, and how clean it is (A is best), for a spreadsheet"),
             (hits_csv.NAME, "every hit of the recording, used or not"),
             (PAGE, "the whole kit to see and hear, for the browser"),
             (RECIPE, "the settings it was made with"), (manifest.NAME, "all figures, for programs"),
             ("LICENCE.txt", "what you may do with it"), ("SHA256SUMS.txt", "checksums: whether a file is as released"))
    return titled("What else is in it", listed([row for row in every if row[0] in names or row[0] == "SHA256SUMS.txt"],
                                               INDENT))


def _rights(kit: Kit) -> list[str]:
    """Licence, and how to credit."""
    info = kit_info(kit)
    known = offered(str(info["licence"] or ""))
    lines = [f"{info['licence']}. LICENCE.txt has the whole text, which counts."]
    if known is not None and known.credit:
        by = info["author"] or ", ".join(info["players"])
        lines.append(f"Credit it like this: \"{info['name']}\"{f' by {by}' if by else ''}, {known.name}, {known.url}")
    elif known == LICENCES["music"]:
        lines.append("In short: in music of any kind, free or paid; not as samples, alone or in another library.")
    return titled("Licence", wrapped(*lines))
