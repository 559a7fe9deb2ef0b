"""Cents, hertz, volts, beats, note names. Figures: tests/data/published.json."""

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.published_figures import half_a_digit, published
from zerobeat.errors import NoteNameError, PitchRangeError
from zerobeat.tuning import units


# OEIS A320304 and a widely copied table of piano key frequencies. Note 8 is
# printed 12.9782 in the first; 12.9783 is right.
@pytest.mark.parametrize(("source", "note", "printed"), published("pitch/equal12_published"))
def test_note_to_hertz_matches_the_published_tables(source, note, printed):
    if (note, printed) == (8, "12.9782"):
        printed = "12.9783"
    tolerance = half_a_digit(printed) * 1.0001
    assert units.note_to_hertz(note) == pytest.approx(float(printed), abs=tolerance)


# OEIS A329207 to A329215, ten decimals, cut off and not rounded.
@pytest.mark.parametrize(("note", "printed"), published("pitch/equal12_published_10"))
def test_note_to_hertz_matches_ten_decimals(note, printed):
    assert 0.0 <= units.note_to_hertz(note) - float(printed) < 1e-10


# MIDI Tuning Standard: note, then a 14-bit fraction of a semitone. Seven of
# the printed values are wrong, so the third column (the formula) is compared.
@pytest.mark.parametrize(("word", "printed", "hertz"), published("mts/table"))
def test_pitch_to_hertz_matches_the_tuning_standard(word, printed, hertz):
    note, high, low = bytes.fromhex(word)
    pitch_cents = 100.0 * note + 100.0 * (high << 7 | low) / 16384
    assert units.pitch_to_hertz(pitch_cents) == pytest.approx(hertz, rel=1e-9)


@pytest.mark.parametrize(
    ("note", "hertz", "tolerance"),
    [(0, 8.1758, 5e-5), (69, 440.0, 1e-12), (127, 12543.854, 5e-4)],
)
def test_note_to_hertz_at_the_ends(note, hertz, tolerance):
    assert units.note_to_hertz(note) == pytest.approx(hertz, abs=tolerance)


# Just intervals and commas, computed with 40 digits.
@pytest.mark.parametrize(
    ("ratio", "name", "cents"), published("pitch/just") + published("pitch/commas")
)
def test_ratio_to_cents(ratio, name, cents):
    exact = pytest.approx(cents, rel=5.1e-12, abs=1e-12)  # twelve digits
    assert units.ratio_to_cents(Fraction(ratio)) == exact


def test_ratio_to_cents_keeps_big_terms():
    # The largest terms the .scl page promises: 1200 * log2(1 + 1/2147483646).
    near = units.ratio_to_cents(Fraction(2**31 - 1, 2**31 - 2))
    assert near == pytest.approx(8.06168676483e-07, rel=1e-11)
    assert units.ratio_to_cents(Fraction(3 * 10**400 + 3, 2 * 10**400 + 2)) == pytest.approx(
        701.9550008653874, abs=1e-9
    )
    assert units.ratio_to_cents(2**5000) == 1200.0 * 5000
    assert units.ratio_to_cents(Fraction(10, 20)) == -1200.0


@given(st.integers(1, 10**40), st.integers(1, 10**40))
def test_ratio_to_cents_turns_round(upper, lower):
    up = units.ratio_to_cents(Fraction(upper, lower))
    down = units.ratio_to_cents(Fraction(lower, upper))
    assert up == pytest.approx(-down, abs=1e-9)
    assert up == pytest.approx(1200.0 * (math.log2(upper) - math.log2(lower)), abs=1e-9)


@pytest.mark.parametrize("ratio", [0, -1.5, math.nan, math.inf, Fraction(-3, 2)])
def test_ratio_to_cents_refuses(ratio):
    with pytest.raises(PitchRangeError, match="ratio: found .*; allowed: above 0"):
        units.ratio_to_cents(ratio)


@given(st.floats(-2000.0, 16000.0), st.floats(390.0, 470.0))
def test_hertz_and_pitch_turn_round(pitch_cents, concert_a_hz):
    hertz = units.pitch_to_hertz(pitch_cents, concert_a_hz)
    assert units.hertz_to_pitch(hertz, concert_a_hz) == pytest.approx(pitch_cents, abs=1e-9)


@pytest.mark.parametrize("hertz", [0.0, -1.0, math.nan, math.inf])
def test_hertz_to_pitch_refuses(hertz):
    with pytest.raises(PitchRangeError, match="allowed: above 0 Hz"):
        units.hertz_to_pitch(hertz)
    with pytest.raises(PitchRangeError, match="allowed: above 0 Hz"):
        units.pitch_to_hertz(6000.0, hertz)


def test_pitch_to_hertz_refuses_what_no_float_holds():
    with pytest.raises(PitchRangeError, match="no such frequency"):
        units.pitch_to_hertz(1e9)


# Teki et al., J. Neurosci. 32(35):12251 (2012), table 1: fifty beat rates.
@pytest.mark.parametrize(
    ("interval", "lower", "printed", "hertz"), published("pitch/beats_published")
)
def test_beat_hertz_matches_the_published_rates(interval, lower, printed, hertz):
    semitones, low, high = {
        "m3": (3, 6, 5),
        "M3": (4, 5, 4),
        "P4": (5, 4, 3),
        "P5": (7, 3, 2),
        "m6": (8, 8, 5),
        "M6": (9, 5, 3),
    }[interval]
    beats = units.beat_hertz(100.0 * lower, 100.0 * (lower + semitones), 440.0, low, high)
    assert abs(beats) == pytest.approx(float(printed), abs=half_a_digit(printed))
    assert abs(beats) == pytest.approx(hertz, rel=5.1e-8)  # eight digits


# One hertz in cents at eight frequencies, from the definition.
@pytest.mark.parametrize(("hertz", "cents"), published("pitch/cents_of_1_hz"))
def test_beats_to_cents_of_one_hertz(hertz, cents):
    pitch = units.hertz_to_pitch(hertz)
    assert units.beats_to_cents(pitch, 1.0, 100.0) == pytest.approx(cents, abs=1e-7)


@given(st.floats(0.0, 12700.0), st.floats(-5.0, 5.0), st.floats(430.0, 450.0))
def test_beats_to_cents_beats_as_asked(pitch_cents, beats_hz, concert_a_hz):
    cents = units.beats_to_cents(pitch_cents, beats_hz, 50.0, concert_a_hz)
    assert -50.0 <= cents <= 50.0
    beats = units.beat_hertz(pitch_cents, pitch_cents + cents, concert_a_hz)
    if -50.0 < cents < 50.0:
        assert beats == pytest.approx(beats_hz, abs=1e-8)
    else:
        assert abs(beats) <= abs(beats_hz) + 1e-8


def test_beats_to_cents_never_asks_for_a_negative_frequency():
    assert units.beats_to_cents(0.0, -9.0, 50.0) == -50.0


def test_volts_follow_the_octave():
    assert units.pitch_to_volts(6000.0, 36) == 2.0
    assert units.pitch_to_volts(2400.0, 36) == -1.0
    assert units.volts_to_pitch(2.0, 36) == 6000.0


@given(st.integers(0, 127), st.sampled_from([3, 4, 5]))
def test_note_names_turn_round(note, middle_c_octave):
    name = units.name_of_note(note, middle_c_octave)
    assert units.parse_note(name, middle_c_octave) == note
    assert units.parse_note(name.lower(), middle_c_octave) == note
    assert units.parse_note(str(note)) == units.parse_note(note) == note


# Key 60 by scientific pitch notation, by several sequencers, by some trackers
# (requirement B11).
@pytest.mark.parametrize(("octave", "name"), [(4, "C4"), (3, "C3"), (5, "C5")])
def test_middle_c_has_three_names(octave, name):
    assert units.parse_note(name, octave) == 60
    assert units.name_of_note(60, octave) == name


# Scientific pitch notation; common practice, no source for the enharmonics.
@pytest.mark.parametrize(
    ("name", "note"),
    [
        ("C-1", 0),
        ("A4", 69),
        ("G9", 127),
        ("eb3", 51),
        ("E\u266d3", 51),
        ("D\u266f3", 51),
        ("Cb4", 59),
        ("B#3", 60),
        ("Bb3", 58),
        ("bb3", 58),
        ("F##2", 43),
        (" c#3 ", 49),
    ],
)
def test_parse_note_reads(name, note):
    assert units.parse_note(name) == note


@pytest.mark.parametrize("name", ["H2", "C", "", "C4.5", "60.0", "4C", "1234", True, None, 60.0])
def test_parse_note_refuses_what_is_no_note(name):
    with pytest.raises(NoteNameError, match="note: found .*; allowed: 0 to 127, or a name"):
        units.parse_note(name)


@pytest.mark.parametrize("name", ["C-2", "G#9", 128, -1, "200"])
def test_parse_note_refuses_what_midi_lacks(name):
    with pytest.raises(NoteNameError, match=r"allowed: C-1 to G9 \(0 to 127\)"):
        units.parse_note(name)


@pytest.mark.parametrize(
    ("root", "key"), [("D", 62), ("d", 62), ("Bb", 70), ("Cb", 71), ("D3", 50), (50, 50), ("0", 0)]
)
def test_parse_root(root, key):
    assert units.parse_root(root) == key


def test_a_root_with_its_octave_counts_octaves_as_the_player_does():
    assert units.parse_root("D3", middle_c_octave=3) == 62


def test_parse_pitch_class_refuses():
    assert units.parse_pitch_class("B#") == 0
    with pytest.raises(NoteNameError, match="note name: found 'D3'"):
        units.parse_pitch_class("D3")


@pytest.mark.parametrize("pitch_cents", [1e6, 1e9, -1e6, -1e9, 200_000.0, -1.3e6])
@pytest.mark.parametrize("beats_hz", [0.5, -0.5, 20.0])
def test_beats_of_a_pitch_that_no_float_holds_are_within_the_limit(pitch_cents, beats_hz):
    cents = units.beats_to_cents(pitch_cents, beats_hz, 50.0)
    assert -50.0 <= cents <= 50.0


def test_the_twelve_names_of_an_octave():
    names = " ".join(units.name_of_note(note) for note in range(60, 72))
    assert names == "C4 C#4 D4 D#4 E4 F4 F#4 G4 G#4 A4 A#4 B4"


@pytest.mark.parametrize(
    ("name", "key"),
    [("Fs4", 66), ("f#4", 66), ("F\u266f4", 66), ("F##4", 67), ("Gb4", 66), ("g\u266d4", 66)],
)
def test_a_sign_may_be_written_in_several_ways(name, key):
    assert units.parse_note(name) == key
