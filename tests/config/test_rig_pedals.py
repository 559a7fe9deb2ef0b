"""What rig and learned bindings say of feet (requirements F1, F7, F10)."""

from __future__ import annotations

from pathlib import Path

import pytest

from zerobeat.engine.pedals.bindings import Binding, Learned
from zerobeat.errors import ConfigError
from zerobeat.state.bindings_file import learned_to_yaml, read_learned, with_learned
from zerobeat.state.state_directory import load_rig

RIG = """\
inputs:
  feet: {{port: "Four Feet:Four Feet MIDI 1", plays: false{lights}}}
converters:
  quad: {{port: "quad:quad MIDI 1", converter: {{}}}}
voices:
  reed: {{converter: quad, channel_number: 1, profile: none}}
scenes: [slow, fast]
"""


@pytest.fixture(autouse=True)
def _state(tmp_path, monkeypatch):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))


def load(folder: Path, more: str = "", lights: str = ""):
    (folder / "scenes").mkdir()
    for name, title in (("slow", "The Slow One"), ("fast", "fast")):
        (folder / f"scenes/{name}.yaml").write_text(f"title: {title}\n")
    path = folder / "rig.yaml"
    path.write_text(RIG.format(lights=lights) + more)
    return load_rig(path).rig


def test_a_set_list_takes_titles_and_file_names_and_repeats(tmp_path):  # F7
    rig = load(tmp_path, "set_list: [fast, slow, The Slow One]\nset_list_ends: wrap\n")
    assert rig.set_list == ("fast", "The Slow One", "The Slow One")
    assert rig.set_list_ends == "wrap"


@pytest.mark.parametrize(
    ("more", "locked"), [("", True), ("stage_lock: on\n", True), ("stage_lock: off\n", False)]
)
def test_the_stage_lock_is_on_unless_it_is_off(tmp_path, more, locked):  # F10
    assert load(tmp_path, more).stage_lock is locked


def test_lights_are_a_port(tmp_path):
    rig = load(tmp_path, lights=', lights: "Four Feet:Four Feet MIDI 2"')
    assert rig.inputs[0].lights == "Four Feet:Four Feet MIDI 2"


FAULTS = [
    (
        "set_list: [fats]\n",
        "",
        "set_list[0]: found fats; allowed: The Slow One, fast (did you mean fast?)",
    ),
    ("stage_lock: no\n", "", "stage_lock: found no; allowed: on, off"),
    ("set_list_ends: round\n", "", "set_list_ends: found round; allowed: stop, wrap"),
    ("", ', lights: "quad:quad MIDI 1"', "inputs.feet.lights: found the port of quad; allowed:"),
    ("", ', lights: "Four Feet 20:0"', "inputs.feet.lights: found Four Feet 20:0, with numbers"),
]


@pytest.mark.parametrize(("more", "lights", "fault"), FAULTS)
def test_a_fault_is_one_line(tmp_path, more, lights, fault):
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, more, lights)
    (line,) = caught.value.problems
    assert fault in line


LEARNED = (
    Learned("feet", Binding("program", None, "recall")),
    Learned("feet", Binding("program", 4, "panic", 2)),
    Learned("my feet: #1", Binding("note", 36, "recall", scene="The Slow One", feedback=True)),
    Learned("feet", Binding("controller", 80, "hold", kind="toggle", debounce_s=0.05, hold="none")),
    Learned("feet", Binding("controller", 80, "store", long_press_s=1.5)),
    Learned(
        "feet",
        Binding(
            "controller",
            11,
            "set",
            kind="follow",
            setting="detune_cents",
            voice="reed",
            lowest=-5.5,
            highest=5.0,
            pick_up=False,
        ),
    ),
    Learned("feet", Binding("controller", 12, "transpose", by=-1.0)),
    Learned("feet", Binding("controller", 13, "transpose", by=-14.5, unit="cents")),
)


@pytest.mark.parametrize("first", [0, 1])
def test_learned_bindings_are_read_back_as_written(first):  # F1: the file says how it counts
    text = learned_to_yaml(LEARNED, first)
    assert read_learned(text.encode(), Path("bindings.yaml")) == (LEARNED, [])


def test_a_damaged_binding_is_left_out_and_named():
    text = learned_to_yaml(LEARNED[:2], 1).replace("action: panic", "action: dance")
    learned, lines = read_learned(text.encode(), Path("bindings.yaml"))
    assert learned == LEARNED[:1]
    assert lines[0].startswith("bindings.yaml:")
    assert "found dance" in lines[0]


def test_learning_a_switch_again_replaces_it_but_for_its_long_press():
    new = Learned("feet", Binding("controller", 80, "next"))
    kept = with_learned(LEARNED, new)
    assert new in kept
    assert LEARNED[3] not in kept
    assert LEARNED[4] in kept
