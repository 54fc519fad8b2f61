"""Names of mics as written at desks, and what they are taken for. All names: common practice, no source."""

from __future__ import annotations

import pytest

from oneshot.core.records.roles import Role
from oneshot.session.mic_names import KINDS, clean_name, kind_of, role_of, side_of, strip_common

CLOSE = [
    # name, drum, place
    ("Kick", "kick", None), ("kick", "kick", None), ("KICK", "kick", None), ("Kick In", "kick", "in"),
    ("KICK IN", "kick", "in"), ("kick_in", "kick", "in"), ("Kick-Inside", "kick", "in"), ("KickIn", "kick", "in"),
    ("KICKIN", "kick", "in"), ("kickin", "kick", "in"), ("Kick Beater", "kick", "in"), ("Kick Click", "kick", "in"),
    ("Kick Out", "kick", "out"), ("kick out", "kick", "out"), ("KickOut_01", "kick", "out"),
    ("KIK OUT", "kick", "out"), ("Kick Outside", "kick", "out"), ("Kick Reso", "kick", "out"),
    ("Kick Sub", "kick", "sub"), ("Sub Kick", "kick", "sub"), ("SubKick", "kick", "sub"), ("SUBKICK", "kick", "sub"),
    ("kck", "kick", None), ("BD", "kick", None), ("bd in", "kick", "in"), ("BDout", "kick", "out"),
    ("Bass Drum", "kick", None), ("BassDrum In", "kick", "in"), ("01 Kick", "kick", None),
    ("01_Kick In", "kick", "in"), ("1-Kick", "kick", None), ("03. Kick Out", "kick", "out"),
    ("Kick In-01", "kick", "in"), ("Kick In_bip", "kick", "in"), ("Kick In (2)", "kick", "in"),
    ("Kick In_T02", "kick", "in"), ("Kick In take 3", "kick", "in"), ("Take 3 Kick In", "kick", "in"),
    ("Kick In 48k 24bit", "kick", "in"), ("2024-03-11 Kick In", "kick", "in"), ("20240311_Kick In", "kick", "in"),
    ("Kick In 11.03.2024", "kick", "in"), ("Track 1 Kick", "kick", None), ("Trk05 - Kick", "kick", None),
    ("Kick 52", "kick", None), ("Kick Stem", "kick", None), ("Snare", "snare", None), ("Snare Top", "snare", "top"),
    ("snare_top", "snare", "top"), ("SnareTop01", "snare", "top"), ("snaretop", "snare", "top"),
    ("Snare Bottom", "snare", "bottom"), ("Snare Btm", "snare", "bottom"), ("SNARE BOT", "snare", "bottom"),
    ("Snare Under", "snare", "bottom"), ("Snare Over", "snare", "top"), ("Snare Wires", "snare", "bottom"),
    ("SN", "snare", None), ("SN T", "snare", "top"), ("SN B", "snare", "bottom"), ("SNT", "snare", "top"),
    ("SNB", "snare", "bottom"), ("SNtop", "snare", "top"), ("SN Btm", "snare", "bottom"),
    ("sn.under", "snare", "bottom"), ("SD", "snare", None), ("SD Top", "snare", "top"), ("SDbtm", "snare", "bottom"),
    ("Snr Up", "snare", "top"), ("Snr Dn", "snare", "bottom"), ("Snare 57", "snare", None),
    ("Snare Side", "snare", "side"), ("Side Snare", "side snare", None), ("Aux Snare Top", "side snare", "top"),
    ("Snare Brass Top", "snare", "top"), ("05_SnareBottom-02", "snare", "bottom"), ("Rimshot", "snare", None),
    ("Hat", "hat", None), ("HAT", "hat", None), ("Hats", "hat", None), ("HH", "hat", None), ("hh", "hat", None),
    ("HiHat", "hat", None), ("Hi-Hat", "hat", None), ("hi hat", "hat", None), ("hihat_02", "hat", None),
    ("High Hat", "hat", None), ("HH Top", "hat", "top"), ("Hat Under", "hat", "bottom"), ("Ride", "ride", None),
    ("RIDE", "ride", None), ("Ride Bell", "ride", "bell"), ("Ride Under", "ride", "bottom"),
    ("Ride 2", "ride 2", None), ("RD", "ride", None), ("Ride Cymbal", "ride", None), ("Crash", "crash", None),
    ("Crash 1", "crash 1", None), ("Crash2", "crash 2", None), ("Crash L", "crash left", None),
    ("crash_right", "crash right", None), ("Splash", "splash", None), ("China", "china", None),
    ("Stack", "stack", None), ("Cowbell", "cowbell", None), ("Cow Bell", "cowbell", None),
    ("Tambourine", "tambourine", None), ("Shaker", "shaker", None), ("Bongos", "bongo", None),
    ("Perc", "percussion", None), ("Wood Block", "woodblock", None), ("Tom", "tom", None), ("Tom 1", "tom 1", None),
    ("Tom1", "tom 1", None), ("TOM 2", "tom 2", None), ("tom_3", "tom 3", None), ("Tom-4", "tom 4", None),
    ("Tom 01", "tom 1", None), ("Tom-02", "tom 2", None), ("T1", "tom 1", None), ("t2", "tom 2", None),
    ("T 3", "tom 3", None), ("TM4", "tom 4", None), ("Tom One", "tom 1", None), ("Tom 1 Top", "tom 1", "top"),
    ("Tom 1 Btm", "tom 1", "bottom"), ("Tom 2_01", "tom 2", None), ("Tom 12", "tom 12", None), ("Tom 87", "tom", None),
    ("08 Tom 1", "tom 1", None), ("Rack", "rack", None), ("Rack Tom", "rack", None), ("RackTom", "rack", None),
    ("Rack 1", "rack 1", None), ("Rack Tom 2", "rack 2", None), ("RT", "rack", None), ("Floor", "floor", None),
    ("Floor Tom", "floor", None), ("FloorTom_03", "floor 3", None), ("floor tom 2", "floor 2", None),
    ("FT", "floor", None), ("FT2", "floor 2", None), ("Flr Tom", "floor", None), ("Floor Btm", "floor", "bottom"),
    ("Hi Tom", "high tom", None), ("High Tom", "high tom", None), ("Tom Hi", "high tom", None),
    ("HT", "high tom", None), ("Mid Tom", "mid tom", None), ("MidTom", "mid tom", None), ("Tom Mid", "mid tom", None),
    ("Low Tom", "low tom", None), ("Lo Tom", "low tom", None), ("LT", "low tom", None), ("Kick L", "kick left", None),
    ("Kick R In", "kick right", "in"),
]

FAR = [
    # name, role, side, pair stem
    ("OH", Role.OVERHEAD, None, None), ("OHs", Role.OVERHEAD, None, None), ("OH L", Role.OVERHEAD, "L", "OH"),
    ("OH R", Role.OVERHEAD, "R", "OH"), ("OH-L", Role.OVERHEAD, "L", "OH"), ("oh_r", Role.OVERHEAD, "R", "oh"),
    ("OHL", Role.OVERHEAD, "L", "OH"), ("OHR", Role.OVERHEAD, "R", "OH"), ("ohl", Role.OVERHEAD, "L", "oh"),
    ("OHLeft", Role.OVERHEAD, "L", "OH"), ("OH.L", Role.OVERHEAD, "L", "OH"), ("OH (L)", Role.OVERHEAD, "L", "OH"),
    ("L OH", Role.OVERHEAD, "L", "OH"), ("OH Left", Role.OVERHEAD, "L", "OH"), ("OH RT", Role.OVERHEAD, "R", "OH"),
    ("Overhead Left", Role.OVERHEAD, "L", "Overhead"), ("overheads_right", Role.OVERHEAD, "R", "overheads"),
    ("Over Head R", Role.OVERHEAD, "R", "Over Head"), ("OverheadL", Role.OVERHEAD, "L", "Overhead"),
    ("OH C", Role.OVERHEAD, None, None), ("OH Mono", Role.OVERHEAD, None, None),
    ("Mono OH", Role.OVERHEAD, None, None), ("OH Ride", Role.OVERHEAD, None, None),
    ("OH HH Side", Role.OVERHEAD, None, None), ("Over L", Role.OVERHEAD, "L", "Over"),
    ("Overs R", Role.OVERHEAD, "R", "Overs"), ("Cymbals L", Role.OVERHEAD, "L", "Cymbals"),
    ("Cyms", Role.OVERHEAD, None, None), ("07_OH L-01", Role.OVERHEAD, "L", "OH"),
    ("08_OH R-01", Role.OVERHEAD, "R", "OH"), ("OH L_T02", Role.OVERHEAD, "L", "OH"), ("Room", Role.ROOM, None, None),
    ("Room L", Role.ROOM, "L", "Room"), ("Room_R", Role.ROOM, "R", "Room"), ("ROOM LEFT", Role.ROOM, "L", "ROOM"),
    ("RoomL", Role.ROOM, "L", "Room"), ("Rm R", Role.ROOM, "R", "Rm"), ("Rooms", Role.ROOM, None, None),
    ("Mono Room", Role.ROOM, None, None), ("Room Mono", Role.ROOM, None, None), ("MONO", Role.ROOM, None, None),
    ("Mono", Role.ROOM, None, None), ("Room Far L", Role.ROOM, "L", "Room Far"), ("Far", Role.ROOM, None, None),
    ("Far L", Role.ROOM, "L", "Far"), ("Amb", Role.ROOM, None, None), ("Ambience R", Role.ROOM, "R", "Ambience"),
    ("Amb Far L", Role.ROOM, "L", "Amb Far"), ("Hallway", Role.ROOM, None, None), ("Stairs", Role.ROOM, None, None),
    ("Front of Kit", Role.ROOM, None, None), ("Crush", Role.ROOM, None, None), ("Room Crush", Role.ROOM, None, None),
    ("Crushed Room", Role.ROOM, None, None), ("Smash", Role.ROOM, None, None), ("Drum Bus", Role.BUS, None, None),
    ("Drums", Role.BUS, None, None), ("Drum Mix", Role.BUS, None, None), ("Stereo Mix", Role.BUS, None, None),
    ("DrumMix_01", Role.BUS, None, None), ("Mix L", Role.BUS, "L", "Mix"), ("Kick Bus", Role.BUS, None, None),
    ("Snare Verb", Role.BUS, None, None), ("Drum Crush", Role.BUS, None, None), ("Snare Smash", Role.BUS, None, None),
    ("Parallel", Role.BUS, None, None), ("Toms", Role.BUS, None, None), ("Toms L", Role.BUS, "L", "Toms"),
    ("Plate", Role.BUS, None, None), ("TB", Role.TALK, None, None), ("Talkback", Role.TALK, None, None),
    ("Talk", Role.TALK, None, None), ("Slate", Role.TALK, None, None), ("Click", Role.TALK, None, None),
    ("click track", Role.TALK, None, None), ("Guitar L", Role.IGNORE, "L", "Guitar"),
    ("Bass DI", Role.IGNORE, None, None), ("Bass", Role.IGNORE, None, None), ("Lead Vox", Role.IGNORE, None, None),
    ("Piano Room", Role.IGNORE, None, None),
]


def test_the_tables_are_as_large_as_promised() -> None:
    """At least 120 names, none twice."""
    names = [row[0] for row in CLOSE] + [row[0] for row in FAR]

    assert len(names) >= 120
    assert len(set(names)) == len(names)


@pytest.mark.parametrize(("name", "drum", "place"), CLOSE, ids=[row[0] for row in CLOSE])
def test_a_close_mic_is_known_by_its_name(name: str, drum: str, place: str | None) -> None:
    """Role, drum and place are read from the name."""
    guess = role_of(name)

    assert (Role.CLOSE, drum, place, True) == (guess.role, guess.drum, guess.place, guess.known)


@pytest.mark.parametrize(("name", "role", "side", "stem"), FAR, ids=[row[0] for row in FAR])
def test_any_other_mic_is_known_by_its_name(name: str, role: Role, side: str | None, stem: str | None) -> None:
    """Role, side and the pair's stem are read from the name; no drum is invented."""
    guess = role_of(name)

    assert (role, None, side, stem, True) == (guess.role, guess.drum, guess.side, guess.pair_stem, guess.known)


@pytest.mark.parametrize(("name", "drum"), [
    ("Kick Trig", "kick"), ("TRIG SN", "snare"), ("Snare Trigger", "snare"), ("Tom 2 trig", "tom 2"), ("Trig", None),
    ("kicktrig", "kick"), ("Trigger Floor Tom", "floor"), ("Piezo Conga", "conga"),
])
def test_a_trigger_knows_its_drum(name: str, drum: str | None) -> None:
    """A contact pickup finds hits of the drum its name holds."""
    guess = role_of(name)

    assert (Role.TRIGGER, drum, True) == (guess.role, guess.drum, guess.known)


@pytest.mark.parametrize("name", ["Audio 1", "Audio 1_03", "Untitled", "Mic 7", "xyz", "123", "New Recording-02",
                                  "Left", "Input 4", "Ölfass", "In", "Secret Song Idea"])
def test_a_name_that_says_nothing_is_a_room_and_not_known(name: str) -> None:
    """The default role is told apart from a role that was read."""
    guess = role_of(name)

    assert (Role.ROOM, None, False) == (guess.role, guess.drum, guess.known)


@pytest.mark.parametrize(("name", "cleaned"), [
    ("01_Kick", "Kick"), ("12-SN Top", "SN Top"), ("Kick-01", "Kick"), ("Kick_bip", "Kick"), ("Kick-01_bip-02", "Kick"),
    ("Kick (3)", "Kick"), ("Kick #2", "Kick"), ("Kick take 12", "Kick"), ("TK3_Kick", "Kick"),
    ("Kick_2024-03-11", "Kick"), ("240311 Kick", "Kick"), ("Kick 96k", "Kick"), ("120bpm Kick", "Kick"),
    ("Kick_edit_v2", "Kick"), ("808", "808"),
    ("01", "01"), ("take 3", "take 3"), ("Kick", "Kick"),
])
def test_cleaning_takes_off_what_says_nothing(name: str, cleaned: str) -> None:
    """Track numbers, dates, takes and export suffixes go; a name that is nothing else stays."""
    assert cleaned == clean_name(name)


@pytest.mark.parametrize(("left", "right"), [
    ("OH L", "OH R"), ("OH_L", "OH_R"), ("Overhead Left", "Overhead Right"), ("OHL", "OHR"), ("L Room", "R Room"),
    ("05_Room L", "06_Room R"), ("RoomFarL-01", "RoomFarR-01"), ("Left", "Right"), ("Snare.L", "Snare.R"),
])
def test_left_and_right_of_a_pair_share_a_stem(left: str, right: str) -> None:
    """The two names of a pair give the same stem and opposite sides."""
    a, b = role_of(left), role_of(right)

    assert a.pair_stem == b.pair_stem
    assert a.pair_stem
    assert ("L", "R") == (a.side, b.side)


@pytest.mark.parametrize("name", ["Floor", "Mixer", "Overall", "Ring", "Kick", "Crush", "Royal", "Rail"])
def test_a_word_that_starts_or_ends_with_l_or_r_has_no_side(name: str) -> None:
    """Letters of a word are no sides."""
    assert (None, None) == side_of(name)


def test_the_side_of_an_exported_channel_is_no_second_drum() -> None:
    """".L" is how one channel of a stereo file is exported; "Kick L" is the left of two kicks."""
    assert ("kick", "L") == (role_of("Kick.L").drum, role_of("Kick.L").side)
    assert ("kick left", None) == (role_of("Kick L").drum, role_of("Kick L").side)


@pytest.mark.parametrize(("drum", "kind"), [
    ("kick", "kick"), ("kick left", "kick"), ("snare", "snare"), ("side snare", "snare"), ("tom 1", "tom"),
    ("rack", "tom"), ("floor 2", "tom"), ("high tom", "tom"), ("hat", "hat"), ("hi-hat", "hat"),
    ("ride", "ride"), ("crash 2", "crash"), ("china", "china"), ("splash", "splash"), ("stack", "cymbal"),
    ("cowbell", "cowbell"), ("conga", "percussion"),
    ("tambourine", "tambourine"), ("anvil", "percussion"), ("BD", "kick"), ("FT", "tom"),
])
def test_every_drum_has_a_kind(drum: str, kind: str) -> None:
    """The kind follows from the drum's name, also from one a person chose."""
    assert kind == kind_of(drum)
    assert kind in KINDS


def test_every_drum_of_the_table_has_its_kind() -> None:
    """What the names above give are drums that kind_of understands; only percussion is "percussion"."""
    odd = {drum for _, drum, _ in CLOSE if kind_of(drum) == "percussion"}

    assert {"shaker", "bongo", "percussion", "woodblock"} == odd


def test_words_that_all_names_share_are_taken_off() -> None:
    """A song's title with a drum's name in it, and a take's number, do not decide roles."""
    names = ["Mix 3 Kick In_02", "Mix 3 Snare_02", "Mix 3 OH L_02"]

    assert ["Kick In", "Snare", "OH L"] == list(strip_common(names).values())


@pytest.mark.parametrize("names", [
    ["Kick In", "Kick Out", "Kick Sub"], ["Tom 1", "Tom 2", "Tom 3"], ["OH L", "OH R", "OH C"],
    ["Kick Mix", "Snare Mix"], ["Kick Bus", "Snare Bus", "Tom Bus"],
])
def test_a_shared_word_that_tells_the_role_stays(names: list[str]) -> None:
    """Only what leaves every name a role of its own is taken off."""
    assert names == list(strip_common(names).values())
