"""What waits, for what, how many beats are left, and the clock, as the console shows it (T5)."""

import pytest

from kit.clocked_engine import BAR, BEAT, KEY, ClockedEngineHarness
from zerobeat.console.screen import screen_lines
from zerobeat.engine import commands
from zerobeat.engine.plain_status import plain
from zerobeat.engine.settings import Scene, Trigger, VoiceSettings
from zerobeat.engine.status import picture
from zerobeat.midi import CONTINUE, STOP, SongPosition
from zerobeat.tuning.scale import preset

PAD = Trigger("remote_note", input="pad")


def scene(hold="trigger", *triggers, **fields):
    return Scene("night", hold=hold, triggers=triggers, **fields)


def shown(case, columns=80, rows=24):
    return [
        line.text
        for line in screen_lines(plain(picture(case.engine, case.wire)), columns, rows, {}, True)
    ]


def waits(case, columns=80):
    rows = 24 if columns == 80 else 12
    return next(
        line for line in shown(case, columns, rows) if line.startswith(("nothing w", "waiting"))
    )


def clock(case):
    return next(line for line in shown(case) if line.startswith("clock")).removeprefix("clock     ")


def playing(*triggers, ticks=1, **fields):
    case = ClockedEngineHarness(scene("trigger", *triggers, **fields))
    case.start()
    case.ticks(ticks)
    case.pass_time(0.05)
    return case


def test_nothing_waits():
    assert waits(playing(BAR)) == "nothing waits"


# ticks played of a bar of 96: 193 is the first of bar 3, so 97 to 192 wait for it.
@pytest.mark.parametrize(
    ("ticks", "left"),
    [
        (97, "4 beats"),
        (120, "4 beats"),
        (121, "3 beats"),
        (169, "1 beat"),
        (192, "1 beat"),
        (193, "4 beats"),
    ],
)
def test_beats_are_left_until_the_bar(ticks, left):
    case = playing(BAR, ticks=ticks)
    case.change(voice="reed", semitones=7)
    bar = 4 if ticks == 193 else 3
    assert waits(case) == f"waiting for bar {bar} ({left} left): reed +7"
    assert waits(case, 40) == f"waiting for bar {bar} ({left}): reed +7"


def test_a_beat_inside_a_bar_is_named():
    case = playing(BEAT, ticks=30)
    case.change(semitones=-5)
    assert waits(case) == "waiting for bar 1 beat 3 (1 beat left): all -5"


def test_bars_by_the_time_signature():
    case = playing(BAR, ticks=30, beats_in_bar=7, beat_unit=8)
    case.change(semitones=-5)
    assert waits(case) == "waiting for bar 2 (5 beats left): all -5"


def test_every_trigger_that_may_come_first_is_named():
    case = playing(KEY, BAR, PAD, ticks=30)
    case.change(semitones=7)
    assert waits(case) == "waiting for a key or a note from pad or bar 2 (3 beats left): all +7"


def test_a_hold_without_triggers_waits_for_a_pedal_or_a_command():
    case = playing()
    case.change(semitones=7)
    assert waits(case) == "waiting for a trigger: all +7"


def test_a_note_is_waited_for_by_voice():
    case = ClockedEngineHarness(scene("note", voices={"horn": VoiceSettings(hold="trigger")}))
    case.change(semitones=7)
    assert waits(case) == "waiting for the next note or a trigger: all +7"


def test_what_is_wanted_in_words():
    case = playing()
    case.change(voice="reed", detune_cents=-3.5, root=62, scale=preset("dorian"), legato=True)
    case.change(
        voice="horn", octaves=-1, degrees=2, detune_beats_hz=0.5, wheel="stepped", start_key=40
    )
    assert waits(case, 80).startswith("waiting for a trigger: reed dorian, root D4, -3.5 cents")
    reed, horn = (voice["wanted"] for voice in plain(picture(case.engine, case.wire))["voices"])
    assert reed == ("dorian", "root D4", "-3.5 cents", "legato")
    assert horn == (
        "+2 degrees",
        "-1 octave",
        "+0.5 beats a second",
        "wheel stepped",
        "start key E2",
    )


def test_a_scene_that_waits_is_named_and_not_its_voices():
    case = ClockedEngineHarness(
        scene("trigger", BAR), Scene("morning", voices={"reed": VoiceSettings(semitones=7)})
    )
    case.start()
    case.ticks(1)
    case.pass_time(0.05)
    case.hear(commands.RecallScene("morning"), "")
    assert waits(case) == "waiting for bar 2 (4 beats left): scene morning"


def test_the_clock_none_stopped_running_lost_and_unsure():
    case = ClockedEngineHarness(scene("trigger", BAR))
    case.change(semitones=7)
    assert clock(case) == "no clock from steps yet"
    assert waits(case) == "waiting for the clock to come: all +7"
    case.ticks(30)
    assert clock(case) == "stopped, 125.0 bpm, bar 1 beat 1"
    assert waits(case) == "waiting for the clock to start: all +7"
    case.hear(SongPosition(16 + 4), "steps")  # a bar and a beat
    case.hear(CONTINUE, "steps")
    case.ticks(1)
    assert clock(case) == "running, 125.0 bpm, bar 2 beat 2"
    assert waits(case) == "waiting for bar 3 (3 beats left): all +7"
    assert "125 bpm" in " ".join(shown(case, 60, 20))
    case.pass_time(2.0)
    assert clock(case) == "lost, bar 2 beat 2, position unsure"
    assert waits(case) == "waiting for the clock, which is lost: all +7"
    assert "no clock" in " ".join(shown(case, 60, 20))
    case.ticks(30)
    assert clock(case).endswith("position unsure")
    case.hear(STOP, "steps")
    assert "clock stopped" in " ".join(shown(case, 60, 20))


def test_a_rig_without_a_clock_shows_none():
    case = ClockedEngineHarness(scene("trigger"), clock_from=None)
    assert not any(line.startswith("clock") for line in shown(case))


def test_keys_that_set_the_root_are_shown_while_they_do():
    case = playing()
    case.hear(commands.RootKey(True), "")
    assert "a key sets the root: all" in shown(case)
    assert "a key sets the root: all" in shown(case, 40, 12)
    case.hear(commands.RootKey(False, "reed"), "")
    assert "a key sets the root: horn" in shown(case)
    case.hear(commands.RootKey(False), "")
    assert not any("sets the root" in line for line in shown(case))


def test_the_correction_stands_on_the_small_screen_too():
    case = playing()
    case.key(60)
    case.hear(commands.SetTouchUp("reed", commands.TouchUp(1.5)), "")
    small = shown(case, 40, 12)
    reed = next(line for line in small if line.startswith("reed"))
    assert reed.split() == ["reed", ">", "C4", "not", "measured,", "-1.5"]


def test_a_sampled_voice_shows_the_key_whose_pitch_it_has():
    case = ClockedEngineHarness(scene("sample"))
    case.key(60)
    case.key(64)
    assert [voice["key"] for voice in plain(picture(case.engine, case.wire))["voices"]] == [60, 60]


def test_the_picture_is_equal_until_the_next_beat():
    case = playing(BAR, ticks=30)
    before = picture(case.engine, case.wire)
    case.ticks(5)
    assert picture(case.engine, case.wire) == before


def test_the_first_line_says_that_all_is_well_or_what_to_do():
    case = playing(BAR)
    assert shown(case)[0].startswith("all well; not measured yet: ")
    assert shown(case, 40, 12)[0].startswith("all well; not measured yet:")
    case.hear(commands.OutputLost(case.engine.rig.outputs[0].name), "")
    for columns, rows in ((80, 24), (60, 20), (40, 12)):
        assert "look at its cable" in " ".join(shown(case, columns, rows)[:2])


def test_the_next_scene_stands_on_every_size():
    case = ClockedEngineHarness(Scene("night"), Scene("morning"), Scene("noon"))
    assert "scene night   1 of 3, next: morning" in shown(case)[1]
    assert "night, 1 of 3, next morning" in shown(case, 40, 12)
