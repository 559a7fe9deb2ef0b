"""Single fields: YAML 1.2 numbers and booleans, notes, channels, unknown keys."""

import pytest

from zerobeat.config.faults import Faults
from zerobeat.config.fields import Section
from zerobeat.config.yaml_source import parse_yaml


def section_of(text: str) -> Section:
    faults = Faults()
    table = parse_yaml(text.encode(), "f.yaml", faults)
    return Section(table, faults)


# YAML 1.1 reads these as booleans, octal, sexagesimal, infinities (requirement C3).
SPOILT = [
    "yes",
    "no",
    "on",
    "off",
    "010",
    ".nan",
    ".inf",
    "-.inf",
    "1_000",
    "1:30",
    "0x10",
    "0o17",
    "true",
    "null",
    "~",
    "",
    "'5'",
    "1e999",
    "9" * 400,
    "[5]",
    "{a: 5}",
    "five",
    "5 Hz",
    "\u0665",
]


@pytest.mark.parametrize("text", SPOILT)
def test_what_is_no_number_is_refused(text):
    section = section_of(f"k: {text}\n")
    assert section.number("k", 7.0, 0.0, 100.0) == 7.0
    assert section.whole("k", 7, 0, 100) == 7
    first, second = section.faults.lines()
    assert first.startswith("f.yaml:1: k: found ")
    assert "; allowed: a number, 0 to 100" in first
    assert "; allowed: a whole number, 0 to 100" in second


@pytest.mark.parametrize("text", ["010", "1_000", "1:30", "0x10", "0o17"])
def test_a_number_in_another_notation_is_told_what_to_write(text):
    section = section_of(f"k: {text}")
    section.whole("k", 0, 0, 2000)
    section.number("k", 0.0, 0.0, 2000.0)
    for line in section.faults.lines():
        assert line.endswith(" (decimal digits only, no leading zero, no _ or :)")


@pytest.mark.parametrize(
    ("text", "value"), [("5", 5.0), ("+5", 5.0), ("-0.5", -0.5), (".5", 0.5), ("1.5e1", 15.0)]
)
def test_numbers_are_read(text, value):
    assert section_of(f"k: {text}").number("k", 0.0, -100.0, 100.0) == value


@pytest.mark.parametrize("text", ["1.0", "1e1", "101", "-1"])
def test_whole_numbers_have_no_point_and_stay_in_range(text):
    section = section_of(f"k: {text}")
    assert section.whole("k", 7, 0, 100) == 7
    assert f"found {text}; allowed: a whole number, 0 to 100" in section.faults.lines()[0]


@pytest.mark.parametrize(
    "text", ["yes", "no", "on", "off", "True", "FALSE", "1", "'true'", "", "[]"]
)
def test_only_true_and_false_are_booleans(text):
    section = section_of(f"k: {text}\n")
    assert section.flag("k", True) is True
    assert section.faults.lines()[0].endswith("allowed: true or false")
    assert section_of("k: true").flag("k", False) is True
    assert section_of("k: false").flag("k", True) is False


@pytest.mark.parametrize("text", ["off", "no", "", "[note]", "nots"])
def test_choices_list_what_is_allowed(text):
    section = section_of(f"k: {text}\n")
    assert section.choice("k", "note", ("none", "note", "trigger")) == "note"
    line = section.faults.lines()[0]
    assert "allowed: none, note, trigger" in line
    if text == "nots":
        assert line.endswith("(did you mean note?)")


@pytest.mark.parametrize(
    ("text", "note"), [("60", 60), ("C4", 60), ("c#4", 61), ("Eb-1", 3), ("'60'", 60), ("G9", 127)]
)
def test_notes_are_numbers_or_names(text, note):
    section = section_of(f"k: {text}\n")
    assert section.note("k", 0) == note
    assert not section.faults.problems


@pytest.mark.parametrize("text", ["128", "-1", "H4", "No", "G#9", "", "[60]", "1.5", "true"])
def test_what_is_no_note_is_refused(text):
    section = section_of(f"k: {text}\n")
    assert section.note("k", 9) == 9
    assert "allowed: a note, 0 to 127 or a name such as C4 (which is 60)" in str(
        section.faults.lines()
    )


def test_channel_numbers_are_one_to_sixteen_and_channels_zero_to_fifteen():
    assert section_of("k: 1").channel("k", None) == 0
    assert section_of("k: 16").channel("k", None) == 15
    section = section_of("k: 0\nm: 17\n")
    assert section.channel("k", None) is None
    assert section.channel("m", None) is None
    assert len(section.faults.problems) == 2


def test_text_may_look_like_anything_but_not_be_missing():
    section = section_of("a: no\nb: 12\nc: ~\nd: '  '\ne: [x]\n")
    assert section.text("a", "") == "no"
    assert section.text("b", "") == "12"
    assert [section.text(key, "x") for key in "cde"] == ["x"] * 3
    assert [line.split(": ")[1] for line in section.faults.lines()] == ["c", "d", "e"]


def test_repeats_in_a_list_are_faults():
    section = section_of("k: [1, 2, 1]\nm: [a, b, a]\n")
    assert section.channels("k") == (0, 1)
    assert section.names("m") == ("a", "b")
    assert [line.split(": ", 1)[1] for line in section.faults.lines()] == [
        "k[2]: found 1 a second time; allowed: once",
        "m[2]: found a a second time; allowed: once",
    ]


def test_an_unknown_key_names_the_nearest():
    section = section_of("channel_number: 3\nscal: x\n")
    section.channel("channel_number", None)
    section.number("detune_cents", 0.0, 0.0, 1.0)
    section.text("scale", "")
    section.close()
    assert section.faults.lines() == [
        (
            "f.yaml:2: scal: found unknown key; allowed: channel_number, detune_cents, scale "
            "(did you mean scale?)"
        )
    ]


@pytest.mark.parametrize(
    "name", ["all", "none", "scene", "tonight", "''", "' a'", '"a\\x1bb"', "x" * 41]
)
def test_names_that_cannot_be_shown_or_mean_something_else_are_refused(name):
    section = section_of(f"voices:\n  {name}: {{}}\n")
    assert list(section.named_sections("voices"))
    assert "allowed: a name of up to 40 printable characters" in section.faults.lines()[0]


def test_faults_come_in_file_order_and_once():
    section = section_of("a: x\nb: x\nc: x\n")
    for key in "cabb":
        section.whole(key, 0, 0, 1)
    assert [line[:9] for line in section.faults.lines()] == ["f.yaml:1:", "f.yaml:2:", "f.yaml:3:"]


def test_a_fault_stays_one_short_printable_line_whatever_a_name_holds():
    section = section_of('k: "a\\tb\\e[31m' + "x" * 9000 + '"\n')
    name = section.text("k", "")
    section.faults.add(section.at("k"), f"found {name}; allowed: another")
    (line,) = section.faults.lines()
    assert line.isprintable() and line.startswith("f.yaml:1: k: found a\\tb\\x1b[31mxx")
    assert len(line) < 3100
