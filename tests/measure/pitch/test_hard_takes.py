"""Takes that are hard to read, a few of each group (requirements A7, A8, A10).

``tests/bench/hard_takes.py`` has the full figures: three seeds of 400, 60, 200 and 600 takes.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from bench.pitch import render

from kit import tones
from kit.hard_takes import REFUSE, STEADILY_WRONG, WIDE, HardTake
from zerobeat.errors import TakeRefusedError
from zerobeat.measure.pitch.reader import Pitch, estimate_pitch
from zerobeat.measure.pitch.take import read_samples

RATE = 48000
FONT = "TimGM6mb.sf2"


def read(take: HardTake) -> Pitch | str:
    try:
        return estimate_pitch(take.samples, take.rate, **take.given)
    except TakeRefusedError as refusal:
        return refusal.reason


def cents(found: Pitch, hertz: float) -> float:
    return 1200 * np.log2(found.hertz / hertz)


@pytest.mark.parametrize("name", WIDE)
def test_a8_without_an_expected_pitch_no_gross_error_is_stated_as_sure(name):
    rng, answered = np.random.default_rng([11, len(name)]), 0
    for _ in range(4):
        take = WIDE[name](rng)
        found = read(take)
        if isinstance(found, Pitch):
            answered += 1
            assert abs(cents(found, take.hertz)) < 50 or found.sigma_cents > 5
    assert answered >= 3


@pytest.mark.parametrize("below_db", [50, 65, 75])
@pytest.mark.parametrize("note", [84, 89])
def test_a8_a_sub_harmonic_needs_power_of_its_own(note, below_db):
    hertz = 440 * 2 ** ((note - 69) / 12 + 4 / 1200)
    wave = tones.tone(hertz, 0.5, RATE, "saw", top_hz=18000.0)
    wave += 10 ** (-below_db / 20) * tones.tone(hertz / 2, 0.5, RATE, "saw", top_hz=18000.0)
    assert abs(cents(estimate_pitch(0.2 * wave, RATE), hertz)) < 0.01
    # The octave below is no answer either where it was expected.
    with pytest.raises(TakeRefusedError, match="range"):
        estimate_pitch(0.2 * wave, RATE, expected_hz=hertz / 2)


@pytest.mark.parametrize("name", REFUSE)
def test_a8_two_oscillators_are_refused(name):
    rng = np.random.default_rng([12, len(name)])
    assert all(isinstance(read(REFUSE[name](rng)), str) for _ in range(4))


@pytest.mark.parametrize("name", STEADILY_WRONG)
def test_a10_a_sound_that_moves_is_refused_or_its_sigma_says_so(name):
    rng = np.random.default_rng([13, len(name)])
    for _ in range(4):
        take = STEADILY_WRONG[name](rng)
        found = read(take)
        if isinstance(found, Pitch):
            off = abs(cents(found, take.hertz))
            assert off < max(0.5, 3 * found.sigma_cents)


def test_a9_a_take_is_short_by_the_pitch_found():
    # 6.3 periods of 110 Hz; the range searched begins half an octave lower.
    wave = 0.3 * tones.tone(110.0, 6.3 / 110, RATE, "saw", top_hz=9000.0)
    found = estimate_pitch(wave, RATE, expected_hz=110.0)
    assert abs(cents(found, 110.0)) < max(3.0, 3 * found.sigma_cents)
    with pytest.raises(TakeRefusedError, match="short"):
        estimate_pitch(wave[: int(4 / 110 * RATE)], RATE, expected_hz=110.0)


def test_a8_a_likely_pitch_comes_first_and_the_whole_range_after_it():
    wave = 0.2 * tones.tone(220.0, 0.5, RATE, "saw", top_hz=18000.0)
    for likely in (215.0, 110.0, 440.0, 3000.0):
        found, refused = read_samples(wave, RATE, None, None, likely)
        assert not refused
        assert abs(cents(found, 220.0)) < 0.01


@pytest.mark.skipif(
    not shutil.which("fluidsynth") or not Path("/usr/share/sounds/sf2", FONT).exists(),
    reason="fluidsynth or timgm6mb-soundfont is not installed",
)
@pytest.mark.parametrize(
    ("program", "note"),
    [(10, 90), (9, 96)],  # the loop of a music box repeats 79 periods; a struck bar has its modes
    ids=["music box", "glockenspiel"],
)
def test_a8_a_period_far_below_what_is_heard_is_no_sure_pitch(program, note):
    (sound,) = render(FONT, program, [note])
    piece = sound[int(0.15 * 44100) : int(1.45 * 44100)]
    piece = piece + 1e-5 * tones.white(len(piece), np.random.default_rng(1))
    found, refused = read_samples(piece, 44100, None)
    written_hz = 440 * 2 ** ((note - 69) / 12)
    assert refused == "octave" or abs(cents(found, written_hz)) < 50
