"""Scene files: what they mean, and that a stored scene reads back equal."""

import string
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zerobeat.config.scene_file import load_scene, scene_to_yaml
from zerobeat.engine.settings import Scene, Trigger, VoiceSettings, Zone
from zerobeat.errors import ConfigError
from zerobeat.tuning.scala import KeyboardMap
from zerobeat.tuning.scale import PRESETS, Scale, equal_division


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    return tmp_path


def load(folder: Path, text: str) -> Scene:
    path = folder / "slow.yaml"
    path.write_text(text)
    return load_scene(path)


def problems(folder: Path, text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        load(folder, text)
    return [line.removeprefix(f"{folder}/") for line in caught.value.problems]


def test_a_scene_says_what_its_file_says(folder):
    scene = load(
        folder,
        """\
program: 5
bank: 300
hold: sample
regate: true
time_signature: 7/8
early_ms: 30
late_ms: 0
sample_delay_ms: 4.5
triggers:
  - key: {}
  - remote_note: {input: steps, channel_number: 10, note: C2}
  - clock: {every: 2, unit: bars}
zones:
  - {voices: [reed, horn], assign: rotate, lowest_key: C3}
all: {scale: dorian, root: D, snap: down, wheel: stepped}
voices:
  reed: {degrees: 2, octaves: -1, detune_cents: -3.5, hold: none}
  horn: {scale: continuous, detune_beats_hz: 0.4, detune_limit_cents: 20, priority: lowest}
  glass: {fit: keys, root: A2, semitones: 7, legato: true}
""",
    )
    assert (scene.name, scene.program, scene.bank) == ("slow", 4, 300)
    assert (scene.hold, scene.regate, scene.beats_in_bar, scene.beat_unit) == ("sample", True, 7, 8)
    assert (scene.early_ms, scene.late_ms, scene.sample_delay_ms) == (30.0, 0.0, 4.5)
    assert scene.triggers == (
        Trigger("key"),
        Trigger("remote_note", "steps", 9, 36),
        Trigger("clock", every=2, unit="bar"),
    )
    assert scene.zones == (Zone(("reed", "horn"), "rotate", lowest_key=48),)
    dorian = PRESETS["dorian"]
    assert scene.voices["reed"] == VoiceSettings(
        scale=dorian,
        root=62,
        snap="down",
        wheel="stepped",
        degrees=2,
        octaves=-1,
        detune_cents=-3.5,
        hold="none",
    )
    assert scene.voices["horn"] == VoiceSettings(
        root=62,
        snap="down",
        wheel="stepped",
        detune_beats_hz=0.4,
        detune_limit_cents=20.0,
        priority="lowest",
    )
    assert scene.voices["glass"] == VoiceSettings(
        scale=dorian, root=45, snap="down", wheel="stepped", fit="keys", semitones=7, legato=True
    )
    assert scene.voices["all"].root == 62


SCL = "test\n 2\n 3/2\n 2/1\n"
KBM = "2\n0\n127\n60\n60\n261.6255653006\n2\n0\nx\n"


def test_scales_come_by_name_file_or_cents(folder):
    (folder / "scales").mkdir()
    (folder / "scales" / "two.scl").write_text(SCL)
    (folder / "two.kbm").write_text(KBM)
    voices = load(
        folder,
        """\
voices:
  reed: {scale: two.scl}
  horn: {scale: [0, 702, 1200.0]}
  glass: {scale: "19 equal"}
  bass: {scale: {file: scales/two.scl, keyboard_map: two.kbm}}
""",
    ).voices
    assert voices["reed"].scale.degrees_cents == pytest.approx((0.0, 701.955), abs=5e-4)
    assert voices["horn"].scale == Scale("cents", (0.0, 702.0), 1200.0)
    assert voices["glass"].scale == equal_division(19)
    assert voices["bass"].fit == "keys"
    # Degrees 0 and none in turn from middle C on, whose hertz the file gives (ISO 16 tuning).
    pitches = voices["bass"].keyboard_map.pitches_cents
    assert pitches[60] == pytest.approx(6000.0, abs=1e-6)
    assert (pitches[61], pitches[62]) == (None, pytest.approx(7200.0, abs=1e-6))


FAULTS = [
    (
        "voices:\n  reed: {degrees: 1}",
        "slow.yaml:2: voices.reed.degrees: found 1 with a continuous ",
    ),
    (
        "voices:\n  reed: {scale: no.scl}",
        "slow.yaml:2: voices.reed.scale: found no.scl: no file no.scl in",
    ),
    ("voices:\n  reed: {scale: bad.scl}", "slow.yaml:2: voices.reed.scale: found "),
    (
        "voices:\n  reed: {scale: []}",
        "slow.yaml:2: voices.reed.scale: found 0 cents; allowed: 1 to 2000",
    ),
    (
        "voices:\n  reed: {scale: [a]}",
        "slow.yaml:2: voices.reed.scale[0]: found a; allowed: a number",
    ),
    (
        "voices:\n  reed: {scale: }",
        "slow.yaml:2: voices.reed.scale: found nothing; allowed: a scale's",
    ),
    (
        "voices:\n  reed: {root: H}",
        "slow.yaml:2: voices.reed.root: found H; allowed: a note, 0 to 127",
    ),
    (
        "voices:\n  reed: {scale: {file: a.txt}}",
        "slow.yaml:2: voices.reed.scale.file: found a.txt; ",
    ),
    ("triggers:\n  - clok: {}", "slow.yaml:2: triggers[0].clok: found unknown key; allowed: key, "),
    (
        "triggers:\n  - {key: {}, clock: {}}",
        "slow.yaml:2: triggers[0]: found 2 keys; allowed: one of",
    ),
    (
        "triggers: [clock: {every: 0}]",
        "slow.yaml:1: triggers[0].clock.every: found 0; allowed: a whole",
    ),
    (
        "triggers: [remote_note: {}]",
        "slow.yaml:1: triggers[0].remote_note.input: found nothing; needed:",
    ),
    ("time_signature: 4", "slow.yaml:1: time_signature: found 4; allowed: beats and unit, as 4/4"),
    (
        "time_signature: 4/3",
        "slow.yaml:1: time_signature: found 4/3; allowed: beats and unit, as 4/4",
    ),
    (
        "time_signature: 0/4",
        "slow.yaml:1: time_signature: found 0/4; allowed: beats and unit, as 4/4",
    ),
    ("hold: off", "slow.yaml:1: hold: found off; allowed: none, note, trigger, sample"),
    ("early_ms: -1", "slow.yaml:1: early_ms: found -1; allowed: a number, 0 to 200"),
    ("late_ms: soon", "slow.yaml:1: late_ms: found soon; allowed: a number, 0 to 200"),
    ("sample_delay_ms: 60", "slow.yaml:1: sample_delay_ms: found 60; allowed: a number, 0 to 50"),
    ("regate: true", "slow.yaml:1: regate: found true; allowed with hold: sample only"),
    ("program: 0", "slow.yaml:1: program: found 0; allowed: a whole number, 1 to 128"),
    (
        "assign: rotate\nzones: [{voices: [reed]}]",
        "slow.yaml:1: assign: found beside zones; allowed:",
    ),
    ("zones: [{}]", "slow.yaml:1: zones[0].voices: found nothing; needed: a list of voices"),
    (
        "zones: [{voices: [reed], lowest_key: 9, highest_key: 8}]",
        "slow.yaml:1: zones[0].highest_key: found 8; allowed: lowest_key (9) or above",
    ),
    (
        "all: {start_key: 60}",
        "slow.yaml:1: all.start_key: found a start key for all voices; allowed:",
    ),
    (
        "all: {scale: {file: two.scl, keyboard_map: two.kbm}, fit: nearest}",
        "slow.yaml:1: all.fit: found nearest with a keyboard map; allowed: keys",
    ),
]


@pytest.mark.parametrize(("text", "fault"), FAULTS)
def test_a_fault_is_one_line(folder, text, fault):
    (folder / "bad.scl").write_text("bad\n 1\n 0/1\n")
    (folder / "two.scl").write_text(SCL)
    (folder / "two.kbm").write_text(KBM)
    (line,) = problems(folder, text + "\n")
    assert line.startswith(fault)


# ---------------------------------------------------------------- there and back

cents = st.floats(-1200.0, 1200.0, allow_nan=False)
names = st.text(
    string.ascii_letters + string.digits + " -_.:#'\"[]{}&*!|>%@,~äß\u266f\U0001f3b9",
    min_size=1,
    max_size=12,
).filter(lambda n: n == n.strip() and n not in ("all", "none"))
anything = st.text(max_size=20).filter(lambda text: text.strip())
scales = st.one_of(
    st.none(),
    st.sampled_from(sorted(PRESETS)).map(PRESETS.get),
    st.integers(1, 60).map(equal_division),
    st.builds(
        lambda name, inner, period: Scale(name, (0.0, *inner), period),
        anything,
        st.lists(cents, max_size=12),
        st.floats(1.0, 2400.0),
    ),
)
maps = st.builds(
    KeyboardMap,
    anything,
    st.lists(st.one_of(st.none(), cents), min_size=128, max_size=128).map(tuple),
)


@st.composite
def voice_settings(draw):
    scale = draw(scales)
    keyboard_map = draw(st.one_of(st.none(), maps)) if scale is not None else None
    fits = ["nearest", "keys"] if keyboard_map is None else ["keys"]
    return VoiceSettings(
        scale=scale,
        keyboard_map=keyboard_map,
        root=draw(st.integers(0, 127)),
        snap=draw(st.sampled_from(["nearest", "down", "up"])),
        fit=draw(st.sampled_from(fits)),
        degrees=draw(st.integers(-20, 20)) if scale is not None else 0,
        octaves=draw(st.integers(-10, 10)),
        semitones=draw(st.integers(-127, 127)),
        detune_cents=draw(cents),
        detune_beats_hz=draw(st.floats(-20.0, 20.0)),
        detune_limit_cents=draw(st.floats(0.0, 1200.0)),
        wheel=draw(st.sampled_from(["smooth", "stepped"])),
        priority=draw(st.sampled_from(["last", "lowest", "highest"])),
        legato=draw(st.booleans()),
        hold=draw(st.sampled_from([None, "none", "note", "trigger", "sample"])),
        start_key=draw(st.one_of(st.none(), st.integers(0, 127))),
    )


channels = st.one_of(st.none(), st.integers(0, 15))
triggers = st.one_of(
    st.just(Trigger("key")),
    st.builds(
        Trigger, st.just("remote_note"), names, channels, st.one_of(st.none(), st.integers(0, 127))
    ),
    st.builds(
        lambda every, unit: Trigger("clock", every=every, unit=unit),
        st.integers(1, 1024),
        st.sampled_from(["beat", "bar"]),
    ),
)
zones = st.builds(
    lambda voices, assign, inputs, on, low, high: Zone(
        tuple(voices), assign, tuple(inputs), tuple(on), min(low, high), max(low, high)
    ),
    st.lists(names, min_size=1, max_size=3, unique=True),
    st.sampled_from(["unison", "rotate"]),
    st.lists(names, max_size=2, unique=True),
    st.lists(st.integers(0, 15), max_size=3, unique=True),
    st.integers(0, 127),
    st.integers(0, 127),
)


@st.composite
def scenes(draw):
    hold = draw(st.sampled_from(["none", "note", "trigger", "sample"]))
    return Scene(
        name=draw(anything),
        program=draw(st.one_of(st.none(), st.integers(0, 127))),
        bank=draw(st.one_of(st.none(), st.integers(0, 16383))),
        hold=hold,
        zones=tuple(draw(st.lists(zones, max_size=2))),
        voices=draw(st.dictionaries(names, voice_settings(), max_size=3)),
        triggers=tuple(draw(st.lists(triggers, max_size=3))),
        regate=draw(st.booleans()) if hold == "sample" else False,
        beats_in_bar=draw(st.integers(1, 64)),
        beat_unit=draw(st.sampled_from([1, 2, 4, 8, 16, 32])),
        early_ms=draw(st.one_of(st.just(25.0), st.floats(0.0, 200.0))),
        late_ms=draw(st.one_of(st.just(40.0), st.floats(0.0, 200.0))),
        sample_delay_ms=draw(st.one_of(st.just(3.0), st.floats(0.0, 50.0))),
    )


@pytest.fixture(scope="module")
def shared_folder(tmp_path_factory):
    return tmp_path_factory.mktemp("scenes")


@settings(max_examples=150, deadline=None)
@given(scene=scenes())
def test_a_stored_scene_reads_back_equal(shared_folder, scene):
    path = shared_folder / "stored.yaml"
    path.write_text(scene_to_yaml(scene), encoding="utf-8")
    assert load_scene(path) == scene


@settings(max_examples=20, deadline=None)
@given(scene=scenes())
def test_the_text_of_a_scene_is_the_same_each_time(shared_folder, scene):
    path = shared_folder / "again.yaml"
    path.write_text(scene_to_yaml(scene), encoding="utf-8")
    assert scene_to_yaml(load_scene(path)) == path.read_text(encoding="utf-8")


def test_a_stored_scene_sounds_the_same_without_its_scale_file(folder):
    (folder / "two.scl").write_text(SCL)
    (folder / "two.kbm").write_text(KBM)
    scene = load(folder, "voices:\n  reed: {scale: {file: two.scl, keyboard_map: two.kbm}}\n")
    (folder / "two.scl").unlink()
    (folder / "two.kbm").unlink()
    assert load(folder, scene_to_yaml(scene)) == scene


CHORD = """\
title: chords
zones:
  - voices: [reed, horn]
    assign: rotate
    chord: [0, 3, 7, -12]
    chord_in: steps
    latch: true
"""


def test_a_zones_chord_and_latch_are_read_and_written(folder):
    scene = load(folder, CHORD)
    assert scene.zones[0].chord == (0, 3, 7, -12)
    assert (scene.zones[0].chord_in, scene.zones[0].latch) == ("steps", True)
    assert load(folder, scene_to_yaml(scene)) == scene


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("[0, 3, 7, -12]", "[]", "chord: found 0 notes; allowed: 1 to 16"),
        ("[0, 3, 7, -12]", "[0, 3, 3]", "found 3 twice; allowed: each note once"),
        ("[0, 3, 7, -12]", "[0, 49]", "found 49; allowed: a whole number, -48 to 48"),
        ("[0, 3, 7, -12]", "[0, 1.5]", "found 1.5; allowed: a whole number, -48 to 48"),
        ("[0, 3, 7, -12]", "minor", "chord: found minor; allowed: a list"),
        ("assign: rotate", "assign: unison", "chord: found it with assign unison; allowed: with"),
        ("    chord: [0, 3, 7, -12]\n", "", "chord_in: found it without chord; allowed: with"),
        ("steps", "octaves", "chord_in: found octaves; allowed: semitones, steps"),
        ("latch: true", "latch: maybe", "latch: found maybe; allowed: true or false"),
    ],
)
def test_a_wrong_chord_is_one_line(folder, old, new, line):
    found = problems(folder, CHORD.replace(old, new))
    assert len(found) == 1, found
    assert line in found[0]
