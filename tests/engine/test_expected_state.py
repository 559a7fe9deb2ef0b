"""What the voices are meant to sound, and what follow takes out of them (design: Follow)."""

import pytest

from kit.engine_harness import KEYS, EngineHarness, small_rig
from zerobeat.engine import commands
from zerobeat.engine.expected_state import ExpectedWatch
from zerobeat.engine.settings import TouchUp, Voice
from zerobeat.errors import CommandError
from zerobeat.midi import NoteOff, NoteOn, PitchBend

C4 = 6000.0


@pytest.fixture
def case():
    voices = (Voice("reed", "out", 0), Voice("horn", "out", 1, panel_octaves=-1))
    return EngineHarness(small_rig(voices, inputs=(KEYS,)))


def watch_of(case):
    watch = ExpectedWatch(case.engine.shared, case.engine.measuring)
    for name in watch.changed():
        watch.line(name, 0.0)
    return watch


def lines(watch, now_s=1.0):
    return {name: watch.line(name, now_s) for name in watch.changed()}


def bends(outputs, channel):
    return [m for m in outputs if isinstance(m, PitchBend) and m.channel == channel]


def test_a_key_makes_a_line_of_each_voice_and_nothing_makes_none(case):
    watch = watch_of(case)
    assert lines(watch) == {}
    case.hear(NoteOn(0, 60, 90))
    found = lines(watch)
    assert set(found) == {"reed", "horn"}
    reed, horn = found["reed"], found["horn"]
    assert (reed["pitch_cents"], reed["sent_cents"], reed["profile_cents"]) == (C4, C4, C4)
    assert (horn["sent_cents"], horn["profile_cents"]) == (C4 + 1200, C4)  # its panel
    assert reed["gate"] and reed["velocity"] == 90 and not reed["moving"] and not reed["raw"]
    assert lines(watch) == {}
    case.hear(NoteOff(0, 60))
    assert not lines(watch)["reed"]["gate"]


def test_a_restrike_counts_and_a_wheel_is_moving(case):
    watch = watch_of(case)
    case.hear(NoteOn(0, 60, 90))
    first = lines(watch)["reed"]["strikes"]
    case.hear(PitchBend(0, 4096))
    wheel = lines(watch)["reed"]
    assert wheel["moving"] and wheel["strikes"] == first
    assert wheel["pitch_cents"] == pytest.approx(C4 + 100, abs=0.1)
    case.hear(NoteOff(0, 60))
    case.hear(NoteOn(0, 60, 90))
    assert lines(watch, 2.0)["reed"]["strikes"] == first + 1


def test_follow_is_heard_from_the_next_note_and_the_stream_says_what_is_taken_out(case):
    watch = watch_of(case)
    case.hear(NoteOn(0, 60, 90))
    sent = case.hear(commands.Follow("reed", TouchUp(3.0, 0.0, C4)), "")
    assert bends(sent, 0) == []
    case.hear(NoteOff(0, 60))
    case.hear(NoteOn(0, 60, 90))
    reed = lines(watch)["reed"]
    assert reed["pitch_cents"] == C4
    assert reed["profile_cents"] == pytest.approx(C4 - 3.0, abs=0.02)
    assert (reed["taken_out"][0], reed["by_hand"][0]) == (3.0, 0.0)


def test_a_sounding_note_is_moved_by_no_more_than_asked(case):
    case.hear(NoteOn(0, 60, 90))
    watch = watch_of(case)
    sent = case.hear(commands.Follow("reed", TouchUp(3.0, 0.0, C4), 0.5), "")
    assert len(bends(sent, 0)) == 1
    assert lines(watch)["reed"]["profile_cents"] == pytest.approx(C4 - 0.5, abs=0.02)
    case.hear(commands.Follow("reed", TouchUp(3.0, 0.0, C4), 0.5), "")
    assert lines(watch)["reed"]["profile_cents"] == pytest.approx(C4 - 1.0, abs=0.02)
    with pytest.raises(CommandError, match="sounding_cents"):
        case.hear(commands.Follow("reed", TouchUp(3.0), 1.5), "")


def test_a_touch_up_by_hand_ends_what_follow_took_out(case):
    case.hear(commands.SetTouchUp("reed", TouchUp(2.0, 0.0, C4, 5.0)), "")
    case.hear(commands.Follow("reed", TouchUp(6.0, 0.0, C4)), "")
    case.hear(commands.Follow("reed", None), "")
    watch = ExpectedWatch(case.engine.shared, case.engine.measuring)
    assert lines(watch)["reed"]["taken_out"][0] == 2.0
    case.hear(commands.Follow("reed", TouchUp(6.0, 0.0, C4)), "")
    case.hear(commands.SetTouchUp("reed", TouchUp(1.0, 0.0, C4, 6.0)), "")
    reed = lines(watch)["reed"]
    assert (reed["taken_out"][0], reed["touched_at_s"]) == (1.0, 6.0)


def test_undo_takes_back_a_setting_and_leaves_what_follow_took_out(case):
    engine = case.engine
    engine.undo.remember()
    case.hear(commands.ChangeTonight(442.0), "")
    case.hear(commands.Follow("reed", TouchUp(6.0, 0.0, C4)), "")
    case.hear(commands.Undo(), "")
    assert engine.shared.tonight.concert_a_hz == 440.0
    assert engine.shared.tonight.touch_up["reed"].offset_cents == 6.0
    assert "reed" not in engine.live.base_tonight.touch_up


def test_bypass_and_measuring_are_none_of_follows_business(case):
    watch = watch_of(case)
    case.hear(commands.Bypass("reed", True), "")
    case.hear(NoteOn(0, 60, 90))
    assert lines(watch)["reed"]["raw"]
    case.hear(NoteOff(0, 60))
    case.hear(commands.PlayRaw("horn", 60), "")
    assert lines(watch)["horn"]["raw"]
