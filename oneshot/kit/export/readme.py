"""README.txt: what the kit is, for whoever opens the folder. UTF-8, lines of up to 80 characters where words allow."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from oneshot.core.files import write_atomic
from oneshot.core.grades import MEANING
from oneshot.core.records.hits import Articulation, Drum
from oneshot.core.records.kit import Kit, OneShot, kit_info

NAME = "README.txt"
WIDTH = 80


def write(kit: Kit, folder: Path) -> list[Path]:
    """README.txt into the kit's folder; its path."""
    path = folder / NAME
    write_atomic(path, to_text(kit))
    return [path]


def to_text(kit: Kit) -> str:
    """The whole text."""
    blocks = [_head(kit), _drums(kit), _folder(kit), _loading(), _caution(), _rights(kit)]
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def _head(kit: Kit) -> list[str]:
    """Name, makers and what there is of it."""
    info = kit_info(kit)
    title = f"{info['name']}, version {info['version']}"
    files = sum(len(shot.files) for shot in kit.one_shots)
    rates = sorted({take.sample_rate for take in kit.session.takes})
    lines = [title, "=" * len(title), "",
             *_wrap(f"A kit of drum one-shots cut from the multitrack recording \"{kit.session.name}\": "
                    f"{_count(len(kit.drums), 'drum')}, {_count(len(kit.one_shots), 'one-shot')}, "
                    f"{_count(files, 'file')} at {' and '.join(f'{rate / 1000:g} kHz' for rate in rates)}.")]
    made = (("Made by", info["author"]), ("Played by", ", ".join(info["players"])), ("Recorded at", info["studio"]))
    return lines + [f"{label}: {value}" for label, value in made if value] + [f"Built with {kit.generator}."]


def _drums(kit: Kit) -> list[str]:
    """One line per articulation: key, layers, round robins, grades."""
    rows = [_row(drum, articulation, [shot for shot in kit.one_shots if shot.drum == drum.name
                                      and shot.articulation == articulation.name])
            for drum in kit.drums for articulation in drum.articulations]
    rows = [row for row in rows if row]
    if not rows:
        return []
    table = [("key", "drum", "struck", "layers", "round robins", "grades"), *rows]
    widths = [max(len(row[column]) for row in table) for column in range(len(table[0]))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in table]
    meaning = ", ".join(f"{grade} {words}" for grade, words in MEANING.items())
    return ["What is in it", "-------------", *lines, "",
            *_wrap("Keys are MIDI note numbers: General MIDI percussion where it has one for the stroke, free keys "
                   f"from 60 up elsewhere. Grades say how clean a hit is: {meaning}.")]


def _row(drum: Drum, articulation: Articulation, shots: Sequence[OneShot]) -> tuple[str, ...]:
    """Cells of one articulation; empty where nothing of it was kept."""
    if not shots:
        return ()
    robins = Counter(shot.layer for shot in shots)
    fewest, most = min(robins.values()), max(robins.values())
    grades = Counter(shot.grade for shot in shots)
    keys = str(articulation.key) if articulation.second_key is None else \
        f"{articulation.key}, left {articulation.second_key}"
    return (keys, drum.name, articulation.name, str(len(robins)),
            str(most) if fewest == most else f"{fewest} to {most}",
            " ".join(f"{grade}:{grades[grade]}" for grade in sorted(grades)))


def _folder(kit: Kit) -> list[str]:
    """What lies where."""
    prints = [("prints/", "mono blends of one drum's mics, best first")] if kit.prints else []
    mended = (" Files whose name ends in repaired are what the mappings play; the untouched ones lie beside them."
              if any(shot.untouched for shot in kit.one_shots) else "")
    mended += (" Some were processed after they were cut: their grades tell of the recording."
               if any(file.processed == "outside" for shot in kit.one_shots for file in shot.files) else "")
    entries = [("samples/", ("one file per mic of each hit; a pair of mics is one stereo file. All files of a hit "
                             "are equally long and start together." + mended)),
               *prints,
               ("mappings/kit.sfz", "the whole kit, ready to load; drums/ has each drum alone"),
               ("mappings/kit.sf2", "the mix of all mics, for players that read SoundFonts"),
               ("mappings/kit.mid", "walks through every key; played-*.mid: what was played"),
               ("report.html", "look and listen in a browser"),
               ("hits.csv", "every hit found, kept or not, and why"),
               ("manifest.json", "the same and more, for programs; manifest.schema.json explains it"),
               ("recipe.toml", "how the kit was built; change it and build again"),
               ("corrections.toml", "what a person overruled")]
    lines = ["What lies where", "---------------"]
    for name, words in entries:
        lines += textwrap.wrap(words, WIDTH, initial_indent=f"{name:<18}", subsequent_indent=" " * 18)
    return lines


def _loading() -> list[str]:
    """How to play it."""
    return ["How to play it", "--------------",
            *_wrap("Load mappings/kit.sfz into any instrument that reads the open SFZ format, and leave the folder as "
                   "it is: the mapping finds the samples by their place. Play it from pads, keys or a drum pattern on "
                   "General MIDI percussion notes. How hard you play chooses the layer, and the level follows "
                   "smoothly inside each layer; repeated strokes take turns through the round robins."),
            "",
            *_wrap("To use single files: the name says drum, articulation, layer (V01 is the softest), round robin and "
                   "mic. Put the files of one hit under each other and they are in time.")]


def _caution() -> list[str]:
    """Drums have a wide range of level."""
    return ["Mind your ears", "--------------",
            *_wrap("The files keep the levels of the recording: the hardest strokes may be 40 dB louder than the "
                   "softest, and nothing is limited. Turn down before you play the first note. Several drums struck "
                   "together are louder than each alone; leave headroom.")]


def _rights(kit: Kit) -> list[str]:
    """Licence as said by the maker; never assumed."""
    licence = kit_info(kit)["licence"]
    told = (f"Licence, as stated by the maker: {licence}." if licence else
            "The maker has stated no licence. Until one is stated, all rights in the recording stay with those who "
            "made it: ask before you pass these files on or publish them.")
    return ["Rights", "------", *_wrap(told), "",
            *_wrap("Players, producers and studios may hold rights in a recording. Whoever releases this kit must have "
                   "their consent.")]


def _wrap(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH)


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
