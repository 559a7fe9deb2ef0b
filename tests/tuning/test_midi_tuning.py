"""Tuning messages against the published layout and rounding (MIDI Tuning Standard)."""

from __future__ import annotations

import random
from functools import reduce
from operator import xor

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.published_figures import published
from kit.tuning_messages import MEANTONE, bulk, octave_dump
from zerobeat.errors import TuningMessageError
from zerobeat.tuning.midi_tuning import (
    EQUAL,
    EVERY_CHANNEL,
    MOST_PROGRAMS,
    OCTAVE_STEP_CENTS,
    WORD_STEP_CENTS,
    NoteTuning,
    OctaveTuning,
    ReceivedTunings,
    cents_to_word,
    read_tuning_message,
    word_to_cents,
)
from zerobeat.tuning.units import hertz_to_pitch, pitch_to_hertz


def message(text: str) -> bytes:
    return bytes.fromhex(text)


@pytest.mark.parametrize(("word", "printed", "hertz"), published("mts/table"))
def test_a_word_is_the_pitch_of_the_formula(word, printed, hertz):
    cents = word_to_cents(message(word))
    assert pitch_to_hertz(cents) == pytest.approx(hertz, rel=1e-9)
    assert cents_to_word(cents) == message(word)


@pytest.mark.parametrize(("hertz", "word", "error_cents", "what"), published("mts/encode"))
def test_a_pitch_is_rounded_to_the_nearest_word(hertz, word, error_cents, what):
    cents = hertz_to_pitch(hertz)
    assert cents_to_word(cents) == message(word)
    off_cents = word_to_cents(message(word)) - cents
    assert off_cents == pytest.approx(error_cents, abs=1e-5)
    assert abs(off_cents) <= WORD_STEP_CENTS / 2 + 1e-9  # 0.00305 cent


@settings(deadline=None)
@given(st.floats(0.0, 12799.99))
def test_any_pitch_comes_back_within_half_a_step(cents):
    assert abs(word_to_cents(cents_to_word(cents)) - cents) <= WORD_STEP_CENTS / 2 + 1e-9


@pytest.mark.parametrize(
    ("cents", "word"), [(-1.0, "00 00 00"), (12800.0, "7F 7F 7E"), (1e9, "7F 7F 7E")]
)
def test_what_no_word_holds_has_the_nearest(cents, word):
    assert cents_to_word(cents) == message(word)


# ---------------------------------------------------------------- the forms


@pytest.mark.parametrize(
    ("name", "program", "length", "sums"),
    [(n, p, length, sums) for n, p, length, *sums in published("mts/bulk_dump")],
)
def test_a_bulk_dump_has_the_published_length_and_either_checksum(name, program, length, sums):
    pitches = EQUAL
    if name != "EQUAL12":
        pitches = tuple(100.0 * key + MEANTONE[key % 12] for key in range(128))
    dump = bulk(pitches, name=name, program=program)
    assert len(dump) == length
    assert dump[-2] == int(sums[0], 16)
    for found in sums:  # as other dumps count it, and as the sentence of the text reads
        said = read_tuning_message(dump[:-2] + bytes((int(found, 16), 0xF7)))
        assert isinstance(said, NoteTuning)
        assert (said.bank, said.program, said.name) == (0, program, name)
        for key, pitch in said.pitches_cents.items():
            assert pitch == pytest.approx(max(0.0, pitches[key]), abs=WORD_STEP_CENTS / 2 + 1e-9)
        assert len(said.pitches_cents) == 128


def test_a_dump_with_a_bank_and_keys_that_stay():
    pitches = [None] * 60 + [6050.0] + [None] * 67
    said = read_tuning_message(bulk(pitches, bank=5, program=9, name="ONE"))
    assert said == NoteTuning(5, 9, "ONE", {60: 6050.0})


FIVE_FOUR = word_to_cents(message("3F 6E 3E"))


@pytest.mark.parametrize(
    ("text", "pitches", "place"),
    [
        ("F0 7F 7F 08 02 00 01 3C 3F 6E 3E F7", {60: FIVE_FOUR}, (0, 0)),
        ("F0 7F 7F 08 02 03 02 3C 3C 00 00 3D 48 00 00 F7", {60: 6000.0, 61: 7200.0}, (0, 3)),
        ("F0 7F 7F 08 02 00 01 45 7F 7F 7F F7", {}, (0, 0)),
        ("F0 7F 00 08 02 00 00 F7", {}, (0, 0)),
        ("F0 7F 10 08 07 02 03 01 3C 3F 6E 3E F7", {60: FIVE_FOUR}, (2, 3)),
        ("F0 7E 10 08 07 02 03 01 3C 3F 6E 3E F7", {60: FIVE_FOUR}, (2, 3)),
    ],
)
def test_single_notes(text, pitches, place):
    said = read_tuning_message(message(text))
    assert isinstance(said, NoteTuning)
    assert (dict(said.pitches_cents), (said.bank, said.program)) == (pitches, place)


def test_the_published_single_notes_are_all_read():
    for _, text in published("mts/single_note"):
        assert isinstance(read_tuning_message(message(text)), NoteTuning)


@pytest.mark.parametrize("universal", [0x7E, 0x7F])
@pytest.mark.parametrize(("form", "step"), [("one_byte", 1.0), ("two_byte", OCTAVE_STEP_CENTS)])
def test_a_tuning_of_the_octave(form, step, universal):
    content = bytearray(message(published("mts/scale_octave")[form]))
    content[1] = universal
    said = read_tuning_message(bytes(content))
    assert isinstance(said, OctaveTuning)
    assert said.channels == EVERY_CHANNEL
    assert said.offsets_cents == pytest.approx(MEANTONE, abs=step / 2 + 1e-9)


@pytest.mark.parametrize(
    ("bits", "channels"),
    [("00 00 01", {0}), ("00 01 00", {7}), ("01 00 00", {14}), ("02 00 41", {15, 6, 0})],
)
def test_the_channels_of_a_tuning_of_the_octave(bits, channels):
    said = read_tuning_message(message(f"F0 7F 7F 08 08 {bits} {'40 ' * 12} F7"))
    assert isinstance(said, OctaveTuning)
    assert said.channels == channels


@pytest.mark.parametrize(
    ("data", "form", "first"),
    [
        (bytes((0x00, *[0x40] * 10, 0x7F)), 5, (-64.0, 63.0)),
        (bytes((0x00, 0x00, *[0x40, 0x00] * 10, 0x7F, 0x7F)), 6, (-100.0, 100 - 100 / 8192)),
    ],
)
def test_dumps_of_the_octave_have_the_ends_of_their_form(data, form, first):
    said = read_tuning_message(octave_dump(data, form))
    assert isinstance(said, OctaveTuning)
    assert (said.name, said.channels) == ("OCTAVE", EVERY_CHANNEL)
    assert (said.offsets_cents[0], said.offsets_cents[11]) == pytest.approx(first)
    assert said.offsets_cents[1:11] == (0.0,) * 10


@pytest.mark.parametrize(
    "text",
    [
        "F0 7E 7F 06 01 F7",
        "F0 7D 00 08 02 00 00 F7",
        "F0 F7",
        "F0 43 10 08 02 F7",
        "F0 7E 00 08 00 05 F7",  # somebody asks for a dump
        "F0 7E 00 08 03 01 05 F7",
    ],
)
def test_other_messages_are_none(text):
    assert read_tuning_message(message(text)) is None


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (bulk()[:-3] + bulk()[-2:], "length"),
        (bulk()[:50] + bytes((1,)) + bulk()[51:], "checksum"),
        (bulk(bank=1)[:-2] + b"\xf7", "length"),
        (octave_dump(bytes(12), 5)[:-2] + b"\x01\xf7", "checksum"),
        (octave_dump(bytes(13), 5), "length"),
        (octave_dump(bytes(12), 6), "length"),
        (bytes((0xF0, 0x7F, *bulk()[2:])), "form"),  # a dump is not sent in real time
        (message("F0 7E 7F 08 02 00 01 3C 3F 6E 3E F7"), "form"),
        (message("F0 7F 7F 08 0A 00 F7"), "form"),
        (message("F0 7F 7F 08 F7"), "form"),
        (message("F0 7F 7F 08 02 00 F7"), "length"),
        (message("F0 7F 7F 08 02 00 02 3C 3F 6E 3E F7"), "length"),
        (message("F0 7F 7F 08 02 00 01 3C 3F 6E 3E 00 F7"), "length"),
        (message("F0 7F 7F 08 07 00 F7"), "length"),
        (message(f"F0 7F 7F 08 08 00 00 01 {'40 ' * 11} F7"), "length"),
        (message(f"F0 7F 7F 08 09 00 00 01 {'40 ' * 23} F7"), "length"),
        (message(f"F0 7F 7F 08 08 04 00 01 {'40 ' * 12} F7"), "channels"),
        (message("F0 7F 7F 08 02 00 01 3C 3F 6E 3E"), "byte"),
        (message("F0 7F 7F 08 02 00 01 3C 3F EE 3E F7"), "byte"),
    ],
)
def test_a_damaged_message_is_refused_by_name(content, why):
    with pytest.raises(TuningMessageError, match=f"^{why}$"):
        read_tuning_message(content)


def test_control_characters_of_a_name_are_replaced():
    said = read_tuning_message(bulk(name="A\x1bB"))
    assert said is not None
    assert said.name == "A?B"


SOUND = (
    bulk(),
    bulk(bank=3),
    message("F0 7F 7F 08 02 03 02 3C 3C 00 00 3D 48 00 00 F7"),
    message("F0 7F 7F 08 07 00 03 02 3C 3C 00 00 3D 48 00 00 F7"),
    message(published("mts/scale_octave")["one_byte"]),
    message(published("mts/scale_octave")["two_byte"]),
    octave_dump(bytes(12), 5),
    octave_dump(bytes(24), 6),
)
REASONS = ("length", "checksum", "form", "byte", "channels")


def damaged(chance: random.Random) -> bytes:
    """Return a tuning message with a few bytes changed, lost, doubled or cut off."""
    content = bytearray(chance.choice(SOUND))
    for _ in range(chance.randint(1, 3)):
        place = chance.randrange(1, len(content)) if len(content) > 1 else 0
        kind = chance.randrange(4)
        if kind == 0:
            content[place] = chance.randrange(256)
        elif kind == 1:
            del content[place]
        elif kind == 2:
            content.insert(place, chance.randrange(128))
        else:
            del content[place:]
            content.append(0xF7)
    return bytes(content)


def check_damaged(count: int, seed: int) -> None:
    chance = random.Random(seed)
    outcomes = dict.fromkeys((*REASONS, "read", "other"), 0)
    for _ in range(count):
        content = damaged(chance)
        try:
            said = read_tuning_message(content)
        except TuningMessageError as error:
            assert str(error) in REASONS
            outcomes[str(error)] += 1
            continue
        outcomes["other" if said is None else "read"] += 1
        if isinstance(said, NoteTuning):
            assert all(0 <= key <= 127 for key in said.pitches_cents)
            assert all(0.0 <= pitch < 12800.0 for pitch in said.pitches_cents.values())
            name, pitches = ReceivedTunings().take(said)
            assert len(pitches) == 128 and name
        elif isinstance(said, OctaveTuning):
            assert all(-100.0 <= offset <= 100.0 for offset in said.offsets_cents)
            assert said.channels <= EVERY_CHANNEL
        if said is not None and content[4] in (1, 4, 5, 6):  # its checksum counts
            whole = reduce(xor, content[1:-2])
            assert content[-2] in (whole, whole ^ 8)
    assert all(outcomes.values()), outcomes


def test_damaged_messages_are_right_or_refused_by_name():
    check_damaged(20_000, 1)


@pytest.mark.slow
def test_a_million_damaged_messages_are_right_or_refused_by_name(request):
    check_damaged(request.config.getoption("--steps") or 1_000_000, 2)


# ---------------------------------------------------------------- what they have made


def test_single_notes_change_the_program_that_was_sent_before():
    received = ReceivedTunings()
    stretched = (*(100.5 * key for key in range(127)), 12_750.0)
    first = read_tuning_message(bulk(stretched, name="WIDE", program=4))
    assert first is not None
    received.take(first)
    name, pitches = received.take(NoteTuning(0, 4, "", {60: 6050.0}))
    assert (name, pitches[60]) == ("WIDE", 6050.0)
    assert pitches[61] == pytest.approx(61 * 100.5, abs=WORD_STEP_CENTS)
    name, pitches = received.take(NoteTuning(0, 5, "", {60: 6050.0}))
    assert (name, pitches[60], pitches[61]) == ("received", 6050.0, 6100.0)
    name, pitches = received.take(NoteTuning(1, 4, "", {}))
    assert pitches == EQUAL


def test_a_tuning_of_the_octave_repeats_in_every_octave():
    _, pitches = ReceivedTunings().take(OctaveTuning(EVERY_CHANNEL, "", tuple(range(12))))
    assert pitches[0] == 0.0 and pitches[13] == 1301.0 and pitches[127] == 12_707.0


def test_so_many_programs_are_kept_the_newest_of_all():
    received = ReceivedTunings()
    for program in range(MOST_PROGRAMS + 1):
        received.take(NoteTuning(0, program, "", {60: 6010.0}))
        received.take(NoteTuning(0, 1, "", {61: 6110.0}))  # not the least recent
    _, pitches = received.take(NoteTuning(0, 1, "", {}))
    assert pitches[61] == 6110.0
    _, pitches = received.take(NoteTuning(0, 0, "", {}))
    assert pitches == EQUAL
