"""Pedalboard files: switches and pedals, and what they do (requirements F1, F5, F6, F11)."""

import pytest

from zerobeat.config.pedalboard_file import load_pedalboard
from zerobeat.engine.pedals.bindings import Binding
from zerobeat.errors import ConfigError


def load(folder, text, first=1):
    path = folder / "feet.yaml"
    path.write_text(text)
    return load_pedalboard(path, first)


def test_bindings_are_read(tmp_path):
    pedalboard = load(
        tmp_path,
        "title: Four Feet\nignore_banks: true\nbindings:\n"
        "  - {program: any, action: recall}\n"
        "  - {program: 3, action: panic}\n"
        "  - {controller: 84, channel_number: 2, action: bypass, voice: reed, feedback: true}\n"
        "  - {note: C2, action: hold, hold: sample, debounce_ms: 0}\n"
        "  - {controller: 11, action: set, setting: detune_cents, lowest: -5, highest: 5, "
        "pick_up: false}\n",
    )
    assert (pedalboard.name, pedalboard.ignore_banks) == ("Four Feet", True)
    assert pedalboard.bindings == (
        Binding("program", None, "recall"),
        Binding("program", 2, "panic"),
        Binding("controller", 84, "bypass", 1, "toggle", voice="reed", feedback=True),
        Binding("note", 36, "hold", None, "toggle", 0.0, hold="sample"),
        Binding(
            "controller",
            11,
            "set",
            kind="follow",
            setting="detune_cents",
            lowest=-5.0,
            highest=5.0,
            pick_up=False,
        ),
    )


FAULTS = [
    ("title: x", "feet.yaml:1: bindings: found nothing; needed: a list"),
    (
        "bindings: [{action: next}]",
        "feet.yaml:1: bindings[0]: found 0 of controller, note, program",
    ),
    ("bindings: [{note: 1, controller: 2, action: next}]", "feet.yaml:1: bindings[0]: found 2 of"),
    (
        "bindings: [{controller: 128, action: next}]",
        "feet.yaml:1: bindings[0].controller: found 128",
    ),
    (
        "bindings: [{program: 0, action: recall}]",
        "feet.yaml:1: bindings[0].program: found 0; allowed:",
    ),
    (
        "bindings: [{controller: 1}]",
        "feet.yaml:1: bindings[0].action: found nothing; needed: recall",
    ),
    (
        "bindings: [{controller: 1, action: hold}]",
        "feet.yaml:1: bindings[0].hold: found nothing; needed:",
    ),
    (
        "bindings: [{controller: 1, action: nxt}]",
        "feet.yaml:1: bindings[0].action: found nxt; allowed:",
    ),
    (
        "bindings: [{controller: 1, action: next, kind: follow}]",
        "feet.yaml:1: bindings[0].kind: found",
    ),
    (
        "bindings: [{controller: 1, action: set, setting: octaves}]",
        "feet.yaml:1: bindings[0].highest: ",
    ),
    (
        "bindings: [{controller: 1, action: transpose, by: 0.5}]",
        "feet.yaml:1: bindings[0].by: found 0.5; allowed: whole semitones, -60 to 60",
    ),
    (
        "bindings: [{controller: 1, action: transpose, by: 0.5, unit: degrees}]",
        "feet.yaml:1: bindings[0].by: found 0.5; allowed: whole degrees, -1000 to 1000",
    ),
    (
        "bindings: [{controller: 1, action: transpose, by: 1, unit: cent}]",
        "feet.yaml:1: bindings[0].unit: found cent; allowed: semitones, cents, degrees",
    ),
    (
        "bindings: [{controller: 1, action: set, setting: octaves, by: 1, unit: cents}]",
        "feet.yaml:1: bindings[0].unit: found it with action set; allowed: with transpose",
    ),
]


@pytest.mark.parametrize(("text", "fault"), FAULTS)
def test_a_fault_is_one_line(tmp_path, text, fault):
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, text + "\n")
    (line,) = caught.value.problems
    assert line.removeprefix(f"{tmp_path}/").startswith(fault)


@pytest.mark.parametrize(("value", "unit"), [(-14.5, "cents"), (7, "degrees"), (-60, "semitones")])
def test_a_switch_transposes_in_three_units(tmp_path, value, unit):
    text = f"bindings: [{{controller: 1, action: transpose, by: {value}, unit: {unit}}}]\n"
    (binding,) = load(tmp_path, text).bindings
    assert (binding.by, binding.unit, binding.kind) == (value, unit, "trigger")
