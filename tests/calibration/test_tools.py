"""tune, trim, touchup and soundcheck on virtual voices with known flaws."""

from dataclasses import replace

import numpy as np
import pytest

from kit.virtual_voices import AIM, FLAWED, WARM_S, case_of, measured
from zerobeat.calibration import identity, soundcheck, touchup, tune
from zerobeat.calibration.soundcheck import SoundcheckFindings
from zerobeat.calibration.trim import TrimPlan
from zerobeat.engine.chain import Chain
from zerobeat.engine.settings import Tonight, TouchUp, Voice, VoiceSettings
from zerobeat.errors import MeasureError
from zerobeat.measure.pitch.take import Take
from zerobeat.render.virtual_listener import VirtualListener
from zerobeat.sim.dac import DacModel
from zerobeat.sim.oscillator import Oscillator, OscillatorModel, WarmupCurve
from zerobeat.sim.scenario import C2_HZ
from zerobeat.sim.virtual_converter import ConverterModel

EXACT = ConverterModel(dac=DacModel(bits=None))
PURE = OscillatorModel(C2_HZ).ideal()


# ------------------------------------------------------------------ tune


@pytest.mark.parametrize(
    ("octaves", "panel", "words"),
    [
        (0.02, 0, "reed: 24.0 cents sharp: tune it down"),
        (-0.3, 0, "reed: 360.0 cents flat: tune it up"),
        (0.001, 0, "reed: in tune, +1.2 cents"),
        (
            -2.03,
            0,
            (
                "reed: 2 octaves and 36 cents flat: tune it up, or set panel_octaves: -2 and "
                "tune it up 36 cents"
            ),
        ),
        (
            0.96,
            0,
            (
                "reed: 1 octave less 48 cents sharp: tune it down, or set panel_octaves: 1 and "
                "tune it up 48 cents"
            ),
        ),
        (-1.0, -1, "reed: in tune, +0.0 cents"),
        (
            2.0,
            4,
            (
                "reed: 2 octaves and 0 cents flat: tune it up, or set panel_octaves: 2 and "
                "tune it up 0 cents"
            ),
        ),
    ],
)
def test_tune_says_how_far_and_which_way(octaves, panel, words):
    case = case_of(replace(PURE, offset_octaves=octaves), EXACT)
    listener = VirtualListener(case, 0, start_s=WARM_S)
    found = tune.panel_reading(listener.listen(tune.tune_request("reed", 60)), panel)
    assert found.off_cents == pytest.approx(1200.0 * (octaves - panel), abs=0.1)
    assert found.line().replace("-0.0", "+0.0") == words


# ------------------------------------------------------------------ trim


def test_trim_follows_the_screwdriver_until_it_is_as_good_as_it_gets():
    # 0.8 % wide is 9.6 cents an octave; each turn takes some of it, the third in the wrong way.
    stretches = [0.008, 0.005, 0.007, 0.003, 0.001, 0.0001, 0.0001, 0.0001]
    trim = TrimPlan("reed", 48, 84)
    case = case_of(PURE)
    listener = VirtualListener(case, 0, start_s=WARM_S)
    said = []
    for stretch in stretches:
        case.oscillators[0] = Oscillator(replace(PURE, octaves_per_volt=1.0 + stretch))
        for _ in range(2):
            request = trim.next()
            if request is None:
                break
            trim.add(listener.listen(request))
        else:
            said.append(trim.result())
            continue
        break
    assert [round(one.stretch_cents, 1) for one in said] == [9.6, 6.0, 8.4, 3.6, 1.2, 0.1, 0.1]
    assert [one.turned for one in said] == [
        "",
        "better",
        "worse",
        "better",
        "better",
        "better",
        "same",
    ]
    assert "wide: flatten the high note" in said[0].line()
    assert "turn back" in said[2].line()
    assert [one.done for one in said] == [False] * 6 + [True]
    assert "as good as it gets" in said[-1].line()
    assert said[0].offset_cents == pytest.approx(9.6, abs=0.1)  # an octave above 0 V
    assert all(len(one.line()) <= 79 for one in said)


def test_trim_ends_where_the_trimmer_has_no_more_to_give():
    trim = TrimPlan("reed", 36, 84)
    for stretch in (8.0, 5.0, 3.0, 2.5, 2.6, 2.55, 2.5, 2.6):
        trim.add_pair_part(0, 0.0)
        trim.add_pair_part(1, 4.0 * stretch)
    assert trim.result().done
    assert trim.next() is None


def test_trim_with_a_meter_alone():
    trim = TrimPlan("reed", 36, 84)
    trim.add_volts(0.001, 4.005, zero_volt_note=36)
    # 4 mV over 4 V: 4.8 cents over four octaves (arithmetic).
    assert trim.result().stretch_cents == pytest.approx(1.2, abs=1e-9)
    assert trim.result().offset_cents == pytest.approx(1.2, abs=1e-9)


def test_trim_asks_a_refused_note_again():
    trim = TrimPlan("reed", 36, 84)
    request = trim.next()
    trim.add(Take(request, None, "silent"))
    assert trim.next().note == 36


# ------------------------------------------------------------------ touch-up


def test_touch_up_takes_drift_of_offset_and_slope_out():
    model = replace(FLAWED, tempco_per_kelvin=0.0028)
    fit, _ = measured(case_of(model), AIM)
    warmer = case_of(
        model, warmup=WarmupCurve(301.15, 301.15)
    )  # 3 K: about 5 cents in four octaves
    listener = VirtualListener(warmer, 0, start_s=WARM_S)
    asked = touchup.touch_up_requests("reed", 36, 72, fit.curve, 0)
    found = touchup.drift_since_profile(*map(listener.listen, asked), fit.curve, 0)
    assert abs(found.stretch_cents) > 1.0
    touch = TouchUp(found.offset_cents, found.stretch_cents, found.reference_cents)
    voice = Voice("reed", "quad", 0, curve=fit.curve)

    def left(tonight):
        chain = Chain(voice, VoiceSettings(), tonight)
        rests = [chain.rest(key) for key in range(36, 85)]
        heard = warmer.pitches(0, [r.note for r in rests], [r.bend for r in rests], WARM_S)
        return np.abs(heard - 100.0 * np.arange(36, 85)).max()

    assert left(Tonight()) > 3.0
    assert left(Tonight(touch_up={"reed": touch})) < 0.5


def test_a_wrong_cable_is_no_drift():
    fit, _ = measured(case_of(), AIM)
    other = VirtualListener(case_of(replace(FLAWED, offset_octaves=0.2)), 0, start_s=WARM_S)
    asked = touchup.touch_up_requests("reed", 36, 72, fit.curve, 0)
    with pytest.raises(MeasureError, match="right cable"):
        touchup.drift_since_profile(*map(other.listen, asked), fit.curve, 0)


def test_notes_too_close_together_say_nothing_of_slope():
    case = VirtualListener(case_of(), 0, start_s=WARM_S)
    asked = touchup.touch_up_requests("reed", 36, 40, None, 0)
    with pytest.raises(MeasureError, match="4 semitones apart; allowed: 9 or more"):
        touchup.drift_since_profile(*map(case.listen, asked), None, 0)


def test_panel_octaves_and_no_profile():
    case = case_of(replace(PURE, hertz_at_zero_volts=C2_HZ / 2.0, offset_octaves=0.01))
    listener = VirtualListener(case, 0, start_s=WARM_S)
    asked = touchup.touch_up_requests("bass", 48, 72, None, -1)
    found = touchup.drift_since_profile(*map(listener.listen, asked), None, -1)
    assert found.offset_cents == pytest.approx(12.0, abs=0.1)
    assert found.stretch_cents == pytest.approx(0.0, abs=0.1)


# ------------------------------------------------------------------ soundcheck


@pytest.mark.parametrize(
    ("checks", "ready", "words"),
    [
        (
            SoundcheckFindings("reed", level_dbfs=-20.0, check_cents=0.2),
            True,
            "check note +0.20 cents",
        ),
        (SoundcheckFindings("reed", level_dbfs=-20.0, unmeasured=True), True, "not measured"),
        (SoundcheckFindings("reed", refused="silent"), False, "check cable, channel and level"),
        (SoundcheckFindings("reed", answers="horn"), False, "swap the two cables"),
        (SoundcheckFindings("reed", follows=False), False, "does not follow the bends"),
        (SoundcheckFindings("reed", level_dbfs=-62.0), False, "too quiet"),
        (SoundcheckFindings("reed", level_dbfs=-3.0, peak_share=0.1), False, "overloads"),
        (SoundcheckFindings("reed", level_dbfs=-20.0, bend_ratio=6.0), False, "set the bend range"),
        (SoundcheckFindings("reed", level_dbfs=-20.0, check_cents=4.0), False, "measure it again"),
    ],
)
def test_one_line_a_voice_ready_or_what_to_do(checks, ready, words):
    verdict = soundcheck.verdict_of(checks)
    assert verdict.ready is ready
    assert words in verdict.line()
    assert ("NOT READY" in verdict.line()) is not ready


def test_what_follows_the_bends_is_the_voice():
    sent = identity.IDENTITY_PATTERN_CENTS
    rng = np.random.default_rng(5)
    heard = 6012.0 + np.array(sent) + rng.normal(0.0, 0.1, len(sent))
    assert identity.follows_bends(sent, heard)
    assert identity.follows_bends(sent, 6000.0 + 6.0 * np.array(sent))  # a wrong bend range
    assert not identity.follows_bends(sent, np.full(len(sent), 6000.0))  # another voice
    assert not identity.follows_bends(sent, 6000.0 - np.array(sent))
    assert not identity.follows_bends(sent, 6000.0 + rng.normal(0.0, 12.0, len(sent)))
    assert not identity.follows_bends(sent, heard[:2])
