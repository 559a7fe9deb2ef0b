"""MIDI bytes to volts and gates."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zerobeat.midi import (
    RESET,
    ControlChange,
    NoteOff,
    NoteOn,
    PitchBend,
    bend_range_messages,
    encode,
)
from zerobeat.sim.dac import DacModel
from zerobeat.sim.virtual_converter import ConverterModel, VirtualConverter

PERFECT_DAC = DacModel(bits=None)


def converter(**model):
    return VirtualConverter(ConverterModel(**({"dac": PERFECT_DAC} | model)))


def send(unit, at_s, *messages):
    unit.receive(b"".join(encode(message) for message in messages), at_s)


def pitch(unit, channel=0, at_s=None):
    return unit.volts(channel, at_s) * 1200.0 + 100.0 * unit.model.zero_volt_note


def test_a_note_sets_volts_and_gate_on_its_channel_only():
    unit = converter()
    send(unit, 1.0, NoteOn(2, 60, 100))
    assert unit.volts(2) == pytest.approx(2.0)  # key 36 is 0 V
    assert unit.gate(2)
    assert unit.volts(1) == 0.0
    assert not unit.gate(1)
    send(unit, 2.0, NoteOff(2, 60))
    assert not unit.gate(2)
    assert unit.volts(2) == pytest.approx(2.0)  # the last note's pitch stays, no glitch
    assert unit.gate(2, 1.5)
    assert not unit.gate(2, 0.5)


# MIDI 1.0 p. 19: 00 00 full down, 00 40 centre, 7F 7F full up; one step is 200/8192 cents.
@pytest.mark.parametrize(
    ("content", "cents"),
    [
        ("E0 00 40", 0.0),
        ("E0 01 40", 200.0 / 8192),
        ("E0 00 00", -200.0),
        ("E0 7F 7F", 200.0 * 8191 / 8192),
        ("E0 31 44", 13.696289),
    ],
)
def test_bend_bytes(content, cents):
    unit = converter()
    send(unit, 0.0, NoteOn(0, 60, 1))
    unit.receive(bytes.fromhex(content), 0.1)
    assert pitch(unit) == pytest.approx(6000.0 + cents, abs=5e-7)


# RPN 0: MSB semitones, LSB cents (MIDI 1.0 p. 18). A new MSB sets the LSB to 0.
def test_bend_range_is_set_by_its_registered_parameter():
    unit = converter()
    assert unit.bend_range_cents(1) == 200.0
    unit.receive(bytes.fromhex("B1 65 00 B1 64 00 B1 06 30 B1 26 00 B1 65 7F B1 64 7F"), 0.0)
    assert unit.bend_range_cents(1) == 4800.0
    assert unit.bend_range_cents(0) == 200.0
    send(unit, 0.0, ControlChange(1, 6, 7))  # after the null: nothing
    assert unit.bend_range_cents(1) == 4800.0
    send(unit, 0.0, *bend_range_messages(1, 2, 50))
    assert unit.bend_range_cents(1) == 250.0
    send(unit, 0.0, NoteOn(1, 60, 1), PitchBend(1, -8192))
    assert pitch(unit, 1) == pytest.approx(5750.0)


def test_other_parameters_leave_the_range_alone():
    unit = converter()
    unit.receive(bytes.fromhex("B0 65 00 64 01 06 60"), 0.0)  # fine tuning, running status
    unit.receive(bytes.fromhex("B0 65 00 64 00 62 00 06 60"), 0.0)  # then NRPN
    assert unit.bend_range_cents(0) == 200.0


def test_bend_range_may_be_deaf():
    unit = converter(heeds_bend_range=False, bend_range_cents=700.0)
    send(unit, 0.0, *bend_range_messages(0, 48))
    assert unit.bend_range_cents(0) == 700.0


def test_fewer_bend_bits_keep_the_centre_and_make_coarse_steps():
    unit = converter(bend_bits=7)
    bends = np.arange(-8192, 8192)
    cents = unit.settled_volts(0, 36, bends) * 1200.0
    assert len(np.unique(cents)) == 128
    assert cents[8192] == 0.0
    assert np.max(np.abs(np.diff(cents))) == pytest.approx(200.0 * 128 / 8192)


def test_bend_with_the_gate_low_may_wait_for_the_next_note():
    deaf = converter(bend_with_gate_low=False)
    send(deaf, 0.0, NoteOn(0, 60, 1), NoteOff(0, 60), PitchBend(0, 4096))
    assert pitch(deaf) == pytest.approx(6000.0)
    send(deaf, 1.0, NoteOn(0, 60, 1))
    assert pitch(deaf) == pytest.approx(6100.0)
    live = converter()
    send(live, 0.0, NoteOn(0, 60, 1), NoteOff(0, 60), PitchBend(0, 4096))
    assert pitch(live) == pytest.approx(6100.0)


@pytest.mark.parametrize(
    ("overlap", "strikes", "open_after"),
    [("legato", 1, True), ("retriggers", 2, True), ("unsafe", 1, False)],
)
def test_overlapping_notes(overlap, strikes, open_after):
    unit = converter(overlap=overlap)
    send(unit, 0.0, NoteOn(0, 60, 1))
    send(unit, 1.0, NoteOn(0, 64, 1))
    assert pitch(unit) == pytest.approx(6400.0)
    send(unit, 2.0, NoteOff(0, 60))
    assert pitch(unit) == pytest.approx(6400.0)  # the last note keeps the pitch
    assert unit.gate(0) is open_after
    assert unit.changes(0)[-1].strikes == strikes
    send(unit, 3.0, NoteOff(0, 64))
    assert not unit.gate(0)


def test_the_key_still_down_sounds_again():
    unit = converter()
    send(unit, 0.0, NoteOn(0, 60, 1), NoteOn(0, 64, 1))
    send(unit, 1.0, NoteOff(0, 64))
    assert pitch(unit) == pytest.approx(6000.0)
    assert unit.gate(0)


def test_velocity_zero_is_a_note_off():
    unit = converter()
    unit.receive(bytes.fromhex("90 3C 40 3C 00"), 0.0)
    assert not unit.gate(0)


def test_notes_outside_the_range_are_not_played():
    unit = converter(lowest_note=36, highest_note=96)
    send(unit, 0.0, NoteOn(0, 35, 1), NoteOn(0, 97, 1))
    assert not unit.gate(0)
    send(unit, 0.0, NoteOff(0, 35), NoteOn(0, 96, 1))
    assert unit.gate(0)


# N +50 against N+1 -50 tells errors by number from errors by volts.
def test_wrong_notes_by_number_are_summed_with_the_bend():
    unit = converter(note_errors_cents={60: 13.0})
    volts = unit.settled_volts(0, [60, 61], [2048, -2048])
    assert 1200.0 * (volts[0] - volts[1]) == pytest.approx(13.0)
    flawed = converter(dac=DacModel(bits=12, inl_steps=12.0))
    assert np.ptp(flawed.settled_volts(0, [60, 61], [2048, -2048])) == 0.0


def test_controllers_that_close_gates_and_centre_the_bend():
    unit = converter()
    send(unit, 0.0, PitchBend(0, 1000), NoteOn(0, 60, 1), ControlChange(0, 123, 0))
    assert not unit.gate(0)
    send(unit, 1.0, NoteOn(0, 60, 1), ControlChange(0, 120, 0))
    assert not unit.gate(0)
    send(unit, 2.0, *bend_range_messages(0, 12), ControlChange(0, 121, 0))
    assert pitch(unit) == pytest.approx(6000.0)
    assert unit.bend_range_cents(0) == 1200.0  # RP-015 keeps parameter values
    deaf = converter(heeds_all_notes_off=False)
    send(deaf, 0.0, NoteOn(0, 60, 1), ControlChange(0, 123, 0))
    assert deaf.gate(0)  # N4: only single note-offs count on such hardware


def test_system_reset_is_power_on():
    unit = converter()
    send(unit, 0.0, *bend_range_messages(0, 12), NoteOn(0, 60, 1))
    send(unit, 1.0, RESET)
    assert not unit.gate(0)
    assert unit.volts(0) == 0.0
    assert unit.bend_range_cents(0) == 200.0
    assert unit.gate(0, 0.5)


def test_slew_moves_to_the_new_volts():
    unit = converter(dac=DacModel(bits=None, slew_s=0.01))
    send(unit, 0.0, NoteOn(0, 36, 1))
    send(unit, 1.0, NoteOn(0, 48, 1))
    at_s = np.array([0.999, 1.0, 1.01, 1.02, 2.0])
    expected = [0.0, 0.0, 1.0 - np.exp(-1.0), 1.0 - np.exp(-2.0), 1.0]
    assert unit.volts_at(0, at_s) == pytest.approx(expected, abs=1e-9)
    send(unit, 1.01, NoteOn(0, 36, 1))  # from where it is by then
    send(unit, 1.01, NoteOn(0, 60, 1))  # two changes at one moment are one
    assert unit.volts(0, 1.01) == pytest.approx(1.0 - np.exp(-1.0))


def test_time_never_runs_backwards():
    unit = converter()
    send(unit, 5.0, NoteOn(0, 60, 1))
    send(unit, 3.0, NoteOn(0, 62, 1))
    assert [change.at_s for change in unit.changes(0)] == [0.0, 5.0]
    assert pitch(unit, at_s=5.0) == pytest.approx(6200.0)


@given(
    st.lists(st.tuples(st.integers(24, 96), st.integers(-8192, 8191)), min_size=1, max_size=20),
    st.integers(0, 3),
)
def test_asking_is_the_same_as_playing(plays, channel):
    model = ConverterModel(
        note_errors_cents={60: 20.0},
        dac=DacModel(bits=12, inl_steps=4.0, gain_error=0.002, offset_volts=0.003, output_ohm=1000),
        dacs={1: DacModel(bits=16)},
    )
    unit = VirtualConverter(model, seed=2)
    notes, bends = np.array(plays).T
    asked = unit.settled_volts(channel, notes, bends)
    for index, (note, bend) in enumerate(plays):
        send(unit, float(index), PitchBend(channel, bend), NoteOn(channel, note, 1))
        assert unit.volts(channel) == pytest.approx(asked[index], abs=1e-12)
        send(unit, index + 0.5, NoteOff(channel, note))
