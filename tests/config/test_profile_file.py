"""Profile files: readings in, the curve they make, and back."""

import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zerobeat.config.converter_file import ConverterFile
from zerobeat.config.profile_file import (
    CheckNote,
    Profile,
    ProfileReading,
    correction_of,
    load_profile,
    profile_to_yaml,
)
from zerobeat.errors import ConfigError
from zerobeat.tuning.tracking import Unusable


def load(folder, text):
    path = folder / "reed.yaml"
    path.write_text(text)
    return load_profile(path)


def test_a_profile_says_what_its_file_says(tmp_path):
    profile = load(
        tmp_path,
        "voice: reed\npanel_octaves: -1\nmeasured: 2026-11-14\nerrors_follow: number\nreadings:\n"
        "  - {note: C2, cents: -1.2}\n  - {note: 48, bend_cents: 50, cents: 2, spread_cents: "
        "0.3}\n",
    )
    assert profile == Profile(
        voice="reed",
        panel_octaves=-1,
        measured="2026-11-14",
        errors_follow="number",
        readings=(
            ProfileReading(-1.2, 36, spread_cents=0.1),
            ProfileReading(2.0, 48, 50.0, 0.0, 0.3),
        ),
    )


def test_the_curve_runs_through_the_readings_as_commanded(tmp_path):
    profile = load(
        tmp_path, "readings: [{note: 36, cents: -4}, {note: 47, bend_cents: 100, cents: 6}]\n"
    )
    curve = profile.curve()
    assert curve.sounding(3600.0) == pytest.approx(3596.0, abs=1e-9)
    assert curve.sounding(4800.0) == pytest.approx(4806.0, abs=1e-9)
    # Halfway along a line from -4 to +6.
    assert curve.sounding(4200.0) == pytest.approx(4201.0, abs=1e-9)


def test_volts_stand_for_keys_by_the_zero_volt_note(tmp_path):
    text = "against: volts\nreadings: [{volts: 0, cents: 1}, {volts: 2, cents: 3}]\n"
    curve = load(tmp_path, text).curve(zero_volt_note=24)
    assert curve.sounding(2400.0) == pytest.approx(2401.0, abs=1e-9)
    assert curve.sounding(4800.0) == pytest.approx(4803.0, abs=1e-9)


def test_knots_are_taken_as_they_are(tmp_path):
    text = (
        "readings: [{note: 36, cents: 9}]\nknots:\n  - {commanded_cents: 3600, sounding_cents: "
        "3601}\n"
        "  - {commanded_cents: 4800, sounding_cents: 4803}\n"
    )
    assert load(tmp_path, text).curve().sounding(4800.0) == pytest.approx(4803.0, abs=1e-9)


FAULTS = [
    ("voice: reed", "reed.yaml:1: readings: found nothing; needed: a list of readings"),
    ("readings: []", "reed.yaml:1: readings: found 0 readings; allowed: 1 to 4000 readings"),
    ("readings: 5", "reed.yaml:1: readings: found no list; allowed: 1 to 4000 readings"),
    ("readings: [{note: 36}]", "reed.yaml:1: readings[0].cents: found nothing; needed: a number"),
    ("readings: [{cents: 3}]", "reed.yaml:1: readings[0].note: found nothing; needed: the note"),
    (
        "readings: [{volts: 1, cents: 3, note: 1}]",
        "reed.yaml:1: readings[0].volts: found unknown key",
    ),
    ("readings: [{note: 36, cents: .nan}]", "reed.yaml:1: readings[0].cents: found .nan; allowed:"),
    (
        "readings: [{note: 36, cents: 1, spread_cents: -1}]",
        "reed.yaml:1: readings[0].spread_cents: ",
    ),
    ("readings: [{note: 36, cents: 1200}, {note: 48, cents: -1200}]", "reed.yaml:1: readings: "),
    (
        "panel_octaves: 0.5\nreadings: [{note: 36, cents: 1}]",
        "reed.yaml:1: panel_octaves: found 0.5",
    ),
    (
        "against: volts\nreadings: [{volts: 1, cents: 3}]\nknots: []",
        "reed.yaml:3: knots: found knots;",
    ),
    (
        (
            "readings: [{note: 36, cents: 1}]\nknots: [{commanded_cents: 2, sounding_cents: 2}, "
            "{commanded_cents: 1, sounding_cents: 1}]"
        ),
        "reed.yaml:2: knots: ",
    ),
]


@pytest.mark.parametrize(("text", "fault"), FAULTS)
def test_a_fault_is_one_line(tmp_path, text, fault):
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, text + "\n")
    (line,) = caught.value.problems
    assert line.removeprefix(f"{tmp_path}/").startswith(fault)


small = st.floats(-40.0, 40.0, allow_nan=False)
spread = st.floats(0.0, 5.0)
text = st.text(string.printable + "äé\u266f\U0001f3b9", min_size=1, max_size=15).filter(
    lambda t: t.strip()
)


@st.composite
def profiles(draw):
    against = draw(st.sampled_from(["notes", "volts"]))
    count = draw(st.integers(1, 12))
    readings = []
    for i in range(count):
        if against == "notes":
            at = {"note": 8 * i, "bend_cents": draw(small)}
        else:
            at = {"volts": i + draw(st.floats(-0.2, 0.2))}
        readings.append(ProfileReading(cents=draw(small), spread_cents=draw(spread), **at))
    knots = ()
    if against == "notes" and draw(st.booleans()):
        knots = tuple((800.0 * i, 800.0 * i + draw(small)) for i in range(count))
    return Profile(
        voice=draw(text),
        readings=tuple(readings),
        panel_octaves=draw(st.integers(-5, 5)),
        measured=draw(st.one_of(st.just(""), text)),
        against=against,
        errors_follow=draw(st.sampled_from(["volts", "number"])),
        knots=knots,
    )


@pytest.fixture(scope="module")
def shared_folder(tmp_path_factory):
    return tmp_path_factory.mktemp("profiles")


@settings(max_examples=150, deadline=None)
@given(profile=profiles())
def test_a_stored_profile_reads_back_equal(shared_folder, profile):
    path = shared_folder / "stored.yaml"
    path.write_text(profile_to_yaml(profile), encoding="utf-8")
    assert load_profile(path) == profile


def test_what_a_fit_found_comes_back_equal(tmp_path):
    profile = Profile(
        "reed",
        (ProfileReading(1.0, 36), ProfileReading(2.0, 60)),
        knots=((3600.0, 3601.0), (6000.0, 6002.0)),
        unusable=(Unusable(2400.0, 3550.0, "no steady pitch to read (noise)"),),
        proof=(CheckNote(50, -7.5, 0.1),),
        drift_cents_per_min=-0.4,
    )
    assert load(tmp_path, profile_to_yaml(profile)) == profile
    assert profile.curve().unusable_at(3000.0).reason.startswith("no steady")


def test_numbers_errors_are_taken_back_through_the_smooth_curve(tmp_path):
    # The oscillator is 1.01 times as wide, number 60 is 10 cents sharp at the converter.
    knots = ((3600.0, 3600.0), (8400.0, 8448.0))
    sounding = 3600.0 + 1.01 * (6010.0 - 3600.0)
    profile = Profile(
        "reed", (ProfileReading(sounding - 6000.0, 60),), errors_follow="number", knots=knots
    )
    curve, errors = correction_of(profile, ConverterFile(), 0)
    assert errors[60] == pytest.approx(10.0, abs=1e-6)
    assert curve.commanded(sounding) == pytest.approx(6010.0, abs=1e-6)
