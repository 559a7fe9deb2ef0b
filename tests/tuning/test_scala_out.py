"""Files of a received tuning are read again as what they were written from."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zerobeat.tuning.scala import parse_kbm, parse_scl
from zerobeat.tuning.scala_out import scala_files

PITCH = st.floats(-1000.0, 14_000.0)
OFFSETS = st.lists(st.floats(-99.0, 99.0), min_size=12, max_size=12)


def read_again(name, pitches):
    scl, kbm = scala_files(name, pitches)
    scale = parse_scl(scl.encode(), f"{name}.scl")
    return scale, parse_kbm(kbm.encode(), f"{name}.kbm", scale)


@settings(deadline=None)
@given(OFFSETS)
def test_a_tuning_of_the_octave_is_a_scale_of_twelve(offsets):
    pitches = [100.0 * key + offsets[key % 12] for key in range(128)]
    scale, keyboard_map = read_again("octave", pitches)
    assert (scale.name, len(scale.degrees_cents), scale.period_cents) == ("octave", 12, 1200.0)
    assert keyboard_map.pitches_cents == pytest.approx(pitches, abs=3e-6)


@settings(deadline=None)
@given(st.lists(st.none() | PITCH, min_size=128, max_size=128).filter(any))
def test_any_tuning_comes_back(pitches):
    _, keyboard_map = read_again("any", pitches)
    for found, wanted in zip(keyboard_map.pitches_cents, pitches, strict=True):
        assert found == (None if wanted is None else pytest.approx(wanted, abs=3e-5))


def test_a_map_without_a_pitch_is_no_file():
    with pytest.raises(ValueError, match="^no key has a pitch$"):
        scala_files("silent", [None] * 128)
