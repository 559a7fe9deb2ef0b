"""Struck resonators: partials where a stiff string has them, and their decay."""

import numpy as np
import pytest
from scipy.signal import find_peaks
from scipy.signal.windows import blackmanharris

from zerobeat.sim.resonator import StruckResonator

RATE = 48_000


def ring(struck, hertz, strikes_s, duration_s):
    at_s = np.arange(round(duration_s * RATE)) / RATE
    return at_s, struck.ring(hertz * at_s, 0.45 * RATE, strikes_s, at_s)


# f_n = n f sqrt(1 + B n^2), H. Fletcher 1964; 0.0004 is about a piano's middle C.
def test_partials_are_those_of_a_stiff_string():
    struck = StruckResonator(decay_s=50.0, inharmonicity=0.0004, damping=0.0, partials=6)
    _, samples = ring(struck, 261.6, [0.0], 4.0)
    spectrum = np.abs(np.fft.rfft(samples * blackmanharris(len(samples)), 1 << 21))
    place = np.arange(len(spectrum)) * RATE / (1 << 21)
    peaks, _ = find_peaks(spectrum, height=np.max(spectrum) / 30.0, distance=2000)
    order = np.arange(1, 7)
    expected = 261.6 * order * np.sqrt((1 + 0.0004 * order**2) / (1 + 0.0004))
    assert place[peaks] == pytest.approx(expected, abs=0.02)


def test_lowest_partial_decays_with_its_time_constant():
    at_s, samples = ring(StruckResonator(decay_s=0.5, partials=1), 440.0, [0.2], 2.0)
    assert np.all(samples[at_s < 0.2] == 0.0)
    early = np.sqrt(np.mean(samples[(at_s > 0.5) & (at_s < 0.6)] ** 2))
    late = np.sqrt(np.mean(samples[(at_s > 1.0) & (at_s < 1.1)] ** 2))
    assert early / late == pytest.approx(np.exp(0.5 / 0.5), rel=0.01)


def test_higher_partials_die_sooner():
    _, samples = ring(StruckResonator(decay_s=0.5, damping=1.0, partials=4), 440.0, [0.0], 2.0)
    early = np.abs(np.fft.rfft(samples[: RATE // 2]))
    late = np.abs(np.fft.rfft(samples[RATE : 3 * RATE // 2]))
    assert late[440] / late[220] < 0.3 * early[440] / early[220]


def test_a_new_strike_does_not_click():
    _, samples = ring(StruckResonator(decay_s=1.0, partials=1), 100.0, [0.0, 0.5003, 0.9], 1.5)
    fastest = 2 * np.pi * 100.0 / RATE + 1.0 / (0.002 * RATE)
    assert np.max(np.abs(np.diff(samples))) < fastest


def test_partials_above_the_limit_are_left_out():
    _, samples = ring(StruckResonator(decay_s=10.0, partials=8), 9000.0, [0.0], 1.0)
    spectrum = np.abs(np.fft.rfft(samples * blackmanharris(len(samples))))
    folded = 48_000 - 3 * 9000.0  # where the third partial would come back
    assert spectrum[round(folded) - 2000 : round(folded) + 2000].max() < 1e-4 * spectrum.max()
