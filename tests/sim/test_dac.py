"""Steps, nonlinearity, amplifier and cable against data-sheet arithmetic."""

import numpy as np
import pytest

from zerobeat.sim.dac import Dac, DacModel

CENTS = 1200.0  # a volt


# Step = span / 2^n; largest rounding error half a step, root mean square step / sqrt(12).
@pytest.mark.parametrize(
    ("bits", "span", "step_mv", "step_cents", "rms_cents"),
    [
        (12, 10, 2.441406, 2.929688, 0.845728),
        (12, 5, 1.220703, 1.464844, 0.422864),
        (14, 10, 0.610352, 0.732422, 0.211432),
        (16, 10, 0.152588, 0.183105, 0.052858),
        (16, 8, 0.122070, 0.146484, 0.042286),
    ],
)
def test_steps_and_rounding(bits, span, step_mv, step_cents, rms_cents):
    dac = Dac(DacModel(bits=bits, span_volts=span, lowest_volts=0.0))
    assert dac.model.step_volts * 1000.0 == pytest.approx(step_mv, abs=5e-7)
    assert dac.model.step_volts * CENTS == pytest.approx(step_cents, abs=5.1e-7)
    target = np.linspace(0.1, span - 0.1, 400_001)
    error = CENTS * (dac.coded(target) - target)
    assert np.max(np.abs(error)) == pytest.approx(step_cents / 2.0, rel=1e-2)
    assert np.max(np.abs(error)) <= step_cents / 2.0 + 1e-9
    assert np.sqrt(np.mean(error**2)) == pytest.approx(rms_cents, rel=2e-3)


# Integral nonlinearity as data sheets of 12- and 16-bit converters print it, over 10 V.
@pytest.mark.parametrize(
    ("bits", "steps", "cents"),
    [
        (12, 2, 5.859375),
        (12, 12, 35.15625),
        (16, 4, 0.73242188),
        (16, 12, 2.1972656),
        (16, 2, 0.36621094),
    ],
)
@pytest.mark.parametrize("seed", range(3))
def test_bow_is_as_large_as_the_sheet_says(bits, steps, cents, seed):
    plain = Dac(DacModel(bits=bits, lowest_volts=0.0))
    bowed = Dac(DacModel(bits=bits, lowest_volts=0.0, inl_steps=steps), seed=seed)
    target = np.arange(2**bits) * plain.model.step_volts
    error = CENTS * (bowed.coded(target) - plain.coded(target))
    assert np.max(np.abs(error)) == pytest.approx(cents, rel=1e-4)
    # Smooth: nowhere does it change by more than a hundredth of itself in 1/4096 of the range.
    assert np.max(np.abs(np.diff(error[:: 2**bits // 4096]))) < cents / 100.0


def test_bow_differs_by_channel_and_follows_the_seed():
    model = DacModel(inl_steps=10.0)
    target = np.linspace(-1.0, 7.0, 50)
    first, again = Dac(model, 5, 0).coded(target), Dac(model, 5, 0).coded(target)
    assert (first == again).all()
    assert np.ptp(first - Dac(model, 5, 1).coded(target)) > 1e-3


# Amplifier offsets of a common dual amplifier: 3 mV typical, 10 mV at most; 10 uV/K over 20 K.
@pytest.mark.parametrize(("millivolts", "cents"), [(1.0, 1.2), (3.0, 3.6), (10.0, 12.0)])
def test_offset_is_the_same_everywhere(millivolts, cents):
    dac = Dac(DacModel(bits=None, offset_volts=millivolts / 1000.0))
    assert CENTS * (dac.output([0.0, 7.0]) - [0.0, 7.0]) == pytest.approx([cents, cents])


def test_offset_drifts():
    dac = Dac(DacModel(bits=None, drift_volts_per_kelvin=10e-6))
    assert CENTS * dac.output(0.0, 298.15 + 20.0) == pytest.approx(0.24)


# 0.1 % of gain is 1.2 cents an octave.
@pytest.mark.parametrize(("percent", "cents"), [(0.01, 0.12), (0.1, 1.2), (0.5, 6.0), (5, 60.0)])
def test_gain_error_is_cents_an_octave(percent, cents):
    dac = Dac(DacModel(bits=None, gain_error=percent / 100.0))
    assert CENTS * (dac.output([1.0, 3.0]) - [1.0, 3.0]) == pytest.approx([cents, 3 * cents])


# Divider of output and input resistance; two and three inputs of 100 kilohm in parallel.
@pytest.mark.parametrize(
    ("output_ohm", "input_ohm", "cents"),
    [
        (100, 1e5, -1.1988012),
        (1000, 1e5, -11.8811881),
        (1000, 5e4, -23.5294118),
        (1000, 1e5 / 3, -34.9514563),
    ],
)
def test_loading_is_cents_an_octave(output_ohm, input_ohm, cents):
    dac = Dac(DacModel(bits=None, output_ohm=output_ohm, input_ohm=input_ohm))
    assert CENTS * (dac.output(1.0) - 1.0) == pytest.approx(cents, abs=5e-8)


def test_ends_of_the_range_are_walls():
    dac = Dac(DacModel(bits=12, lowest_volts=0.0, span_volts=8.0))
    assert dac.coded([-1.0, 9.0]) == pytest.approx([0.0, 8.0 - 8.0 / 4096])
