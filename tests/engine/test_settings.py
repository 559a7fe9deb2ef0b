"""What a player gets who says nothing (the column "usual" of docs/), and how far a value may go."""

from __future__ import annotations

import math

import pytest

from zerobeat.engine import limits
from zerobeat.engine.limits import Range
from zerobeat.engine.pedals.bindings import ACTIONS, KINDS, ON_OFF, SETTINGS, WHOLE_SETTINGS
from zerobeat.engine.pedals.layers import ONLY_LAYERS
from zerobeat.engine.settings import (
    Converter,
    Input,
    Output,
    Rig,
    Scene,
    Tonight,
    TouchUp,
    Trigger,
    Voice,
    VoiceSettings,
    Zone,
)

USUAL = (
    (
        Input("keys", "port"),
        {
            "port_is_pattern": False,
            "channel": None,
            "wheel_cents": 200.0,
            "active_sensing": True,
            "plays": True,
            "pedalboard": None,
            "lights": "",
            "lights_is_pattern": False,
            "response": None,
        },
    ),
    (
        Converter(),
        {
            "name": "plain",
            "bend_range_cents": 200.0,
            "sends_bend_range": True,
            "zero_volt_note": 36,
            "lowest_note": 0,
            "highest_note": 127,
            "overlap": "unsafe",
            "bend_with_gate_low": True,
            "settle_s": 0.0,
            "gate_gap_s": 0.002,
            "bytes_per_second": None,
            "errors_follow": "volts",
            "extra": (),
        },
    ),
    (
        Output("out", "port"),
        {
            "port_is_pattern": False,
            "converter": Converter(),
            "pass_channels": (),
            "pass_classes": (),
            "panic_controllers": True,
        },
    ),
    (
        Voice("reed", "out", 0),
        {
            "panel_octaves": 0,
            "bend_range_cents": 200.0,
            "lowest_note": 0,
            "highest_note": 127,
            "curve": None,
            "note_errors_cents": None,
            "gate_ignored": False,
            "tail_s": 0.0,
            "stale": "",
            "tuning_from": None,
            "response": None,
        },
    ),
    (
        Rig((), (), ()),
        {
            "clock_from": None,
            "program_numbers_from": 1,
            "middle_c_octave": 4,
            "concert_a_hz": 440.0,
            "start_scene": None,
            "pedalboards": {},
            "set_list": (),
            "set_list_ends": "stop",
            "stage_lock": True,
            "on_return": "silent",
            "extra": (),
        },
    ),
    (
        VoiceSettings(),
        {
            "scale": None,
            "keyboard_map": None,
            "root": 60,
            "snap": "nearest",
            "fit": "nearest",
            "degrees": 0,
            "octaves": 0,
            "semitones": 0,
            "detune_cents": 0.0,
            "detune_beats_hz": 0.0,
            "detune_limit_cents": 50.0,
            "wheel": "smooth",
            "priority": "last",
            "legato": False,
            "hold": None,
            "start_key": None,
        },
    ),
    (
        Zone(("reed",)),
        {
            "assign": "unison",
            "inputs": (),
            "channels": (),
            "lowest_key": 0,
            "highest_key": 127,
            "chord": (),
            "chord_in": "semitones",
            "latch": False,
        },
    ),
    (
        Scene(),
        {
            "name": "plain",
            "program": None,
            "bank": None,
            "hold": "note",
            "zones": (),
            "voices": {},
            "triggers": (),
            "regate": False,
            "beats_in_bar": 4,
            "beat_unit": 4,
            "early_ms": 25.0,
            "late_ms": 40.0,
            "clock_lost": "wait",
            "sample_delay_ms": 3.0,
        },
    ),
    (Trigger("clock"), {"input": None, "channel": None, "note": None, "every": 1, "unit": "beat"}),
    (
        TouchUp(),
        {"offset_cents": 0.0, "stretch_cents": 0.0, "reference_cents": 3600.0, "at_s": 0.0},
    ),
    (
        Tonight(),
        {
            "concert_a_hz": 440.0,
            "transpose_semitones": 0,
            "touch_up": {},
            "bypass": frozenset(),
            "solo": frozenset(),
            "mute": frozenset(),
            "set_list": (),
            "transpose_cents": 0.0,
            "transpose_degrees": 0,
            "keep_touch_up": frozenset(),
        },
    ),
)
LIMITS = {
    "CONCERT_A_RANGE_HZ": (390.0, 490.0),
    "TRANSPOSE_SEMITONES": (-60, 60),
    "TRANSPOSE_CENTS": (-1200.0, 1200.0),
    "TRANSPOSE_DEGREES": (-1000, 1000),
    "TOUCH_UP_OFFSET_CENTS": (-200.0, 200.0),
    "TOUCH_UP_STRETCH_CENTS": (-100.0, 100.0),
    "TOUCH_UP_REFERENCE_CENTS": (0.0, 12700.0),
    "DEGREES": (-1000, 1000),
    "OCTAVES": (-10, 10),
    "SEMITONES": (-127, 127),
    "DETUNE_CENTS": (-1200.0, 1200.0),
    "DETUNE_BEATS_HZ": (-20.0, 20.0),
    "DETUNE_LIMIT_CENTS": (0.0, 1200.0),
    "CHORD_INTERVAL": (-48, 48),
    "PEDAL_VALUE": (-1200.0, 1200.0),
    "BEND_CENTS": (-12700.0, 12700.0),
    "PLAYED_PITCH_CENTS": (-12700.0, 25400.0),
}


@pytest.mark.parametrize(("value", "usual"), USUAL, ids=lambda value: type(value).__name__)
def test_what_a_player_gets_who_says_nothing(value, usual):
    assert {name: getattr(value, name) for name in usual} == usual


@pytest.mark.parametrize("name", LIMITS)
def test_how_far_a_value_may_go(name):
    found = getattr(limits, name)
    assert tuple(found) == LIMITS[name]
    low, high = found
    assert low in found and high in found
    assert low - 1 not in found and high + 1 not in found
    assert "1" not in found and None not in found
    assert found.clamp(low - 9) == low and found.clamp(high + 9) == high


def test_a_range_is_said_without_needless_digits():
    assert str(Range(-1.5, 12.0)) == "-1.5 to 12"
    assert math.nan not in Range(-1.0, 1.0)  # noqa: PLW0177


def test_each_number_of_a_voice_has_its_limits_under_its_own_name():
    numbers = {"root", "degrees", "octaves", "semitones", "detune_cents", "detune_beats_hz"}
    numbers |= {"detune_limit_cents", "start_key"}
    assert numbers <= limits.VOICE_SETTINGS.keys()
    assert limits.VOICE_SETTINGS.keys() <= set(VoiceSettings.__slots__)


def test_what_a_pedal_may_set_and_how_its_switches_act():
    assert (
        *("detune_cents", "detune_beats_hz", "semitones", "octaves", "degrees"),
        "glide_ms",
    ) == SETTINGS
    assert set(WHOLE_SETTINGS) < set(SETTINGS) <= set(VoiceSettings.__slots__)
    assert KINDS == ("trigger", "momentary", "toggle", "latching", "follow")
    assert set(ONLY_LAYERS) < set(ON_OFF) < set(ACTIONS)
