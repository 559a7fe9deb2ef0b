"""Scale files and keyboard maps (requirements B9, B10).

Texts and figures: tests/data/published.json, after the format pages. Other
readers: the PyPI package tuning_library, where it keeps to the format.
"""

import re

import pytest
import tuning_library
from hypothesis import given
from hypothesis import strategies as st

from kit.published_figures import published
from zerobeat.errors import ScaleFileError
from zerobeat.tuning.scala import MAX_FILE_BYTES, parse_kbm, parse_scl, read_kbm, read_scl
from zerobeat.tuning.scale import Scale
from zerobeat.tuning.units import hertz_to_pitch, pitch_to_hertz


def by_name(key):
    rows = published(key)
    return pytest.mark.parametrize("row", rows, ids=[row["name"] for row in rows])


def pitches(scale: Scale) -> list[float]:
    """Return what the file lists: degree 1 and up, the period last; [] for zero notes."""
    if scale.degrees_cents == (0.0,) and scale.period_cents == 0.0:
        return []
    return [*scale.degrees_cents[1:], scale.period_cents]


def scl(*lines: str, count: int | None = None) -> bytes:
    number = len(lines) if count is None else count
    return "\n".join(["! s.scl", "Some scale", f" {number}", *lines, ""]).encode()


def refused(lines: list[str], line: int, found: str) -> None:
    with pytest.raises(ScaleFileError) as caught:
        parse_scl("\n".join(lines).encode(), "s.scl")
    message = str(caught.value)
    assert message.startswith(f"s.scl:{line}: ")
    assert f"found {found!r}; allowed: " in message
    assert "\n" not in message


# ------------------------------------------------------------ .scl


@by_name("scl/valid")
def test_scl_reads_what_the_format_allows(row):
    scale = parse_scl(row["text"].encode(), "folder/name.scl")
    assert pitches(scale) == pytest.approx(row["cents"], rel=5e-12, abs=1e-17)
    assert scale.name == (row["description"] or "name")


@by_name("scl/valid")
def test_scl_agrees_with_another_reader(row):
    ours = pitches(parse_scl(row["text"].encode(), "s.scl"))
    known = row["tuning_library"]  # its deviations from the format
    if known == "rejects":
        with pytest.raises(tuning_library.TuningError):
            tuning_library.parse_scl_data(row["text"])
        return
    theirs = [tone.cents for tone in tuning_library.parse_scl_data(row["text"]).tones]
    if known == "same":
        assert ours == pytest.approx(theirs, abs=1e-6)
    else:
        assert ours != pytest.approx(theirs, abs=1e-6)


@by_name("scl/valid_bytes")
def test_scl_reads_both_encodings(row):
    scale = parse_scl(bytes.fromhex(row["hex"]), "s.scl")
    assert scale.name == row["description"]
    assert pitches(scale) == pytest.approx(row["cents"], abs=5e-9)


@by_name("scl/invalid")
def test_scl_refuses_what_breaks_the_format(row):
    with pytest.raises(ScaleFileError, match=r"^s\.scl(:\d+)?: .*: found .*; allowed: "):
        parse_scl(row["text"].encode(), "s.scl")


ACCEPTED = {
    "byte order mark": [701.9550008653874, 1200.0],
    "more pitches than the count": [701.9550008653874],
    "bare CR line ends": [701.9550008653874, 1200.0],
    "glued label": [701.9550008653874, 1200.0],
}


@by_name("scl/ambiguous")
def test_scl_decides_what_the_format_leaves_open(row):
    content = row["text"].encode()
    if row["name"] in ACCEPTED:
        scale = parse_scl(content, "s.scl")
        assert pitches(scale) == pytest.approx(ACCEPTED[row["name"]], abs=1e-9)
        assert not scale.name.startswith("!")
    else:
        with pytest.raises(ScaleFileError, match=r"^s\.scl:\d+: .*: found .*; allowed: "):
            parse_scl(content, "s.scl")


@pytest.mark.parametrize(
    ("text", "cents"),
    [
        ("81/64", 407.8200034615497),
        ("408.", 408.0),
        (".5", 0.5),
        ("-.5", -0.5),
        ("-5.0", -5.0),
        ("\t 100.0 C#", 100.0),
        ("5/4   E\\", 386.3137138648348),
        ("5/4 E. natural", 386.3137),
        ("3/2 ! the fifth", 701.9550008653874),
        ("3/2 7/4", 701.9550008653874),
        ("5\t/ 4 third", 386.3137138648348),
        ("5 octaves", 2786.3137138648348),
        ("2.", 2.0),
        ("3/2cents", 701.9550008653874),
        ("408.cents", 408.0),
        ("2/1, octave", 1200.0),
        ("1200.0E flat", 1200.0),
        ("0.0", 0.0),
        ("1/1", 0.0),
        ("00002/01", 1200.0),
    ],
)
def test_scl_decides_on_the_first_token(text, cents):
    assert parse_scl(scl(text), "s.scl").period_cents == pytest.approx(cents, abs=5e-5)


@pytest.mark.parametrize(
    "text",
    [
        "701,955",
        "5/4/3",
        "5/4 / 3",
        "7.0e2",
        "7.0E+2",
        "7e2",
        "+5/4",
        "-3/2",
        "3/-2",
        "3/0",
        "0/3",
        "0",
        "-5",
        "697//441",
        "fifth",
        "",
        "   ",
        "  ! remark",
        "1.2.3",
        "1.5/2",
        "3/2.5",
        "3/2,5",
        "1,5.0",
        ".",
        "-.",
        "-",
        "nan",
        "inf",
        "1/",
        "/2",
        "\u0663/\u0662",
        "0x10",
        "5 /",
        "--5.0",
        "1" * 400 + ".0",
        "9" * 5000 + "/2",
    ],
)
def test_scl_refuses_a_pitch_that_is_not_one(text):
    refused(["! s.scl", "Bad", " 2", "3/2", text, "2/1"], 5, text[:80])


@pytest.mark.parametrize("count", ["2 notes", "-2", "twelve", "", "2.0", "0x2", "12345678"])
def test_scl_refuses_a_count_that_is_not_one(count):
    refused(["! s.scl", "Bad", count, "3/2", "2/1"], 3, count)


def test_scl_names_the_line_behind_comments_and_crlf():
    refused(["! a\r", "d\r", "! b\r", "2\r", "! c\r", "3/2\r", "! d\r", "2,1"], 8, "2,1")


def test_scl_says_how_many_pitches_are_missing():
    with pytest.raises(ScaleFileError, match=r"^s\.scl: pitch 3 of 3: found the end of the file"):
        parse_scl(scl("3/2", "2/1", count=3), "s.scl")


def test_scl_takes_only_line_feeds_as_line_ends():
    # Latin-1 byte 85 and UTF-8 line separators are text, not line ends.
    assert parse_scl(b"a\x85b\n1\n2/1\n", "s.scl").name == "a\x85b"
    assert parse_scl("a\u2028b\n1\n2/1 \u2028\n".encode(), "s.scl").name == "a\u2028b"


def test_scl_refuses_what_is_no_text():
    with pytest.raises(ScaleFileError, match="found NUL bytes; allowed: UTF-8, ISO 8859-1"):
        parse_scl("! a\nb\n1\n2/1\n".encode("utf-16"), "s.scl")


def test_files_that_cannot_be_read_are_named(tmp_path):
    missing = tmp_path / "none.scl"
    with pytest.raises(ScaleFileError, match=re.escape(f"{missing}: No such file")):
        read_scl(missing)
    with pytest.raises(ScaleFileError, match="Is a directory"):
        read_kbm(tmp_path, Scale("s", (0.0,), 1200.0))
    huge = tmp_path / "huge.scl"
    huge.write_bytes(b"!" * (MAX_FILE_BYTES + 1))
    with pytest.raises(ScaleFileError, match="not a scale file"):
        read_scl(huge)


def test_read_scl_reads_a_file(tmp_path):
    path = tmp_path / "two.scl"
    path.write_bytes(b"! two.scl\n\n 2\n 3/2\n 2/1\n")
    assert read_scl(path).name == "two"
    assert read_scl(str(path)) == read_scl(path)


numbers = st.floats(-5000.0, 5000.0).map(lambda cents: f"{cents:.6f}") | st.tuples(
    st.integers(1, 2**31 - 1), st.integers(1, 2**31 - 1)
).map(lambda terms: f"{terms[0]}/{terms[1]}")


@given(st.lists(numbers, min_size=1, max_size=40))
def test_any_scale_agrees_with_another_reader(lines):
    content = scl(*lines)
    theirs = [tone.cents for tone in tuning_library.parse_scl_data(content.decode()).tones]
    scale = parse_scl(content, "s.scl")
    assert [*scale.degrees_cents[1:], scale.period_cents] == pytest.approx(theirs, abs=1e-6)


@given(st.binary(max_size=200) | st.text("!\n 0123456789./-x\r\t,e", max_size=80).map(str.encode))
def test_any_bytes_give_a_scale_or_one_line(content):
    for parse in (
        lambda: parse_scl(content, "s.scl"),
        lambda: parse_kbm(content, "s.kbm", Scale("s", (0.0,), 1200.0)),
    ):
        try:
            parse()
        except ScaleFileError as error:
            assert "\n" not in str(error)


# ------------------------------------------------------------ .kbm


def kbm(size=0, first=0, last=127, middle=60, reference=69, hertz=440.0, formal=0, entries=()):
    values = (size, first, last, middle, reference, hertz, formal, *entries)
    return ("! map\n" + "\n".join(map(str, values)) + "\n").encode()


TWELVE = Scale("12", tuple(100.0 * i for i in range(12)), 1200.0)


@by_name("kbm/valid")
def test_kbm_sounds_what_the_format_says(row):
    keys = parse_kbm(row["kbm"].encode(), "m.kbm", parse_scl(row["scl"].encode(), "s.scl"))
    assert len(keys.pitches_cents) == 128
    for key, hertz in row["hz"]:
        pitch = keys.pitch_of_key(key)
        if hertz is None:
            assert pitch is None
        else:
            assert pitch_to_hertz(pitch) == pytest.approx(hertz, rel=5e-11)


def theirs_and_ours(scl_text, kbm_text):
    tuning = tuning_library.Tuning(
        tuning_library.parse_scl_data(scl_text), tuning_library.parse_kbm_data(kbm_text)
    )
    keys = parse_kbm(kbm_text.encode(), "m.kbm", parse_scl(scl_text.encode(), "s.scl"))
    theirs = [
        tuning.frequency_for_midi_note(key) if tuning.is_midi_note_mapped(key) else None
        for key in range(128)
    ]
    return theirs, list(keys.pitches_cents)


def same(theirs: list[float | None], ours: list[float | None]) -> bool:
    """Compare hertz with pitches; beyond 1 mHz and 1 MHz the other reader is not exact."""
    for hertz, pitch in zip(theirs, ours, strict=True):
        if (hertz is None) != (pitch is None):
            return False
        if pitch is None or not -15600.0 < pitch < 20000.0:
            continue
        if hertz_to_pitch(hertz) != pytest.approx(pitch, abs=1e-5):
            return False
    return True


@by_name("kbm/valid")
def test_kbm_agrees_with_another_reader(row):
    known = row["tuning_library"]  # its deviations from the format
    if known == "rejects":
        with pytest.raises(tuning_library.TuningError):
            theirs_and_ours(row["scl"], row["kbm"])
        return
    theirs, ours = theirs_and_ours(row["scl"], row["kbm"])
    if known == "ignores the range":
        theirs = [hertz if 48 <= key <= 72 else None for key, hertz in enumerate(theirs)]
    assert same(theirs, ours) == (known != "differs")


@st.composite
def maps(draw):
    """A scale and a map as the other reader takes them: formal octave the scale's own."""
    lines = draw(st.lists(numbers, min_size=1, max_size=24))
    degrees = st.integers(0, len(lines) - 1).map(str) | st.just("x")
    entries = draw(st.lists(degrees, max_size=30))
    middle = draw(st.integers(0, 127))
    # Where the reference is whole maps above the middle key, the other reader
    # is a map out; see test_kbm_reference_may_lie_a_map_above_the_middle.
    mapped = [
        key
        for key in range(128)
        if not entries
        or (
            entries[(key - middle) % len(entries)] != "x"
            and not (key > middle and (key - middle) % len(entries) == 0)
        )
    ]
    if not mapped:
        entries, mapped = [], list(range(128))
    header = (len(entries), 0, 127, middle, draw(st.sampled_from(mapped)))
    hertz = draw(st.floats(20.0, 2000.0).map(lambda value: f"{value:.6f}"))
    text = "\n".join(["! m", *map(str, header), hertz, str(len(lines)), *entries, ""])
    return scl(*lines).decode(), text


@given(maps())
def test_any_map_agrees_with_another_reader(pair):
    assert same(*theirs_and_ours(*pair))


@by_name("kbm/invalid")
def test_kbm_refuses_what_breaks_the_format(row):
    scale = parse_scl(row["scl"].encode(), "s.scl")
    with pytest.raises(ScaleFileError, match=r"^m\.kbm(:\d+)?: .*: found .*; allowed: "):
        parse_kbm(row["kbm"].encode(), "m.kbm", scale)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (kbm(size=2, entries=(0, 1, 2)), "m.kbm:11: map: found '2'; allowed: 2 entries"),
        (kbm(size=3, entries=(0, "", 2)), "m.kbm:10: map: found ''; allowed: 3 entries"),
        (kbm(size=3, entries=(0, "1 E", 2)), "m.kbm:10: map: found '1 E'; allowed: a scale degree"),
        (kbm(size=-1), "m.kbm:2: size of map: found '-1'; allowed: a whole number, 0 to 10000"),
        (kbm(first=20, last=10), "m.kbm:4: last key: found '10'; allowed: a whole number, 20 to"),
        (kbm(middle=128), "m.kbm:5: middle key: found '128'; allowed: a whole number, 0 to 127"),
        (kbm(hertz="440 Hz"), "m.kbm:7: reference frequency: found '440 Hz'; allowed: hertz above"),
        (kbm(hertz="-440.0"), "m.kbm:7: reference frequency: found '-440.0'; allowed: hertz above"),
        (kbm(formal="x"), "m.kbm:8: formal octave: found 'x'; allowed: a whole number"),
        (
            kbm(size=2, entries=(0,), reference=61),
            "m.kbm:6: reference key: found '61'; allowed: a key that the map gives a degree",
        ),
        (b"! only\n12\n", "m.kbm: first key: found the end of the file; allowed: seven lines"),
    ],
)
def test_kbm_names_file_line_and_text(content, message):
    with pytest.raises(ScaleFileError) as caught:
        parse_kbm(content, "m.kbm", TWELVE)
    assert str(caught.value).startswith(message)


def test_kbm_ends_in_blank_lines_or_capital_x():
    keys = parse_kbm(kbm(size=3, entries=(0, "X", 2, "", "  ")), "m.kbm", TWELVE)
    assert keys.pitch_of_key(61) is None
    assert keys.pitch_of_key(62) - keys.pitch_of_key(60) == pytest.approx(200.0)


def test_kbm_reference_may_lie_outside_the_keys_that_sound():
    keys = parse_kbm(kbm(first=60, last=62), "m.kbm", TWELVE)
    sounding = [key for key in range(128) if keys.pitch_of_key(key) is not None]
    assert sounding == [60, 61, 62]
    assert keys.pitch_of_key(60) == pytest.approx(6000.0)


def test_kbm_reference_may_lie_a_map_above_the_middle():
    keys = parse_kbm(
        kbm(size=12, middle=57, reference=69, formal=12, entries=range(12)), "m.kbm", TWELVE
    )
    assert keys.pitches_cents == pytest.approx([100.0 * key for key in range(128)])


def test_kbm_of_a_scale_without_notes_sounds_one_pitch():
    keys = parse_kbm(kbm(), "m.kbm", parse_scl(b"d\n0\n", "s.scl"))
    assert set(keys.pitches_cents) == {6900.0}


def test_read_kbm_reads_a_file(tmp_path):
    path = tmp_path / "plain.kbm"
    path.write_bytes(kbm())
    keys = read_kbm(path, TWELVE)
    assert keys.name == "plain"
    assert keys.pitches_cents == pytest.approx([100.0 * key for key in range(128)])


A_PITCH = "cents with a dot (701.955), a ratio above 0 (3/2) or a whole number above 0"
SCL = ("name", "2", "700.0", "2/1")
SCL_ENDS = (
    "description: found the end of the file; allowed: a line, which may be empty",
    "number of notes: found the end of the file; allowed: a whole number",
    f"pitch 1 of 2: found the end of the file; allowed: {A_PITCH}",
    f"pitch 2 of 2: found the end of the file; allowed: {A_PITCH}",
)
SEVEN = (
    "size of map, first key, last key, middle key, reference key, reference frequency, "
    "formal octave"
)


@pytest.mark.parametrize("lines", range(len(SCL)))
def test_a_scale_file_that_ends_early_says_what_is_missing(lines):
    with pytest.raises(ScaleFileError) as refused:
        parse_scl("\n".join(SCL[:lines]).encode(), "x.scl")
    assert str(refused.value) == f"x.scl: {SCL_ENDS[lines]}"


def test_a_count_with_more_on_its_line_is_refused():
    with pytest.raises(ScaleFileError) as refused:
        parse_scl(b"name\n12 notes\n", "x.scl")
    assert str(refused.value) == (
        "x.scl:2: number of notes: found '12 notes'; allowed: a whole number alone on its line"
    )


@pytest.mark.parametrize("lines", range(7))
def test_a_keyboard_map_that_ends_early_says_what_is_missing(lines):
    scale = parse_scl("\n".join(SCL).encode(), "x.scl")
    kbm = "\n".join(("0", "0", "127", "60", "69", "440.0", "0")[:lines])
    with pytest.raises(ScaleFileError) as refused:
        parse_kbm(kbm.encode(), "x.kbm", scale)
    name = SEVEN.split(", ")[lines]
    allowed = f"seven lines: {SEVEN}"
    assert str(refused.value) == f"x.kbm: {name}: found the end of the file; allowed: {allowed}"


@pytest.mark.parametrize(
    ("place", "value", "said"),
    [
        (0, "-1", "x.kbm:1: size of map: found '-1'; allowed: a whole number, 0 to 10000"),
        (0, "10001", "x.kbm:1: size of map: found '10001'; allowed: a whole number, 0 to 10000"),
        (1, "128", "x.kbm:2: first key: found '128'; allowed: a whole number, 0 to 127"),
        (2, "128", "x.kbm:3: last key: found '128'; allowed: a whole number, 0 to 127"),
        (3, "x", "x.kbm:4: middle key: found 'x'; allowed: a whole number, 0 to 127"),
        (4, "128", "x.kbm:5: reference key: found '128'; allowed: a whole number, 0 to 127"),
        (5, "0.0", "x.kbm:6: reference frequency: found '0.0'; allowed: hertz above 0, like 440.0"),
        (6, "10001", "x.kbm:7: formal octave: found '10001'; allowed: a whole number, 0 to 10000"),
    ],
)
def test_each_line_of_a_keyboard_map_is_refused_by_name(place, value, said):
    scale = parse_scl("\n".join(SCL).encode(), "x.scl")
    lines = ["0", "0", "127", "60", "69", "440.0", "0"]
    lines[place] = value
    with pytest.raises(ScaleFileError) as refused:
        parse_kbm("\n".join(lines).encode(), "x.kbm", scale)
    assert str(refused.value) == said
