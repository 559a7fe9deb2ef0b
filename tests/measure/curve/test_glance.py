"""Single wrong notes: found at a glance or by a check note, and corrected (requirement A10)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kit.virtual_voices import AIM, WARM_S, FaultyListener, case_of, measured
from zerobeat.measure.curve.fit_result import Aim
from zerobeat.measure.curve.glance import GlancePlan
from zerobeat.measure.curve.plan import MeasuringPlan
from zerobeat.measure.curve.proof import ProofPlan
from zerobeat.measure.pitch.take import run_plan
from zerobeat.render.virtual_listener import VirtualListener
from zerobeat.sim.virtual_converter import ConverterModel

SMALL = Aim("reed", 48, 72)


def glanced(case, aim=SMALL):
    listener = VirtualListener(case, 0, start_s=WARM_S)
    glance = GlancePlan(aim)
    run_plan(glance, listener)
    plan = MeasuringPlan(aim)
    plan.suspect(glance.suspects())
    run_plan(plan, listener)
    return glance, plan.result()


def test_wrong_notes_are_found_at_a_glance_and_none_is_invented():
    case = case_of(converter=ConverterModel(note_errors_cents={52: -8.0, 63: 2.0}))
    glance, fit = glanced(case)
    assert sorted(glance.suspects()) == [52, 63]
    found = dict(fit.wrong_notes)
    assert found == pytest.approx({52: -8.0, 63: 2.0}, abs=0.3)
    assert glance.sound_s < 15.0 * 25 / 49
    # They follow the number, and end in the table; every other number stays where it was.
    assert fit.errors_follow == "number"
    table = np.array(fit.note_errors_cents())
    assert table[[52, 63]] == pytest.approx([-8.0, 2.0], abs=0.3)
    assert np.abs(np.delete(table, [52, 63])).max() < 0.3
    assert any("E3 (52): -" in line and "wrong note" in line for line in fit.advice)


def test_a_good_converter_has_no_suspects():
    glance, fit = glanced(case_of())
    assert glance.suspects() == []
    assert fit.wrong_notes == ()
    assert fit.errors_follow == "volts"


def test_a_reading_that_was_wrong_once_is_no_wrong_note():
    inside = VirtualListener(case_of(), 0, start_s=WARM_S)
    plan = MeasuringPlan(SMALL)
    plan.suspect([55])
    run_plan(plan, FaultyListener(inside, {55: [5.0]}))
    assert plan.result().wrong_notes == ()


def test_the_ends_that_cannot_be_read_end_a_glance():
    inside = VirtualListener(case_of(), 0, start_s=WARM_S)
    deaf = FaultyListener(inside, deaf=range(48, 56))
    glance = GlancePlan(SMALL)
    run_plan(glance, deaf)
    assert glance.next() is None
    assert glance.suspects() == []
    silent = GlancePlan(SMALL)
    run_plan(silent, FaultyListener(inside, deaf=range(128)))
    assert silent.next() is None


def test_a_check_note_that_misses_becomes_a_reading():
    case = case_of(converter=ConverterModel(note_errors_cents={55: -8.0}))
    listener = VirtualListener(case, 0, start_s=WARM_S)
    plan = MeasuringPlan(replace(SMALL, notes=(48, 53, 58, 63, 68, 72)))
    run_plan(plan, listener)
    fit = plan.result()

    def raw(pitch_cents):
        note = round(fit.curve.commanded(pitch_cents) / 100.0)
        return note, fit.curve.commanded(pitch_cents) - 100.0 * note

    proof = ProofPlan(plan.aim, fit, raw, raw, 1, [55])
    run_plan(proof, listener)
    assert 55 in proof.missed()
    assert not proof.result().good  # nothing is kept while a check note contradicts it
    plan.suspect(proof.missed())
    run_plan(plan, listener)
    assert dict(plan.result().wrong_notes) == pytest.approx({55: -8.0}, abs=0.4)


def test_plain_takes_are_as_few_as_before():
    fit, _ = measured(case_of(), AIM)
    assert fit.takes <= 12
