"""Commands of the socket on a real engine: what they change, and what each refusal says."""

import json

import pytest

from kit.small_case import SmallCaseHarness
from zerobeat.midi import CLOCK, START, NoteOff, NoteOn
from zerobeat.ports.interruptions import Interruptions
from zerobeat.runtime.socket_commands import SocketCommands


class HandlersHarness:
    """A case with handlers; ``ask`` sends what a client would."""

    def __init__(self):
        self.case = SmallCaseHarness()
        self.handlers = SocketCommands(
            self.case.engine, lambda command: self.case.hear(command, "")
        )

    def ask(self, command, **values):
        return self.handlers.answer(json.loads(json.dumps({"command": command, **values})))

    def done(self, command, **values):
        answer = self.ask(command, **values)
        assert answer["ok"], answer
        return answer["said"]

    def refused(self, command, **values):
        before = self.case.picture()
        answer = self.ask(command, **values)
        assert answer["ok"] is False
        assert "\n" not in answer["error"]
        assert self.case.picture() == before  # nothing has changed
        return answer["error"]


@pytest.fixture
def desk():
    return HandlersHarness()


def test_recall_says_whether_it_waits(desk):
    assert desk.done("recall", scene="drone") == "scene drone waits for the next note"
    desk.case.hear(NoteOn(0, 60, 100))
    assert desk.case.picture().scene == "drone"
    assert desk.done("recall", scene="steps") == "scene steps waits for a trigger"
    assert desk.done("trigger") == "triggered"
    assert desk.case.picture().scene == "steps"


def test_cancel_drops_what_waits(desk):
    desk.done("recall", scene="drone")
    desk.done("cancel")
    desk.case.hear(NoteOn(0, 60, 100))
    assert desk.case.picture().scene == "together"


@pytest.mark.parametrize(
    ("changes", "field", "value"),
    [
        ({"detune_cents": 3.5}, "detune_cents", 3.5),
        ({"detune_cents": 3}, "detune_cents", 3.0),
        ({"scale": "dorian"}, "scale", "dorian"),
        ({"scale": "19 equal"}, "scale", "19 equal"),
        ({"scale": [0, 204, 702, 1200]}, "scale", "cents"),
        ({"scale": "continuous"}, "scale", "continuous"),
        ({"root": "D"}, "root", 62),
        ({"root": "Eb3"}, "root", 51),
        ({"root": 38}, "root", 38),
        ({"hold": "sample"}, "hold", "sample"),
        ({"hold": None}, "hold", "none"),
    ],
    ids=str,
)
def test_set_reads_values_as_a_scene_file_does(desk, changes, field, value):
    desk.done("hold", hold="none")
    desk.done("set", voice="reed", changes=changes)
    assert getattr(desk.case.voice("reed"), field) == value
    assert getattr(desk.case.voice("horn"), field) == getattr(
        SmallCaseHarness().voice("horn"), field
    ) or (field == "hold")


def test_set_waits_as_the_hold_says(desk):
    said = desk.done("set", voice="reed", changes={"detune_cents": 3.5, "root": "D"})
    assert said == "reed: detune_cents, root waits for the next note"
    assert desk.case.voice("reed").waiting == ("root", "detune_cents")
    said = desk.done("set", voice="horn", changes={"detune_cents": 0})
    assert said == "horn: detune_cents is in force"  # as it was


def test_a_second_change_adds_to_the_one_that_waits(desk):
    desk.done("set", voice="reed", changes={"scale": "dorian"})
    desk.done("set", voice="reed", changes={"degrees": 2})
    desk.case.hear(NoteOn(0, 60, 100))
    assert desk.case.voice("reed").scale == "dorian"
    assert desk.case.engine.states["reed"].settings.degrees == 2


def test_all_means_every_voice(desk):
    desk.done("set", voice="all", changes={"detune_cents": -2.0})
    desk.case.hear(NoteOn(0, 50, 100))
    assert {voice.detune_cents for voice in desk.case.picture().voices} == {-2.0}


def test_a_start_key_is_taken_away_by_null(desk):
    desk.done("set", voice="floor", changes={"start_key": "D1"})
    assert desk.case.engine.states["floor"].waiting.start_key == 26
    desk.done("set", voice="floor", changes={"start_key": None})
    assert desk.case.engine.states["floor"].waiting is None


REFUSED = [
    (
        "set",
        {"voice": "red", "changes": {}},
        "set: voice: found red; allowed: reed, horn, floor and 2 more",
    ),
    ("set", {"voice": "reed"}, "set: changes: found nothing; needed: keys with values"),
    (
        "set",
        {"voice": "reed", "changes": {"detune_cents": 5000}},
        "set: detune_cents: found 5000; allowed: a number, -1200 to 1200",
    ),
    (
        "set",
        {"voice": "reed", "changes": {"detune_cents": "3.5"}},
        'set: detune_cents: found "3.5" in quotes; allowed: a number, -1200 to 1200',
    ),
    (
        "set",
        {"voice": "reed", "changes": {"detune_cents": True}},
        "set: detune_cents: found true; allowed: a number, -1200 to 1200",
    ),
    (
        "set",
        {"voice": "reed", "changes": {"octaves": 1.5}},
        "set: octaves: found 1.5; allowed: a whole number, -10 to 10",
    ),
    (
        "set",
        {"voice": "reed", "changes": {"legato": "yes"}},
        "set: legato: found yes; allowed: true or false",
    ),
    (
        "set",
        {"voice": "reed", "changes": {"snap": "sideways"}},
        "set: snap: found sideways; allowed: nearest, down, up",
    ),
    (
        "set",
        {"voice": "reed", "changes": {"degrees": 2}},
        "set: degrees: found 2 with a continuous scale; allowed: degrees with a scale",
    ),
    (
        "set",
        {"voice": "reed", "changes": {"start_key": 40}},
        "set: start_key: found 40; allowed for a voice with gate: ignored in the rig",
    ),
    (
        "set",
        {"voice": "reed", "changes": {"scale": "my.scl"}},
        "set: scale: found the file my.scl; allowed: a name, cents, or all written out",
    ),
    ("hold", {"hold": "bar"}, "hold: hold: found bar; allowed: none, note, trigger, sample"),
    ("hold", {}, "hold: hold: found nothing; needed: none, note, trigger, sample"),
    (
        "recall",
        {"scene": "dron"},
        (
            "scene: found 'dron'; allowed: drone, frozen, together and 2 more; next, previous, "
            "or a program's number"
        ),
    ),
    ("recall", {"scene": "drone", "now": True}, "recall: now: found unknown key; allowed: scene"),
    (
        "tonight",
        {"concert_a_hz": 300},
        "tonight: concert_a_hz: found 300; allowed: a number, 390 to 490",
    ),
    (
        "tonight",
        {"transpose_semitones": 1.0},
        "tonight: transpose_semitones: found 1.0; allowed: a whole number, -60 to 60",
    ),
    ("bypass", {"voice": "reed", "on": 1}, "bypass: on: found 1; allowed: true or false"),
    ("solo", {"voice": "all"}, "solo: voice: found all; allowed: one voice"),
    (
        "touch_up",
        {"voice": "reed", "offset_cents": 900},
        "touch_up: offset_cents: found 900; allowed: a number, -200 to 200",
    ),
    (
        "set_scene",
        {"changes": {"triggers": [{"clock": {"every": 0}}]}},
        "set scene: triggers[0].clock.every: found 0; allowed: a whole number, 1 to 1024",
    ),
    ("set_scene", {"changes": {"zones": [{"voices": ["oboe"]}]}}, None),
    ("panik", {}, None),
]


@pytest.mark.parametrize(("command", "values", "error"), REFUSED, ids=lambda v: str(v)[:40])
def test_a_refusal_names_found_and_allowed_and_changes_nothing(desk, command, values, error):
    said = desk.refused(command, **values)
    assert "found" in said
    if error is not None:
        assert said == error


@pytest.mark.parametrize("value", [1e999, -1e999, 10**300, [[]], {"a": {"b": 1}}, "", "\ud800"])
def test_no_value_is_more_than_a_refusal(desk, value):
    for key in ("detune_cents", "scale", "root", "hold", "legato", "octaves"):
        desk.refused("set", voice="reed", changes={key: value})
    desk.refused("recall", scene=value)


def test_the_scene_takes_bars_triggers_and_zones(desk):
    desk.done("hold", hold="none")
    desk.done(
        "set_scene",
        changes={
            "triggers": [{"clock": {"every": 2, "unit": "bars"}}, "key"],
            "time_signature": "7/8",
            "zones": [{"voices": ["reed"], "lowest_key": "C3"}],
        },
    )
    shown = desk.case.picture()
    assert shown.triggers == ("the clock, every 2 bars", "a key")
    assert desk.case.engine.live.scene.beats_in_bar == 7
    desk.case.hear(NoteOn(0, 60, 100))
    assert [voice.name for voice in desk.case.picture().voices if voice.gate] == ["reed"]


def test_triggers_are_in_force_at_once_and_end_the_wait_of_what_waits_already(desk):
    """A clock, a remote note and how near to them counts; whatever the hold."""
    desk.done("hold", hold="trigger")
    assert desk.done("set", voice="reed", changes={"semitones": 7}).endswith("waits for a trigger")
    said = desk.done(
        "set_scene",
        changes={
            "triggers": [
                {"remote_note": {"input": "steps", "channel_number": 10, "note": "C2"}},
                {"clock": {"every": 1, "unit": "beats"}},
            ],
            "early_ms": 0,
        },
    )
    assert said == "scene together: triggers, early_ms is in force"
    desk.case.hear(NoteOn(9, 36, 100), "steps")
    assert desk.case.engine.states["reed"].settings.semitones == 7
    desk.done("set", voice="reed", changes={"semitones": 5})
    desk.case.hear(START, "steps")
    desk.case.hear(CLOCK, "steps")
    assert desk.case.engine.states["reed"].settings.semitones == 5
    assert desk.refused(
        "set_scene", changes={"triggers": [{"remote_note": {"input": "step"}}]}
    ) == (
        "set scene: triggers[0].remote_note.input: found step; "
        "allowed: an input of the rig: keys, steps, feet (did you mean steps?)"
    )


def test_tonight_bypass_solo_mute_and_touch_up(desk):
    assert desk.done("tonight", concert_a_hz=442) == "A4 442 Hz, transposed by +0"
    assert desk.done("bypass") == "all: played raw; panel octaves -1 (bass) still acting"
    assert all(voice.bypass for voice in desk.case.picture().voices)
    desk.done("bypass", on=False)
    desk.done("bypass", voice="reed")
    assert desk.case.voice("reed").bypass
    assert not desk.case.voice("horn").bypass
    desk.done("solo", voice="horn")
    desk.done("mute", voice="bass")
    desk.done("touch_up", voice="glass", offset_cents=1.5, reference="A4")
    shown = desk.case.picture()
    assert shown.concert_a_hz == 442
    assert desk.case.voice("horn").solo and desk.case.voice("bass").mute
    assert desk.case.voice("glass").touch_up.offset_cents == 1.5
    assert desk.case.voice("glass").touch_up.reference_cents == 6900
    desk.done("solo", voice="all", on=False)
    assert not desk.case.voice("horn").solo


def test_panic_releases(desk):
    desk.case.hear(NoteOn(0, 60, 100))
    desk.done("panic")
    assert not any(voice.gate for voice in desk.case.picture().voices)


# ------------------------------------------------------------ measuring


def test_play_sounds_a_voice_and_release_ends_the_run(desk):
    assert desk.done("play", voice="reed", note="C4", bend_cents=-12.5)
    assert desk.case.picture().measuring == ("reed",)
    assert desk.case.voice("reed").gate and desk.case.voice("reed").measuring
    assert desk.done("play", voice="horn", corrected=True, pitch_cents=6000.0)
    assert desk.done("release", voice="reed") == "reed released"
    assert desk.case.picture().measuring == ("reed", "horn")
    assert desk.done("release") == "measuring ended"
    assert desk.case.picture().measuring == ()
    assert not desk.case.engine.ledger.sounding()


def test_a_key_ends_a_run_and_its_client_is_told_once(desk):
    desk.done("play", voice="reed", note=60)
    desk.case.hear(NoteOn(0, 60, 100))
    desk.case.hear(NoteOff(0, 60))
    assert desk.refused("release", voice="reed") == "measuring stopped by a key"
    assert desk.done("play", voice="reed", note=60)


def test_one_client_measures_at_a_time_and_one_that_goes_is_released(desk):
    first, second = object(), object()
    run = desk.handlers.measuring
    desk.handlers._asking = lambda: first
    desk.done("play", voice="reed", note=60)
    desk.handlers._asking = lambda: second
    assert desk.refused("play", voice="horn", note=60) == (
        "another client measures; end it, or wait"
    )
    run.gone(second)
    assert desk.case.picture().measuring == ("reed",)
    run.gone(first)
    assert desk.case.picture().measuring == ()
    desk.done("play", voice="horn", note=60)


def test_another_client_that_releases_leaves_a_client_its_notice(desk):
    first, second = object(), object()
    desk.handlers._asking = lambda: first
    desk.done("play", voice="reed", note=60)
    desk.case.hear(NoteOn(0, 60, 100))
    desk.case.hear(NoteOff(0, 60))
    desk.handlers._asking = lambda: second
    desk.done("release")
    desk.handlers._asking = lambda: first
    assert desk.refused("play", voice="reed", note=60) == "measuring stopped by a key"


def test_a_client_that_says_nothing_for_a_minute_is_released(desk):
    desk.done("play", voice="reed", note=60)
    run = desk.handlers.measuring
    run.release_if_silent(run._last_command_s + 59.0)
    assert desk.case.picture().measuring == ("reed",)
    run.release_if_silent(run._last_command_s + 61.0)
    assert desk.case.picture().measuring == () and not desk.case.engine.ledger.sounding()


@pytest.mark.parametrize(
    ("values", "error"),
    [
        ({"voice": "all", "note": 60}, "play: voice: found all; allowed: one voice"),
        (
            {"voice": "reid", "note": 60},
            "play: voice: found reid; allowed: reed, horn, floor and 2 more",
        ),
        ({"voice": "reed"}, "play: note: found nothing; needed: the note to send, 0 to 127"),
        ({"voice": "reed", "note": 60, "bend_cents": 9000}, "bend_cents: found 9000; allowed"),
        ({"voice": "reed", "note": 60, "corrected": "yes"}, "play: corrected: found"),
        ({"voice": "reed", "note": 60, "velocity": 0}, "play: velocity: found 0; allowed"),
        ({"voice": "reed", "corrected": True}, "play: pitch_cents: found nothing"),
        ({"voice": "reed", "note": 60, "gate": 1}, "play: gate: found unknown key"),
    ],
)
def test_a_refused_play_is_one_line(desk, values, error):
    assert error in desk.refused("play", **values)


def test_midi_may_interrupt_where_a_long_command_is_read_and_nowhere_else():
    """M8: what is said about a fault stays the same."""
    case = SmallCaseHarness()
    allowed = []
    served = []
    interruptions = Interruptions(lambda: served.append(0))

    def act(command):
        allowed.append(interruptions.allowed)
        case.hear(command, "")

    commands = SocketCommands(case.engine, act, interruptions=interruptions)
    many = {f"voyce{number}": 1 for number in range(640)}
    answer = commands.answer({"command": "set", "voice": "all", "changes": many})
    assert not answer["ok"] and answer["error"].startswith("set: voyce0: found unknown key")
    assert len(served) >= 4 and not interruptions.allowed
    answer = commands.answer({"command": "set", "voice": "all", "changes": ["x"] * 640})
    assert answer["error"].startswith("set: changes: found a list")
    assert commands.answer({"command": "set", "voice": "all", "changes": {"octaves": 1}})["ok"]
    assert commands.answer({"command": "set_scene", "changes": {"early_ms": 7}})["ok"]
    assert set(allowed) == {False}


def test_what_all_voices_are_to_change_alike_is_one_command(desk):
    desk.done("set", voice="horn", changes={"detune_cents": 5})
    seen = []
    real = desk.case.engine.receive
    desk.case.engine.receive = lambda command, *args: (seen.append(command), real(command, *args))
    desk.done("set", voice="all", changes={"detune_limit_cents": 41})
    desk.done("set", voice="all", changes={"detune_cents": 5})
    desk.case.engine.receive = real
    assert seen[0].voice is None
    assert all(command.voice for command in seen[1:])  # the horn has it already
    voices = desk.case.engine.states.values()
    assert {state.wanted_base.detune_cents for state in voices} == {5.0}
    assert {state.wanted_base.detune_limit_cents for state in voices} == {41.0}
