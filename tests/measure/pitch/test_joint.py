"""Several voices in one take (requirements A8, A10): as good as each alone, or named."""

from __future__ import annotations

import numpy as np
import pytest

from kit import tones
from kit.voices_together import NOTES, RATE, joint_bounds, mix_of_eight, note_hertz
from zerobeat.measure.pitch.joint import read_together

SECONDS = 0.5


@pytest.mark.parametrize(
    ("base", "noise"), [(7, 0.1), (7, 0.01), (24, 0.1)], ids=["low, 20 dB", "low, 40 dB", "high"]
)
def test_eight_voices_are_read_nearly_as_well_as_can_be(base, noise):
    """The joint Cramer-Rao bound: every pitch, level and phase unknown (reference.md 5.5)."""
    ratios = []
    for seed in (1, 2):
        wave, expected, true, bounds = mix_of_eight(seed, base, noise=noise)
        for (pitch, refused), at, bound in zip(
            read_together(wave, RATE, expected), true, bounds, strict=True
        ):
            assert pitch is not None, refused
            off = 1200 * np.log2(pitch.hertz / at)
            assert abs(off) < 4 * pitch.sigma_cents
            ratios.append(off / max(bound, 1e-3))
    assert np.sqrt(np.mean(np.square(ratios))) < 1.5


def test_a_weak_voice_takes_no_partial_of_another_for_its_own():
    """A sine or triangle has next to nothing where its higher partials would be."""
    for seed in (0, 16):
        wave, expected, true, _ = mix_of_eight(seed, 0)
        for (pitch, refused), at in zip(read_together(wave, RATE, expected), true, strict=True):
            assert pitch is not None, refused
            assert abs(1200 * np.log2(pitch.hertz / at)) < 0.02


def test_the_bound_is_that_of_the_tables_and_of_one_tone_alone():
    """Two unisons are told by their codes only; one tone: Rife and Boorstyn 1974."""
    own = 1 / np.arange(1, 13)
    low = note_hertz(45)
    size = RATE
    alone = np.sqrt(24 * 0.01 / (size * (size**2 - 1.0) * np.sum((own * np.arange(1, 13)) ** 2)))
    cents = 1200 / np.log(2) * alone / (2 * np.pi * low / RATE)
    assert joint_bounds([(low, own)], 1.0, 0.1)[0] == pytest.approx(cents, rel=1e-3)
    # reference.md 5.5: eight chosen notes, 1 s: 1.06 in the mean.
    voices = [(note_hertz(note), own) for note in NOTES]
    single = [joint_bounds([one], 1.0, 0.1)[0] for one in voices]
    ratio = np.array(joint_bounds(voices, 1.0, 0.1)) / single
    assert np.mean(ratio) == pytest.approx(1.06, abs=0.03)


def test_a_voice_that_does_not_sound_gets_no_reading_and_spoils_none():
    wave, _, true, _ = mix_of_eight(3, 7)
    missing = note_hertz(77.5)
    found = read_together(wave, RATE, [*true, missing])
    assert found[-1][0] is None
    for (pitch, _), at in zip(found, true, strict=False):
        assert pitch is None or abs(1200 * np.log2(pitch.hertz / at)) < 4 * pitch.sigma_cents


def test_a_voice_too_many_and_ring_modulation_are_no_readings():
    wave, expected, _, _ = mix_of_eight(4, 7)
    assert all(refused == "mixed" for _, refused in read_together(wave, RATE, expected[:-1]))
    two = [tones.tone(one, SECONDS, RATE, "sine") for one in (220.0, 337.0)]
    ring = 0.1 * (two[0] + two[1] + two[0] * two[1])
    assert all(refused == "mixed" for _, refused in read_together(ring, RATE, [220.0, 337.0]))
