"""A new rig while the old one plays: nothing that sounds is orphaned."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace

from ..errors import CommandError
from . import commands
from .assign import Assigner
from .chain import Chain
from .dispatch import Dispatcher
from .engine_state import EngineState
from .hold import Triggers
from .keyboard import Keyboard
from .ledger import Outputs
from .live_settings import Live
from .message_policy import Policy
from .mpe import Mpe
from .pedals.pedalboard import Pedals
from .player import Player
from .port_events import PortEvents
from .settings import PLAIN, Rig, Scene, Voice
from .voice import VoiceState


class RigChange:
    """Swaps the rig, or one voice's profile."""

    def __init__(
        self,
        shared: EngineState,
        player: Player,
        assigner: Assigner,
        policy: Policy,
        triggers: Triggers,
        live: Live,
        keyboard: Keyboard,
        mpe: Mpe,
        pedals: Pedals,
        ports: PortEvents,
    ) -> None:
        self._shared = shared
        self._player = player
        self._assigner = assigner
        self._policy = policy
        self._triggers = triggers
        self._live = live
        self._keyboard = keyboard
        self._mpe = mpe
        self._pedals = pedals
        self._ports = ports

    def add_to(self, table: Dispatcher) -> None:
        """Handle the commands that change the rig."""
        table.add(commands.Reload, self._reload, self._check_reload)
        table.add(commands.UseProfile, self._use_profile, self._check_profile)

    # ------------------------------------------------------------ one voice

    def add_voice(self, voice: Voice) -> VoiceState:
        """Take a new voice, silent."""
        shared = self._shared
        lane = shared.ledger.lane(voice.output, voice.channel)
        lane.up = voice.output in shared.present
        base = shared.settings_in(shared.base_scene, voice.name)
        settings = shared.layers.settings(voice.name, base)
        state = VoiceState(voice, lane, Chain(voice, settings, shared.tonight))
        state.base = base
        state.use_converter(shared.output(voice.output).converter)
        shared.voices[voice.name] = state
        self._triggers.rule(state)
        return state

    def _check_profile(self, command: commands.UseProfile) -> None:
        self._shared.voice(command.voice)

    def _use_profile(self, command: commands.UseProfile, outputs: Outputs) -> None:
        """Swap a voice's profile; a note that sounds keeps the correction it was struck with.

        Its touch-up is what had drifted since the profile before, so it goes.
        """
        shared = self._shared
        state = shared.voice(command.voice)
        voice = replace(
            state.next_voice or state.voice,
            curve=command.curve,
            note_errors_cents=command.note_errors_cents,
            stale=command.stale,
        )
        others = (voice if other.name == voice.name else other for other in shared.rig.voices)
        shared.rig = replace(shared.rig, voices=tuple(others))
        kept = {n: touch for n, touch in shared.base_tonight.touch_up.items() if n != voice.name}
        shared.base_tonight = replace(shared.base_tonight, touch_up=kept)
        shared.follow = {n: one for n, one in shared.follow.items() if n != voice.name}
        shared.tonight = shared.followed(replace(shared.tonight, touch_up=kept))
        state.next_voice = voice
        if not state.lane.notes:
            shared.current = state
            self._player.adopt(state, outputs)
            self._player.relocate(state, outputs)  # a drone sounds

    # ------------------------------------------------------------ the rig

    def _check_reload(self, command: commands.Reload) -> None:
        """Refuse a rig that does not hold together; files are checked before, by ``config``."""
        rig = command.rig
        for what, names in (
            ("inputs", [source.name for source in rig.inputs]),
            ("outputs", [output.name for output in rig.outputs]),
            ("voices", [voice.name for voice in rig.voices]),
            ("scenes", [scene.name for scene in command.scenes]),
        ):
            twice = [name for name, count in Counter(names).items() if count > 1]
            if twice:
                raise CommandError(f"{what}: found {twice[0]!r} twice; allowed: each name once")
        outputs = [output.name for output in rig.outputs]
        wanted = [(voice.name, voice.output) for voice in rig.voices]
        wanted += [(route.socket.name, route.output) for route in rig.extra]
        for name, output in wanted:
            if output not in outputs:
                raise CommandError(
                    f"{name}: output: found {output!r}; allowed: {', '.join(outputs)}"
                )

    def _reload(self, command: commands.Reload, outputs: Outputs) -> None:
        """Swap the rig and the bank of scenes.

        A voice with the same name on the same channel of the same output goes on
        and takes its new facts when its channel is silent; others are released.
        What the player last asked for goes on if it was changed or has left the
        bank; otherwise its new version is taken, for the next notes.
        """
        rig, shared, live = command.rig, self._shared, self._live
        self._keep_inputs(rig, outputs)
        wanted = live.wanted()
        unsaved = live.unsaved
        self._keep_outputs(rig, outputs)
        if rig.clock_from != shared.rig.clock_from:
            self._ports.new_clock()
        shared.bank = {scene.name: scene for scene in command.scenes}
        shared.rig = rig
        fresh = None if unsaved else shared.bank.get(wanted.name)
        if fresh is not None and shared.waiting_scene is not None:
            shared.waiting_scene = fresh
        elif fresh is not None:
            live.use(fresh)
        added = self._keep_voices(rig, outputs)
        live.use_tonight(shared.base_tonight, outputs)  # pedals may add to voices that are new
        shared.layers.commanded_roots &= frozenset(shared.voices)
        if fresh is not None or shared.waiting_scene is not None:
            self._ask_again(fresh or shared.waiting_scene, shared.voices if fresh else added)
        self._policy.refresh()
        self._mpe.refresh()
        self._keyboard.portamento.refresh()
        self._triggers.use()
        self._assigner.refresh()
        self._lift_passed(outputs)
        for state in added.values():
            self._player.wake_drone(state, outputs, start=True)
        self._pedals.use_bindings(outputs)

    def _ask_again(self, scene: Scene | None, states: Mapping[str, VoiceState]) -> None:
        """Let a scene's settings wait, under the hold they waited for, else for the next note."""
        shared = self._shared
        for name, state in states.items():
            base = PLAIN if scene is None else shared.settings_in(scene, name)
            if state.waiting is None:
                waits = shared.waiting_scene is not None
                state.waiting_hold = shared.waiting_hold if waits else "note"
            settings = shared.layers.settings(name, base)
            if settings == state.settings:
                state.waiting = state.base_waiting = None
                state.base = base
            else:
                state.waiting = settings
                state.base_waiting = None if base == state.base else base

    def _keep_inputs(self, rig: Rig, outputs: Outputs) -> None:
        """Lift the keys of inputs that go, or that are heard in another way from now on."""
        fresh = {i.name: (i.port, i.channel, i.plays, i.mpe) for i in rig.inputs}
        for old in self._shared.rig.inputs:
            if fresh.get(old.name) != (old.port, old.channel, old.plays, old.mpe):
                self._ports.source_lost(old.name, outputs)

    def _keep_outputs(self, rig: Rig, outputs: Outputs) -> None:
        """Release what sounds on outputs that go or move, and on channels no longer passed."""
        shared = self._shared
        fresh = {output.name: output for output in rig.outputs}
        for output in shared.rig.outputs:
            following = fresh.get(output.name)
            moved = following is None or following.port != output.port
            for lane in shared.ledger.of_output(output.name):
                passed = lane.channel in output.pass_channels
                stays = following is not None and lane.channel in following.pass_channels
                if moved or (passed and not stays):
                    lane.holders.clear()
                    lane.release(outputs)
            kept = () if moved or following is None else following.pass_channels
            ends = range(16) if moved else set(output.pass_channels).difference(kept)
            self._policy.lift_pedals_at(output.name, ends, outputs)
            if moved:
                self._ports.gone(output.name)

    def _keep_voices(self, rig: Rig, outputs: Outputs) -> dict[str, VoiceState]:
        """Keep, release and add voices; return those that were added."""
        shared = self._shared
        old = shared.voices
        shared.voices = {}
        for voice in rig.voices:
            state = old.get(voice.name)
            if state is None or (state.voice.output, state.voice.channel) != (
                voice.output,
                voice.channel,
            ):
                continue
            del old[voice.name]
            shared.voices[voice.name] = state
            state.use_converter(shared.output(voice.output).converter)
            if voice != state.voice or state.next_voice is not None:
                state.next_voice = voice
                if not state.lane.notes:
                    self._player.adopt(state, outputs)
                    self._player.relocate(state, outputs)  # a drone sounds
        for state in old.values():
            state.held.clear()
            state.lane.release(outputs)
        added: dict[str, VoiceState] = {}
        for voice in rig.voices:
            if voice.name not in shared.voices:
                added[voice.name] = self.add_voice(voice)
                self._player.send_bend_range(added[voice.name], outputs)
        shared.voices = {voice.name: shared.voices[voice.name] for voice in rig.voices}
        kept = tuple(shared.voices.values())
        for place, takers in shared.keys.items():
            shared.keys[place] = [state for state in takers if state in kept]
        return added

    def _lift_passed(self, outputs: Outputs) -> None:
        """Let sustain and wheel come up on channels that go through untouched from now on."""
        for place in sorted({*self._shared.sustained, *self._shared.wheels}):
            if self._policy.passes(place):
                self._keyboard.centre_wheel(place, outputs)
            if self._policy.passes(self._shared.managers.get(place, place)):
                self._keyboard.centre_sustain(place, outputs)
