"""The oscillator against published figures of its physics."""

import dataclasses

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.special import lambertw, wrightomega

from zerobeat.sim.oscillator import (
    BOLTZMANN_OVER_CHARGE,
    TRIM_KELVIN,
    Oscillator,
    OscillatorModel,
    WarmupCurve,
    log_current,
)

PERFECT = OscillatorModel().ideal()


def cents(hertz, reference):
    return 1200.0 * np.log2(np.asarray(hertz) / reference)


# kT/q with the exact SI constants.
@pytest.mark.parametrize(
    ("celsius", "millivolts", "octave_millivolts"),
    [
        (15, 24.8308, 17.2114),
        (20, 25.2617, 17.5101),
        (25, 25.6926, 17.8087),
        (27, 25.8649, 17.9282),
        (30, 26.1234, 18.1074),
        (40, 26.9852, 18.7047),
    ],
)
def test_thermal_voltage(celsius, millivolts, octave_millivolts):
    thermal = 1000.0 * BOLTZMANN_OVER_CHARGE * (273.15 + celsius)
    assert thermal == pytest.approx(millivolts, abs=5e-5)
    assert thermal * np.log(2.0) == pytest.approx(octave_millivolts, abs=5e-5)


# 1200 u ((1 + alpha dT) T0 / (T0 + dT) - 1); the resistor values are those that are sold.
@pytest.mark.parametrize(
    ("ppm", "warmer", "octaves", "expected"),
    [
        (0, 1, 1, -4.0114),
        (0, 1, 3, -12.0341),
        (0, 10, 4, -155.7683),
        (3000, 10, 4, -16.4413),
        (3300, 10, 4, -2.5086),
        (3300, -10, 4, 2.6828),
        (3350, 10, 4, -0.1865),
        (3500, 10, 4, 6.7798),
        (3300, 1, 4, -0.2584),
        (3300, 20, 4, -4.8596),
    ],
)
def test_scale_follows_temperature(ppm, warmer, octaves, expected):
    oscillator = Oscillator(dataclasses.replace(PERFECT, tempco_per_kelvin=ppm * 1e-6))
    hertz = oscillator.hertz(octaves, TRIM_KELVIN + warmer)
    assert cents(hertz, 32.70319566257483 * 2.0**octaves) == pytest.approx(expected, abs=5e-5)


# Exact solution with Lambert's W; 0.3 ohm typical and 0.6 ohm at most in sheets of matched pairs.
@pytest.mark.parametrize(
    ("ideal_ampere", "by_ohm"),
    [
        (1e-5, (-0.2021, -0.4042, -1.3466)),
        (5e-5, (-1.0102, -2.0191, -6.7122)),
        (1e-4, (-2.0191, -4.0336, -13.3728)),
        (2e-4, (-4.0336, -8.0484, -26.5430)),
        (1e-3, (-19.9828, -39.5172, -125.3523)),
    ],
)
def test_bulk_resistance_flattens(ideal_ampere, by_ohm):
    thermal = BOLTZMANN_OVER_CHARGE * TRIM_KELVIN
    y = log_current(np.log(ideal_ampere), np.array([0.3, 0.6, 2.0]) / thermal)
    assert (y - np.log(ideal_ampere)) * 1200.0 / np.log(2.0) == pytest.approx(by_ohm, abs=5e-5)


def test_current_agrees_with_scipy():
    ideal = np.linspace(-40.0, 30.0, 701)
    for per_ampere in (1e-6, 0.5 / 0.0257, 80.0):
        y = log_current(ideal, per_ampere)
        # e^y * k = omega(ideal + ln k), Wright's omega; W where it does not overflow.
        omega = wrightomega(ideal + np.log(per_ampere))
        assert np.exp(y) * per_ampere == pytest.approx(omega, rel=1e-12)
        w = lambertw(per_ampere * np.exp(ideal)).real / per_ampere
        assert np.exp(y) == pytest.approx(w, rel=1e-12)


def test_current_survives_volts_that_overflow_lambert():
    assert log_current(5000.0, 20.0) + 20.0 * np.exp(log_current(5000.0, 20.0)) == pytest.approx(
        5000.0
    )


# f = 1 / (1 / f0 + t); 0.57 us: "Electronotes" 112, as quoted by builders.
@pytest.mark.parametrize(
    ("reset_s", "by_octave"),
    [
        (2e-7, (-0.0906, -0.3623, -1.4488, -2.8964)),
        (5.7e-7, (-0.2582, -1.0324, -4.1258, -8.2419)),
        (1e-6, (-0.4529, -1.8108, -7.2318, -14.4336)),
        (5e-6, (-2.2632, -9.0351, -35.8608, -70.9939)),
    ],
)
def test_reset_time_flattens(reset_s, by_octave):
    volts = np.array([3.0, 5.0, 7.0, 8.0])  # 262, 1047, 4186, 8372 Hz
    hertz = Oscillator(dataclasses.replace(PERFECT, reset_s=reset_s)).hertz(volts)
    assert cents(hertz, 32.70319566257483 * 2.0**volts) == pytest.approx(by_octave, abs=5e-5)


# R = t / C cancels: 570 ns needs 570 ohm with 1 nF and 3.8 kilohm with 150 pF.
@pytest.mark.parametrize(("farad", "ohm"), [(1e-9, 570.0), (150e-12, 3800.0)])
def test_series_resistor_cancels_reset_time(farad, ohm):
    model = dataclasses.replace(
        PERFECT, reset_s=5.7e-7, compensation_ohm=ohm, capacitor_farad=farad
    )
    volts = np.arange(9.0)
    assert cents(Oscillator(model).hertz(volts), 32.70319566257483 * 2.0**volts) == pytest.approx(
        0, abs=1e-9
    )


# 1200 log2(1 - leak / I)
@pytest.mark.parametrize(
    ("leak", "core", "expected"),
    [(1e-10, 1e-8, -17.399484), (1e-10, 1e-7, -1.732100), (1e-10, 1e-6, -0.173132)],
)
def test_leakage_flattens_the_bottom(leak, core, expected):
    hertz = core / (1e-9 * 5.0)
    model = dataclasses.replace(PERFECT, hertz_at_zero_volts=hertz, leak_ampere=leak)
    assert cents(Oscillator(model).hertz(0.0), hertz) == pytest.approx(expected, abs=5e-7)


# Capacitors for +10 K: C0G, mica, and what the makers of a rate capacitor print.
@pytest.mark.parametrize(("ppm", "expected"), [(30, -0.51929), (50, -0.86540), (100, -1.73037)])
def test_capacitor_drifts(ppm, expected):
    model = dataclasses.replace(PERFECT, capacitor_per_kelvin=ppm * 1e-6, tempco_per_kelvin=0.0)
    hertz = Oscillator(model).hertz(0.0, TRIM_KELVIN + 10.0)
    assert cents(hertz, 32.70319566257483) == pytest.approx(expected, abs=5e-6)


ONLY = {"bulk_ohm": 0.0, "reset_s": 0.0, "leak_ampere": 0.0, "capacitor_per_kelvin": 0.0}


def only(**flaw):
    return dataclasses.replace(OscillatorModel(), **(ONLY | flaw))


# The reference instance, computed independently in more digits from the event view of the
# core: hertz at 0 to 8 V, twelve digits.
INSTANCES = {
    "ideal": (
        only(),
        0.0,
        [
            32.7031956626,
            65.4063913251,
            130.81278265,
            261.625565301,
            523.251130601,
            1046.5022612,
            2093.0045224,
            4186.00904481,
            8372.01808962,
        ],
    ),
    "bulk only": (
        only(bulk_ohm=0.5),
        0.0,
        [
            32.7030915962,
            65.4059750615,
            130.811117611,
            261.618905272,
            523.224491505,
            1046.39571295,
            2092.57839448,
            4184.30505341,
            8365.20628191,
        ],
    ),
    "reset only": (
        only(reset_s=5.7e-7),
        0.0,
        [
            32.7025860595,
            65.4039529583,
            130.803029547,
            261.586555794,
            523.095115838,
            1045.87838817,
            2090.51051706,
            4176.04489664,
            8332.25614409,
        ],
    ),
    "all at 25 C": (
        OscillatorModel(),
        0.0,
        [
            32.7004820715,
            65.4015368748,
            130.799365054,
            261.577898348,
            523.066493817,
            1045.76996929,
            2090.08340873,
            4174.34701562,
            8325.50687941,
        ],
    ),
    "all at 35 C": (
        OscillatorModel(),
        10.0,
        [
            32.6906784278,
            65.3582556673,
            130.66549586,
            261.215682684,
            522.153615136,
            1043.56933547,
            2084.94068692,
            4162.61321716,
            8299.2865112,
        ],
    ),
    "gain and series resistor": (
        OscillatorModel(octaves_per_volt=1.002, compensation_ohm=570.0),
        0.0,
        [
            32.7010915962,
            65.4947092957,
            131.172301659,
            262.707185501,
            526.131774415,
            1053.67122457,
            2110.0509733,
            4225.08868941,
            8458.41702045,
        ],
    ),
}


@pytest.mark.parametrize("name", INSTANCES)
def test_reference_instance_to_twelve_digits(name):
    model, warmer, hertz = INSTANCES[name]
    heard = Oscillator(model).hertz(np.arange(9.0), TRIM_KELVIN + warmer)
    assert heard == pytest.approx(hertz, rel=5e-12)


# Cents from ideal at 0, 2, 4, 6, 7 and 8 V of the same instance.
@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("bulk only", (-0.0055, -0.0220, -0.0881, -0.3525, -0.7049, -1.4092)),
        ("reset only", (-0.0323, -0.1291, -0.5163, -2.0642, -4.1258, -8.2419)),
        ("all at 25 C", (-0.1437, -0.1776, -0.6110, -2.4179, -4.8299, -9.6448)),
        ("all at 35 C", (-0.6628, -1.9504, -3.6351, -6.6829, -9.7031, -15.1057)),
        ("gain and series resistor", (-0.1114, 4.7515, 9.5048, 14.0429, 16.0874, 17.7747)),
    ],
)
def test_reference_instance_in_cents(name, expected):
    model, warmer, _ = INSTANCES[name]
    volts = np.array([0.0, 2.0, 4.0, 6.0, 7.0, 8.0])
    heard = Oscillator(model).hertz(volts, TRIM_KELVIN + warmer)
    assert cents(heard, 32.70319566257483 * 2.0**volts) == pytest.approx(expected, abs=5e-5)


# A real oscillator, volts and hertz: a public mailing list on synthesizer building, 2006,
# instrument B. A line with a 2^u term leaves 0.251 cents rms.
def test_model_can_be_a_measured_oscillator():
    volts = np.array([-1.0007, -0.0034, 0.9940, 1.9915, 2.9887, 3.9862, 4.9837, 5.9820])
    hertz = np.array([14.965, 29.958, 59.954, 119.96, 239.89, 479.68, 958.23, 1912.1])

    def left_cents(parts):
        model = OscillatorModel(
            hertz_at_zero_volts=30.0,
            offset_octaves=parts[0] * 1e-3,
            octaves_per_volt=1.0 + parts[1] * 1e-3,
            bulk_ohm=abs(parts[2]),
        )
        return cents(Oscillator(model).hertz(volts), hertz)

    fit = least_squares(left_cents, [0.0, 0.0, 10.0])
    assert np.sqrt(np.mean(fit.fun**2)) < 0.26


# T(t) = T_end + (T_start - T_end) exp(-t / tau), 8 K and 600 s: shape only, an assumption.
def test_warmup_follows_its_curve():
    rise = WarmupCurve(295.0, 303.0, 600.0).kelvin([0, 60, 300, 600, 1200, 1800, 3600]) - 295.0
    expected = [0.0, 0.76130066, 3.1477547, 5.0569645, 6.9173177, 7.6017035, 7.98017]
    assert rise == pytest.approx(expected, abs=5e-7)


def test_leak_larger_than_the_current_stops_it():
    oscillator = Oscillator(OscillatorModel(leak_ampere=1e-7))
    heard = oscillator.hertz([-3.0, 0.0])
    assert heard[0] == 0.0
    assert 0.0 < heard[1] < 32.7


def test_kink_bends_the_line_below_it_only():
    model = dataclasses.replace(PERFECT, kink_below_volts=0.5, kink_slope=-0.1)
    heard = cents(
        Oscillator(model).hertz([-0.5, 0.5, 2.0]), Oscillator(PERFECT).hertz([-0.5, 0.5, 2.0])
    )
    assert heard == pytest.approx([120.0, 0.0, 0.0], abs=1e-9)


def test_wander_has_the_size_asked_for_and_follows_the_seed():
    model = dataclasses.replace(PERFECT, wander_cents=0.8)
    at_s = np.linspace(0.0, 4000.0, 40_001)
    first = cents(Oscillator(model, seed=3).hertz(1.0, at_s=at_s), Oscillator(PERFECT).hertz(1.0))
    again = cents(Oscillator(model, seed=3).hertz(1.0, at_s=at_s), Oscillator(PERFECT).hertz(1.0))
    other = cents(Oscillator(model, seed=4).hertz(1.0, at_s=at_s), Oscillator(PERFECT).hertz(1.0))
    assert np.std(first) == pytest.approx(0.8, rel=0.1)
    assert (first == again).all()
    assert abs(np.corrcoef(first, other)[0, 1]) < 0.2


def test_erratic_only_below_the_kink():
    model = dataclasses.replace(PERFECT, kink_below_volts=0.0, erratic_cents=20.0)
    at_s = np.linspace(0.0, 10.0, 4001)
    oscillator = Oscillator(model)
    assert np.std(cents(oscillator.hertz(-0.2, at_s=at_s), oscillator.hertz(-0.2))) > 10.0
    assert np.ptp(oscillator.hertz(0.2, at_s=at_s)) == 0.0
