"""Audio inputs of a rig and how voices are listened to (requirements A1, A2, A11, C1)."""

from pathlib import Path

import pytest

from zerobeat.config.audio_field import AudioInput, ListenSettings
from zerobeat.config.describe_rig import rig_lines
from zerobeat.errors import ConfigError
from zerobeat.state.state_directory import load_rig

RIG = """\
inputs:
  keys: {port: "Stage Keys:Stage Keys MIDI 1"}
converters:
  quad: {port: "quad:quad MIDI 1", converter: quad}
audio_inputs:
  left: {device: "Line Box: USB Audio", channel_number: 1, clock_ppm: -17}
  right: {device_pattern: "Line Box*", channel_number: 2}
voices:
  reed: {converter: quad, channel_number: 1, profile: none, input: left}
  horn:
    converter: quad
    channel_number: 2
    profile: none
    input: right
    excite: strike
    tap: before_vca
  glass: {converter: quad, channel_number: 3, profile: none}
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    return tmp_path


def load(folder: Path, text: str):
    path = folder / "rig.yaml"
    path.write_text(text)
    return load_rig(path)


def test_inputs_and_voices_are_read(folder):
    loaded = load(folder, RIG)
    assert loaded.audio_inputs == {
        "left": AudioInput("left", "Line Box: USB Audio", False, 0, -17.0),
        "right": AudioInput("right", "Line Box*", True, 1),
    }
    assert loaded.listening == {
        "reed": ListenSettings("left"),
        "horn": ListenSettings("right", "strike", "before_vca"),
        "glass": ListenSettings(),
    }


def test_a_rig_with_one_audio_input_needs_no_names(folder):
    text = "\n".join(line for line in RIG.splitlines() if "right: {" not in line)
    loaded = load(folder, text.replace(", input: left", "").replace("    input: right\n", ""))
    assert {heard.input for heard in loaded.listening.values()} == {"left"}


def test_check_shows_them(folder):
    shown = "\n".join(rig_lines(load(folder, RIG)))
    assert "left: Line Box: USB Audio, channel number 1; clock -17 ppm" in shown
    assert "right: the one device like Line Box*, channel number 2" in shown
    assert "measured on left" in shown
    assert "measured on right, struck for each reading, before its VCA" in shown


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        (
            '"Line Box: USB Audio"',
            '"Line Box: USB Audio (hw:1,0)"',
            (
                "rig.yaml:6: audio_inputs.left.device: found Line Box: USB Audio (hw:1,0), "
                "with numbers "
                "that change at each start; allowed: the name alone, as Line Box: USB Audio"
            ),
        ),
        ('"Line Box: USB Audio"', '"hw:1,0"', "with numbers that change at each start"),
        (
            "channel_number: 2}\nvoices",
            "channel_number: 0}\nvoices",
            (
                "rig.yaml:7: audio_inputs.right.channel_number: found 0; "
                "allowed: a whole number, 1 to 128"
            ),
        ),
        (
            'device_pattern: "Line Box*", channel_number: 2',
            'device: "Line Box: USB Audio", channel_number: 1',
            "found channel 1 of Line Box: USB Audio, which is left; allowed: each channel once",
        ),
        ("device_pattern:", "device: a, device_pattern:", "found beside device"),
        (
            ", channel_number: 1, clock",
            ", clock",
            "audio_inputs.left.channel_number: found nothing",
        ),
        ('device: "Line', 'devise: "Line', "found unknown key"),
        (
            "input: left",
            "input: leff",
            (
                "voices.reed.input: found leff; allowed: a name under "
                "audio_inputs: left, right (did you mean left?)"
            ),
        ),
        (
            "excite: strike",
            "excite: pluck",
            "voices.horn.excite: found pluck; allowed: drone, strike",
        ),
        (
            "tap: before_vca",
            "tap: before",
            "voices.horn.tap: found before; allowed: before_vca, after",
        ),
        ("tap:", "taps:", "found unknown key"),
    ],
)
def test_each_fault_is_one_line(folder, old, new, fault):
    assert old in RIG
    with pytest.raises(ConfigError) as caught:
        load(folder, RIG.replace(old, new))
    assert any(fault in problem for problem in caught.value.problems), caught.value.problems
