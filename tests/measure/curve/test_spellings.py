"""A converter's errors by number, from two spellings of each pitch (requirements A8, A10)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kit.virtual_voices import AIM, FLAWED, case_of
from zerobeat.errors import VoiceMeasureError
from zerobeat.measure.curve.spellings import SpellingsPlan
from zerobeat.measure.pitch.reader import Pitch
from zerobeat.measure.pitch.take import Take
from zerobeat.sim.dac import DacModel
from zerobeat.sim.virtual_converter import ConverterModel
from zerobeat.tuning.bend import cents_to_bend
from zerobeat.tuning.units import pitch_to_hertz

EXACT = DacModel(bits=None)
ROUGH = {n: float(e) for n, e in enumerate(np.random.default_rng(5).normal(0.0, 3.0, 128))}
WALK = dict(enumerate(np.cumsum(np.random.default_rng(6).normal(0.0, 0.6, 128)).tolist()))
NOISE_CENTS = 0.1


def spelled(converter, aim=AIM, seed=1, noise=NOISE_CENTS):
    """Return what a plan finds where each take is read with noise, and its requests."""
    case = case_of(FLAWED, converter, seed=seed)
    rng = np.random.default_rng(seed)
    plan = SpellingsPlan(aim)
    asked = []
    while (request := plan.next()) is not None:
        asked.append((request.note, request.bend_cents))
        bend = cents_to_bend(request.bend_cents, aim.bend_range_cents)
        at_s = 0.5 * len(asked)
        cents = float(case.pitches(0, request.note, bend, at_s)) + rng.normal(0.0, noise)
        pitch = Pitch(pitch_to_hertz(cents), noise, -20.0, 0.0, 0.0, 10, 0.0)
        plan.add(Take(request, pitch, "", at_s))
    return plan.result(), asked, case


def without_line(notes, cents):
    return cents - np.polyval(np.polyfit(notes, cents, 1), notes)


def worst_off(found, true):
    notes = np.array([note for note, _, _ in found.notes])
    read = np.array([cents for _, cents, _ in found.notes])
    return np.abs(read - without_line(notes, true(notes))).max()


@pytest.mark.parametrize(
    "errors",
    [ROUGH, {50: 5.0, 61: -8.0, 77: 2.0}, WALK],
    ids=["every note", "single notes", "a slow walk"],
)
def test_errors_by_number_are_known_to_a_third_of_a_cent(errors):
    """Readings good to 0.1 cent: a chain of differences alone would leave 0.6."""
    found, asked, _ = spelled(ConverterModel(note_errors_cents=errors, dac=EXACT))
    assert found.follow == "number"
    assert worst_off(found, lambda notes: np.array([errors.get(int(n), 0.0) for n in notes])) < 0.3
    # One pair of spellings throughout, then a second one; the two of a pitch come together.
    assert {bend for _, bend in asked} == {50.0, -50.0, 100.0, 0.0, 200.0, -200.0}
    assert asked[:2] == [(59, 50.0), (60, -50.0)]
    assert asked[-2:] == [(36, 200.0), (40, -200.0)]


def test_steps_and_nonlinearity_before_the_bend_belong_to_the_number():
    model = ConverterModel(dac=DacModel(bits=12, inl_steps=4), bend_sum="analogue", bend_gain=1.004)
    found, _, case = spelled(model)
    assert found.follow == "number"

    def true(notes):
        return 1200.0 * case.converter.settled_volts(0, notes, 0) - 100.0 * (notes - 36)

    assert worst_off(found, true) < 0.3


@pytest.mark.parametrize(
    "model",
    [
        ConverterModel(dac=DacModel(bits=16, inl_steps=60)),
        ConverterModel(dac=DacModel(bits=12, inl_steps=4)),
        ConverterModel(dac=DacModel(bits=12, inl_steps=4), bend_gain=1.01),
        ConverterModel(dac=DacModel(bits=12, inl_steps=4), bend_bits=7, bend_gain=0.99),
        ConverterModel(dac=DacModel(bits=10), bend_gain=1.03),
    ],
    ids=["fine", "coarse", "coarse, bend 1 % wide", "seven bits", "very coarse"],
)
def test_a_converter_that_sums_before_its_steps_errs_by_volts(model):
    found, _, _ = spelled(model)
    assert found.follow == "volts" and not found.notes and found.fit is None


def test_the_part_by_number_is_found_beside_one_by_volts():
    model = ConverterModel(note_errors_cents=ROUGH, dac=DacModel(bits=16, inl_steps=60))
    found, _, _ = spelled(model, noise=0.03)
    assert worst_off(found, lambda notes: np.array([ROUGH[int(n)] for n in notes])) < 0.3


def test_rounding_makes_errors_less_sure_and_says_by_how_much():
    model = ConverterModel(note_errors_cents=ROUGH, dac=DacModel(bits=12), bend_gain=1.006)
    found, _, _ = spelled(model)
    assert found.follow == "number"
    assert found.step_cents == pytest.approx(2.93, abs=0.5)  # 10 V in 4096 steps
    off = worst_off(found, lambda notes: np.array([ROUGH[int(n)] for n in notes]))
    assert 0.3 < off < 4.0 * max(sigma for _, _, sigma in found.notes)


def test_the_curve_and_the_errors_give_back_what_was_heard():
    found, _, case = spelled(ConverterModel(note_errors_cents=ROUGH, dac=EXACT), noise=0.02)
    fit = found.fit
    table = fit.note_errors_cents()
    for note in range(40, 80, 7):
        heard = float(case.pitches(0, note, 0, 30.0))
        assert abs(fit.curve.sounding(100.0 * note + table[note]) - heard) < 0.2


def test_what_can_not_be_spelled_twice_is_refused():
    with pytest.raises(VoiceMeasureError, match=r"bend range of 0\.5 semitones; needed"):
        SpellingsPlan(replace(AIM, bend_range_cents=50.0))
    with pytest.raises(VoiceMeasureError, match=r"found 5 notes; needed"):
        SpellingsPlan(replace(AIM, lowest_note=60, highest_note=64))


def test_a_side_that_is_silent_is_left_out():
    plan = SpellingsPlan(AIM)
    while (request := plan.next()) is not None:
        cents = request.commanded_cents
        heard = request.note > 50
        pitch = Pitch(pitch_to_hertz(cents), 0.05, -20.0, 0.0, 0.0, 10, 0.0) if heard else None
        plan.add(Take(request, pitch, "" if heard else "silent"))
    assert plan.result().follow == "volts"
    assert min(take.request.note for take in plan.takes) == 51
