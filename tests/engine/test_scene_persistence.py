"""Store and revert on the live settings, and a profile that is swapped while voices play."""

from dataclasses import replace

import pytest

from kit.engine_harness import EngineHarness, small_rig
from kit.small_case import SmallCaseHarness
from zerobeat.engine import commands
from zerobeat.engine.settings import Scene
from zerobeat.errors import CommandError
from zerobeat.midi import NoteOff, NoteOn, PitchBend, parse
from zerobeat.tuning.tracking import TrackingCurve

TEN_SHARP = TrackingCurve((0.0, 12700.0), (10.0, 12710.0))


@pytest.fixture
def case():
    return SmallCaseHarness()


def change(case, **changes):
    case.hear(commands.ChangeVoice("reed", tuple(changes.items())), "")


def hear(case, message, source=""):
    """Return all that follows, what the wire sends a moment later too."""
    sent = case.hear(message, source)
    while (at_s := case.wire.wake_at_s) is not None:
        case.now_s = max(case.now_s, at_s)
        sent += case.wire.take(case.now_s)
    return sent


def strike(case, key=60):
    sent = hear(case, NoteOn(0, key, 100), "keys")
    hear(case, NoteOff(0, key), "keys")
    return sent


def test_a_store_takes_what_was_last_asked_for_and_keeps_the_program(case):
    program = case.engine.live.bank["drone"].program
    change(case, detune_cents=3.0)  # waits for the next note
    scene = case.engine.persistence.to_store("drone")
    assert scene.of("reed").detune_cents == 3.0
    assert (scene.name, scene.program) == ("drone", program)
    new = case.engine.persistence.to_store("late")
    assert (new.name, new.program, new.bank) == ("late", None, None)


def test_what_plays_takes_the_name_under_which_it_was_stored(case):
    change(case, detune_cents=3.0)
    scene = case.engine.persistence.to_store("late")
    case.hear(commands.SceneStored(scene, "together"), "")
    assert case.picture().scene == "late" and not case.picture().unsaved
    assert "together" in case.picture().scenes
    case.hear(commands.RecallScene("together"), "")
    strike(case)
    assert case.voice("reed").detune_cents != 3.0


def test_a_store_that_took_long_renames_nothing_once_another_scene_plays(case):
    scene = case.engine.persistence.to_store("late")
    case.hear(commands.RecallScene("drone"), "")
    strike(case)
    case.hear(commands.SceneStored(scene, "together"), "")
    assert case.picture().scene == "drone"


def test_no_store_while_another_scene_waits(case):
    case.hear(commands.RecallScene("drone"), "")
    with pytest.raises(CommandError, match="^scene drone waits; let it land, or cancel it, and"):
        case.engine.persistence.to_store("together")


def test_revert_waits_as_the_hold_says_and_drops_what_waits(case):
    change(case, detune_cents=3.0)
    strike(case)
    assert case.picture().unsaved
    change(case, detune_cents=9.0)
    assert case.hear(commands.Revert(), "") == []
    assert case.voice("reed").detune_cents == 3.0  # still
    assert not case.picture().unsaved
    strike(case)
    assert case.voice("reed").detune_cents == 0.0


def test_revert_of_a_hold_alone_rules_at_once(case):
    case.hear(commands.ChangeScene((("hold", "trigger"),)), "")
    case.hear(commands.Revert(), "")
    shown = case.picture()
    assert (shown.hold, shown.unsaved, shown.waits) == ("note", False, None)


def test_revert_of_what_was_not_changed_does_nothing(case):
    before = case.picture()
    assert case.hear(commands.Revert(), "") == []
    assert case.picture() == before


def bends(sent, channel=0):
    found = (parse(content) for _, content in sent)
    return [m.bend for m in found if isinstance(m, PitchBend) and m.channel == channel]


def test_a_profile_is_played_by_from_the_next_note(case):
    case.hear(commands.UseProfile("reed", None), "")
    raw = bends(hear(case, NoteOn(0, 60, 100), "keys"))
    assert hear(case, commands.UseProfile("reed", TEN_SHARP)) == []
    again = bends(hear(case, NoteOn(0, 62, 100), "keys"))
    # 10 of the 200 cents of the range, 8192 steps a side: MIDI 1.0 Detailed Specification.
    assert again[0] - raw[0] == pytest.approx(-10.0 / 200.0 * 8192, abs=1.0)
    case.hear(NoteOff(0, 62))
    case.hear(NoteOff(0, 60))


def test_a_drone_that_sounds_takes_its_profile_at_once(case):
    case.hear(commands.RecallScene("drone"), "")
    strike(case, 40)
    hear(case, commands.UseProfile("floor", None))
    sent = hear(case, commands.UseProfile("floor", TEN_SHARP))
    kinds = [content[0] & 0xF0 for _, content in sent]
    assert kinds == [0xE0, 0x90, 0x80]  # a gate that is ignored opens and closes


def test_a_new_profile_ends_the_touch_up_of_its_voice_alone(case):
    for name in ("reed", "horn"):
        case.hear(commands.SetTouchUp(name, commands.TouchUp(2.0)), "")
    hear(case, commands.UseProfile("reed", TEN_SHARP))
    assert case.voice("reed").touch_up.offset_cents == 0.0
    assert case.voice("horn").touch_up.offset_cents == 2.0


def test_a_profile_for_a_voice_that_is_not_there_is_refused(case):
    with pytest.raises(CommandError, match="voice: found 'oboe'; allowed: reed, horn"):
        case.hear(commands.UseProfile("oboe", None), "")


@pytest.mark.parametrize("waits", [False, True])
def test_a_voice_that_returns_has_what_is_stored_although_the_scene_was_changed(case, waits):
    """Live settings that were changed while it was away say nothing of it."""
    rig = case.engine.rig
    stored = case.engine.live.bank["together"].of("glass")
    assert stored.octaves == 1
    scenes = tuple(case.engine.live.bank.values())
    others = tuple(voice for voice in rig.voices if voice.name != "glass")
    case.hear(commands.Reload(replace(rig, voices=others), scenes), "")
    hold = "note" if waits else "none"
    case.hear(commands.ChangeScene((("hold", hold),)), "")
    change(case, detune_cents=3.0)
    case.engine.undo.remember()
    change(case, detune_cents=4.0)
    case.hear(commands.Undo(), "")
    assert case.picture().unsaved
    case.hear(commands.Reload(rig, scenes), "")
    assert case.engine.states["glass"].wanted == stored


def test_the_rig_has_the_new_profile_so_that_a_reload_compares_with_it(case):
    case.hear(commands.UseProfile("reed", TEN_SHARP, None, "old"), "")
    voices = {voice.name: voice for voice in case.engine.rig.voices}
    assert (voices["reed"].curve, voices["reed"].stale) == (TEN_SHARP, "old")
    assert voices["glass"].curve is not TEN_SHARP


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ([("reed", "semitones", 3)], "semitones of reed"),
        ([(None, "semitones", 3)], "semitones of all"),
        ([(None, "detune_cents", 3.0), ("reed", "octaves", 1)], None),
    ],
)
def test_an_undo_says_which_settings_of_whom_it_took_back(changes, said):
    """What was set before is not among them."""
    scenes = (Scene("one", hold="none"), Scene("two"))
    case = EngineHarness(small_rig(2), scenes)
    case.hear(commands.ChangeVoice(None, (("degrees", 2),)), "")
    case.engine.undo.remember()
    for voice, name, value in changes:
        case.hear(commands.ChangeVoice(voice, ((name, value),)), "")
    case.hear(commands.Undo(), "")
    wanted = "octaves, detune_cents of reed; detune_cents of horn" if said is None else said
    assert case.engine.undo.taken_back == wanted
