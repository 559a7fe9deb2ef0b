"""A new rig while the old one plays: nothing that sounds is orphaned."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from ..errors import CommandError
from . import commands
from .assign import Assigner
from .chain import Chain
from .clock import Clock
from .ledger import Outputs
from .settings import PLAIN, Rig, Scene
from .voice import VoiceState

if TYPE_CHECKING:
    from .engine import Engine
    from .live_settings import Live


def adopt(engine: Engine, state: VoiceState, outputs: Outputs) -> None:
    """Put a reloaded voice in force, its channel being silent."""
    voice, state.next_voice = state.next_voice, None
    if voice is None:
        return
    changed = voice.bend_range_cents != state.voice.bend_range_cents
    state.voice = voice
    state.chain = Chain(voice, state.settings, engine.live.tonight)
    state.sounding = state.chain
    state.bend = state.note = state.target_cents = state.commanded_cents = None
    if changed:
        engine.links.send_bend_range(state, outputs)


def use_profile(engine: Engine, command: commands.UseProfile, outputs: Outputs) -> None:
    """Swap a voice's profile; a note that sounds keeps the correction it was struck with.

    Its touch-up is what had drifted since the profile before, so it goes.
    """
    state = engine.states.get(command.voice)
    if state is None:
        raise CommandError(f"voice: found {command.voice!r}; allowed: {', '.join(engine.states)}")
    voice = replace(
        state.next_voice or state.voice,
        curve=command.curve,
        note_errors_cents=command.note_errors_cents,
        stale=command.stale,
    )
    others = (voice if other.name == voice.name else other for other in engine.rig.voices)
    engine.rig = replace(engine.rig, voices=tuple(others))
    tonight = engine.live.tonight
    touch_up = {name: kept for name, kept in tonight.touch_up.items() if name != voice.name}
    engine.live.tonight = replace(tonight, touch_up=touch_up)
    state.next_voice = voice
    if not state.lane.notes:
        engine.current = state
        adopt(engine, state, outputs)
        engine.player.relocate(state, outputs)  # a drone sounds


def reload_rig(engine: Engine, rig: Rig, scenes: tuple[Scene, ...], outputs: Outputs) -> None:
    """Swap the rig and the bank of scenes.

    A voice with the same name on the same channel of the same output goes on
    and takes its new facts when its channel is silent; others are released.
    What the player last asked for goes on if it was changed or has left the
    bank; otherwise its new version is taken, for the next notes.
    """
    _keep_inputs(engine, rig, outputs)
    live = engine.live
    wanted = live.wanted()
    unsaved = live.unsaved
    _keep_outputs(engine, rig, outputs)
    if rig.clock_from != engine.rig.clock_from:
        live.triggers.clock = Clock()
    live.bank = {scene.name: scene for scene in scenes}
    engine.rig = rig
    fresh = None if unsaved else live.bank.get(wanted.name)
    if fresh is not None and live.waiting_scene is not None:
        live.waiting_scene = fresh
    elif fresh is not None:
        live.use(fresh)
        live.triggers.rule_all()
    added = _keep_voices(engine, rig, outputs)
    live.root_voices &= frozenset(engine.states)
    if fresh is not None or live.waiting_scene is not None:
        _ask_again(live, fresh or live.waiting_scene, engine.states if fresh else added)
    engine.policy.refresh()
    live.triggers.rule_all()
    engine.assigner = Assigner(rig, live.scene, engine.states)
    engine.assigner.use(live.scene, live.tonight)
    for state in added.values():
        engine.links.wake_drone(state, outputs, start=True)


def _ask_again(live: Live, scene: Scene | None, states: dict[str, VoiceState]) -> None:
    """Let a scene's settings wait, under the hold they waited for, else for the next note."""
    for name, state in states.items():
        settings = PLAIN if scene is None else scene.of(name)
        if state.waiting is None:
            state.waiting_hold = "note" if live.waiting_scene is None else live.waiting_hold
        state.waiting = None if settings == state.settings else settings


def _keep_inputs(engine: Engine, rig: Rig, outputs: Outputs) -> None:
    """Lift the keys of inputs that go, or that are heard in another way from now on."""
    fresh = {i.name: (i.port, i.channel, i.plays) for i in rig.inputs}
    for old in engine.rig.inputs:
        if fresh.get(old.name) != (old.port, old.channel, old.plays):
            engine.receive(commands.SourceLost(old.name), "", engine.now_s, outputs)


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
            engine.links.present.discard(output.name)
            for lane in engine.ledger.of_output(output.name):
                lane.up = False


def _keep_voices(engine: Engine, rig: Rig, outputs: Outputs) -> dict[str, VoiceState]:
    """Keep, release and add voices; return those that were added."""
    old = engine.states
    engine.states = {}
    for voice in rig.voices:
        state = old.get(voice.name)
        if state is None or (state.voice.output, state.voice.channel) != (
            voice.output,
            voice.channel,
        ):
            continue
        del old[voice.name]
        engine.states[voice.name] = state
        state.overlap = engine.output(voice.output).converter.overlap
        if voice != state.voice or state.next_voice is not None:
            state.next_voice = voice
            if not state.lane.notes:
                adopt(engine, state, outputs)
                engine.player.relocate(state, outputs)  # a drone sounds
    for state in old.values():
        state.held.clear()
        state.lane.release(outputs)
    added: dict[str, VoiceState] = {}
    for voice in rig.voices:
        if voice.name not in engine.states:
            added[voice.name] = engine.add_voice(voice)
            engine.links.send_bend_range(added[voice.name], outputs)
    engine.states = {voice.name: engine.states[voice.name] for voice in rig.voices}
    engine.keyboard.keys = {
        place: [state for state in takers if state in engine.states.values()]
        for place, takers in engine.keyboard.keys.items()
    }
    return added
