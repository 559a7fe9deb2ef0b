"""What a start makes of the last session, with another rig or a damaged file."""

from dataclasses import replace

import pytest

from zerobeat.engine.settings import Scene, Tonight, VoiceSettings
from zerobeat.runtime.startup_state import StateAccess, restore_startup_state
from zerobeat.state.session import Session, session_to_json
from zerobeat.state.state_directory import load_rig

RIG = """\
inputs:
  keys: {port: "Stage Keys:Stage Keys MIDI 1"}
converters:
  quad: {port: "quad:quad MIDI 1", converter: {}}
voices:
  reed: {converter: quad, channel_number: 1, profile: none}
  horn: {converter: quad, channel_number: 2, profile: none}
scenes: [calm, late]
"""
LIVE = Scene("late", hold="trigger", voices={"reed": VoiceSettings(detune_cents=9.0)})


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    (tmp_path / "scenes").mkdir()
    for name, cents in (("calm", 1), ("late", 2)):
        (tmp_path / f"scenes/{name}.yaml").write_text(f"all: {{detune_cents: {cents}}}\n")
    (tmp_path / "rig.yaml").write_text(RIG)
    return tmp_path


def back(folder, session=None, asked=None):
    state = StateAccess(folder / "state")
    if session is not None:
        state.store.save_session(session_to_json(session))
    startup = restore_startup_state(state, load_rig(folder / "rig.yaml"), asked)
    state.close()
    return startup


def detunes(folder, startup):
    engine = startup.engine(load_rig(folder / "rig.yaml").scenes)
    return {name: state.settings.detune_cents for name, state in engine.states.items()}


def test_the_first_evening_starts_as_the_rig_says(folder):
    startup = back(folder)
    assert startup.lines == () and startup.unsaved is None
    assert detunes(folder, startup) == {"reed": 1.0, "horn": 1.0}


def test_the_scene_of_last_time_plays(folder):
    startup = back(folder, Session(Tonight(442.0), "late", "note"))
    assert startup.lines == () and startup.unsaved is None
    assert startup.tonight.concert_a_hz == 442.0
    assert detunes(folder, startup) == {"reed": 2.0, "horn": 2.0}


def test_unsaved_settings_come_back_and_a_new_voice_plays_as_its_scene_says(folder):
    startup = back(folder, Session(scene="late", hold="trigger", live=LIVE))
    assert startup.lines == ("back to scene late as it was, unsaved",)
    assert detunes(folder, startup) == {"reed": 9.0, "horn": 2.0}
    engine = startup.engine(load_rig(folder / "rig.yaml").scenes)
    assert engine.live.unsaved and engine.live.scene.hold == "trigger"


def test_a_hold_alone_comes_back(folder):
    startup = back(folder, Session(scene="calm", hold="sample"))
    assert startup.unsaved.hold == "sample"
    assert detunes(folder, startup) == {"reed": 1.0, "horn": 1.0}


def test_a_scene_that_has_gone_is_told(folder):
    startup = back(folder, Session(scene="gone"))
    assert startup.lines == ("scene gone of last time has gone; calm plays",)
    assert detunes(folder, startup) == {"reed": 1.0, "horn": 1.0}


def test_unsaved_settings_of_a_scene_that_has_gone_are_kept(folder):
    startup = back(folder, Session(scene="gone", live=replace(LIVE, name="gone")))
    assert detunes(folder, startup) == {"reed": 9.0, "horn": 0.0}


def test_a_scene_that_is_asked_for_wins(folder):
    startup = back(folder, Session(scene="late", live=LIVE), asked="calm")
    assert startup.lines == ("settings of scene late were not stored; dropped",)
    assert detunes(folder, startup) == {"reed": 1.0, "horn": 1.0}


def test_a_torn_session_is_told_and_never_stops_a_start(folder):
    path = folder / "state/session.json"
    back(folder, Session(scene="late"))
    path.write_bytes(b'{"sha256": "')
    startup = back(folder)
    assert len(startup.lines) == 1 and str(path) in startup.lines[0]
    assert detunes(folder, startup) == {"reed": 1.0, "horn": 1.0}
