"""Rig files: what is built from them, and every fault at once with its line."""

import pickle
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zerobeat.engine.settings import Zone
from zerobeat.errors import ConfigError
from zerobeat.state.state_directory import load_rig
from zerobeat.state.store import Store

RIG = """\
middle_c: C4
program_numbers_from: 1
concert_a_hz: 442
inputs:
  keys:
    port: "Stage Keys:Stage Keys MIDI 1"
    channel_number: 1
    wheel_cents: 700
    active_sensing: false
  steps: {port_pattern: "Step Box:*"}
clock_from: steps
converters:
  quad:
    port: "quad:quad MIDI 1"
    converter:
      bend_range_semitones: 2
      bend_range: fixed
      zero_volt_note: C2
      lowest_note: C1
      highest_note: C8
      overlap: legato
      bend_with_gate_low: false
      settle_ms: 1.5
      gate_gap_ms: 3
      bytes_per_second: din
      errors_follow: volts
    pass_channel_numbers: [10]
    pass: [clock, transport]
    panic_controllers: false
voices:
  reed: {converter: quad, channel_number: 1, profile: none}
  floor:
    converter: quad
    channel_number: 16
    profile: none
    panel_octaves: -1
    bend_range_semitones: 12
    gate: ignored
    tail_s: 2.5
    lowest_note: 24
    highest_note: C4
scene:
  all: {scale: dorian, root: D}
  voices:
    floor: {start_key: C2, scale: continuous}
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    return tmp_path


def load(folder: Path, text: str):
    path = folder / "rig.yaml"
    path.write_text(text)
    return load_rig(path)


def problems(folder: Path, text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        load(folder, text)
    return [line.removeprefix(f"{folder}/") for line in caught.value.problems]


def changed(old: str, new: str) -> str:
    assert RIG.count(old) == 1
    return RIG.replace(old, new)


def line_of(text: str, rig: str = RIG) -> int:
    return next(i for i, line in enumerate(rig.splitlines(), 1) if text in line)


def test_a_rig_says_what_its_file_says(folder):
    loaded = load(folder, RIG)
    rig = loaded.rig
    keys, steps = rig.inputs
    assert (keys.name, keys.port) == ("keys", "Stage Keys:Stage Keys MIDI 1")
    assert (keys.channel, keys.wheel_cents, keys.active_sensing) == (0, 700.0, False)
    assert (steps.port, steps.port_is_pattern, steps.channel) == ("Step Box:*", True, None)
    (output,) = rig.outputs
    assert (output.pass_channels, output.pass_classes) == ((9,), ("clock", "transport"))
    assert output.panic_controllers is False
    converter = output.converter
    assert (converter.bend_range_cents, converter.sends_bend_range) == (200.0, False)
    assert (converter.zero_volt_note, converter.lowest_note, converter.highest_note) == (
        36,
        24,
        108,
    )
    assert (converter.overlap, converter.bend_with_gate_low) == ("legato", False)
    assert (converter.settle_s, converter.gate_gap_s) == (0.0015, 0.003)
    # 31,250 baud at ten bits a byte (MIDI 1.0 Detailed Specification, Hardware).
    assert converter.bytes_per_second == 3125
    reed, floor = rig.voices
    assert (reed.channel, reed.bend_range_cents, reed.lowest_note, reed.highest_note) == (
        0,
        200,
        24,
        108,
    )
    assert (floor.channel, floor.bend_range_cents, floor.panel_octaves) == (15, 1200.0, -1)
    assert (floor.lowest_note, floor.highest_note) == (24, 60)
    assert (floor.gate_ignored, floor.tail_s, reed.gate_ignored) == (True, 2.5, False)
    assert (rig.clock_from, rig.concert_a_hz, rig.start_scene) == ("steps", 442.0, "start")
    (scene,) = loaded.scenes
    assert (scene.of("reed").root, scene.of("floor").start_key) == (62, 36)
    assert scene.of("reed").scale.name == "dorian"
    assert scene.of("floor").scale is None
    assert loaded.warnings == []
    assert loaded.files_read == (folder / "rig.yaml",)


def test_middle_c_moves_every_name_and_no_number(folder):
    text = changed("middle_c: C4", "middle_c: C3").replace("lowest_note: 24", "lowest_note: 40")
    rig = load(folder, text).rig
    assert rig.middle_c_octave == 3
    assert rig.outputs[0].converter.zero_volt_note == 48
    assert (rig.voices[1].lowest_note, rig.voices[1].highest_note) == (40, 72)


# Each entry: what is changed in the rig above, and the fault's text after its line.
FAULTS = [
    (
        "concert_a_hz: 442",
        "concert_a_hz: 140",
        "concert_a_hz: found 140; allowed: a number, 390 to 490",
    ),
    (
        "middle_c: C4",
        "middle_c: C9",
        "middle_c: found C9; allowed: the name of key 60 here: C3, C4 or C5",
    ),
    (
        "program_numbers_from: 1",
        "program_numbers_from: 2",
        "program_numbers_from: found 2; allowed: a whole number, 0 to 1",
    ),
    (
        '"Stage Keys:Stage Keys MIDI 1"',
        "keys 20:0",
        (
            "inputs.keys.port: found keys 20:0, with numbers that change at each start; allowed: "
            "client name and port name, as keys ('zerobeat ports' lists them)"
        ),
    ),
    ('"Stage Keys:Stage Keys MIDI 1"', '"20:0"', "inputs.keys.port: found 20:0, with numbers"),
    ('"Stage Keys:Stage Keys MIDI 1"', "hw:1,0", "inputs.keys.port: found hw:1,0, with numbers"),
    (
        '"Stage Keys:Stage Keys MIDI 1"',
        '"a2j:Stage Keys [20] (capture): Stage Keys MIDI 1"',
        (
            "inputs.keys.port: found a2j:Stage Keys [20] (capture): Stage Keys MIDI 1, with a "
            "number that "
            'changes at each start; allowed: port_pattern: "a2j:Stage Keys * (capture): Stage '
            'Keys MIDI 1"'
        ),
    ),
    ('"Step Box:*"', '"Step Box 128:*"', None),
    (
        '"quad:quad MIDI 1"',
        '"quad:quad MIDI 1 24:0"',
        "converters.quad.port: found quad:quad MIDI 1 24:0",
    ),
    (
        "clock_from: steps",
        "clock_from: step",
        "clock_from: found step; allowed: an input of the rig: keys, steps (did you mean steps?)",
    ),
    (
        "pass_channel_numbers: [10]",
        "pass_channel_numbers: [1]",
        (
            "converters.quad.pass_channel_numbers: found 1, the channel of reed; allowed: channels "
            "no voice uses"
        ),
    ),
    (
        "pass: [clock, transport]",
        "pass: [clock, clok]",
        (
            "converters.quad.pass[1]: found clok; allowed: clock, transport, controllers, "
            "pressure, program, "
            "sysex, active_sensing (did you mean clock?)"
        ),
    ),
    (
        "channel_number: 16",
        "channel_number: 1",
        "voices.floor.channel_number: found 1 of quad, where reed is; allowed: one voice a channel",
    ),
    (
        "channel_number: 16",
        "channel_number: 0",
        "voices.floor.channel_number: found 0; allowed: a whole number, 1 to 16",
    ),
    (
        "    converter: quad\n",
        "    converter: quat\n",
        (
            "voices.floor.converter: found quat; allowed: a name under converters: quad (did you "
            "mean quad?)"
        ),
    ),
    (
        "lowest_note: 24",
        "lowest_note: 12",
        "voices.floor.lowest_note: found 12; allowed: 24 to 108, the range of the converter",
    ),
    (
        "highest_note: C4",
        "highest_note: C9",
        "voices.floor.highest_note: found 120; allowed: 24 to 108, the range of the converter",
    ),
    (
        "      highest_note: C8",
        "      highest_note: C0",
        "converters.quad.converter.highest_note: found 12; allowed: lowest_note (24) or above",
    ),
    ("gate: ignored", "gate: off", "voices.floor.gate: found off; allowed: closes, ignored"),
    (
        "overlap: legato",
        "overlap: yes",
        "converters.quad.converter.overlap: found yes; allowed: legato, retriggers, unsafe",
    ),
    (
        "bytes_per_second: din",
        "bytes_per_second: fast",
        (
            "converters.quad.converter.bytes_per_second: found fast; allowed: din (3125), usb "
            "(no limit) "
            "or a whole number, 100 to 10000000"
        ),
    ),
    (
        "    floor: {start_key: C2, scale: continuous}",
        "    reed: {start_key: C2}",
        "scene.voices.reed.start_key: found 36; allowed for a voice with gate: ignored in the rig",
    ),
    (
        "    floor: {start_key: C2, scale: continuous}",
        "    flor: {}",
        (
            "scene.voices.flor: found flor; allowed: a voice of the rig: reed, floor (did you mean "
            "floor?)"
        ),
    ),
    (
        "    floor: {start_key: C2, scale: continuous}",
        "    all: {}",
        (
            "scene.voices.all: found the name all; allowed: a name of up to 40 printable "
            "characters other "
            "than all, none, scene, tonight (for all voices: all, beside voices)"
        ),
    ),
    (
        "    floor: {start_key: C2, scale: continuous}",
        "    none: {}",
        "scene.voices.none: found the name none; allowed: a name of up to 40 printable characters",
    ),
    ("scale: dorian", "scale: dorain", "scene.all.scale: found dorain; allowed: "),
    (
        "scale: dorian",
        "scale: [0, 100, 0]",
        "scene.all.scale: found a scale with a period of 0 cents; allowed: above 0, or fit: keys",
    ),
    (
        "scale: dorian",
        "degrees: 2",
        "scene.all.degrees: found 2 with a continuous scale; allowed: degrees with a scale",
    ),
    ("settle_ms", "setle_ms", "converters.quad.converter.setle_ms: found unknown key; allowed: "),
    ("tail_s", "tale_s", "voices.floor.tale_s: found unknown key; allowed: "),
    ("concert_a_hz", "concert_a", "concert_a: found unknown key; allowed: "),
]


@pytest.mark.parametrize(("old", "new", "fault"), FAULTS)
def test_a_fault_names_line_key_found_and_allowed(folder, old, new, fault):
    text = changed(old, new)
    if fault is None:  # the number of a client with a wildcard is no port number
        assert load(folder, text).rig
        return
    (line,) = problems(folder, text)
    number = RIG[: RIG.index(old)].count("\n") + 1
    assert line.startswith(f"rig.yaml:{number}: {fault}")


@pytest.mark.parametrize(
    ("name", "fault"),
    [
        (22 * "é", "found a name of 44 bytes; allowed: 43, which is what the name of a port holds"),
        ('"\\ud800"', "found half a character; allowed: Unicode text"),
    ],
)
def test_a_name_that_no_port_can_have_is_refused(folder, name, fault):
    (line,) = problems(folder, changed("  keys:", f"  {name}:"))
    assert f": {fault}" in line


@pytest.mark.parametrize(
    "port", ["midi2:out", "Stage Keys:MIDI 1 [usb 1-1.2]", "Box 2:Box 2 MIDI 1", "osc:midi_00"]
)
def test_stable_port_names_are_taken(folder, port):
    loaded = load(folder, changed('"quad:quad MIDI 1"', f'"{port}"'))
    assert loaded.rig.outputs[0].port == port
    assert loaded.warnings == []


def test_a_port_without_a_colon_is_warned_of(folder):
    (warning,) = load(folder, changed('"quad:quad MIDI 1"', "quad")).warnings
    assert "converters.quad.port: found quad; ports are named client:port" in warning


def test_every_misspelt_key_is_found_with_its_line(folder):
    """Requirement C1: misspell each key of the sample."""
    keys = 0
    for number, line in enumerate(RIG.splitlines(), 1):
        name, colon, rest = line.partition(":")
        if not colon or name.strip() in ("keys", "steps", "quad", "reed", "floor"):
            continue
        lines = RIG.splitlines()
        lines[number - 1] = f"{name}x:{rest}"
        found = problems(folder, "\n".join(lines))
        mark = f"rig.yaml:{number}: "
        wanted = [p for p in found if p.startswith(mark) and "found unknown key" in p]
        if name.strip() in ("inputs", "voices", "converters", "all", "scene"):
            assert wanted
        else:
            (fault,) = wanted
            first = fault.partition("allowed: ")[2].split(", ")[0]  # the nearest, or all of three
            assert first == name.strip() or f"(did you mean {name.strip()}?)" in fault
        keys += 1
    assert keys > 25


def test_all_faults_come_at_once_in_file_order(folder):
    text = RIG
    for old, new in [
        ("442", "nan"),
        ("C8", "H8"),
        ("channel_number: 16", "channel_number: yes"),
        ("root: D", "root: 200"),
    ]:
        text = text.replace(old, new)
    found = problems(folder, text)
    assert len(found) == 4
    numbers = [int(line.split(":")[1]) for line in found]
    assert numbers == sorted(numbers)


def test_faults_of_named_files_name_those_files(folder):
    (folder / "scenes").mkdir()
    (folder / "scenes" / "slow.yaml").write_text("hold: note\nassing: rotate\n")
    (folder / "own.yaml").write_text("settle_ms: -1\n")
    text = changed("clock_from: steps", "clock_from: steps\nscenes: [slow]")
    at = text.index("    converter:\n")
    end = text.index("    pass_channel_numbers")
    found = problems(folder, text[:at] + "    converter: own.yaml\n" + text[end:])
    assert found[0] == "own.yaml:1: settle_ms: found -1; allowed: a number, 0 to 100"
    assert found[1].startswith("scenes/slow.yaml:2: assing: found unknown key; allowed: assign, ")


def test_inputs_on_one_port_need_channels_of_their_own(folder):
    twice = '  more: {port: "Stage Keys:Stage Keys MIDI 1", channel_number: %d}\nclock_from'
    (line,) = problems(folder, changed("clock_from", twice % 1))
    assert "inputs.more.port: found the port of keys" in line
    assert len(load(folder, changed("clock_from", twice % 2)).rig.inputs) == 3


def test_two_scenes_cannot_share_a_program(folder):
    (folder / "a.yaml").write_text("program: 3\n")
    (folder / "b.yaml").write_text("program: 3\nbank: 2\n")
    (line,) = problems(folder, changed("clock_from", "scenes: [a, b]\nclock_from"))
    assert "scenes: found program 3 in a and in b; allowed: each program once a bank" in line
    (folder / "a.yaml").write_text("program: 3\nbank: 1\n")
    scenes = load(folder, changed("clock_from", "scenes: [a, b]\nclock_from")).scenes
    assert [(s.name, s.program, s.bank) for s in scenes[1:]] == [("a", 2, 1), ("b", 2, 2)]


@pytest.mark.parametrize(("first", "wire"), [(0, 3), (1, 2)])
def test_programs_are_counted_as_the_rig_says(folder, first, wire):
    """Requirement F1."""
    (folder / "a.yaml").write_text("program: 3\n")
    text = changed("program_numbers_from: 1", f"program_numbers_from: {first}\nscenes: [a]")
    assert load(folder, text).scenes[-1].program == wire
    (folder / "a.yaml").write_text(f"program: {first + 128}\n")
    (line,) = problems(folder, text)
    assert line.endswith(f"allowed: a whole number, {first} to {first + 127}")


def test_a_clock_trigger_needs_a_clock(folder):
    scene = "scene:\n  hold: trigger\n  triggers: [clock: {every: 2, unit: bars}]"
    trigger = load(folder, changed("scene:", scene)).scenes[0].triggers[0]
    assert (trigger.kind, trigger.every, trigger.unit) == ("clock", 2, "bar")
    text = changed("scene:", scene).replace("clock_from: steps\n", "")
    (line,) = problems(folder, text)
    assert "scene.triggers[0].clock: found a clock trigger; needed: clock_from" in line


def test_zones_name_voices_and_inputs_of_the_rig(folder):
    zones = (
        "scene:\n  zones:\n"
        "    - {voices: [reed], inputs: [keys], channel_numbers: [1], highest_key: 59}"
    )
    scene = load(folder, changed("scene:", zones)).scenes[0]
    assert scene.zones == (Zone(("reed",), "unison", ("keys",), (0,), 0, 59),)
    one, two = problems(
        folder, changed("scene:", zones.replace("reed", "red").replace("keys", "kes"))
    )
    assert "zones[0].inputs: found kes" in one or "zones[0].inputs: found kes" in two
    assert "zones[0].voices[0]: found red; allowed: a voice of the rig" in one + two
    rotate = load(folder, changed("scene:", "scene:\n  assign: rotate")).scenes[0]
    assert rotate.zones == (Zone(("reed", "floor"), "rotate"),)


# ---------------------------------------------------------------- finding files


def test_a_missing_file_says_where_it_was_looked_for_and_near_names(folder):
    (folder / "scenes").mkdir()
    (folder / "scenes" / "slow.yaml").write_text("hold: note\n")
    (line,) = problems(folder, changed("clock_from", "scenes: [slw]\nclock_from"))
    assert f"found slw: no file slw in {folder}/state/scenes, {folder}, {folder}/scenes, " in line
    assert "; there are: slow, " in line


def test_the_store_goes_before_the_rigs_folder_before_the_shipped(folder):
    text = changed("clock_from", "scenes: [together]\nclock_from")
    more = "voices:\n"
    for number, name in enumerate(("horn", "glass", "bass"), 2):
        more += f"  {name}: {{converter: quad, channel_number: {number}, profile: none}}\n"
    shipped = text.replace("voices:\n  reed", f"{more}  reed")
    assert load(folder, shipped).scenes[-1].program == 0
    beside = folder / "scenes" / "together.yaml"
    beside.parent.mkdir()
    beside.write_text("program: 60\n")
    assert load(folder, shipped).scenes[-1].program == 59
    stored = Store(folder / "state").save("scenes", "together", "program: 50\n")
    loaded = load(folder, shipped)
    assert loaded.scenes[-1].program == 49
    assert loaded.warnings == [
        (
            f"{folder}/rig.yaml:{line_of('scenes: [', shipped)}: scenes[0]: "
            f"{stored} is used; {beside} of the same name is not"
        )
    ]


def test_of_a_stored_scene_the_newest_whole_generation_is_read(folder):
    """Requirement S9: the fallback is announced."""
    store = Store(folder / "state")
    text = changed("clock_from", "scenes: [slow]\nclock_from")
    stored = store.save("scenes", "slow", "program: 50\n")
    store.save("scenes", "slow", "program: 51\n")
    stored.write_bytes(stored.read_bytes()[:-3])
    loaded = load(folder, text)
    assert (loaded.scenes[-1].name, loaded.scenes[-1].program) == ("slow", 49)
    place = f"{folder}/rig.yaml:{line_of('scenes: [', text)}: scenes[0]: "
    assert [line.partition(" (")[0] for line in loaded.warnings] == [
        f"{place}{stored}: its checksum is wrong: damaged, or edited"
    ]
    assert loaded.warnings[0].endswith(f"{stored.with_name('slow.1.yaml')} is used")
    stored.write_bytes(b"")
    stored.with_name("slow.1.yaml").write_bytes(bytes(100))
    (line,) = problems(folder, text)
    assert line.endswith(
        "slow.yaml: empty; no earlier one can be read: restore a backup or delete it"
    )


def test_of_a_stored_profile_the_newest_whole_generation_is_read(folder):
    """Requirement S9."""
    text = changed("channel_number: 1, profile: none", "channel_number: 1")
    store = Store(folder / "state")
    stored = store.save("profiles", "reed", PROFILE % 0)
    store.save("profiles", "reed", PROFILE % -1)
    assert load(folder, text).rig.voices[0].stale != ""
    stored.unlink()
    loaded = load(folder, text)
    assert loaded.rig.voices[0].curve is not None and loaded.rig.voices[0].stale == ""
    assert [line.partition(stored.name)[2] for line in loaded.warnings] == [
        f": missing; {stored.with_name('reed.1.yaml')} is used"
    ]


def test_a_stored_scene_outlives_a_voice_that_left_the_case(folder):
    stored = folder / "state" / "scenes" / "old.yaml"
    stored.parent.mkdir(parents=True)
    stored.write_text(
        "voices:\n  horn: {octaves: 1}\n  reed: {octaves: 2}\nzones:\n  - voices: [horn, reed]\n"
    )
    text = changed("clock_from", "scenes: [old]\nclock_from")
    loaded = load(folder, text)
    assert list(loaded.scenes[-1].voices) == ["reed"]
    assert loaded.scenes[-1].zones[0].voices == ("reed",)
    assert len(loaded.warnings) == 2 and "found horn" in loaded.warnings[0]
    beside = folder / "scenes" / "old.yaml"
    beside.parent.mkdir()
    stored.rename(beside)
    assert len(problems(folder, text)) == 2


# ---------------------------------------------------------------- profiles

PROFILE = """\
voice: reed
panel_octaves: %d
readings:
  - {note: 36, cents: 10, spread_cents: 0.1}
  - {note: 60, cents: 0, spread_cents: 0.1}
  - {note: 84, cents: -8, spread_cents: 0.1}
"""


def test_a_profile_is_found_by_the_voices_name(folder):
    text = changed("channel_number: 1, profile: none", "channel_number: 1")
    loaded = load(folder, text)
    assert loaded.rig.voices[0].curve is None
    assert loaded.warnings == [
        f"{folder}/rig.yaml:{line_of('reed:', text)}: voices.reed.profile: not measured: played raw"
    ]
    (folder / "profiles").mkdir()
    (folder / "profiles" / "reed.yaml").write_text(PROFILE % 0)
    loaded = load(folder, text)
    assert loaded.warnings == []
    voice = loaded.rig.voices[0]
    assert voice.curve.sounding(3600.0) == pytest.approx(3610.0, abs=1e-9)
    assert voice.stale == ""
    assert loaded.profiles["reed"].readings[2].cents == -8.0


def test_a_profile_of_other_panel_octaves_is_stale(folder):
    (folder / "profiles").mkdir()
    (folder / "profiles" / "reed.yaml").write_text(PROFILE % -1)
    voice = load(
        folder, changed("channel_number: 1, profile: none", "channel_number: 1")
    ).rig.voices[0]
    assert voice.curve is not None
    assert voice.stale.startswith("measured with panel_octaves -1, the rig says +0")


def test_a_shipped_example_is_never_taken_for_a_voices_own_profile(folder):
    """A shipped oscillator may have the name of a voice of the player's."""
    text = changed("channel_number: 1, profile: none", "channel_number: 1").replace(
        "reed", "reed-oscillator"
    )
    assert load(folder, text).rig.voices[0].curve is None
    named = changed(
        "channel_number: 1, profile: none", "channel_number: 1, profile: reed-oscillator"
    )
    assert load(folder, named).rig.voices[0].curve is not None


def test_a_rig_named_like_a_voice_is_not_its_profile(folder):
    text = changed("channel_number: 1, profile: none", "channel_number: 1")
    (folder / "reed.yaml").write_text(text)
    assert load_rig(folder / "reed.yaml").rig.voices[0].curve is None


VOLTS = """\
against: volts
readings:
  - {volts: 0, cents: 0}
  - {volts: 1, cents: 6}
  - {volts: 2, cents: 12}
"""


def test_an_oscillators_curve_is_joined_with_the_converters_table(folder):
    """One volt an octave: 0.01 V too much is 12 cents sharp (arithmetic)."""
    (folder / "osc.yaml").write_text(VOLTS)
    table = "      channels: {1: {36: 0.01, 48: 1.01, 60: 2.01}}\n      errors_follow: volts\n"
    text = changed("      errors_follow: volts\n", table)
    text = text.replace("channel_number: 1, profile: none", "channel_number: 1, profile: osc.yaml")
    voice = load(folder, text).rig.voices[0]
    # Key 48 gives 1.01 V, which the oscillator plays 6 + 0.06 cents sharp of 1.01 V.
    assert voice.curve.sounding(4800.0) == pytest.approx(4800.0 + 12.0 + 6.06, abs=1e-6)
    assert voice.note_errors_cents is None
    number = text.replace("errors_follow: volts", "errors_follow: number")
    voice = load(folder, number).rig.voices[0]
    assert voice.curve.sounding(4800.0) == pytest.approx(4806.0, abs=1e-6)
    assert voice.note_errors_cents == pytest.approx((12.0,) * 128, abs=1e-6)


def test_a_whole_voices_profile_is_used_alone(folder):
    (folder / "whole.yaml").write_text(PROFILE % 0)
    table = "      channels: {1: {36: 0.01, 48: 1.01, 60: 2.01}}\n      errors_follow: volts\n"
    text = changed("      errors_follow: volts\n", table)
    text = text.replace(
        "channel_number: 1, profile: none", "channel_number: 1, profile: whole.yaml"
    )
    voice = load(folder, text).rig.voices[0]
    assert voice.curve.sounding(6000.0) == pytest.approx(6000.0, abs=1e-9)


def test_config_loads_neither_numpy_nor_rich():
    code = (
        "import sys, zerobeat.config.rig; "
        "print([m for m in ('numpy', 'rich', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.fixture(scope="module")
def fuzz_folder(tmp_path_factory):
    return tmp_path_factory.mktemp("fuzz")


PIECES = [
    "",
    ":",
    "- ",
    "{",
    "}",
    "[",
    "]",
    "\n",
    "\t",
    "#",
    "'",
    '"',
    "&a ",
    "*a",
    "!!x ",
    "~",
    "yes",
    "-1",
    "99999999999999999999",
    "1e400",
    ".nan",
    "\x00",
    "\u2028",
    "\ud7ff",
    "a: 1",
    "<<: ",
    "? ",
    "--- ",
    "|",
]


@settings(max_examples=400, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, len(RIG)), st.integers(0, 30), st.sampled_from(PIECES)),
        min_size=1,
        max_size=4,
    )
)
def test_a_spoilt_rig_is_one_line_a_fault_and_nothing_else(fuzz_folder, changes):
    text = RIG
    for at, length, piece in changes:
        text = text[:at] + piece + text[at + length :]
    path = fuzz_folder / "rig.yaml"
    path.write_text(text, encoding="utf-8")
    try:
        load_rig(path)
    except ConfigError as error:
        assert error.problems
        for line in error.problems:
            assert line.startswith(f"{path}:") and line.isprintable()


def test_a_loaded_rig_can_be_sent_from_the_process_that_read_it():
    """A reload reads YAML in a child process and sends the values back."""
    rig = Path(__file__).resolve().parents[2] / "profiles" / "rigs" / "small-case.yaml"
    loaded = load_rig(rig)
    again = pickle.loads(pickle.dumps(loaded))
    assert again == loaded
    for voice, same in zip(loaded.rig.voices, again.rig.voices, strict=True):
        assert same.curve.commanded(5000.0) == voice.curve.commanded(5000.0)


# ---------------------------------------------------------------- what was stored

PLAIN = RIG[: RIG.index("scene:\n")]


def test_each_scene_and_profile_has_a_name_in_the_store(folder):
    (folder / "scenes").mkdir()
    (folder / "scenes/slow.yaml").write_text("title: Slow song\n")
    text = PLAIN.replace("profile: none", "profile: friday/vco", 1) + "scenes: [slow]\n"
    loaded = load(folder, text)
    assert loaded.profile_files == {"reed": "friday--vco", "floor": ""}
    assert loaded.scene_files == {"Slow song": "slow"}


def test_a_scene_stored_new_comes_after_those_of_the_rig(folder):
    text = PLAIN + "scenes: [slow]\n"
    (folder / "scenes").mkdir()
    (folder / "scenes/slow.yaml").write_text("title: Slow song\nprogram: 7\n")
    before = load(folder, text)
    taken = next(scene for scene in before.scenes if scene.program is not None)
    store = Store(folder / "state")
    number = taken.program + before.rig.program_numbers_from
    store.save("scenes", "late", f"title: Late\nprogram: {number}\nall: {{semitones: 3}}\n")
    loaded = load(folder, text)
    assert [scene.name for scene in loaded.scenes] == [s.name for s in before.scenes] + ["Late"]
    assert loaded.scenes[-1].program is None  # another scene has its number
    assert loaded.scene_files["Late"] == "late"
    assert loaded.rig.start_scene == before.rig.start_scene


def test_a_scene_stored_new_never_keeps_a_rig_from_playing(folder):
    text = RIG
    before = load(folder, text)
    store = Store(folder / "state")
    store.save("scenes", "broken", "hold: sometimes\n")
    store.save("scenes", "double", f"title: {before.scenes[0].name}\n")
    loaded = load(folder, text)
    assert loaded.scenes == before.scenes
    broken, double = loaded.warnings[-2:]
    assert "hold: found sometimes; allowed:" in broken and broken.endswith("; left out")
    assert double.endswith(f"found a second scene {before.scenes[0].name}; left out")


def test_the_scene_written_into_a_rig_gives_way_to_its_stored_one(folder):
    text = PLAIN + "scene: {title: Opening, all: {semitones: 2}}\n"
    loaded = load(folder, text)
    assert loaded.scene_files == {"Opening": "scene-in-rig"}
    store = Store(folder / "state")
    store.save("scenes", "scene-in-rig", "title: Opening\nall: {semitones: 4}\n")
    loaded = load(folder, text)
    assert loaded.scenes[0].of("reed").semitones == 4 and loaded.rig.start_scene == "Opening"
    assert loaded.warnings[-1].endswith("is used; the scene written here is not")
    store.save("scenes", "scene-in-rig", "title: Opening\nhold: sometimes\n")
    assert load(folder, text).scenes[0].of("reed").semitones == 4


@pytest.mark.parametrize("nonsense", ["hold: sometimes\n", "a: [\n", "", "\0", "- 1\n"])
def test_a_stored_scene_of_nonsense_gives_way(folder, nonsense):
    """Requirement S9: to the generation before, then to the player's own file, and it is said."""
    text = PLAIN + "scenes: [slow]\n"
    (folder / "scenes").mkdir(exist_ok=True)
    own = folder / "scenes" / "slow.yaml"
    own.write_text("all: {semitones: 1}\n")
    store = Store(folder / "state")
    store.save("scenes", "slow", "all: {semitones: 2}\n")
    stored = store.save("scenes", "slow", "all: {semitones: 3}\n")
    assert load(folder, text).scenes[0].of("reed").semitones == 3
    stored.write_text(nonsense)
    loaded = load(folder, text)
    assert loaded.scenes[0].of("reed").semitones == 2
    assert any(
        line.endswith(f"{stored.with_name('slow.1.yaml')} is used") for line in loaded.warnings
    )
    stored.with_name("slow.1.yaml").write_text(nonsense)
    loaded = load(folder, text)
    assert loaded.scenes[0].of("reed").semitones == 1
    assert any(line.endswith(f"{own} is used") for line in loaded.warnings)
    own.unlink()
    assert problems(folder, text)
