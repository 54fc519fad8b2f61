"""README.txt: what the kit is, for whoever opens the folder. UTF-8, lines of up to 80 characters where words allow."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from oneshot.core.files import write_atomic
from oneshot.core.grades import MEANING
from oneshot.core.records.kit import Kit, kit_info
from oneshot.core.text import counted
from oneshot.kit.export.text_blocks import articulations, document, layers_table, listed, makers, titled, wrapped

NAME = "README.txt"
INDENT = 20


def write(kit: Kit, folder: Path) -> list[Path]:
    """README.txt into the kit's folder; its path."""
    path = folder / NAME
    write_atomic(path, to_text(kit))
    return [path]


def to_text(kit: Kit) -> str:
    """The whole text."""
    return document([_head(kit), _drums(kit), _folder(kit), _loading(kit), _caution(kit), _rights(kit)])


def _head(kit: Kit) -> list[str]:
    """Name, makers and what there is of it."""
    info = kit_info(kit)
    files = sum(len(shot.files) for shot in kit.one_shots)
    rates = " and ".join(f"{rate / 1000:g} kHz" for rate in sorted({take.sample_rate for take in kit.session.takes}))
    printed = {each.hit for each in kit.prints}
    what, there = ("Prints of drum hits, each hit's mics mixed down to one file,",
                   f"{counted(len(printed), 'hit')}, {counted(len(kit.prints), 'file')}") if kit.prints_alone else (
        "A kit of drum one-shots", f"{counted(len(kit.one_shots), 'one-shot')}, {counted(files, 'file')}")
    return titled(f"{info['name']}, version {info['version']}", [
        "", *wrapped(f"{what} cut from the multitrack recording \"{kit.session.name}\": "
                     f"{counted(len(kit.drums), 'drum')}, {there} at {rates}."),
        *makers(info), f"Built with {kit.generator}."], under="=")


def _drums(kit: Kit) -> list[str]:
    """One line per articulation: key, layers, round robins, grades."""
    grades = {(drum.name, way.name): Counter(shot.grade for shot in shots) for drum, way, shots in articulations(kit)}
    table = layers_table(kit, "grades", {of: " ".join(f"{grade}:{found[grade]}" for grade in sorted(found))
                                         for of, found in grades.items()})
    meaning = ", ".join(f"{grade} {words}" for grade, words in MEANING.items())
    return titled("Contents", table and [*table, "", *wrapped(
        "Keys are MIDI note numbers: General MIDI percussion where it covers the articulation, otherwise free keys "
        f"from 60 up. Grades rate the bleed in a hit: {meaning}.")])


def _folder(kit: Kit) -> list[str]:
    """What lies where."""
    prints = [("prints/", "a folder for each print: one drum's mics mixed to one file per hit")] if kit.prints else []
    mended = (" The mappings play the files whose name ends in repaired; the unprocessed ones are kept next to them."
              if any(shot.untouched for shot in kit.one_shots) else "")
    mended += (" Some were processed after cutting: their grades are those of the recording."
               if any(file.processed == "outside" for shot in kit.one_shots for file in shot.files) else "")
    samples = [("samples/", ("one file per mic of each hit; a pair of mics is one stereo file. All files of a hit "
                             "have the same length and start." + mended))]
    mappings = [("mappings/kit.sfz", "the whole kit, ready to load; drums/ has each drum on its own"),
                *([("mappings/close.sfz", "every one-shot in its close mics, without overheads and rooms")]
                  if any(file.far for shot in kit.one_shots for file in shot.files) else []),
                ("mappings/kit.sf2", "the mix of all mics, as a SoundFont"),
                ("mappings/kit.mid", "every key in turn; played-*.mid: the takes as MIDI")]
    entries = [*([] if kit.prints_alone else samples), *prints, *([] if kit.prints_alone else mappings),
               ("report.html", "report with audio, for the browser"),
               ("hits.csv", "every detected hit, used or left out, and why"),
               ("manifest.json", "all data, for programs; described by manifest.schema.json"),
               ("recipe.toml", "settings of the build; edit it and build again"),
               ("corrections.toml", "manual corrections")]
    return titled("Files", listed(entries, INDENT))


def _loading(kit: Kit) -> list[str]:
    """How to play it."""
    if kit.prints_alone:
        return titled("How to use it", wrapped(
            "Load the files into whatever triggers or replaces drums, or lay them under the recorded drum: each starts "
            "at its attack. There are no mappings.",
            "The name of a file gives drum, articulation, velocity layer (V01 is the softest), round robin and number "
            "of the hit (h) in hits.csv."))
    return titled("How to play it", wrapped(
        "Load mappings/kit.sfz into any instrument that reads the open SFZ format, and keep the folder together: the "
        "mapping refers to the samples by relative path. Play it from pads, keys or MIDI patterns on General MIDI "
        "percussion notes. Velocity selects the layer, and the level follows it smoothly within each layer; repeated "
        "notes cycle through the round robins.",
        "To use single files: the name gives drum, articulation, layer (V01 is the softest), round robin and mic. All "
        "files of one hit are in sync when started together."))


def _caution(kit: Kit) -> list[str]:
    """Drums have a wide range of level."""
    if kit.prints_alone:
        return titled("Levels", wrapped(
            "All files of a print have the same gain, which brings the hardest to its ceiling: soft hits stay as soft "
            "as they were played. Turn down before you play the first note."))
    return titled("Levels", wrapped(
        "The files keep the levels of the recording: the hardest hits may be 40 dB louder than the softest, and there "
        "is no limiter. Turn down before you play the first note. Several drums hit together sum; leave headroom."))


def _rights(kit: Kit) -> list[str]:
    """Licence as said by the maker; never assumed."""
    licence = kit_info(kit)["licence"]
    told = (f"Licence, as stated by the maker: {licence}." if licence else
            "The maker has stated no licence. Until one is stated, all rights in the recording stay with those who "
            "made it: ask before you share or publish these files.")
    return titled("Rights", wrapped(told, "Players, producers and studios may hold rights in a recording. Whoever "
                                          "releases this kit must have their consent."))
