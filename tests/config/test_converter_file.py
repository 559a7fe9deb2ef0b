"""Converter files: facts, and the errors that a table of volts stands for."""

import pytest

from zerobeat.config.converter_file import load_converter
from zerobeat.engine.settings import Converter
from zerobeat.errors import ConfigError


def load(folder, text):
    path = folder / "quad.yaml"
    path.write_text(text)
    return load_converter(path)


def test_what_a_file_does_not_say_is_the_careful_choice(tmp_path):
    read = load(tmp_path, "title: My quad\n")
    assert read.converter == Converter(name="My quad")
    assert read.converter.overlap == "unsafe"  # never sent unless somebody tried it
    assert read.curve(0) is None and read.note_errors_cents(0) is None


@pytest.mark.parametrize(("text", "rate"), [("din", 3125), ("usb", None), ("1000", 1000)])
def test_bytes_per_second(tmp_path, text, rate):
    assert load(tmp_path, f"bytes_per_second: {text}\n").converter.bytes_per_second == rate


def test_volts_by_meter_become_cents(tmp_path):
    """One volt an octave (reference: common practice): 1 mV is 1.2 cents."""
    read = load(tmp_path, "zero_volt_note: 36\nchannels: {2: {C2: 0.001, 48: 1.003, 60: 1.999}}\n")
    curve = read.curve(1)
    errors = [curve.sounding(100.0 * note) - 100.0 * note for note in (36, 48, 60)]
    assert errors == pytest.approx([1.2, 3.6, -1.2], abs=1e-9)
    by_number = read.note_errors_cents(1)
    assert len(by_number) == 128
    assert [by_number[note] for note in (0, 36, 42, 48, 60, 127)] == pytest.approx(
        [1.2, 1.2, 2.4, 3.6, -1.2, -1.2], abs=1e-9
    )
    assert read.curve(0) is None


FAULTS = [
    (
        "channels: {0: {36: 0}}",
        "quad.yaml:1: channels.0: found 0; allowed: a channel number, 1 to 16",
    ),
    ("channels: {01: {36: 0}}", "quad.yaml:1: channels.01: found 01; allowed: a channel number"),
    (
        "channels: {1: {36: 99}}",
        "quad.yaml:1: channels.1.36: found 99; allowed: a number, -15 to 15",
    ),
    ("channels: {1: {H: 1}}", "quad.yaml:1: channels.1.H: found H; allowed: a note, 0 to 127"),
    ("channels: {1: {C2: 0, 36: 1}}", "quad.yaml:1: channels.1.36: found note 36 a second time"),
    ("channels: {1: {36: 2, 60: 0}}", "quad.yaml:1: channels: channel number 1: "),
    ("channels: {1: 5}", "quad.yaml:1: channels.1: found 5; allowed: note: volts, one a line"),
    (
        "bytes_per_second: 10",
        "quad.yaml:1: bytes_per_second: found 10; allowed: a whole number, 100",
    ),
    ("errors_follow: notes", "quad.yaml:1: errors_follow: found notes; allowed: volts, number"),
    (
        "bend_range_semitones: 0",
        "quad.yaml:1: bend_range_semitones: found 0; allowed: a number, 0.5 to",
    ),
    (
        "bend_with_gate_low: yes",
        "quad.yaml:1: bend_with_gate_low: found yes; allowed: true or false",
    ),
]


@pytest.mark.parametrize(("text", "fault"), FAULTS)
def test_a_fault_is_one_line(tmp_path, text, fault):
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, text + "\n")
    (line,) = caught.value.problems
    assert line.removeprefix(f"{tmp_path}/").startswith(fault)
