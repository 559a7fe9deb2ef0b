"""The picture on request: what a console must be able to show (design: Words; requirement T5)."""

import json
from dataclasses import asdict, fields, is_dataclass, replace

import pytest
from engine.test_every_command import STATES, new_case

from kit.clocked_engine import ClockedEngineHarness
from kit.engine_harness import EngineHarness, small_rig
from kit.small_case import SmallCaseHarness
from zerobeat.engine import commands, plain_status
from zerobeat.engine.pending import ClockStatus, trigger_words, wanted_words
from zerobeat.engine.plain_status import plain
from zerobeat.engine.settings import Converter, Scene, TouchUp, Trigger, Voice, VoiceSettings
from zerobeat.engine.status import OutputStatus, SceneWaiting, Status, picture
from zerobeat.engine.voice_status import VoiceStatus
from zerobeat.midi import CLOCK, NoteOff, NoteOn, PitchBend
from zerobeat.tuning.scala import KeyboardMap
from zerobeat.tuning.scale import preset


@pytest.fixture
def case():
    return SmallCaseHarness()


def test_a_key_shows_with_what_was_sent_and_what_should_sound(case):
    sent = case.hear(NoteOn(0, 60, 100))
    reed = case.voice("reed")
    bend = next(content for _, content in sent if content[0] == 0xE0)
    assert reed.bend == (bend[2] << 7 | bend[1]) - 8192
    assert (reed.gate, reed.key, reed.note) == (True, 60, 60)
    assert reed.sounding_cents == pytest.approx(6000.0)
    assert reed.sounding_hz == pytest.approx(261.6256, abs=5e-5)  # C4 at A4 = 440 Hz, ISO 16
    # A bend range of 200 cents in 8192 steps: what is sent is the correction, to half a step.
    assert reed.bend_cents == pytest.approx(reed.correction_cents, abs=200 / 8192)
    assert reed.bend_used == pytest.approx(abs(reed.bend_cents) / 200, abs=1e-4)


def test_what_should_sound_carries_octaves_detune_wheel_and_tonight(case):
    case.hear(commands.ChangeTonight(442.0, None), "")
    case.hear(NoteOn(0, 60, 100))
    glass = case.voice("glass")
    over = 7.85  # 1200 log2(442/440), to a hundredth
    assert glass.sounding_cents == pytest.approx(7200 - 3 + over, abs=0.01)
    case.hear(PitchBend(0, 4096))  # half of 200 cents, 4096 of 8191
    assert case.voice("glass").sounding_cents == pytest.approx(7200 - 3 + over + 100, abs=0.03)


def test_panel_octaves_are_no_correction(case):
    case.hear(NoteOn(0, 60, 100))
    bass = case.voice("bass")
    assert bass.sounding_cents == pytest.approx(4800)  # an octave down in the scene
    assert bass.note == 60  # and the panel an octave down: sent an octave more
    assert abs(bass.correction_cents) < 50


def test_bypass_takes_the_correction_out(case):
    case.hear(commands.Bypass("reed", True), "")
    case.hear(NoteOn(0, 60, 100))
    reed = case.voice("reed")
    assert (reed.bypass, reed.correction_cents, reed.bend) == (True, 0.0, 0)


def test_touch_up_shows_and_counts_as_correction(case):
    case.hear(commands.SetTouchUp("reed", TouchUp(2.0, 0.0)), "")
    case.hear(NoteOn(0, 60, 100))
    with_it = case.voice("reed")
    case.hear(commands.SetTouchUp("reed", TouchUp()), "")
    assert with_it.touch_up.offset_cents == 2.0
    # Two cents sharp as heard: two less, but for the slope of the curve.
    assert with_it.correction_cents - case.voice("reed").correction_cents == pytest.approx(
        -2, abs=0.1
    )


def test_a_silent_voice_has_no_key_and_a_drone_keeps_its_own(case):
    case.hear(NoteOn(0, 40, 100))
    case.hear(NoteOff(0, 40))
    case.now_s += 10
    case.hear(CLOCK, "steps")  # time goes on past every tail
    assert case.voice("reed").key is None
    assert case.voice("floor").key == 40


def test_a_change_waits_and_says_what_for(case):
    case.hear(NoteOn(0, 60, 100))
    case.hear(commands.ChangeVoice("reed", (("detune_cents", 3.5),)), "")
    reed = case.voice("reed")
    assert (reed.waits, reed.waiting, reed.detune_cents) == ("note", ("detune_cents",), 0.0)
    assert case.picture().unsaved
    case.hear(NoteOn(0, 62, 100))
    reed = case.voice("reed")
    assert (reed.waits, reed.waiting, reed.detune_cents) == ("", (), 3.5)


def test_a_recall_waits_beside_the_scene_in_force(case):
    case.hear(NoteOn(0, 60, 100))
    case.hear(commands.RecallScene("drone"), "")
    shown = case.picture()
    assert (shown.scene, shown.waits.name, shown.waits.hold) == ("together", "drone", "note")
    case.hear(NoteOn(0, 62, 100))
    shown = case.picture()
    assert (shown.scene, shown.waits, shown.hold) == ("drone", None, "trigger")
    assert shown.triggers == ("the clock, every bar", "a note from steps")


def test_a_lost_output_drops_and_its_voices_say_so(case):
    case.hear(commands.OutputLost("octo"), "")
    shown = case.picture()
    assert [output.there for output in shown.outputs] == [True, False]
    assert [voice.output_there for voice in shown.voices] == [True, True, True, True, False]


def test_a_key_beyond_the_converter_is_named(case):
    case.hear(NoteOn(0, 127, 100))  # floor plays notes 24 to 60
    floor = case.voice("floor")
    assert (floor.out_of_reach, floor.key, floor.keys_out_of_reach) == (True, 127, 1)
    assert floor.sounding_cents is None


def test_a_clamped_wheel_is_flagged_and_counted(case):
    case.hear(NoteOn(0, 60, 100))
    case.hear(PitchBend(0, 8191))
    clamped = [voice.name for voice in case.picture().voices if voice.wheel_clamped]
    assert clamped
    assert all(voice.wheel_clamps for voice in case.picture().voices if voice.wheel_clamped)


def test_drops_and_faults_are_counted_apart(case):
    case.hear(CLOCK, "feet")
    case.engine.counts["faults"] += 2
    shown = case.picture()
    assert shown.faults == 2
    assert "faults" not in shown.dropped
    assert shown.dropped["clock"] == 1


def test_nothing_happened_means_an_equal_picture_and_all_of_it_is_json(case):
    case.hear(NoteOn(0, 60, 100))
    first, second = case.picture(), case.picture()
    assert first == second
    shown = json.loads(json.dumps(plain(first)))
    assert [voice["channel_number"] for voice in shown["voices"]] == [1, 2, 3, 4, 1]
    assert shown["outputs"][0]["bytes_sent"] > 0


MIRRORED = (
    (Status, plain_status.PlainStatus),
    (VoiceStatus, plain_status.PlainVoice),
    (OutputStatus, plain_status.PlainOutput),
    (SceneWaiting, plain_status.PlainWaiting),
    (ClockStatus, plain_status.PlainClock),
    (TouchUp, plain_status.PlainTouchUp),
)
PLAIN_NAMES = {
    "VoiceStatus": "PlainVoice",
    "OutputStatus": "PlainOutput",
    "tuple[Plain": "list[Plain",
}
PLAIN_NAMES |= {
    "SceneWaiting": "PlainWaiting",
    "ClockStatus": "PlainClock",
    "TouchUp": "PlainTouchUp",
}


@pytest.mark.parametrize(("picture", "shown"), MIRRORED, ids=lambda kind: kind.__name__)
def test_what_the_socket_sends_has_the_types_of_the_picture(picture, shown):
    wanted = {field.name: str(field.type) for field in fields(picture)}
    if picture is VoiceStatus:
        wanted["channel_number"] = wanted.pop("channel")
    for name, kind in wanted.items():
        for old, new in PLAIN_NAMES.items():
            kind = kind.replace(old, new)  # noqa: PLW2901
        wanted[name] = kind.replace(", ...]", "]") if kind.startswith("list[Plain") else kind
    assert {name: kind.__forward_arg__ for name, kind in shown.__annotations__.items()} == wanted


def of_kind(value, kind):
    """Return whether a value is of a type that is written as text."""
    if kind.endswith(" | None"):
        return value is None or of_kind(value, kind.removesuffix(" | None"))
    names = {"bool": bool, "int": int, "float": (float, int), "str": str, "Hold": str}
    if kind in names:
        return isinstance(value, names[kind]) and isinstance(value, bool) == (kind == "bool")
    return kind.startswith(type(value).__name__) or is_dataclass(value) or isinstance(value, str)


@pytest.mark.parametrize("state", STATES)
def test_a_picture_has_the_types_that_it_says(state):
    case = new_case()
    state(case)
    shown = picture(case.engine, case.wire)
    for part in (shown, *shown.voices, *shown.outputs):
        for field in fields(part):
            value = getattr(part, field.name)
            assert of_kind(value, str(field.type)), (field.name, value, field.type)


def test_late_notes_are_shown_with_their_output():
    converter = Converter("slow", gate_gap_s=0.05, settle_s=0.06)
    case = EngineHarness(small_rig(1, converter=converter))
    assert picture(case.engine, case.wire).outputs[0].late == 0
    for key in range(40, 60):
        case.hear(NoteOn(0, key, 100), after_s=0.002)
        case.hear(NoteOff(0, key), after_s=0.002)
    shown = picture(case.engine, case.wire).outputs[0]
    assert shown.late == case.wire.late_notes() > 0


def test_an_output_that_the_wire_has_not_got_yet_shows_nothing_sent():
    case = EngineHarness(small_rig(1))
    rig = case.engine.rig
    fresh = replace(rig.outputs[0], name="new")
    case.hear(commands.Reload(replace(rig, outputs=(*rig.outputs, fresh)), ()), "")
    shown = picture(case.engine, case.wire).outputs[1]
    assert (shown.bytes_sent, shown.thinned, shown.waiting, shown.late) == (0, 0, 0, 0)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"semitones": 3}, "+3"),
        ({"octaves": 1}, "+1 octave"),
        ({"octaves": -2}, "-2 octaves"),
        ({"detune_cents": 1.5}, "+1.5 cents"),
        ({"detune_beats_hz": -0.5}, "-0.5 beats a second"),
        ({"legato": True}, "legato"),
        ({"root": 62}, "root D4"),
        ({"start_key": 40}, "start key E2"),
        ({"priority": "lowest"}, "priority lowest"),
        ({"detune_limit_cents": 20.0}, "detune limit cents 20"),
        ({"scale": preset("dorian")}, "dorian"),
        ({"keyboard_map": KeyboardMap("white", (None,) * 128)}, "white"),
    ],
)
def test_what_is_wanted_is_said_in_words(changes, said):
    before = VoiceSettings()
    assert wanted_words(before, replace(before, **changes), 4) == (said,)


@pytest.mark.parametrize(
    ("now", "changes", "said"),
    [
        ({"scale": preset("dorian")}, {"scale": None}, "continuous"),
        ({"keyboard_map": KeyboardMap("white", ())}, {"keyboard_map": None}, "no map"),
        ({"legato": True}, {"legato": False}, "not legato"),
        ({"degrees": 2}, {"degrees": 1}, "+1 degree"),
        ({"degrees": 1}, {"degrees": 0}, "+0 degrees"),
        ({"hold": "note"}, {"hold": None}, "no hold of its own"),
        ({"start_key": 40}, {"start_key": None}, "no start key of its own"),
    ],
)
def test_what_is_taken_back_is_said_in_words(now, changes, said):
    before = replace(VoiceSettings(), **now)
    assert wanted_words(before, replace(before, **changes), 4) == (said,)


def test_every_key_out_of_reach_is_counted():
    case = EngineHarness(small_rig([Voice("reed", "out", 0, lowest_note=60)]))
    for key in (20, 21, 22):
        case.hear(NoteOn(0, key, 100))
    assert picture(case.engine, case.wire).voices[0].keys_out_of_reach == 3


@pytest.mark.parametrize("state", STATES)
def test_what_waits_and_the_clock_go_over_the_socket_as_they_are(state):
    case = new_case()
    state(case)
    shown = picture(case.engine, case.wire)
    sent = json.loads(json.dumps(plain(shown)))
    assert sent["waits"] == (None if shown.waits is None else asdict(shown.waits))
    assert sent["clock"] == (None if shown.clock is None else asdict(shown.clock))
    assert sent["outputs"] == [asdict(output) for output in shown.outputs]
    for voice, whole in zip(sent["voices"], shown.voices, strict=True):
        wanted = json.loads(json.dumps(asdict(whole)))
        wanted["channel_number"] = wanted.pop("channel") + 1
        assert voice == wanted


@pytest.mark.parametrize(
    ("ticks", "unit", "every", "due"),
    [
        (10, "bar", 1, "bar 2"),
        (10, "bar", 2, "bar 3"),
        (30, "beat", 1, "bar 1 beat 3"),
        (10, "beat", 2, "bar 1 beat 3"),
        (80, "beat", 1, "bar 2"),
    ],
)
def test_where_the_next_trigger_falls_is_said(ticks, unit, every, due):
    scene = Scene("night", hold="trigger", triggers=(Trigger("clock", every=every, unit=unit),))
    case = ClockedEngineHarness(scene)
    case.start()
    case.ticks(ticks)
    shown = picture(case.engine, case.wire).clock
    assert shown.due == due
    assert shown.state == "running"


@pytest.mark.parametrize(
    ("every", "unit", "said"),
    [
        (1, "bar", "the clock, every bar"),
        (2, "bar", "the clock, every 2 bars"),
        (3, "beat", "the clock, every 3 beats"),
    ],
)
def test_a_trigger_of_the_clock_is_said(every, unit, said):
    assert trigger_words(Trigger("clock", every=every, unit=unit)) == said


@pytest.mark.parametrize(("ticks", "left"), [(1, 8), (24, 8), (25, 7), (96 + 25, 3), (191, 1)])
def test_how_many_beats_are_left_and_how_fast_they_are_is_said(ticks, left):
    scene = Scene("night", hold="trigger", triggers=(Trigger("clock", every=2, unit="bar"),))
    case = ClockedEngineHarness(scene)
    case.start()
    case.ticks(1)  # tick 0 has fired, the next trigger is at tick 192
    case.ticks(ticks - 1)
    shown = picture(case.engine, case.wire).clock
    assert shown.beats_left == left
    assert shown.tempo_bpm in (None, 125.0) and (ticks == 1) == (shown.tempo_bpm is None)
