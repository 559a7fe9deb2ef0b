"""A converter's table without a meter: its file output, and one oscillator on two channels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kit.virtual_voices import AIM, FLAWED, WARM_S, truth
from zerobeat.calibration import converter_spelled
from zerobeat.calibration.measurement import profile_of
from zerobeat.config.converter_file import ConverterFile, load_converter
from zerobeat.config.profile_file import correction_of
from zerobeat.engine.settings import Converter, Voice
from zerobeat.measure.curve.fit_result import CurveFit, NoteReading
from zerobeat.measure.curve.spellings import SpelledErrors
from zerobeat.sim.dac import DacModel
from zerobeat.sim.oscillator import Oscillator
from zerobeat.sim.virtual_case import VirtualCase
from zerobeat.sim.virtual_converter import ConverterModel, VirtualConverter
from zerobeat.tuning.readings import Reading
from zerobeat.tuning.tracking import TrackingCurve

REED = Voice("reed", "quad", 0, lowest_note=36, highest_note=84)
HORN = replace(REED, name="horn", channel=1)
QUAD = ConverterFile(Converter(name="quad", zero_volt_note=36))
NOTES = np.arange(36, 85)


def test_the_table_of_errors_by_number_goes_into_the_converters_file(tmp_path):
    found = SpelledErrors("reed", "number", ((48, 2.4, 0.1), (49, -1.2, 0.1)), 0.0, 3.6, 0.1, None)
    out = tmp_path / "channel-1.yaml"
    said = []
    converter_spelled.hand_over(converter_spelled.spelled_table(found, REED, 36), out, said.append)
    assert said == [
        f"written to {out}: put it into\nthe file of quad, in place of channel number 1"
    ]
    read = load_converter(out)
    assert read.converter.errors_follow == "number"
    # 1 V an octave (reference.md 4.1): a cent is 1/1200 V.
    assert read.volts[0] == ((48, 1.002), (49, pytest.approx(1.08233, abs=1e-5)))
    errors = read.note_errors_cents(0)
    assert errors[48] == pytest.approx(2.4, abs=0.01)


def test_a_converter_that_errs_by_volts_is_said_to_in_these_words():
    found = SpelledErrors("reed", "volts", (), 2.93, 2.93, 0.1, None)
    said = " ".join(" ".join(converter_spelled.spelled_lines(found, REED, 4)).split())
    assert (
        "quad, channel number 1: its errors follow volts and stay in this voice's curve, "
        "which belongs to this channel"
    ) in said
    assert "differ by 2.93 cents at most; its steps are about 2.9 cents" in said


def case_of_two_channels(bend_sum="digital"):
    """One oscillator, on two channels with errors of their own."""
    dacs = {
        0: DacModel(bits=16, inl_steps=40, gain_error=0.0004),
        1: DacModel(bits=16, inl_steps=40, offset_volts=0.003, gain_error=-0.0003),
    }
    model = ConverterModel(dacs=dacs, bend_sum=bend_sum)
    reed = Oscillator(FLAWED, 3)
    return VirtualCase(VirtualConverter(model, 3), {0: reed, 1: reed}, seed=3)


def readings_on(case, channel):
    cents = case.pitches(channel, NOTES, 0, WARM_S) - 100.0 * NOTES
    return tuple(
        NoteReading(int(n), 0.0, float(c), 0.05) for n, c in zip(NOTES, cents, strict=True)
    )


def fit_of(readings):
    curve = TrackingCurve.from_readings(
        [Reading(100.0 * one.note, one.cents, 0.05) for one in readings]
    )
    return CurveFit("reed", readings, curve, 0.1, 0.05, 0.0)


@pytest.mark.parametrize("bend_sum", ["digital", "analogue"])
def test_an_oscillator_moved_to_a_second_channel_shows_how_the_channels_differ(bend_sum):
    """For every kind: nonlinearity by volts, and the same by number; judged by true volts."""
    case = case_of_two_channels(bend_sum)
    before = replace(REED, curve=fit_of(readings_on(case, 0)).curve)
    table = converter_spelled.moved_table(fit_of(readings_on(case, 1)), HORN, before, QUAD)
    volts = [case.converter.settled_volts(channel, NOTES) for channel in (0, 1)]
    off = 1200.0 * (np.array([v for _, v in table.volts]) - (NOTES - 36) / 12.0)
    # The other channel counts as right, so what is found is the difference.
    assert np.abs(off - 1200.0 * (volts[1] - volts[0])).max() < 0.3
    assert table.channel == 1 and "errors_follow" not in table.yaml()
    said = " ".join(" ".join(converter_spelled.moved_lines(table, before, 36)).split())
    assert "quad: channel number 2, by the oscillator of reed (channel number 1): " in said

    # Where the other channel has a table by meter, the new one is whole.
    meter = tuple((int(n), float(v)) for n, v in zip(NOTES, volts[0], strict=True))
    known = ConverterFile(QUAD.converter, {0: meter})
    whole = converter_spelled.moved_table(fit_of(readings_on(case, 1)), HORN, before, known)
    assert np.abs(1200.0 * (np.array([v for _, v in whole.volts]) - volts[1])).max() < 0.3


def test_a_profile_by_number_plays_what_was_measured():
    """The profile that a run keeps has the errors by number, beside the voice's smooth curve."""
    errors = {int(n): 3.0 * (-1) ** int(n) for n in NOTES}
    model = ConverterModel(note_errors_cents=errors, dac=DacModel(bits=None))
    case = VirtualCase(VirtualConverter(model), {0: Oscillator(FLAWED, 1)})
    heard = truth(case, NOTES, WARM_S)
    smooth = heard - np.array([errors[int(n)] for n in NOTES])
    fit = replace(
        fit_of(
            tuple(
                NoteReading(int(n), 0.0, float(y - 100.0 * n), 0.05)
                for n, y in zip(NOTES, heard, strict=True)
            )
        ),
        curve=TrackingCurve(tuple(100.0 * NOTES), tuple(map(float, smooth))),
        errors_follow="number",
    )
    curve, table = correction_of(profile_of(fit, AIM, None), QUAD, 0)
    for n, y in zip(NOTES, heard, strict=True):
        assert curve.sounding(100.0 * n + table[n]) == pytest.approx(y, abs=0.05)
