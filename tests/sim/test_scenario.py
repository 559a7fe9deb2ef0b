"""The demo's case and random ones, and readings of them."""

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from kit.virtual_readings import noise_cents, read_voice
from zerobeat.midi import NoteOn, PitchBend, encode
from zerobeat.sim.dac import DacModel
from zerobeat.sim.oscillator import Oscillator, OscillatorModel
from zerobeat.sim.scenario import (
    MEASURED_S,
    PARTS,
    PHRASE,
    PHRASE_S,
    PLAYED_S,
    quartet,
    random_case,
)
from zerobeat.sim.virtual_case import VirtualCase
from zerobeat.sim.virtual_converter import ConverterModel, VirtualConverter
from zerobeat.tuning.tracking import TrackingCurve


def test_phrase_keeps_to_its_voices_and_their_keys():
    parts = {part.name: part for part in PARTS}
    busy = dict.fromkeys(parts, 0.0)
    for voice, start, beats, key in sorted(PHRASE, key=lambda note: note[1]):
        assert parts[voice].lowest_key <= key <= parts[voice].highest_key
        assert start >= busy[voice]  # one note at a time
        busy[voice] = start + beats
    assert max(busy.values()) * 0.625 == PHRASE_S


@pytest.mark.parametrize("seed", range(3))
def test_a_profile_of_readings_brings_every_key_within_a_cent(seed):
    case = quartet(seed)
    for part in PARTS:
        readings = read_voice(
            case,
            part.channel,
            range(24, 109),
            panel_octaves=part.panel_octaves,
            start_s=MEASURED_S,
            seed=seed,
        )
        curve = TrackingCurve.from_readings(readings)
        keys = np.arange(part.lowest_key, part.highest_key + 1)
        targets = 100.0 * keys - 1200.0 * part.panel_octaves
        commanded = np.array([curve.commanded(target) for target in targets])
        notes = np.round(commanded / 100.0).astype(int)
        bends = np.round((commanded - 100.0 * notes) * 8192 / 200.0).astype(int)
        left = case.pitches(part.channel, notes, bends, PLAYED_S, wander=True) - 100.0 * keys
        raw = case.pitches(part.channel, (targets / 100.0).astype(int), 0, PLAYED_S) - 100.0 * keys
        assert np.max(np.abs(left)) < 0.8
        assert np.sqrt(np.mean(left**2)) < 0.3
        assert np.max(np.abs(raw)) > 10.0


def test_readings_scatter_as_they_say():
    case = VirtualCase(
        VirtualConverter(ConverterModel(dac=DacModel(bits=None))),
        {0: Oscillator(OscillatorModel(440.0 * 2 ** (-33 / 12)).ideal())},
    )
    notes = np.repeat(np.arange(24, 96), 40)
    readings = read_voice(case, 0, notes, seed=3)
    errors = np.array([reading.error_cents for reading in readings])
    assert [reading.sigma_cents for reading in readings] == noise_cents(notes).tolist()
    assert np.std(errors / noise_cents(notes)) == pytest.approx(1.0, abs=0.05)
    assert abs(np.mean(errors)) < 0.01


def test_random_cases_are_plausible_and_repeatable():
    notes = np.arange(36, 97)
    sizes = []
    for seed in range(20):
        case, again = random_case(seed), random_case(seed)
        for channel in range(4):
            errors = case.pitches(channel, notes) - 100.0 * notes
            assert (errors == again.pitches(channel, notes) - 100.0 * notes).all()
            assert np.max(np.abs(np.diff(errors))) < 15.0  # flawed, not broken
            sizes.append(np.max(np.abs(errors)))
    assert 20.0 < np.median(sizes) < 100.0


def test_asking_leaves_the_case_as_it_was():
    case = quartet()
    case.play([(1.0, encode(PitchBend(0, 100)) + encode(NoteOn(0, 60, 1)))])
    before = case.converter.changes(0)
    read_voice(case, 0, [60, 61])
    assert case.converter.changes(0) == before


def test_curve_agrees_with_scipy_on_readings_of_a_case():
    readings = read_voice(random_case(7), 2, range(24, 109, 4))
    x = np.array([reading.pitch_cents for reading in readings])
    y = x + np.array([reading.error_cents for reading in readings])
    curve = TrackingCurve.from_readings(readings)
    places = np.linspace(x[0], x[-1], 500)
    ours = np.array([curve.sounding(place) for place in places])
    assert ours == pytest.approx(PchipInterpolator(x, y)(places), abs=1e-6)
