"""A child process hands back what it was asked for."""

import pickle
from dataclasses import replace

import pytest

from zerobeat.config.rig import read_rig
from zerobeat.engine.settings import PLAIN, Scene
from zerobeat.runtime.child_process import Outcome, pickled, unpickled
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


def test_a_rig_comes_back_equal_and_in_parts(loaded, long_scene):
    """M8: MIDI interrupts between two parts."""
    rig = replace(loaded, scenes=(Scene("plain"), long_scene, replace(long_scene, name="other")))
    content = pickled(Outcome(rig))
    found = unpickled(content).value
    assert found == rig
    assert content.count(pickle.PROTO + bytes((pickle.DEFAULT_PROTOCOL,))) >= 3 * VOICES
    scales = [scene.voices[name].scale for scene in found.scenes[1:] for name in scene.voices]
    assert all(scale is scales[0] for scale in scales)  # what was one is one


def test_what_is_no_rig_comes_back_too():
    assert unpickled(pickled(Outcome(error="no"))) == Outcome(error="no")
    with pytest.raises((EOFError, pickle.UnpicklingError)):
        unpickled(b"")
