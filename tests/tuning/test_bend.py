"""Pitch bend (requirements B4, B5). Figures: tests/data/published.json."""

import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from kit.published_figures import published
from zerobeat.errors import BendRangeError
from zerobeat.tuning.bend import (
    bend_to_cents,
    cents_to_bend,
    clamp_bend,
    gliding_note,
    legato_note,
    nearest_note,
)

ranges = st.floats(50.0, 9600.0)
errors = st.lists(st.floats(-200.0, 200.0), min_size=128, max_size=128).map(tuple)


# The MIDI 1.0 reading of the bend word; columns: semitones, cents, word, cents back.
@pytest.mark.parametrize("row", published("midi/bend_encode"))
def test_cents_to_bend_matches_the_examples(row):
    semitones, cents, word, back = row[:4]
    bend, clamped = clamp_bend(cents, 100.0 * semitones)
    assert bend + 8192 == word
    assert bend_to_cents(bend, 100.0 * semitones) == pytest.approx(back, rel=5.1e-12)
    if not clamped:
        assert cents_to_bend(cents, 100.0 * semitones) == bend


# RP-053, MIDI Polyphonic Expression 1.0, appendix C.
@pytest.mark.parametrize(("sensitivity", "semitones", "word"), published("midi/bend_mpe_examples"))
def test_cents_to_bend_matches_the_expression_examples(sensitivity, semitones, word):
    assert cents_to_bend(100.0 * semitones, 100.0 * sensitivity) + 8192 == word


# Step and largest rounding by bend range, from the definition.
@pytest.mark.parametrize("row", published("bend_budget/steps"))
def test_a_step_is_as_small_as_the_budget_says(row):
    semitones, step, rounding = row[:3]
    assert bend_to_cents(1, 100.0 * semitones) == pytest.approx(step, abs=5e-7)
    assert step / 2 == pytest.approx(rounding, abs=5e-7)


@given(ranges, st.floats(-1.0, 1.0))
def test_error_is_at_most_half_a_step(range_cents, part):
    cents = part * range_cents
    bend = cents_to_bend(cents, range_cents)
    assert -8192 <= bend <= 8191
    step = range_cents / 8192
    # Above the last step only: full up is one step short (MIDI 1.0, p. 19).
    allowed = step / 2 if cents <= range_cents - step / 2 else step
    assert abs(bend_to_cents(bend, range_cents) - cents) <= allowed * (1 + 1e-9)


@given(ranges, st.floats(-1.0, 1.0), st.floats(-1.0, 1.0))
def test_bend_is_monotonic(range_cents, one, other):
    low, high = sorted((one, other))
    assert cents_to_bend(low * range_cents, range_cents) <= cents_to_bend(
        high * range_cents, range_cents
    )


@given(ranges, st.integers(-8192, 8191))
def test_bend_turns_round(range_cents, bend):
    assert cents_to_bend(bend_to_cents(bend, range_cents), range_cents) == bend


@given(ranges)
def test_centre_and_ends(range_cents):
    assert cents_to_bend(0.0, range_cents) == 0
    assert bend_to_cents(0, range_cents) == 0.0
    assert cents_to_bend(range_cents, range_cents) == 8191
    assert cents_to_bend(-range_cents, range_cents) == -8192


def test_halves_round_up():
    step = 200.0 / 8192
    assert [cents_to_bend(x * step, 200.0) for x in (0.5, 1.5, -0.5, -1.5)] == [1, 2, 0, -1]


def test_rounding_noise_at_the_range_is_no_error():
    assert cents_to_bend(200.0 + 1e-9, 200.0) == 8191
    assert cents_to_bend(-200.0 - 1e-9, 200.0) == -8192


@pytest.mark.parametrize("cents", [200.01, -200.01, math.nan, math.inf, -math.inf])
def test_cents_to_bend_never_clips_or_wraps(cents):
    with pytest.raises(BendRangeError, match="allowed: -200.0 to 200.0, the bend range"):
        cents_to_bend(cents, 200.0)


@pytest.mark.parametrize("range_cents", [0.0, -200.0, math.nan])
def test_a_range_must_be_above_zero(range_cents):
    for convert in (cents_to_bend, clamp_bend):
        with pytest.raises(BendRangeError):
            convert(0.0, range_cents)


@pytest.mark.parametrize("bend", [-8193, 8192, 16383])
def test_bend_to_cents_refuses_a_word_that_is_not_signed(bend):
    with pytest.raises(BendRangeError, match="allowed: -8192 to 8191"):
        bend_to_cents(bend, 200.0)


def test_clamp_bend_says_when_it_clamps():
    assert clamp_bend(50.0, 200.0) == (2048, False)
    assert clamp_bend(200.0, 200.0) == (8191, False)
    assert clamp_bend(201.0, 200.0) == (8191, True)
    assert clamp_bend(-math.inf, 200.0) == (-8192, True)
    with pytest.raises(BendRangeError):
        clamp_bend(math.nan, 200.0)


def left_over(pitch, note, note_errors):
    return pitch - 100.0 * note - (note_errors[note] if note_errors else 0.0)


def reachable(pitch, lowest, highest, range_cents, note_errors):
    notes = range(lowest, highest + 1)
    return [n for n in notes if abs(left_over(pitch, n, note_errors)) <= range_cents + 1e-6]


@given(
    st.floats(-500.0, 13200.0),
    st.integers(0, 127),
    st.integers(0, 127),
    st.floats(20.0, 2400.0),
    st.none() | errors,
)
def test_nearest_note_leaves_the_smallest_bend(pitch, one, other, range_cents, note_errors):
    lowest, highest = sorted((one, other))
    found = nearest_note(pitch, lowest, highest, range_cents, note_errors)
    notes = reachable(pitch, lowest, highest, range_cents, note_errors)
    if not notes:
        assert found is None
        return
    assert found in notes
    least = min(abs(left_over(pitch, n, note_errors)) for n in notes)
    assert abs(left_over(pitch, found, note_errors)) == pytest.approx(least, abs=1e-9)
    cents_to_bend(left_over(pitch, found, note_errors), range_cents)


def test_nearest_note_goes_down_on_a_tie():
    assert nearest_note(6050.0, 0, 127, 200.0) == 60
    assert nearest_note(6050.001, 0, 127, 200.0) == 61


def test_nearest_note_stays_in_the_converters_range():
    assert nearest_note(2350.0, 24, 96, 200.0) == 24
    assert nearest_note(2199.0, 24, 96, 200.0) is None
    assert nearest_note(9800.0, 24, 96, 200.0) == 96
    assert nearest_note(9801.0, 24, 96, 200.0) is None


@given(
    st.floats(-500.0, 13200.0),
    st.floats(-1.0, 1.0),
    st.integers(0, 127),
    st.integers(0, 127),
    st.floats(20.0, 2400.0),
    st.none() | errors,
)
def test_legato_note_changes_the_bend_least(pitch, part, one, other, range_cents, note_errors):
    now = part * range_cents
    lowest, highest = sorted((one, other))
    found = legato_note(pitch, now, lowest, highest, range_cents, note_errors)
    notes = reachable(pitch, lowest, highest, range_cents, note_errors)
    if not notes:
        assert found is None
        return
    assert found in notes
    least = min(abs(left_over(pitch, n, note_errors) - now) for n in notes)
    assert abs(left_over(pitch, found, note_errors) - now) == pytest.approx(least, abs=1e-9)


@given(st.floats(0.0, 12700.0), st.integers(-150, 150))
def test_legato_note_keeps_the_bend_where_it_can(pitch, now):
    # The same correction two semitones away: the bend need not move at all.
    note = legato_note(pitch, float(now), 0, 127, 200.0)
    assume(note is not None)
    if 300 <= pitch <= 12400:
        assert abs(pitch - 100.0 * note - now) <= 50.0 + 1e-9


@pytest.mark.parametrize(("sign", "bend"), [(1, 8191), (-1, -8192)])
def test_rounding_noise_beyond_the_range_is_not_clamped_and_more_is(sign, bend):
    assert clamp_bend(sign * (200.0 + 1e-10), 200.0) == (bend, False)
    assert clamp_bend(sign * (200.0 + 1e-3), 200.0) == (bend, True)
    assert clamp_bend(sign * 199.99, 200.0)[1] is False


def test_a_bend_of_a_word_has_both_ends():
    assert bend_to_cents(-8192, 200.0) == -200.0
    assert bend_to_cents(8191, 200.0) == pytest.approx(199.9756, abs=5e-5)
    for bend in (-8193, 8192):
        with pytest.raises(BendRangeError, match=f"^bend: found {bend}; allowed: -8192 to 8191$"):
            bend_to_cents(bend, 200.0)


@settings(deadline=None)
@given(
    st.floats(3000.0, 9000.0),
    st.floats(3000.0, 9000.0),
    st.sampled_from((200.0, 1200.0, 2400.0)),
    st.booleans(),
    st.lists(st.floats(-60.0, 60.0), min_size=128, max_size=128),
)
def test_a_gliding_note_reaches_its_way_and_is_the_nearest_to_its_end(
    one, other, range_cents, whole_way, errors
):
    for known in (None, tuple(errors)):
        found = gliding_note(one, other, 0, 127, range_cents, known, whole_way=whole_way)
        shift = known or (0.0,) * 128
        ends = (one, other) if whole_way else (one,)
        fits = [
            number
            for number in range(128)
            if all(abs(end - 100.0 * number - shift[number]) <= range_cents for end in ends)
        ]
        assert (found is None) == (not fits)
        if fits:
            best = min(abs(other - 100.0 * number - shift[number]) for number in fits)
            assert abs(other - 100.0 * found - shift[found]) == pytest.approx(best, abs=1e-6)


@pytest.mark.parametrize(("lowest", "highest", "note"), [(0, 64, 64), (66, 127, 66), (0, 127, 65)])
def test_a_legato_note_is_in_the_converters_range_whatever_its_errors(lowest, highest, note):
    assert legato_note(6500.0, 0.0, lowest, highest, 200.0, (0.0,) * 128) == note


@pytest.mark.parametrize(("lowest", "highest", "note"), [(0, 64, 64), (66, 127, 66), (0, 127, 65)])
def test_a_nearest_note_is_in_the_converters_range_whatever_its_errors(lowest, highest, note):
    assert nearest_note(6500.0, lowest, highest, 200.0, (0.0,) * 128) == note


@pytest.mark.parametrize(("lowest", "highest", "note"), [(0, 64, 64), (66, 127, 66), (0, 127, 65)])
def test_a_gliding_note_is_in_the_converters_range_whatever_its_errors(lowest, highest, note):
    errors = (0.0,) * 128
    assert gliding_note(6450.0, 6500.0, lowest, highest, 200.0, errors, whole_way=True) == note
