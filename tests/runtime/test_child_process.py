"""Long work is taken in slices, between which notes are served (M8)."""

import pickle
from dataclasses import replace

import pytest

from zerobeat.config.rig import read_rig
from zerobeat.config.scene_file import scene_to_yaml
from zerobeat.engine.settings import PLAIN, Scene
from zerobeat.runtime.child_process import Outcome, pickled, unpickled
from zerobeat.state.session import Session, session_to_json
from zerobeat.tuning.scale import Scale

RIG = """\
inputs: {keys: {port: "keys:out"}}
converters: {octo: {port: "octo:in", converter: {gate_gap_ms: 2}}}
voices:
"""
VOICES = 8
LONG = Scale("long", tuple(1.2 * step for step in range(990)), 1200.0)


@pytest.fixture
def loaded(tmp_path):
    names = [f"  v{n}: {{converter: octo, channel_number: {n + 1}}}\n" for n in range(VOICES)]
    (tmp_path / "rig.yaml").write_text(RIG + "".join(names))
    return read_rig(tmp_path / "rig.yaml")


@pytest.fixture
def long_scene():
    own = {f"v{n}": replace(PLAIN, scale=LONG, octaves=n % 3) for n in range(VOICES)}
    return Scene("long", voices=own)


def test_a_rig_comes_back_equal_and_in_slices(loaded, long_scene):
    rig = replace(loaded, scenes=(Scene("plain"), long_scene, replace(long_scene, name="other")))
    pauses = []
    found = unpickled(pickled(Outcome(rig)), lambda: pauses.append(0)).value
    assert found == rig
    assert len(pauses) >= 3 * VOICES
    scales = [scene.voices[name].scale for scene in found.scenes[1:] for name in scene.voices]
    assert all(scale is scales[0] for scale in scales)  # what was one is one


def test_what_is_no_rig_comes_back_too():
    assert unpickled(pickled(Outcome(error="no")), lambda: None) == Outcome(error="no")
    with pytest.raises((EOFError, pickle.UnpicklingError)):
        unpickled(b"", lambda: None)


@pytest.mark.parametrize(
    "write",
    [
        lambda scene, pause: scene_to_yaml(scene, 1, pause),
        lambda scene, pause: session_to_json(Session(live=scene), pause),
    ],
)
def test_a_long_scene_is_written_voice_by_voice(long_scene, write):
    pauses = []
    text = write(long_scene, lambda: pauses.append(0))
    assert len(pauses) == VOICES
    assert text == write(long_scene, lambda: None)
