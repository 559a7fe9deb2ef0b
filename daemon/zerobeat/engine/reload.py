"""A new rig while the old one plays: nothing that sounds is orphaned."""

from __future__ import annotations

from typing import TYPE_CHECKING

from . import commands
from .assign import Assigner
from .chain import Chain
from .ledger import Outputs
from .settings import Rig, Scene
from .voice import VoiceState

if TYPE_CHECKING:
    from .engine import Engine


def adopt(engine: Engine, state: VoiceState, outputs: Outputs) -> None:
    """Put a reloaded voice in force, its channel being silent."""
    voice, state.next_voice = state.next_voice, None
    if voice is None:
        return
    changed = voice.bend_range_cents != state.voice.bend_range_cents
    state.voice = voice
    state.chain = Chain(voice, state.settings, engine.live.tonight)
    state.sounding = state.chain
    state.bend = None
    if changed:
        engine.send_bend_range(state, outputs)


def reload_rig(
    engine: Engine, rig: Rig, scenes: tuple[Scene, ...], outputs: Outputs
) -> None:
    """Swap the rig and the bank of scenes.

    A voice with the same name on the same channel of the same output goes on
    and takes its new facts when its channel is silent; others are released.
    The live scene goes on if it was changed or has left the bank; otherwise
    its new version is taken for the next notes.
    """
    old_inputs = {i.name: i for i in engine.rig.inputs}
    for name in old_inputs:
        if name not in {i.name for i in rig.inputs}:
            engine.receive(commands.SourceLost(name), "", engine.now_s, outputs)
    live = engine.live
    unsaved = live.unsaved
    _keep_outputs(engine, rig, outputs)
    live.bank = {scene.name: scene for scene in scenes}
    fresh = live.bank.get(live.scene.name)
    if fresh is not None and not unsaved:
        live.scene, live.waiting_scene = fresh, None
    engine.rig = rig
    _keep_voices(engine, rig, outputs)
    if fresh is not None and not unsaved:
        for name, state in engine.states.items():
            state.waiting = None
            if state.settings != fresh.of(name):
                state.waiting, state.waiting_hold = fresh.of(name), "note"
    engine.policy.refresh()
    engine.assigner = Assigner(rig, live.scene, engine.states)
    engine.assigner.use(live.scene, live.tonight)


def _keep_outputs(engine: Engine, rig: Rig, outputs: Outputs) -> None:
    """Release what sounds on outputs that go, and on channels no longer passed."""
    fresh = {output.name: output for output in rig.outputs}
    for output in engine.rig.outputs:
        following = fresh.get(output.name)
        moved = following is None or following.port != output.port
        for lane in engine.ledger.of_output(output.name):
            passed = lane.channel in output.pass_channels
            stays = following is not None and lane.channel in following.pass_channels
            if moved or (passed and not stays):
                lane.holders.clear()
                lane.release(outputs)
        if following is None:
            engine.present.discard(output.name)


def _keep_voices(engine: Engine, rig: Rig, outputs: Outputs) -> None:
    old = engine.states
    engine.states = {}
    for voice in rig.voices:
        state = old.get(voice.name)
        if state is None or (state.voice.output, state.voice.channel) != (
            voice.output, voice.channel,
        ):  # fmt: skip
            continue
        del old[voice.name]
        engine.states[voice.name] = state
        state.overlap = engine.output(voice.output).converter.overlap
        if voice != state.voice or state.next_voice is not None:
            state.next_voice = voice
            if not state.lane.notes:
                adopt(engine, state, outputs)
    for state in old.values():
        state.held.clear()
        state.lane.release(outputs)
    for voice in rig.voices:
        if voice.name not in engine.states:
            engine.send_bend_range(engine.add_voice(voice), outputs)
    engine.states = {voice.name: engine.states[voice.name] for voice in rig.voices}
    engine.keys = {
        place: [state for state in takers if state in engine.states.values()]
        for place, takers in engine.keys.items()
    }
