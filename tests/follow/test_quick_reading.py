"""A quick reading is as good as the full reader's, or is left to it (design: Follow)."""

import math

import numpy as np
import pytest

from zerobeat.follow import quick_reading
from zerobeat.follow.quick_reading import FULL_EVERY, FULL_FIRST, QuickReader, quick_pitch
from zerobeat.sim.waveform import waveform_samples

RATE_HZ = 48_000


def hertz(cents):
    return 440.0 * 2.0 ** ((cents - 6900.0) / 1200.0)


def take(cents, seed=0, waveform="sawtooth", hiss=5e-4, moved=lambda at_s: 0.0 * at_s, seconds=0.3):
    rng = np.random.default_rng(seed)
    at_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    hz = hertz(cents + moved(at_s))
    cycles = rng.uniform() + np.cumsum(hz) / RATE_HZ
    wave = waveform_samples(waveform, cycles, float(np.max(hz)), RATE_HZ)
    return 0.25 * wave + hiss * rng.standard_normal(at_s.size)


def off_cents(pitch, cents):
    return 1200.0 * math.log2(pitch.hertz / hertz(cents))


@pytest.mark.parametrize("waveform", ["sawtooth", "pulse", "triangle", "sine"])
@pytest.mark.parametrize("note", [33, 60, 96])
@pytest.mark.parametrize("hiss", [5e-4, 1e-2])
def test_a_steady_tone_is_read_within_its_sigma(waveform, note, hiss):
    for seed, off in enumerate((-4.0, 0.3, 3.0)):
        pitch = quick_pitch(
            take(100 * note + off, seed, waveform, hiss), RATE_HZ, hertz(100 * note)
        )
        if pitch is None:  # left to the full reader
            assert hiss > 1e-3
            continue
        assert abs(off_cents(pitch, 100 * note + off)) < 4.0 * pitch.sigma_cents + 0.003
        assert pitch.sigma_cents < 0.5


def test_a_pitch_that_moves_shows_its_slope():
    pitch = quick_pitch(take(6000.0, moved=lambda s: 3.0 * (s - 0.15)), RATE_HZ, hertz(6000.0))
    assert pitch is not None
    assert pitch.drift_cents_per_s == pytest.approx(3.0, abs=0.1)
    assert off_cents(pitch, 6000.0) == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros(14_400),
        np.full(14_400, 1.0),
        take(6000.0, hiss=0.3),
        take(6000.0, moved=lambda s: 10.0 * np.sin(31.0 * s)),
        take(6030.0),
        take(6000.0) + 0.5 * take(6003.0),
        take(6000.0) + 0.3 * take(6700.0),
        take(6000.0) + 0.3 * take(7205.0),
        take(6000.0, seconds=0.02),
    ],
    ids="silence full noise vibrato far beat fifth octave short".split(),
)
def test_what_is_not_plain_is_left_to_the_full_reader(samples):
    assert quick_pitch(samples, RATE_HZ, hertz(6000.0)) is None


def test_the_full_reader_reads_first_now_and_then_and_where_the_quick_one_is_surprised(monkeypatch):
    full = []
    read = quick_reading.estimate_pitch
    monkeypatch.setattr(
        quick_reading, "estimate_pitch", lambda *a, **k: full.append(1) or read(*a, **k)
    )
    reader, sound = QuickReader(), take(6000.0)
    for _ in range(FULL_FIRST + 2 * FULL_EVERY):
        reader.read(sound, RATE_HZ, 6000.0, 6000.0)
    assert len(full) == FULL_FIRST + 2
    reader.read(take(6003.0), RATE_HZ, 6000.0, 6000.0)
    assert len(full) == FULL_FIRST + 3


def test_a_quick_reading_that_the_full_reader_contradicts_is_used_no_more(monkeypatch):
    reader, sound = QuickReader(), take(6000.0)
    for _ in range(FULL_FIRST):
        reader.read(sound, RATE_HZ, 6000.0, 6000.0)
    other = take(6001.0)
    wrong = quick_pitch(other, RATE_HZ, hertz(6000.0))
    monkeypatch.setattr(quick_reading, "quick_pitch", lambda *a: wrong)
    for _ in range(3 * FULL_EVERY):
        read = reader.read(sound, RATE_HZ, 6000.0, 6000.5)
    assert off_cents(read, 6000.0) == pytest.approx(0.0, abs=0.02)
