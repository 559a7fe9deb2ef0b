"""The session: what a restart comes back to."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zerobeat.engine.settings import (
    Input,
    Output,
    Rig,
    Scene,
    Tonight,
    TouchUp,
    Trigger,
    Voice,
    VoiceSettings,
    Zone,
)
from zerobeat.state.session import (
    WRITE_EVERY_S,
    Session,
    SessionKeeper,
    load_session,
    session_to_json,
)
from zerobeat.state.store import Store
from zerobeat.state.store_writer import StoreWriter
from zerobeat.tuning.scale import Scale, equal_division

RIG = Rig(
    inputs=(Input("keys", "Stage Keys:MIDI 1"),),
    outputs=(Output("quad", "quad:MIDI 1"),),
    voices=(
        Voice("reed", "quad", 0),
        Voice("horn", "quad", 1),
        Voice("floor", "quad", 2, gate_ignored=True),
    ),
    clock_from="keys",
    concert_a_hz=442.0,
    program_numbers_from=0,
)
LIVE = Scene(
    name="Calm",
    program=0,
    hold="trigger",
    zones=(Zone(("reed", "horn"), "rotate", ("keys",), (0,), 12, 90),),
    voices={
        "reed": VoiceSettings(scale=equal_division(19), degrees=3, detune_cents=1e-7),
        "horn": VoiceSettings(scale=Scale("3.5", (0.0, 100.5), 1200.0), root=50, hold="none"),
        "floor": VoiceSettings(start_key=36),
    },
    triggers=(Trigger("clock", every=2, unit="bar"), Trigger("key")),
    beats_in_bar=7,
    beat_unit=8,
)
SESSION = Session(
    Tonight(
        440.5,
        -3,
        {"reed": TouchUp(1.25, -0.5, 4800.0)},
        frozenset(["reed"]),
        frozenset(["horn"]),
        frozenset(["floor"]),
    ),
    "Calm",
    "sample",
    LIVE,
    follow_off=frozenset(["reed"]),
)


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "state")


def test_a_session_reads_back_equal(store):
    store.save_session(session_to_json(SESSION))
    assert load_session(store, RIG) == (SESSION, [])


floats = st.floats(-200.0, 200.0)
names = st.frozensets(st.sampled_from(["reed", "horn", "floor"]))
touch_ups = st.builds(TouchUp, floats, st.floats(-100.0, 100.0), st.floats(0.0, 12700.0))
tonights = st.builds(
    Tonight,
    st.floats(390.0, 490.0),
    st.integers(-60, 60),
    st.dictionaries(st.sampled_from(["reed", "horn"]), touch_ups),
    names,
    names,
    names,
)


@settings(max_examples=50, deadline=None)
@given(
    tonights,
    st.one_of(st.none(), st.sampled_from(["Calm", "3.5", "true", "null", "~", " Grün: #1"])),
    st.sampled_from([None, "none", "note", "trigger", "sample"]),
    st.sampled_from([None, LIVE, Scene()]),
)
def test_any_session_reads_back_equal(tmp_path_factory, tonight, scene, hold, live):
    store = Store(tmp_path_factory.mktemp("s"))
    session = Session(tonight, scene, hold, live)
    store.save_session(session_to_json(session))
    assert load_session(store, RIG) == (session, [])


def test_without_a_session_tonight_is_the_rigs(store):
    assert load_session(store, RIG) == (Session(Tonight(concert_a_hz=442.0)), [])


def test_a_torn_session_falls_back_to_the_one_before_and_says_so(store):
    """Requirement S9."""
    store.save_session(session_to_json(SESSION))
    path = store.save_session(session_to_json(replace(SESSION, scene="Glass")))
    path.write_bytes(path.read_bytes()[:100])
    session, warnings = load_session(store, RIG)
    assert session == SESSION
    assert warnings == [
        f"{path}: its checksum is wrong; {path.with_name('session.1.json')} is used"
    ]
    for file in (path, path.with_name("session.1.json")):
        file.write_bytes(bytes(50))
    session, warnings = load_session(store, RIG)
    assert session == Session(Tonight(concert_a_hz=442.0))
    assert len(warnings) == 1 and warnings[0].endswith("; starting without a session")


@pytest.mark.parametrize(
    ("change", "line", "left"),
    [
        ({"hold": "notes"}, "hold: found notes; allowed: none, note, ", {"hold": None}),
        ({"scene": 3.5}, None, {"scene": "3.5"}),
        ({"scene": []}, "scene: found a list; allowed: a name or text", {"scene": None}),
        ({"more": 1}, "more: found unknown key; allowed: tonight, scene, hold, live", {}),
        ({"live": {"hold": "nope"}}, "live.hold: found nope; allowed:", {"live": None}),
        ({"live": 1}, "live: found 1; allowed: keys with values", {"live": None}),
        (
            {"tonight": {"concert_a_hz": 1e9}},
            "tonight.concert_a_hz: found 1000000000.0;",
            {"tonight": Tonight(442.0)},
        ),
        (
            {"tonight": {"touch_up": {"reed": {"offset_cents": "x"}}}},
            "tonight.touch_up.reed.offset_",
            {"tonight": Tonight(442.0, touch_up={"reed": TouchUp()})},
        ),
        (
            {"tonight": {"mute": ["reed", "tuba"]}},
            None,
            {"tonight": Tonight(442.0, mute=frozenset(["reed"]))},
        ),
    ],
)
def test_what_cannot_be_read_is_left_out_and_said(store, change, line, left):
    plain = json.loads(session_to_json(SESSION)) | change
    path = store.save_session(json.dumps(plain).encode())
    session, warnings = load_session(store, RIG)
    assert session == replace(SESSION, **left)
    if line is None:
        assert warnings == []
    else:
        assert len(warnings) == 1 and warnings[0].startswith(f"{path}: {line[:30]}")
        assert warnings[0].endswith("; left out")


@pytest.mark.parametrize(
    "content", [b"[]", b"3", b"null", b"{", b"[" * 100_000, b'{"a": NaN}', b"\xff"]
)
def test_no_content_of_a_session_stops_a_start(store, content):
    store.save_session(content)
    session, warnings = load_session(store, RIG)
    assert session == Session(Tonight(concert_a_hz=442.0))
    assert len(warnings) == 1 and "\n" not in warnings[0]


def test_unsaved_settings_of_a_voice_that_left_are_left_out(store):
    store.save_session(session_to_json(SESSION))
    rig = replace(RIG, voices=RIG.voices[:1] + RIG.voices[2:])
    session, warnings = load_session(store, rig)
    assert set(session.live.voices) == {"reed", "floor"}
    assert session.live.zones[0].voices == ("reed",)
    assert session.tonight.solo == frozenset()
    assert all("found horn" in line and line.endswith("left out") for line in warnings)


# ---------------------------------------------------------------- the pace


class PacedDisk:
    """A keeper whose writes take as long as is said; ``written`` tells when each began."""

    def __init__(self, store, seconds=0.01):
        self.writer = StoreWriter(store)
        self.keeper = SessionKeeper(self.writer)
        self.seconds = seconds
        self.written = []

    def step(self, now_s, scene):
        self.keeper.want(replace(SESSION, scene=scene))
        asked = self.writer.waiting
        self.keeper.step(now_s)
        if self.writer.waiting > asked:
            self.written.append(now_s)
        while self.writer.waiting:
            for done in self.writer.take():
                taken = replace(done, seconds=self.seconds)
                self.keeper.done(taken, now_s + self.seconds)


@pytest.fixture
def disk(store):
    disk = PacedDisk(store)
    yield disk
    disk.writer.stop()


def test_a_change_is_written_at_once_and_an_equal_session_never(disk, store):
    assert disk.keeper.wake_at_s is None
    disk.keeper.step(0.0)
    for tenth in range(100):
        disk.step(tenth / 10, f"s{tenth // 5}" if tenth < 60 else "last")
    assert disk.written == [tenth / 10 for tenth in range(0, 65, 5)]
    assert disk.keeper.wake_at_s is None
    assert load_session(store, RIG)[0].scene == "last"
    path = store.directory / "session.json"
    stamp = path.stat().st_mtime_ns
    disk.keeper.step(1000.0)
    disk.keeper.finish()
    assert disk.writer.stop() == [] and path.stat().st_mtime_ns == stamp


def test_a_slow_card_is_written_every_2_s_and_that_is_said_until_it_is_quick_again(disk):
    disk.seconds = 0.7
    assert WRITE_EVERY_S == 2.0
    for tenth in range(60):
        disk.step(tenth / 10, f"s{tenth}")
    assert disk.written == [0.0, 2.0, 4.0]
    told = "slow card: a write took 0.7 s; session.json is written every 2 s"
    assert disk.keeper.slowness(6.0) == told
    disk.seconds = 0.01
    for tenth in range(60, 120):
        disk.step(tenth / 10, f"s{tenth}")
    assert disk.written[3:6] == [6.0, 8.0, 10.0]
    assert disk.keeper.slowness(12.0) == ""


def test_changes_without_a_pause_come_down_to_the_slow_pace(disk):
    for hundredth in range(12_000):
        disk.step(hundredth / 100, f"s{hundredth}")
    assert len([at_s for at_s in disk.written if at_s < 1.0]) >= 60
    assert len([at_s for at_s in disk.written if at_s >= 60.0]) <= 62


def test_a_card_that_does_not_answer_is_said(store):
    keeper = SessionKeeper(StoreWriter(store))
    keeper.want(SESSION)
    keeper.step(10.0)
    assert keeper.slowness(11.0) == ""
    assert keeper.slowness(22.4) == "slow card: session.json being written for 12 s"
    keeper._writer.stop()


def test_the_last_change_is_written_at_the_end(store):
    writer = StoreWriter(store)
    keeper = SessionKeeper(writer, SESSION)
    keeper.want(replace(SESSION, scene="one"))
    keeper.step(0.0)
    keeper.want(replace(SESSION, scene="two"))
    keeper.step(0.1)
    keeper.finish()
    assert len(writer.stop()) == 2
    assert load_session(store, RIG)[0].scene == "two"


def test_a_session_that_could_not_be_written_is_tried_again(tmp_path):
    blocked = tmp_path / "state"
    blocked.write_text("")
    writer = StoreWriter(Store(blocked))
    keeper = SessionKeeper(writer)
    keeper.want(SESSION)
    keeper.step(0.0)
    while writer.waiting:
        for done in writer.take():
            assert "not a directory" in done.error
            keeper.done(done, 0.0)
    assert keeper.wake_at_s == WRITE_EVERY_S
    blocked.unlink()
    keeper.step(WRITE_EVERY_S)
    (done,) = writer.stop()
    assert done.error == ""
