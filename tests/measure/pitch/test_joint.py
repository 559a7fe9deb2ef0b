"""Several voices in one take (requirements A8, A10): as good as each alone, or named."""

from __future__ import annotations

import numpy as np
import pytest

from kit import tones
from kit.voices_together import RATE, mix_of_eight, note_hertz
from zerobeat.measure.pitch.joint import read_together

SECONDS = 0.5


@pytest.mark.parametrize("base", [7, 24])
def test_eight_voices_are_read_as_well_as_each_alone(base):
    ratios = []
    for seed in (1, 2):
        wave, expected, true, bounds = mix_of_eight(seed, base)
        for (pitch, refused), at, bound in zip(
            read_together(wave, RATE, expected), true, bounds, strict=True
        ):
            assert pitch is not None, refused
            off = 1200 * np.log2(pitch.hertz / at)
            assert abs(off) < 4 * pitch.sigma_cents
            ratios.append(off / max(bound, 2e-2))
    assert np.sqrt(np.mean(np.square(ratios))) < 1.5


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
