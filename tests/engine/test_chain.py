"""A key's pitch through the whole chain, heard on a receiver that is off by its curve.

The receiver here turns a note and a bend into cents on its own: 8192 steps are
the bend range, the oscillator errs by its curve, its panel adds octaves. What
is heard must be what was wanted, to half a bend step.
"""

from __future__ import annotations

import math

import pytest

from kit.engine_harness import EngineHarness, small_rig
from kit.published_figures import half_a_digit, published
from zerobeat.engine import commands
from zerobeat.engine.settings import Scene, Tonight, TouchUp, Voice, VoiceSettings
from zerobeat.midi import NoteOff, NoteOn, PitchBend
from zerobeat.tuning.readings import Reading
from zerobeat.tuning.scale import preset
from zerobeat.tuning.tracking import TrackingCurve

RANGE_CENTS = 200.0
STEEPEST = 1.021  # of the curve below: 1 + (0.3 + 9 / 5) / 100
HALF_STEP_CENTS = STEEPEST * RANGE_CENTS / 8192 / 2
READINGS = [Reading(100.0 * k, 0.3 * (k - 60) + 9.0 * math.sin(k / 5.0)) for k in range(12, 121, 3)]
CURVE = TrackingCurve.from_readings(READINGS)
# Our names beside those of the tables.
TEMPERAMENTS = {
    "quarter-comma meantone": "Quarter-comma meantone (Eb..G#)",
    "sixth-comma meantone": "Sixth-comma meantone (Eb..G#)",
    "werckmeister 3": "Werckmeister III",
    "kirnberger 3": "Kirnberger III",
    "vallotti": "Vallotti",
}

NO_DRIFT = TouchUp()


def case_of(*, tonight=None, curve=CURVE, panel_octaves=0, **settings):
    voice = Voice("reed", "out", 0, curve=curve, panel_octaves=panel_octaves)
    scene = Scene("plain", voices={"reed": VoiceSettings(**settings)})
    return EngineHarness(small_rig([voice]), (scene,), tonight)


def heard_cents(case, drift=NO_DRIFT):
    """Return what the oscillator sounds by the bytes that left, drifted since it was measured."""
    note = bend = 0
    for message in case.heard():
        if type(message) is NoteOn:
            note = message.note
        elif type(message) is PitchBend:
            bend = message.bend
    commanded = 100.0 * note + bend * RANGE_CENTS / 8192.0
    curve = case.state("reed").voice.curve
    pitch = commanded if curve is None else curve.sounding(commanded)
    octaves_above = (pitch - drift.reference_cents) / 1200.0
    pitch += drift.offset_cents + drift.stretch_cents * octaves_above
    return pitch + 1200.0 * case.state("reed").voice.panel_octaves


def play(case, key, drift=NO_DRIFT):
    case.hear(NoteOn(0, key, 100))
    found = heard_cents(case, drift)
    case.hear(NoteOff(0, key))
    return found


def hertz(pitch_cents):
    return 440.0 * 2.0 ** ((pitch_cents - 6900.0) / 1200.0)


@pytest.mark.parametrize("key", range(24, 109, 7))
def test_every_key_sounds_where_it_is_written(key):
    assert play(case_of(), key) == pytest.approx(100.0 * key, abs=HALF_STEP_CENTS)


def test_equal_temperament_is_the_published_table():
    # OEIS A320304 and a table of piano keys, as named in tests/data/published.json.
    case = case_of()
    checked = 0
    for _, key, printed in published("pitch/equal12_published"):
        if 24 <= key <= 108:
            half_step_hz = float(printed) * HALF_STEP_CENTS * math.log(2) / 1200.0
            tolerance = half_a_digit(printed) + half_step_hz
            assert hertz(play(case, key)) == pytest.approx(float(printed), abs=tolerance), key
            checked += 1
    assert checked > 10


@pytest.mark.parametrize("name", TEMPERAMENTS)
def test_temperaments_sound_as_the_published_tables(name):
    # The tables and their sources are in tests/data/published.json.
    table = published("pitch/temperaments")[TEMPERAMENTS[name]]["published"]
    case = case_of(scale=preset(name), fit="keys", root=60)
    for step, printed in enumerate(table):
        tolerance = half_a_digit(printed) + HALF_STEP_CENTS
        if name == "werckmeister 3":
            tolerance += 0.009  # ratios rounded to 5 decimals in that source: 0.5e-5 is 0.0087 cent
        for octave in (-1, 0, 1):
            wanted = 6000.0 + float(printed) + 1200.0 * octave
            found = play(case, 60 + step + 12 * octave)
            assert found == pytest.approx(wanted, abs=tolerance), (step, octave)


@pytest.mark.parametrize("beats_hz", [0.5, -0.5, 2.0])
def test_detune_in_beats_is_constant_in_hertz(beats_hz):
    case = case_of(detune_beats_hz=beats_hz)
    for key in (60, 67, 72, 84, 96):
        pitch_hz = hertz(100.0 * key)
        half_step_hz = pitch_hz * HALF_STEP_CENTS * math.log(2) / 1200.0
        found = hertz(play(case, key)) - pitch_hz
        assert found == pytest.approx(beats_hz, abs=1.01 * half_step_hz), key


def test_detune_in_cents_is_the_same_interval_everywhere():
    case = case_of(detune_cents=7.0)
    for key in (36, 60, 96):
        assert play(case, key) == pytest.approx(100.0 * key + 7.0, abs=HALF_STEP_CENTS)


def test_a_beat_rate_low_down_stops_at_its_limit():
    # 2 Hz at C1 (32.703 Hz) would be 1200 log2(34.703/32.703) = 102.8 cents.
    case = case_of(detune_beats_hz=2.0, detune_limit_cents=40.0)
    assert play(case, 24) == pytest.approx(2440.0, abs=HALF_STEP_CENTS)


@pytest.mark.parametrize("panel_octaves", [-2, -1, 1])
def test_panel_octaves_are_sent_and_not_heard(panel_octaves):
    case = case_of(panel_octaves=panel_octaves, curve=None)
    assert play(case, 60) == 6000.0
    assert case.on() == [(0, 60 - 12 * panel_octaves)]
    case = case_of(panel_octaves=panel_octaves)
    assert play(case, 60) == pytest.approx(6000.0, abs=HALF_STEP_CENTS)


@pytest.mark.parametrize(
    "drift", [TouchUp(4.0, 0.0), TouchUp(-3.0, 2.5), TouchUp(0.0, -6.0, 6000.0)]
)
def test_a_touch_up_takes_drift_out_again(drift):
    case = case_of(tonight=Tonight(touch_up={"reed": drift}))
    for key in (36, 60, 84):
        assert play(case, key, drift) == pytest.approx(100.0 * key, abs=HALF_STEP_CENTS)


def test_concert_pitch_is_heard_at_once_and_on_every_note():
    case = case_of()
    case.hear(NoteOn(0, 69, 100))
    case.hear(commands.ChangeTonight(concert_a_hz=442.0), "")
    half_step_hz = 442.0 * HALF_STEP_CENTS * math.log(2) / 1200.0
    assert hertz(heard_cents(case)) == pytest.approx(442.0, abs=half_step_hz)
    assert len(case.on()) == 1  # by bend
    case.hear(NoteOff(0, 69))
    assert hertz(play(case, 57)) == pytest.approx(221.0, abs=half_step_hz)


def test_bypass_plays_raw_and_back():
    """No correction, no touch-up; the panel's octaves stay, or the voice would jump."""
    case = case_of(panel_octaves=-1, tonight=Tonight(touch_up={"reed": TouchUp(5.0)}))
    case.hear(commands.Bypass("reed", True), "")
    case.hear(NoteOn(0, 60, 100))
    assert case.heard() == [PitchBend(0, 0), NoteOn(0, 72, 100)]
    case.hear(commands.Bypass("reed", False), "")
    drift = TouchUp(5.0)
    assert heard_cents(case, drift) == pytest.approx(6000.0, abs=HALF_STEP_CENTS)


def test_wheel_detune_and_correction_are_summed_in_cents():
    """Requirement B7: each with its own range, converted once."""
    case = case_of(detune_cents=10.0)
    case.hear(NoteOn(0, 60, 100))
    case.hear(PitchBend(0, -4096))  # half of 200 cents
    assert heard_cents(case) == pytest.approx(6000.0 + 10.0 - 100.0, abs=HALF_STEP_CENTS)


@pytest.mark.parametrize("stretch_cents", [-1200.0, -12700.0, 12700.0])
def test_a_stretch_that_an_old_session_holds_does_not_stop_the_engine(stretch_cents):
    tonight = Tonight(touch_up={"reed": TouchUp(0.0, stretch_cents)})
    case = EngineHarness(small_rig(1), (), tonight)
    case.hear(NoteOn(0, 36, 100))
    case.hear(NoteOff(0, 36))
    assert case.gates() == []
