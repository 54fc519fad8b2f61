"""Names of mics, as written at desks, to roles: a literal table, first match wins.

A name is first cleaned of what says nothing about the mic (track numbers, dates, take and export suffixes), then of its
side (left, right), then written as lower-case words with single spaces ("01_KickIn-02" becomes "kick in"). The rows of
``ROWS`` are searched in it from top to bottom. A new name: one row.

All rows are common practice, no source: engineers name tracks by habit, not by a standard.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from oneshot.core.records.roles import Role

KINDS: tuple[str, ...] = ("kick", "snare", "tom", "hat", "ride", "crash", "splash", "china", "cymbal", "cowbell",
                          "tambourine", "percussion")
"""What a drum can be, whatever it is called."""


@dataclass(frozen=True, slots=True)
class RoleGuess:
    """What a name says. ``known`` is False where it says nothing and the role is the default.

    ``drum``: the drum a close mic or a trigger belongs to. ``place``: where at the drum ("in", "out", "sub", "top",
    "bottom", ...). ``side``: "L" or "R"; ``pair_stem``: the name without its side, the same for both of a pair.
    """

    role: Role
    drum: str | None
    place: str | None
    side: str | None
    pair_stem: str | None
    known: bool


_PART = (r"\b(kick|kik|kck|bass ?drum|bd|kd|snares?|snr|sn|sd|toms?|hi ?hats?|hats?|hh|drums?|drm|drms|drumkit|kit|"
         r"ride|crash|cymbals?|rack|floor)\b")
"""Any part of a kit: tells a crushed snare from a crushed room, and a brass snare from brass."""

ROWS: tuple[tuple[str, Role, str | None], ...] = (
    # talk and clocks; the click of a kick's beater is no metronome
    (r"\b(talk|talk ?back|tb|tbk|slate|comms?|listen mic)\b", Role.TALK, None),
    (r"\b(metronome|metro|clk|guide|scratch|cue|count ?(in|off)?|ltc|smpte|time ?code)\b", Role.TALK, None),
    (r"^(?!.*\b(kick|kik|bd|bass ?drum|snare)\b).*\bclick\b", Role.TALK, None),
    # other instruments and voices, which some sessions hold as well
    (rf"^(?!.*{_PART}).*\b(gtrs?|guitars?|banjo|mandolin|di|upright|double bass)\b", Role.IGNORE, None),
    (rf"^(?!.*{_PART}).*\bbass ?(di|amp|gtr|line|cab|mic)?\b", Role.IGNORE, None),
    (rf"^(?!.*{_PART}).*\b(vox|vocals?|voc|bgv|bv|bvs|choir|playback|backing)\b", Role.IGNORE, None),
    (rf"^(?!.*{_PART}).*\b(piano|pno|keys|keyboards?|synths?|organ|accordion)\b", Role.IGNORE, None),
    (rf"^(?!.*{_PART}).*\b(strings|violin|viola|cello|brass|horns?|trumpet|trombone|sax|flute)\b", Role.IGNORE, None),
    # contact pickups
    (r"\b(trigs?|triggers?|trg|trigg|piezo|contact)\b", Role.TRIGGER, "drum"),
    # sums, parallel buses and effect returns
    (rf"{_PART}( \w+)* (crush(ed)?|smash(ed)?|squash(ed)?|parallel|para|comp|ny)\b", Role.BUS, None),
    (r"\b(bus|buss|busses|group|grp|subgroup|sub ?grp|parallel|ny comp)\b", Role.BUS, None),
    (r"\b(mix|mixdown|mixed|submix|2 ?mix|2 ?trk|two ?track)\b", Role.BUS, None),
    (r"\b(master|main out|mains|sum|summed|stereo out)\b", Role.BUS, None),
    (r"\b(fx|efx|verb|reverb|rev|plate|spring|echo|delay|return|rtn)\b", Role.BUS, None),
    (r"\b(bounce|print|rough|loop|all drums|full kit|whole kit|drums? (all|out|stereo|full|st))\b", Role.BUS, None),
    # explicit overheads, before the drums whose side they may hang on ("OH Ride")
    (r"\b(oh|ohs|o h|o hs|over ?heads?|overhds?|ovhd?s?|ovrhds?|under ?heads?)\b", Role.OVERHEAD, None),
    # explicit rooms
    (r"\b(rooms?|rms?|ambs?|ambi|ambient|ambience|ambiance)\b", Role.ROOM, None),
    (r"\b(hall|hallway|corridor|stairs?|stairwell|stair ?case|chamber)\b", Role.ROOM, None),
    # drums
    (r"\b(kicks?|kik|kck|kic|kk|bd|b d|bass ?drum|bdr|kd|gran ?cassa|beater|foot drum|sub ?kick|sub ?kik)\b",
     Role.CLOSE, "kick"),
    (r"\b(side|aux|second|2 nd|piccolo|pic) (snare|sn|sd|snr)\b", Role.CLOSE, "side snare"),
    (r"\b(snare|snare ?drum) (aux|second|2 nd)\b", Role.CLOSE, "side snare"),
    (r"\b(snares?|snaredrum|snr|snre|sn|sna|sd|s d|snt|snb|sdt|sdb)\b", Role.CLOSE, "snare"),
    (r"\b(rim|rim ?shot|side ?stick|cross ?stick|x ?stick)\b", Role.CLOSE, "snare"),
    (r"\b(hi ?hats?|high ?hats?|hats?|hh|h h|hhat|hht)\b", Role.CLOSE, "hat"),
    (r"\b(rides?|(?<!\d )rd|rid)\b", Role.CLOSE, "ride"),
    (r"\b(chinas?|chinese|swish|pang)\b", Role.CLOSE, "china"),
    (r"\b(splash|splashes|spl)\b", Role.CLOSE, "splash"),
    (r"\b(crash|crashes|crsh|crs|cr)\b", Role.CLOSE, "crash"),
    (r"\b(stack|stacker|gong|tam ?tam|sizzle|effect cym(bal)?)\b", Role.CLOSE, "stack"),
    # toms: all of them in one, by register, by number
    (r"\btoms\b(?! ?\d)", Role.BUS, None),
    (r"\b(floors?|floor ?tom|flr|ft|f t|fltom|ftom|flt)\b", Role.CLOSE, "floor"),
    (r"\b(racks?|rack ?tom|rk|rt|r t|rtom|rck)\b", Role.CLOSE, "rack"),
    (r"\b((hi|high|upper|small|sm) ?tom|tom (hi|high|upper|small|sm)|ht|htom)\b", Role.CLOSE, "high tom"),
    (r"\b((mid|middle|med|medium) ?tom|tom (mid|middle|med|medium)|mt|mtom)\b", Role.CLOSE, "mid tom"),
    (r"\b((lo|low|lower|large|lg|big) ?tom|tom (lo|low|lower|large|lg|big)|lt|ltom)\b", Role.CLOSE, "low tom"),
    (r"\b(toms?|tomtom|tm|t(?= \d)|^t$|tt)\b", Role.CLOSE, "tom"),
    # percussion around the kit
    (r"\b(cow ?bell|cowb|cb)\b", Role.CLOSE, "cowbell"),
    (r"\b(tambourine|tamb|tambo|tamby)\b", Role.CLOSE, "tambourine"),
    (r"\b(conga|bongo|timbale|djembe|cajon|shaker|cabasa|guiro|clave|maraca|triangle)s?\b", Role.CLOSE, "="),
    (r"\b(wood ?block|agogo|udu|darbuka|surdo|octoban|roto ?tom)s?\b", Role.CLOSE, "="),
    (r"\b(perc|percs|percussion|block|chimes?|bells?)\b", Role.CLOSE, "percussion"),
    # a set of cymbal mics stands where overheads stand
    (r"\b(overs?|cymbals?|cyms?|cymbs?|tops?)\b", Role.OVERHEAD, None),
    # trade talk for mics further off, and for the room mic that is crushed by its compressor
    (r"\b(fars?|distant|dist|back ?wall|wall|outside|wide|house|mono)\b", Role.ROOM, None),
    (r"\b(front of kit|kit front|front kit|fok|knee|crotch)\b", Role.ROOM, None),
    (r"\b(crush(ed|er)?|smash(ed)?|squash(ed)?|trash|trashy|dirt|dirty)\b", Role.ROOM, None),
    # and a kit as such
    (r"\b(drums?|drm|drms|drumkit|kits?)\b", Role.BUS, None),
)
"""(pattern, role, drum): drum "drum" is looked up in the rows of drums, "=" is the word that matched."""

PLACES: tuple[tuple[str, str, str], ...] = (
    ("kick", r"\b(sub|sub ?kick|sub ?kik|speaker)\b", "sub"),
    ("kick", r"\b(in|ins|inside|inner|int|interior|beater|batter|click|attack)\b", "in"),
    ("kick", r"\b(out|outs|outside|outer|ext|exterior|reso|resonant|front|shell|far|hole|port)\b", "out"),
    ("snare", r"\b(bottom|bot|bott|bttm|btm|bt|bm|btt|b|snb|sdb)\b", "bottom"),
    ("snare", r"\b(under|underneath|beneath|lower|wires?|dn|down|reso)\b", "bottom"),
    ("snare", r"\b(top|tp|upper|snt|sdt|batter|over|up|t)\b", "top"),
    ("snare", r"\b(side|shell)\b(?! ?(snare|stick))", "side"),
    ("tom", r"\b(bottom|bot|bott|bttm|btm|under|underneath|beneath|reso)\b", "bottom"),
    ("tom", r"\b(top|batter)\b", "top"),
    ("hat", r"\b(bottom|bot|btm|under)\b", "bottom"),
    ("hat", r"\b(top)\b", "top"),
    ("ride", r"\b(bottom|bot|btm|under)\b", "bottom"),
    ("ride", r"\b(bell)\b", "bell"),
)
"""(kind, pattern, place), first match wins."""

_NUMBERED = {"kick": False, "snare": False, "hat": False, "ride": True, "crash": True, "china": True, "splash": True,
             "stack": True, "tom": True, "high tom": False, "mid tom": False, "low tom": False, "floor": True,
             "rack": True}
_SEVERAL = ("kick", "tom", "crash", "china", "splash", "cymbal")
"""Kinds of which a kit often has a left and a right one."""

_LARGEST_INCHES = 20
_NUMBER_WORDS = {"one": "1", "two": "2", "three": "3", "four": "4", "five": "5", "six": "6"}
_KIND_ROWS: tuple[tuple[str, str], ...] = (
    (r"\b(kick|bass drum|bd)\b", "kick"), (r"\bsnare\b", "snare"), (r"\b(hat|hi hat|hihat|hats)\b", "hat"),
    (r"\bride\b", "ride"), (r"\bcrash\b", "crash"), (r"\bsplash\b", "splash"), (r"\bchina\b", "china"),
    (r"\b(tom|toms|rack|floor)\b", "tom"), (r"\bcow ?bell\b", "cowbell"), (r"\btambourine\b", "tambourine"),
    (r"\b(cymbal|stack|gong)\b", "cymbal"))


def kind_of(drum: str) -> str:
    """The kind, one of ``KINDS``, of a drum by its name ("floor" is a tom); "percussion" where that is unknown."""
    words = _words(drum)
    for pattern, kind in _KIND_ROWS:
        if re.search(pattern, words):
            return kind
    guess = _first_row(words)
    if guess is not None and guess[0] is Role.CLOSE:
        for pattern, kind in _KIND_ROWS:
            if re.search(pattern, str(guess[1])):
                return kind
    return "percussion"


def drum_of(name: str) -> str:
    """A drum's name as mics are understood ("floor tom" is "floor", "Hi-Hat" is "hat"); as it stands, in small letters,
    where no row knows it.
    """
    guess = role_of(name)
    return guess.drum if guess.role is Role.CLOSE and guess.drum is not None else " ".join(name.split()).lower()


def role_of(name: str) -> RoleGuess:
    """Role, drum, place and side of a mic by its name. A name that says nothing is a room with ``known`` False."""
    cleaned = clean_name(name)
    side, stem = side_of(cleaned)
    words = _words(stem or cleaned)
    row = _first_row(words)
    if row is None:
        return RoleGuess(Role.ROOM, None, None, side, stem, known=False)
    role, drum = row
    if role.means.at_drum:
        kind = kind_of(drum) if drum else None
        place = _place(kind, words) if kind else None
        if kind in _SEVERAL and side is not None and not re.search(r"\.[LR]$", cleaned):
            # "Crash L" is the left one of two; ".L" is how one side of a stereo file is exported
            return RoleGuess(role, f"{drum} {'left' if side == 'L' else 'right'}", place, None, None, known=True)
        return RoleGuess(role, drum, place, side, stem, known=True)
    return RoleGuess(role, None, None, side, stem, known=True)


def numbered(name: str) -> tuple[str, int] | None:
    """A mic's name without the number at its end, and the number; None without one. Track numbers before the name and
    what exports put behind it are no part of either.
    """
    for text in (clean_name(name), _repeat(_LEADING, unicodedata.normalize("NFKC", name).strip())):
        match = re.fullmatch(r"(.*?[^\W\d_])[-_. #]*0*(\d{1,2})", text)
        if match is not None:
            return match[1], int(match[2])
    return None


# ------------------------------------------------------------------------------------------------------------- cleaning

_DATE = (r"(?:19|20)\d\d[-_. ]?[01]\d[-_. ]?[0-3]\d|[0-3]?\d[-_.][01]?\d[-_.](?:20)?\d\d|\d{6}|"
         r"[0-2]\d[-.h][0-5]\d[-.m][0-5]\d")
_LEADING = re.compile(rf"^(?:(?:{_DATE})(?=[^0-9]|$)|(?:track|trk|tr|ch|chan|channel|input|inp|audio|aud)[-_ .#]*\d+"
                      r"|[a-d]?\d{1,3}(?=[-_. )\]]))[-_. )\]]+(?=\w)", re.IGNORECASE)
_ANYWHERE = (
    re.compile(rf"(?<![0-9A-Za-z])(?:{_DATE})(?![0-9])"),
    re.compile(r"(?<![A-Za-z])(?:take|tk|tke)[-_. #]*\d+(?![0-9])", re.IGNORECASE),
    re.compile(r"(?<![A-Za-z])\d+[-_. ]?bpm(?![A-Za-z])", re.IGNORECASE),
    re.compile(r"(?<![A-Za-z0-9])(?:44|48|88|96|176|192)(?:[.,]?[124])?[-_ ]?k(?:hz)?(?![A-Za-z])", re.IGNORECASE),
    re.compile(r"(?<![A-Za-z0-9])(?:16|24|32)[-_ ]?bits?(?![A-Za-z])", re.IGNORECASE),
)
_TRAILING = re.compile(
    r"(?:[-_. ]+(?:bip|cm|cons|consolidated|edit|edited|edt|ed|raw|dry|rec|recorded|final|copy|dup\d*|exported|export|"
    r"rendered|render|bnc|bounced|bounce|printed|print|stems?|flat|comped|v\d+|t0\d+|t\d\d+|dt\d*)"
    r"|[-_. ]*\(\d+\)|[-_. ]*#\d+)$", re.IGNORECASE)
_TRAILING_NUMBER = re.compile(r"[-_.]0\d+$|[-_]\d{3,}$|-\d\d$")
_KEEPS_NUMBER = re.compile(r"(?:toms?|^t|rack|floor|crash|ride|china|splash|oh|overheads?)[-_. ]?0\d$", re.IGNORECASE)


def clean_name(name: str) -> str:
    """A mic's name without track numbers, dates, take and export suffixes; as it stands if nothing else is left."""
    text = unicodedata.normalize("NFKC", name).strip()
    for pattern in _ANYWHERE:
        text = pattern.sub(" ", text) if pattern.sub("", text).strip(" -_.") else text
    text = text.strip(" -_.")
    text = _repeat(_LEADING, text)
    while True:
        shorter = _repeat(_TRAILING, text)
        if not _KEEPS_NUMBER.search(shorter):
            shorter = _repeat(_TRAILING_NUMBER, shorter)
        if shorter == text:
            break
        text = shorter
    return re.sub(r" {2,}", " ", text) or name


def _repeat(pattern: re.Pattern[str], text: str) -> str:
    """Take the pattern off as often as it is there, as long as a letter remains."""
    while True:
        shorter = pattern.sub("", text).strip(" -_.")
        if shorter == text or not re.search(r"[A-Za-z]", shorter):
            return text
        text = shorter


def strip_common(names: Sequence[str]) -> dict[str, str]:
    """Each name to what is left of it without the words all names share (a song's title, a take's number).

    A shared beginning goes only if every rest still tells a role; a shared ending only if it is a number. With fewer
    than three names, nothing is "shared".
    """
    whole = {name: name for name in names}
    if len(names) < 3:
        return whole
    split = [re.split(r"([-_. ]+)", name) for name in names]
    head = 0
    while all(len(s) > head + 2 and s[head:head + 2] == split[0][head:head + 2] for s in split):
        head += 2
    rests = ["".join(s[head:]) for s in split]
    if head and all(role_of(rest).known for rest in rests):
        split = [s[head:] for s in split]
    while all(len(s) > 2 and s[-2:] == split[0][-2:] and s[-1].isdigit() for s in split):
        split = [s[:-2] for s in split]
    return {name: "".join(s) for name, s in zip(names, split, strict=True)}


# ---------------------------------------------------------------------------------------------------------------- words

_ABBREVIATION = re.compile(r"(?<![A-Za-z])(OH|SN|SD|BD|HH|FT|RT|RM|KD|KIK|SNR|TOM|AMB)(?=[a-z]{2})")
_GLUED = re.compile(r"\b(kick|kik|bd|snare|snr|sn|sd|tom|rack|floor|overheads?|oh|rooms?|hat|hh|ride|crash|drums?|mono)"
                    r"(inside|outside|in|out|sub|top|tp|bottom|bot|btm|under|tom|mono|mix|bus|trig|trigger|room|far|oh|verb)\b")
_SIDES = (
    re.compile(r"(?i)(?:^|(?<=[-_. (]))(?P<side>left|right|lft|rgt|rght|l|r)(?=$|[-_. )])"),
    re.compile(r"(?<=[a-z])(?P<side>Left|Right|L|R)(?=$|[-_. 0-9])"),
    re.compile(r"(?<![A-Za-z])(?i:OH|OHS|RM|RMS|AMB|ROOM|ROOMS|OVERHEAD|OVERHEADS|OVER|MIX|BUS|FAR|MONO)"
               r"[-_. ]?(?P<side>(?i:LEFT|RIGHT|LT|RT)|[LRlr])(?=$|[-_. 0-9])"),
    re.compile(r"(?<=[a-z0-9 _-])(?P<side>\(?(?:L|R)\)?)$"),
)


def side_of(name: str) -> tuple[str | None, str | None]:
    """("L" or "R", name without it), or (None, None). The name is taken as it stands: clean it before.

    A name that is nothing but a side ("Left", "R") belongs to a pair called "Stereo".
    """
    for pattern in _SIDES:
        found = list(pattern.finditer(name))
        if not found:
            continue
        at = found[-1]
        side = "L" if at["side"].strip("()").lower().startswith("l") else "R"
        left, right = name[:at.start("side")].rstrip(" -_.("), name[at.end("side"):].lstrip(" -_.)")
        joint = name[:at.start("side")][len(left):][:1] or " "
        stem = f"{left}{joint}{right}" if left and right else left or right
        return side, stem or "Stereo"
    return None, None


def _words(text: str) -> str:
    """Lower-case words and numbers with single spaces: camelCase is split, delimiters go, "1" leaves "Tom1"."""
    text = _ABBREVIATION.sub(r"\1 ", unicodedata.normalize("NFKC", text))
    text = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z]{2})", " ", text)
    text = re.sub(r"(?<=[A-Za-z])(?=\d)|(?<=\d)(?=[A-Za-z])", " ", text)
    words = _GLUED.sub(r"\1 \2", re.sub(r"[^a-z0-9]+", " ", text.casefold())).split()
    return " ".join(_NUMBER_WORDS.get(word, word.lstrip("0") or "0" if word.isdigit() else word) for word in words)


def _first_row(words: str) -> tuple[Role, str | None] | None:
    """Role and drum of the first row found in the words; None where none is."""
    for pattern, role, drum in ROWS:
        found = re.search(pattern, words)
        if found is None:
            continue
        if drum == "drum":
            return role, _drum_of(words)
        if drum == "=":
            return role, found.group(1).replace(" ", "")
        return role, _numbered(drum, words, found.end()) if drum else None
    return None


def _drum_of(words: str) -> str | None:
    """The drum a trigger sits on: the first row for a drum that is found in its name."""
    for pattern, role, drum in ROWS:
        if role is Role.CLOSE and drum is not None and (found := re.search(pattern, words)):
            return found.group(1).replace(" ", "") if drum == "=" else _numbered(drum, words, found.end())
    return None


def _numbered(drum: str, words: str, after: int) -> str:
    """The drum's name with the number that follows its word, where there may be several of it ("tom 1", "tom 12").

    Larger numbers than a tom has inches are a mic's model ("Tom 87").
    """
    if not _NUMBERED.get(drum, False):
        return drum
    number = re.match(r"\D{0,12}?(\d{1,2})\b", words[after:])
    return f"{drum} {number.group(1)}" if number and 0 < int(number.group(1)) <= _LARGEST_INCHES else drum


def _place(kind: str, words: str) -> str | None:
    for row_kind, pattern, place in PLACES:
        if row_kind == kind and re.search(pattern, words):
            return place
    return None
