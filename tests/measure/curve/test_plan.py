"""The measuring plan on virtual audio: its requests, its fit and its advice."""

from dataclasses import replace

import numpy as np
import pytest

from kit.virtual_voices import AIM, FLAWED, WARM_S, FaultyListener, case_of, measured, truth
from zerobeat.errors import MeasureError
from zerobeat.measure.curve.fit_result import Aim
from zerobeat.measure.curve.plan import MeasuringPlan
from zerobeat.measure.curve.readable_notes import half_way, near_mains, spans
from zerobeat.measure.pitch.take import run_plan
from zerobeat.render.virtual_listener import VirtualListener
from zerobeat.sim.dac import DacModel
from zerobeat.sim.oscillator import WarmupCurve
from zerobeat.sim.virtual_converter import ConverterModel
from zerobeat.tuning.bend import cents_to_bend, nearest_note

NOTES = np.arange(36, 85)


def curve_error(fit, case, at_s, notes=NOTES):
    return np.array([fit.curve.sounding(100.0 * n) for n in notes]) - truth(case, notes, at_s)


def test_a_flawed_voice_is_known_to_half_a_cent_from_twelve_takes():
    case = case_of()
    fit, listener = measured(case, AIM)
    assert fit.takes <= 12
    assert fit.sound_s <= 15.0
    assert fit.worst_cents <= 0.5
    assert np.abs(curve_error(fit, case, listener.now_s)).max() < 0.5
    assert np.abs(truth(case, NOTES, WARM_S) - 100.0 * NOTES).max() > 15.0  # it was off
    assert fit.bend.range_cents == pytest.approx(200.0, abs=0.5)
    assert fit.errors_follow == "volts"
    assert fit.curve.unusable == ()
    assert fit.advice == ()


def test_drift_during_the_run_is_seen_and_taken_out():
    # 1 K in about ten minutes: the tempco left over moves the whole voice.
    case = case_of(
        replace(FLAWED, tempco_per_kelvin=0.0015), warmup=WarmupCurve(298.15, 308.15, 300.0)
    )
    listener = VirtualListener(case, 0, start_s=60.0)
    fit, _ = measured(case, replace(AIM, tolerance_cents=0.3), listener)
    first, last = fit.readings[0].at_s, fit.readings[-1].at_s
    moved = truth(case, [60], last)[0] - truth(case, [60], first)[0]
    assert abs(moved) > 1.0
    assert fit.drift_cents_per_min == pytest.approx(moved / (last - first) * 60.0, rel=0.3)
    # The curve is the voice of the end of the run, but for the stretch of the drift itself.
    plain = [r for r in fit.readings if r.note == fit.readings[0].note]
    assert abs(plain[0].cents - plain[-1].cents) < 0.1 * abs(moved)


@pytest.mark.parametrize(
    ("real", "words"), [(1200.0, "12.0. semitones; set .*: 12 "), (100.0, "1.00 semi")]
)
def test_a_wrong_bend_range_is_refused_with_the_measured_one(real, words):
    """Requirement B3."""
    case = case_of(converter=ConverterModel(bend_range_cents=real))
    with pytest.raises(MeasureError, match=words) as found:
        measured(case, AIM)
    assert "rig says 2 semitones" in str(found.value)
    assert "old profile is untouched" in str(found.value)


def test_bends_that_do_nothing_are_refused():
    case = case_of(converter=ConverterModel(bend_range_cents=0.0))
    with pytest.raises(MeasureError, match="no bend at all"):
        measured(case, AIM)


def test_coarse_small_bends_are_found():
    case = case_of(converter=ConverterModel(bend_bits=7))
    fit, _ = measured(case, AIM)
    # 200 cents / 64 = 3.125; half way between two steps it is off by half a step.
    assert abs(fit.bend.step_error_cents) == pytest.approx(1.5625, abs=0.2)
    assert any("small bends" in line for line in fit.advice)


def test_errors_by_number_are_told_from_errors_by_volts():
    wrong = {n: float(v) for n, v in enumerate(np.random.default_rng(3).normal(0, 6, 128))}
    aim = Aim("reed", 55, 67, every_semitone=True, most_takes=60)
    case = case_of(converter=ConverterModel(note_errors_cents=wrong))
    fit, listener = measured(case, aim)
    assert fit.errors_follow == "number"
    errors = fit.note_errors_cents()
    for key in range(56, 67):
        commanded = fit.curve.commanded(100.0 * key)
        note = nearest_note(commanded, 0, 127, 200.0, errors)
        bend = cents_to_bend(commanded - 100.0 * note - errors[note], 200.0)
        assert float(case.pitches(0, note, bend, listener.now_s)) == pytest.approx(
            100.0 * key, abs=0.4
        )
    assert {r.note for r in fit.readings} == set(range(55, 68))


def test_errors_by_number_from_some_notes_only_are_reported_and_not_guessed():
    wrong = {n: float(v) for n, v in enumerate(np.random.default_rng(4).normal(0, 6, 128))}
    aim = Aim("reed", 48, 72, most_takes=14)
    fit, _ = measured(case_of(converter=ConverterModel(note_errors_cents=wrong)), aim)
    assert fit.bend.errors_follow == "number"
    assert fit.errors_follow == "volts"
    assert fit.note_errors_cents() is None
    assert any("measure with --every-semitone" in line for line in fit.advice)


def test_one_bad_reading_is_read_again_and_left_out():
    case = case_of()
    inside = VirtualListener(case, 0, start_s=WARM_S)
    probe = MeasuringPlan(AIM)
    listener = FaultyListener(inside)
    run_plan(probe, listener)
    note = [one.request.note for one in listener.heard if one.request.purpose == "reading"][-1]
    spoiled = FaultyListener(inside, {note: [+35.0]})
    plan = MeasuringPlan(AIM)
    run_plan(plan, spoiled)
    asked = [one.request for one in spoiled.heard if one.request.note == note]
    assert [one.purpose for one in asked[:2]] == ["reading", "again"]
    fit = plan.result()
    assert [r.note for r in fit.readings if r.doubtful] == [note]
    assert np.abs(curve_error(fit, case, spoiled.now_s)).max() < 0.5
    assert any("left out; check it" in line for line in fit.advice)


def test_notes_that_cannot_be_read_are_found_by_halving_and_named():
    case = case_of()
    listener = FaultyListener(VirtualListener(case, 0, start_s=WARM_S), deaf=range(36, 45))
    fit, _ = measured(case, AIM, listener)
    assert len(fit.curve.unusable) >= 1
    part = fit.curve.unusable[0]
    assert part.lowest_cents == 3600.0
    assert 4400.0 <= part.highest_cents <= 4550.0
    assert "noise" in part.reason
    usable = np.arange(46, 85)
    assert np.abs(curve_error(fit, case, listener.now_s, usable)).max() < 0.5
    assert len([one for one in listener.heard if one.pitch is None]) <= 8


def test_a_bottom_that_fails_near_zero_volts_gets_the_technicians_advice():
    model = replace(FLAWED, kink_below_volts=0.3, kink_slope=-0.9, erratic_cents=15.0)
    case = case_of(model)
    fit, _ = measured(case, Aim("bass", 24, 72))
    lines = [line for line in fit.advice if "panel_octaves" in line]
    (advice,) = lines
    assert advice == (
        "tune it two octaves lower at the panel and set panel_octaves: -2: "
        "the lowest note then stays at +1.0 V"
    )
    assert fit.curve.unusable_at(2400.0) is not None
    assert fit.curve.unusable_at(4800.0) is None


def test_a_converter_that_clips_is_found_at_both_ends_without_a_hunt():
    dac = DacModel(lowest_volts=0.0, span_volts=5.0)  # C2 to C7
    case = case_of(converter=ConverterModel(dac=dac))
    fit, listener = measured(case, Aim("reed", 24, 108))
    low, high = fit.curve.unusable
    assert (low.lowest_cents, high.highest_cents) == (2400.0, 10800.0)
    assert 3400.0 <= low.highest_cents <= 3700.0
    assert 9500.0 <= high.lowest_cents <= 9700.0
    assert fit.takes <= 30
    usable = np.arange(38, 95)
    assert np.abs(curve_error(fit, case, listener.now_s, usable)).max() < 0.5


def test_chosen_notes_only():
    case = case_of()
    fit, _ = measured(case, replace(AIM, notes=(40, 52, 64, 76), test_bend=False))
    assert {r.note for r in fit.readings} - {40, 52, 64, 76} <= {MeasuringPlan(AIM).reference}


def test_notes_near_the_mains_are_stepped_aside():
    case = case_of()
    listener = FaultyListener(VirtualListener(case, 0, start_s=WARM_S))
    measured(case, AIM, listener)
    for one in listener.heard:
        if one.request.purpose in ("reading", "reference"):
            assert not near_mains(one.request.expected_cents, (50.0, 60.0))


@pytest.mark.parametrize(("hertz", "near"), [(100.0, True), (97.999, True), (110.0, False)])
def test_near_mains(hertz, near):
    assert near_mains(6900.0 + 1200.0 * np.log2(hertz / 440.0), (50.0,)) is near


def test_half_way_and_spans():
    assert half_way([60], [36]) == 48
    assert half_way([60, 48], [36]) == 42
    assert half_way([60, 38], [36]) is None
    assert half_way([60], []) is None
    assert spans(36, 84, [60, 42], [36]) == [(42, 84)]
    assert spans(36, 84, [36, 60, 70, 84], [65]) == [(36, 60), (70, 84)]


def test_a_range_of_one_note_is_refused():
    with pytest.raises(MeasureError, match="two notes or more"):
        MeasuringPlan(Aim("reed", 60, 60))
