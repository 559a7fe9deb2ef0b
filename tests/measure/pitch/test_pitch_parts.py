"""The parts of the pitch reader: grid, harmonic model, coarse search, autocorrelation."""

from __future__ import annotations

import numpy as np
import pytest

from kit import tones
from zerobeat.measure.pitch.autocorrelation import autocorrelation_pitch
from zerobeat.measure.pitch.coarse_search import (
    candidate_pitches,
    find_lines,
    is_mains,
    score_candidates,
)
from zerobeat.measure.pitch.envelope_grid import EnvelopeGrid, fast_fft_length
from zerobeat.measure.pitch.harmonics import Partials

RATE = 48000


@pytest.mark.parametrize(
    ("least", "length"), [(1, 1), (7, 8), (17, 18), (97, 100), (1025, 1080), (48000, 48000)]
)
def test_good_length_has_small_factors_only(least, length):
    found = fast_fft_length(least)
    assert least <= found <= length
    for factor in (2, 3, 5):
        while found % factor == 0:
            found //= factor
    assert found == 1


def test_synthesis_equals_the_sum_of_sines():
    grid = EnvelopeGrid(9600, RATE, 128)
    partials = Partials(grid, np.array([1, 2, 5]), np.zeros(3), 217.3, drift=0.004, stiffness=1e-4)
    partials.level, partials.growth = (
        np.array([0.5, 0.3j, -0.2 + 0.1j]),
        np.array([-1.0, -3.0, 0.0]),
    )
    time = (np.arange(9600) - 4799.5) / RATE
    wave = np.zeros(9600)
    for level, growth, hertz in zip(partials.level, partials.growth, partials.hertz(), strict=True):
        turns = hertz * np.expm1(0.004 * time) / 0.004
        wave += np.real(level * np.exp(growth * time + 2j * np.pi * turns))
    made = grid.synthesize(partials.level[:, None] * partials.shapes(), partials.carriers())
    assert np.abs(made - wave).max() < 1e-4 * np.abs(wave).max()


def test_analysis_is_the_adjoint_of_synthesis():
    rng, grid = np.random.default_rng(0), EnvelopeGrid(3000, RATE, 64)
    carriers = np.array([40, 90, 130])
    envelopes = rng.standard_normal((3, 64)) + 1j * rng.standard_normal((3, 64))
    samples = rng.standard_normal(3000)
    left = samples @ grid.synthesize(envelopes, carriers)
    seen = grid.analyze(grid.transform(samples), carriers)
    right = np.sum(seen * envelopes.conj()).real * grid.padded / (2 * grid.points)
    assert left == pytest.approx(right, rel=1e-9)


def test_lines_of_a_clean_sine_hold_no_leakage():
    lines = find_lines(tones.tone(1234.5, 0.5, RATE, "sine"), RATE, None)
    assert lines.hertz == pytest.approx([1234.5], abs=0.1)
    assert lines.power == pytest.approx(
        [2.0], rel=0.1
    )  # rms 1: amplitude squared is 2; the window scallops


@pytest.mark.parametrize("shape", ["weak", "missing", "pulse50", "sine"])
def test_the_search_prefers_neither_octave(shape):
    rng = np.random.default_rng(3)
    wave = tones.tone(155.0, 0.5, RATE, shape, rng=rng) + 0.1 * tones.white(RATE // 2, rng)
    lines = find_lines(wave, RATE, None)
    best = score_candidates(lines, candidate_pitches(lines, 7.0, 20000.0))[0]
    assert best.hertz == pytest.approx(155.0, rel=0.005)


@pytest.mark.parametrize("hertz", [30.1, 440.7, 7000.3])
def test_the_second_method_reads_alone(hertz):
    wave = tones.tone(hertz, 0.7, RATE, "saw", top_hz=18000.0)
    assert autocorrelation_pitch(wave, RATE, hertz * 1.001) == pytest.approx(hertz, rel=2e-5)


def test_mains_are_the_multiples_of_50_and_60_hertz():
    found = is_mains(np.array([50.05, 100.0, 120.1, 300.0, 110.0, 55.0, 1200.0]))
    assert found.tolist() == [True, True, True, True, False, False, False]
