"""The live settings: what is in force, what waits, and when it lands.

A changed setting waits under the hold in force when it was asked for. What
waits is kept apart from what sounds: ``VoiceState.waiting`` for a voice,
``waiting_scene`` for the scene's own part (zones, hold). What pedals add while
they are down (``pedals.layers``) lies over both and is no part of what is stored.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import fields, replace
from typing import Any

from ..errors import CommandError
from ..midi import NOTE_OFF_VELOCITY
from . import commands
from .assign import Assigner
from .chain import Chain
from .dispatch import Dispatcher
from .engine_state import EngineState
from .hold import UNTIL_TRIGGER, Triggers
from .ledger import Outputs
from .limits import VOICE_SETTINGS
from .measuring_notes import Measuring
from .player import START_SOURCE, Player
from .settings import Hold, Scene, Tonight, TouchUp, VoiceSettings
from .voice import Held, VoiceState

_VOICE_FIELDS = frozenset(f.name for f in fields(VoiceSettings))
# These rule what is asked from now on, and so what waits already can be given a trigger.
AT_ONCE = frozenset(
    (
        "hold",
        "triggers",
        "regate",
        "beats_in_bar",
        "beat_unit",
        "early_ms",
        "late_ms",
        "sample_delay_ms",
        "clock_lost",
    )
)
_SCENE_FIELDS = AT_ONCE | {"zones"}


class Live:
    """Settings in force and settings that wait."""

    def __init__(
        self,
        shared: EngineState,
        player: Player,
        assigner: Assigner,
        triggers: Triggers,
        measuring: Measuring,
    ) -> None:
        self._shared = shared
        self._player = player
        self._assigner = assigner
        self._triggers = triggers
        self._measuring = measuring
        self._layers_seen = shared.layers.active

    def add_to(self, table: Dispatcher) -> None:
        """Handle the commands about settings."""
        table.add(commands.ChangeVoice, self._change_voice, self._check_voice)
        table.add(commands.ChangeScene, self._change_scene, self._check_scene)
        table.add(commands.RootKey, self._root_key, self._check_root_key)
        table.add(commands.CancelWaiting, self._cancel_command)

    # ------------------------------------------------------------ what there is

    @property
    def bank(self) -> dict[str, Scene]:
        """Return the stored scenes, by name."""
        return self._shared.bank

    @property
    def scene(self) -> Scene:
        """Return the scene's own part in force, with its name."""
        return self._shared.scene

    @property
    def tonight(self) -> Tonight:
        """Return the global settings that are heard, with what pedals add."""
        return self._shared.tonight

    @property
    def base_tonight(self) -> Tonight:
        """Return the global settings that are kept, without what pedals add."""
        return self._shared.base_tonight

    @property
    def waiting_scene(self) -> Scene | None:
        """Return the scene's part that has not landed, or None."""
        return self._shared.waiting_scene

    @property
    def waiting_hold(self) -> Hold:
        """Return the hold under which ``waiting_scene`` waits."""
        return self._shared.waiting_hold

    @property
    def wanted_scene(self) -> Scene:
        """Return the scene's own part that waits, else the one in force."""
        return self._shared.wanted_scene

    @property
    def wanted_base_scene(self) -> Scene:
        """Return the scene's own part that was last asked for, without what pedals add."""
        return self._shared.waiting_scene or self._shared.base_scene

    @property
    def something_waits(self) -> bool:
        """Return whether any setting has not landed."""
        return self._shared.something_waits

    @property
    def root_voices(self) -> frozenset[str]:
        """Return the voices whose root the next key sets, instead of sounding."""
        return self._shared.root_voices

    def hold_of(self, state: VoiceState) -> Hold:
        """Return the hold in force for a voice."""
        return self._shared.hold_of(state)

    def state(self, name: str) -> VoiceState:
        """Return a voice by name, or refuse it."""
        return self._shared.voice(name)

    def wanted(self) -> Scene:
        """Return what a store keeps: what waits, else what is in force, without pedals."""
        shared = self._shared
        scene = self.wanted_base_scene
        voices = {name: state.wanted_base for name, state in shared.voices.items()}
        return replace(scene, voices=voices)

    @property
    def unsaved(self) -> bool:
        """Return whether the live settings differ from the stored scene of their name."""
        wanted = self.wanted()
        stored = self._shared.bank.get(wanted.name)
        if stored is None:  # a rig without scenes starts from the plain one
            stored = Scene()
        whole = {name: stored.of(name) for name in self._shared.voices}
        return replace(stored, voices=whole) != wanted

    def parts(self) -> tuple[object, ...]:
        """Return all that a change swaps for another; the same ones (``is``) mean no change."""
        shared = self._shared
        parts: list[object] = [
            shared.base_tonight,
            shared.base_scene,
            shared.waiting_scene,
            shared.bank,
            shared.layers.active,
        ]
        for state in shared.voices.values():
            parts += (state.settings, state.waiting, state.base, state.base_waiting)
        return tuple(parts)

    # ------------------------------------------------------------ asking

    def recall(self, scene: Scene, outputs: Outputs) -> None:
        """Want a stored scene; the active one again changes nothing (F3)."""
        if scene.name != self._shared.scene.name:
            self.want(scene, outputs)
        elif self._shared.waiting_scene is not None:
            self._cancel()

    def want(self, scene: Scene, outputs: Outputs) -> None:
        """Want a scene whole; its parts land as the hold in force says."""
        shared = self._shared
        shared.waiting_scene, shared.waiting_hold = scene, shared.scene.hold
        at_once = self._triggers.lands_at_once(shared.waiting_hold)
        states = shared.voices.items()
        landed = [state for name, state in states if self.ask(state, scene.of(name))]
        if at_once:
            self.land_scene(outputs)
        self.move(landed, outputs)

    def want_back(self, scene: Scene, outputs: Outputs) -> None:
        """Want a scene again whose own part may differ only in what rules at once."""
        shared = self._shared
        self.want(scene, outputs)
        if shared.waiting_scene is None:
            return
        own, wanted = replace(shared.base_scene, voices={}), replace(scene, voices={})
        at_once = {name: getattr(scene, name) for name in AT_ONCE}
        if replace(own, **at_once) == wanted:
            self.use(replace(shared.base_scene, **at_once))
            shared.waiting_scene = None

    def ask(self, state: VoiceState, base: VoiceSettings) -> bool:
        """Want settings for a voice; True if they have landed and it is to be moved.

        Args:
            state: the voice.
            base: its settings without what pedals add.
        """
        hold = self._shared.hold_of(state)
        settings = self._shared.layers.settings(state.voice.name, base)
        if settings == state.settings:
            state.waiting = state.base_waiting = None
            state.base = base  # a layer may hide the difference
            return False
        state.base_waiting = None if base == state.base else base
        state.waiting, state.waiting_hold = settings, hold
        if not self._triggers.lands_at_once(hold):
            return False
        self.land(state)
        return True

    def move(self, landed: Iterable[VoiceState], outputs: Outputs) -> None:
        """Bring what sounds to settings that have landed."""
        for state in landed:
            if not state.read_due:  # else it moves when its key is read
                self._shared.current = state
                self._player.relocate(state, outputs)

    def _check_voice(self, command: commands.ChangeVoice) -> None:
        changes = self._checked(command.changes, _VOICE_FIELDS)
        for name, allowed in VOICE_SETTINGS.items():
            value = changes.get(name)
            if value is not None and value not in allowed:
                raise CommandError(f"{name}: found {value}; allowed: {allowed}")
        self._shared.names(command.voice)

    def _change_voice(self, command: commands.ChangeVoice, outputs: Outputs) -> None:
        changes = dict(command.changes)
        voices = self._shared.voices
        states = tuple(voices.values()) if command.voice is None else (voices[command.voice],)
        if set(changes) == {"hold"}:  # it rules what is asked from now on
            for state in states:
                state.base = replace(state.base, **changes)
                state.settings = replace(state.settings, **changes)
                if state.base_waiting is not None:
                    state.base_waiting = replace(state.base_waiting, **changes)
                if state.waiting is not None:
                    state.waiting = replace(state.waiting, **changes)
                self._triggers.rule(state)
            return
        self.change(_replaced(states, changes), outputs)

    def change(self, wanted: Iterable[tuple[VoiceState, VoiceSettings]], outputs: Outputs) -> None:
        """Want other settings for some voices."""
        asked = tuple(wanted)
        self.move([state for state, base in asked if self.ask(state, base)], outputs)

    def _check_root_key(self, command: commands.RootKey) -> None:
        self._shared.names(command.voice)

    def _root_key(self, command: commands.RootKey, outputs: Outputs) -> None:
        names = self._shared.names(command.voice)
        layers = self._shared.layers
        if command.on:
            layers.commanded_roots |= names
        else:
            layers.commanded_roots -= names

    def set_root(self, key: int, outputs: Outputs) -> None:
        """Let a key be the root of the voices that wait for one; it lands as the hold says."""
        voices, names = self._shared.voices, self._shared.root_voices
        states = [state for name, state in voices.items() if name in names]
        self.change(_replaced(states, {"root": key}), outputs)

    def _check_scene(self, command: commands.ChangeScene) -> None:
        self._checked(command.changes, _SCENE_FIELDS)

    def _change_scene(self, command: commands.ChangeScene, outputs: Outputs) -> None:
        shared = self._shared
        changes = dict(command.changes)
        waiting, hold = shared.waiting_scene, shared.scene.hold
        if set(changes) == {"hold"} or waiting is None or waiting.name == shared.scene.name:
            now = {name: value for name, value in changes.items() if name in AT_ONCE}
            changes = {name: value for name, value in changes.items() if name not in now}
            self.use(replace(shared.base_scene, **now))
            if waiting is not None and waiting.name == shared.scene.name:
                shared.waiting_scene = waiting = replace(waiting, **now)
        if not changes:
            return
        shared.waiting_scene = replace(waiting or shared.base_scene, **changes)
        shared.waiting_hold = hold
        if self._triggers.lands_at_once(hold):
            self.land_scene(outputs)

    @staticmethod
    def _checked(changes: tuple[tuple[str, Any], ...], allowed: frozenset[str]) -> dict[str, Any]:
        for name, _ in changes:
            if name not in allowed:
                raise CommandError(
                    f"setting: found {name!r}; allowed: {', '.join(sorted(allowed))}"
                )
        return dict(changes)

    # ------------------------------------------------------------ landing

    def use(self, scene: Scene) -> None:
        """Put a scene's own part in force, but for its zones."""
        self._shared.base_scene = scene
        self._shared.scene = self._shared.layers.scene(scene)
        self._triggers.use()

    def land(self, state: VoiceState) -> None:
        """Put what waits for a voice in force, for its next note."""
        if state.waiting is None:
            return
        state.settings, state.waiting = state.waiting, None
        if state.base_waiting is not None:
            state.base, state.base_waiting = state.base_waiting, None
        state.chain = Chain(state.voice, state.settings, self._shared.tonight)
        self._triggers.rule(state)

    def land_scene(self, outputs: Outputs) -> None:
        """Put a scene's own part in force."""
        shared = self._shared
        scene = shared.waiting_scene
        if scene is None:
            return
        recalled = scene.name != shared.scene.name
        shared.waiting_scene = None
        self.use(scene)
        self._assigner.use()
        if not recalled:
            return
        if self._measuring.running:
            self._measuring.stop("a scene", outputs)
        for state in shared.voices.values():
            if state.waiting is None or state.waiting_hold == shared.waiting_hold:
                self._start(state, scene.of(state.voice.name).start_key, outputs)

    def _start(self, state: VoiceState, start_key: int | None, outputs: Outputs) -> None:
        """Sound a drone's start key, with the settings that come with it."""
        if start_key is None or not state.voice.gate_ignored or state.held:
            return
        self._shared.current = state
        self.land(state)
        held = Held(START_SOURCE, start_key, NOTE_OFF_VELOCITY)
        self._player.sound_drone(state, held, outputs)

    def waits_for_trigger(self) -> bool:
        """Return whether anything waits for a trigger."""
        shared = self._shared
        return (shared.waiting_scene is not None and shared.waiting_hold in UNTIL_TRIGGER) or any(
            state.waiting is not None and state.waiting_hold in UNTIL_TRIGGER
            for state in shared.voices.values()
        )

    def land_triggered(self, outputs: Outputs) -> list[VoiceState]:
        """Put all that waits for a trigger in force; return the voices that were changed."""
        shared = self._shared
        landed = [
            state
            for state in shared.voices.values()
            if state.waiting is not None and state.waiting_hold in UNTIL_TRIGGER
        ]
        for state in landed:
            self.land(state)
        if shared.waiting_hold in UNTIL_TRIGGER:
            self.land_scene(outputs)
        return landed

    def _cancel_command(self, command: commands.CancelWaiting, outputs: Outputs) -> None:
        self._cancel()

    def _cancel(self) -> None:
        """Drop what waits; what a pedal adds or has taken away goes on waiting."""
        shared = self._shared
        shared.waiting_scene = None
        for state in shared.voices.values():
            state.base_waiting = None
            settings = shared.layers.settings(state.voice.name, state.base)
            state.waiting = None if settings == state.settings else settings

    # ------------------------------------------------------------ global settings and layers

    def use_tonight(self, base: Tonight, outputs: Outputs) -> None:
        """Apply new global settings.

        They are heard at once, by bend; but their transposition at the next note, and solo and
        mute at the next key.
        """
        shared = self._shared
        before = shared.tonight
        shared.base_tonight = base
        shared.tonight = tonight = shared.followed(shared.layers.tonight(base, shared.voices))
        if (before.solo, before.mute) != (tonight.solo, tonight.mute):
            self._assigner.use()
        if _heard(before) == _heard(tonight):
            return
        for state in shared.voices.values():
            shared.current = state
            following = Chain(state.voice, state.settings, tonight)
            if not state.lane.notes and not state.voice.gate_ignored:
                state.chain = following
                continue
            waits = state.move_waits  # for settings that are out of the bend's reach
            state.chain = state.sounding.with_tonight(tonight)
            self._player.relocate(state, outputs)
            state.move_waits = state.move_waits or waits
            state.chain = following

    def use_follow(
        self, state: VoiceState, touch_up: TouchUp | None, sounding_cents: float, outputs: Outputs
    ) -> None:
        """Take out of a voice what follow says: from its next note on, and of what sounds a bit."""
        shared = self._shared
        follow = {name: one for name, one in shared.follow.items() if name != state.name}
        if touch_up is not None:
            follow[state.name] = touch_up
        shared.follow = follow
        base = shared.layers.tonight(shared.base_tonight, shared.voices)
        shared.tonight = tonight = shared.followed(base)
        following = Chain(state.voice, state.settings, tonight)
        sounds = state.lane.notes or state.voice.gate_ignored
        if sounds and sounding_cents and state.playing is not None:
            shared.current = state
            now = state.sounding.tonight
            before = now.touch_up.get(state.name, TouchUp())
            moved = replace(before, offset_cents=before.offset_cents + sounding_cents)
            waits = state.move_waits
            state.chain = state.sounding.with_tonight(
                replace(now, touch_up={**now.touch_up, state.name: moved})
            )
            self._player.relocate(state, outputs)
            state.move_waits = state.move_waits or waits
        state.chain = following

    def layers_changed(self, outputs: Outputs) -> None:
        """Bring everything to what the pedals add now; cheap where nothing has changed."""
        shared = self._shared
        if shared.layers.active is self._layers_seen:
            return
        self._layers_seen = shared.layers.active
        if shared.layers.scene(shared.base_scene).hold != shared.scene.hold:
            self.use(shared.base_scene)
        self.use_tonight(shared.base_tonight, outputs)
        changed = [
            (state, state.wanted_base)
            for state in shared.voices.values()
            if shared.layers.settings(state.voice.name, state.wanted_base) != state.wanted
        ]
        self.change(changed, outputs)


def _heard(tonight: Tonight) -> tuple[object, ...]:
    """Return what of the global settings makes the pitch of a voice."""
    return (
        tonight.concert_a_hz,
        tonight.transpose_semitones,
        tonight.transpose_cents,
        tonight.transpose_degrees,
        tonight.touch_up,
        tonight.bypass,
        tonight.keep_touch_up,
    )


def _replaced(
    states: Iterable[VoiceState], changes: dict[str, Any]
) -> Iterator[tuple[VoiceState, VoiceSettings]]:
    """Yield each voice and what is wanted of it with the changes; voices alike share it."""
    before = after = None
    for state in states:
        base = state.wanted_base
        if after is None or base != before:
            before, after = base, replace(base, **changes)
        yield state, after
