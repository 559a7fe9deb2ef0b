"""Waveforms against SciPy's ideal ones, and the envelope."""

import numpy as np
import pytest
from scipy import signal
from scipy.signal.windows import blackmanharris

from zerobeat.sim.waveform import HIGHEST_OF_RATE, Envelope, waveform_samples

RATE = 48_000

# SciPy's shapes with the phases and the DC of ours.
IDEAL = {
    ("sawtooth", 0.5): lambda turns: signal.sawtooth(2 * np.pi * turns),
    ("triangle", 0.5): lambda turns: signal.sawtooth(2 * np.pi * turns, 0.5),
    ("pulse", 0.5): lambda turns: signal.square(2 * np.pi * turns, 0.5),
    ("pulse", 0.1): lambda turns: signal.square(2 * np.pi * turns, 0.1),
    ("pulse", 0.83): lambda turns: signal.square(2 * np.pi * turns, 0.83),
    ("sine", 0.5): lambda turns: np.sin(2 * np.pi * turns),
}


@pytest.mark.parametrize(("shape", "width"), IDEAL)
def test_harmonics_are_those_of_the_ideal_shape(shape, width):
    cycles, count = 37, 4096
    phase = np.arange(count) * cycles / count
    ours = (
        np.fft.rfft(waveform_samples(shape, phase, cycles / count * RATE, RATE, width))[::cycles]
        / count
    )
    # Sampled at the middle of 2^20 slices of one period, where folding is below 1e-9.
    slices = 1 << 20
    middles = (np.arange(slices) + 0.5) / slices
    ideal = np.fft.rfft(IDEAL[shape, width](middles)) / slices
    order = np.arange(len(ours))
    ideal = ideal[: len(ours)] * np.exp(-2j * np.pi * order * 0.5 / slices)
    fits = order * cycles / count <= HIGHEST_OF_RATE - 1e-9
    ours, ideal = ours[fits][1:], ideal[: len(order)][fits][1:]
    # The slices miss a pulse's edge by up to half a slice.
    assert np.max(np.abs(ours - ideal)) < 2e-6


@pytest.mark.parametrize("shape", ["sawtooth", "pulse", "triangle"])
@pytest.mark.parametrize("hertz", [23.7, 110.3, 441.7, 1871.3, 4187.9, 9013.1])
def test_nothing_folds_back(shape, hertz):
    count = 1 << 17
    phase = hertz * np.arange(count) / RATE
    samples = waveform_samples(shape, phase, hertz, RATE, 0.3)
    spectrum = np.abs(np.fft.rfft(samples * blackmanharris(count)))
    loudness = 20 * np.log10(spectrum / (0.35875 * count / 2) + 1e-20)  # 0 dB: full-scale sine
    place = np.arange(len(spectrum)) * RATE / count
    away = np.abs(place / hertz - np.round(place / hertz)) * hertz > 6 * RATE / count
    away |= place > HIGHEST_OF_RATE * RATE + 5.0
    assert np.max(loudness[away]) < -90.0
    assert np.max(loudness[~away]) > -10.0


def test_amplitude_is_one():
    phase = np.linspace(0.0, 1.0, 20_000, endpoint=False)
    for shape in ("sawtooth", "pulse", "triangle", "sine"):
        samples = waveform_samples(shape, phase, 30.0, RATE, 0.5)
        assert 0.99 < np.max(samples) < 1.2
        assert abs(np.mean(samples)) < 1e-4


def test_unknown_shape_is_refused():
    with pytest.raises(ValueError, match="allowed: sawtooth, pulse, triangle, sine"):
        waveform_samples("square", np.zeros(3), 100.0, RATE)


def test_envelope_rises_falls_and_rings_out():
    envelope = Envelope(attack_s=0.1, decay_s=0.2, sustain=0.5, release_s=0.3)
    at_s = np.arange(0.0, 3.0, 0.001)
    levels = envelope.levels([(0.0, False, 0), (0.5, True, 1), (1.5, False, 1)], at_s)
    expected = np.interp(at_s, [0.5, 0.6], [0.0, 1.0])
    sounding = (at_s >= 0.6) & (at_s < 1.5)
    expected[sounding] = 0.5 + 0.5 * np.exp(-(at_s[sounding] - 0.6) / 0.2)
    last = 0.5 + 0.5 * np.exp(-0.9 / 0.2)
    expected[at_s >= 1.5] = last * np.exp(-(at_s[at_s >= 1.5] - 1.5) / 0.3)
    assert levels == pytest.approx(expected, abs=1e-9)


def test_envelope_never_jumps():
    envelope = Envelope(attack_s=0.01, decay_s=0.05, sustain=0.3, release_s=0.05)
    rng = np.random.default_rng(1)
    times = np.sort(rng.uniform(0.0, 2.0, 60))
    gates = [(0.0, False, 0)]
    for at_s in times:
        _, was_open, strikes = gates[-1]
        is_open = bool(rng.integers(2))
        struck = is_open and (not was_open or rng.integers(2))
        gates.append((at_s, is_open, strikes + int(struck)))
    levels = envelope.levels(gates, np.arange(0.0, 2.0, 1e-4))
    assert np.max(np.abs(np.diff(levels))) < 1e-4 / 0.01 + 1e-3
    assert levels.min() >= 0.0
    assert levels.max() <= 1.0
