"""The live settings: what is in force, what waits, and when it lands.

A changed setting waits under the hold in force when it was asked for. What
waits is kept apart from what sounds: ``VoiceState.waiting`` for a voice,
``Live.waiting_scene`` for the scene's own part (zones, hold).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

from ..errors import CommandError
from ..midi import NOTE_OFF_VELOCITY
from . import commands
from .chain import Chain
from .ledger import Outputs
from .player import START_SOURCE
from .settings import Hold, Scene, Tonight, VoiceSettings
from .voice import Held, Source, VoiceState

if TYPE_CHECKING:
    from .engine import Engine

_VOICE_FIELDS = frozenset(f.name for f in fields(VoiceSettings))
_SCENE_FIELDS = frozenset(
    ("hold", "zones", "triggers", "regate", "beats_in_bar", "beat_unit")
)


class Live:
    """Settings in force and settings that wait.

    Attributes:
        scene: the scene's own part in force, with its name.
        tonight: what lies over all scenes.
        waiting_scene: a scene's part that has not landed, or None.
        root_voices: voices whose root the next key sets, instead of sounding.
    """

    def __init__(
        self, engine: Engine, scenes: tuple[Scene, ...], tonight: Tonight, unsaved: Scene | None
    ) -> None:
        self._engine = engine
        self.bank = {scene.name: scene for scene in scenes}
        first = engine.rig.start_scene
        if unsaved is not None:
            self.scene = unsaved
        elif first is not None and first in self.bank:
            self.scene = self.bank[first]
        else:
            self.scene = scenes[0] if scenes else Scene()
        self.tonight = tonight
        self.waiting_scene: Scene | None = None
        self.waiting_hold: Hold = "none"
        self.root_voices: frozenset[str] = frozenset()

    def handlers(self) -> dict[type, Callable[[Any, str, Outputs], None]]:
        """Return what serves each command about settings."""
        return {
            commands.ChangeVoice: self._change_voice,
            commands.ChangeScene: self._change_scene,
            commands.ChangeTonight: self._change_tonight,
            commands.SetTouchUp: self._touch_up,
            commands.Bypass: self._bypass,
            commands.Mute: self._mute,
            commands.Solo: self._solo,
            commands.TriggerNow: self._trigger,
            commands.RootKey: self._root_key,
            commands.CancelWaiting: self._cancel,
        }

    # ------------------------------------------------------------ asking

    def hold_of(self, state: VoiceState) -> Hold:
        """Return the hold in force for a voice."""
        return state.settings.hold or self.scene.hold

    def wanted(self) -> Scene:
        """Return what the player last asked for: what waits, else what is in force."""
        scene = self.waiting_scene or self.scene
        voices = {
            name: state.waiting or state.settings for name, state in self._engine.states.items()
        }
        return replace(scene, voices=voices)

    @property
    def unsaved(self) -> bool:
        """True if the live settings differ from the stored scene of their name."""
        wanted = self.wanted()
        stored = self.bank.get(wanted.name)
        if stored is None:  # a rig without scenes starts from the plain one
            stored = Scene()
        whole = {name: stored.of(name) for name in self._engine.states}
        return replace(stored, voices=whole) != wanted

    def recall(self, command: commands.RecallScene, source: str, outputs: Outputs) -> None:
        """Want a stored scene; the active one again changes nothing (F3)."""
        scene = self.bank.get(command.name)
        if scene is None:
            raise CommandError(
                f"scene: found {command.name!r}; allowed: {', '.join(self.bank) or 'none stored'}"
            )
        if self.waiting_scene is None and scene.name == self.scene.name:
            return
        if scene.name == self.scene.name:
            self._cancel(None, source, outputs)
            return
        self.want(scene, outputs)

    def want(self, scene: Scene, outputs: Outputs) -> None:
        """Want a scene whole; its parts land as the hold in force says."""
        self.waiting_scene, self.waiting_hold = scene, self.scene.hold
        for name, state in self._engine.states.items():
            self._ask(state, scene.of(name), outputs)
        if self.waiting_hold == "none":
            self._land_scene(outputs)

    def _ask(self, state: VoiceState, settings: VoiceSettings, outputs: Outputs) -> None:
        """Want settings for a voice; they land as the hold in force says."""
        hold = self.hold_of(state)
        if settings == state.settings:
            state.waiting = None
            return
        state.waiting, state.waiting_hold = settings, hold
        if hold == "none":
            self.land(state)
            self._engine.current = state
            self._engine.player.relocate(state, outputs)

    def _change_voice(self, command: commands.ChangeVoice, source: str, outputs: Outputs) -> None:
        changes = self._checked(command.changes, _VOICE_FIELDS)
        states = self._engine.states.values() if command.voice is None else (
            self._state(command.voice),
        )  # fmt: skip
        wanted = [replace(state.waiting or state.settings, **changes) for state in states]
        for state, settings in zip(states, wanted, strict=True):
            self._ask(state, settings, outputs)

    def _root_key(self, command: commands.RootKey, source: str, outputs: Outputs) -> None:
        if command.voice is None:
            names = frozenset(self._engine.states)
        else:
            names = frozenset((self._state(command.voice).voice.name,))
        self.root_voices = self.root_voices | names if command.on else self.root_voices - names

    def set_root(self, key: int, outputs: Outputs) -> None:
        """Let a key be the root of the voices that wait for one; it lands as the hold says."""
        for name, state in self._engine.states.items():
            if name in self.root_voices:
                self._ask(state, replace(state.waiting or state.settings, root=key), outputs)

    def _change_scene(self, command: commands.ChangeScene, source: str, outputs: Outputs) -> None:
        changes = self._checked(command.changes, _SCENE_FIELDS)
        hold = self.scene.hold
        if set(changes) == {"hold"}:  # it rules what is asked from now on
            self.scene = replace(self.scene, **changes)
            waiting = self.waiting_scene
            if waiting is not None and waiting.name == self.scene.name:
                self.waiting_scene = replace(waiting, **changes)
            return
        self.waiting_scene = replace(self.waiting_scene or self.scene, **changes)
        self.waiting_hold = hold
        if hold == "none":
            self._land_scene(outputs)

    @staticmethod
    def _checked(changes: tuple[tuple[str, Any], ...], allowed: frozenset[str]) -> dict[str, Any]:
        for name, _ in changes:
            if name not in allowed:
                raise CommandError(
                    f"setting: found {name!r}; allowed: {', '.join(sorted(allowed))}"
                )
        return dict(changes)

    def _state(self, name: str) -> VoiceState:
        state = self._engine.states.get(name)
        if state is None:
            names = ", ".join(self._engine.states)
            raise CommandError(f"voice: found {name!r}; allowed: {names}")
        return state

    # ------------------------------------------------------------ landing

    def key_down(self, place: Source, outputs: Outputs) -> None:
        """A key of a playing input goes down; what it triggers lands first."""
        triggers = self.scene.triggers
        if self.waiting_scene is not None and self.waiting_hold == "note":
            self._land_scene(outputs)
            triggers += self.scene.triggers
        if any(trigger.kind == "key" for trigger in triggers):
            self._trigger(None, place[0], outputs)

    def land(self, state: VoiceState) -> None:
        """Put what waits for a voice in force, for its next note."""
        if state.waiting is not None:
            state.settings, state.waiting = state.waiting, None
            state.chain = Chain(state.voice, state.settings, self.tonight)

    def _land_scene(self, outputs: Outputs) -> None:
        scene = self.waiting_scene
        if scene is None:
            return
        recalled = scene.name != self.scene.name
        self.scene, self.waiting_scene = scene, None
        engine = self._engine
        engine.assigner.use(scene, self.tonight)
        if not recalled:
            return
        for state in engine.states.values():
            if state.waiting is None or state.waiting_hold == self.waiting_hold:
                self._start(state, scene.of(state.voice.name).start_key, outputs)

    def _start(self, state: VoiceState, start_key: int | None, outputs: Outputs) -> None:
        """Sound a drone's start key, with the settings that come with it."""
        if start_key is None or not state.voice.gate_ignored or state.held:
            return
        engine = self._engine
        engine.current = state
        self.land(state)
        held = Held(START_SOURCE, start_key, NOTE_OFF_VELOCITY)
        engine.player.sound_drone(state, held, outputs)

    def _trigger(self, command: object, source: str, outputs: Outputs) -> None:
        """All that waits for a trigger lands, on all voices together."""
        if self.waiting_hold in ("trigger", "sample"):
            self._land_scene(outputs)
        engine = self._engine
        landed = [
            state
            for state in engine.states.values()
            if state.waiting is not None and state.waiting_hold in ("trigger", "sample")
        ]
        for state in landed:
            self.land(state)
        for state in landed:
            engine.current = state
            engine.player.relocate(state, outputs)

    def _cancel(self, command: object, source: str, outputs: Outputs) -> None:
        self.waiting_scene = None
        for state in self._engine.states.values():
            state.waiting = None

    # ------------------------------------------------------------ tonight

    def _over_all(self, tonight: Tonight, outputs: Outputs) -> None:
        """Take another tonight: at once by bend, but its transposition at the next note."""
        self.tonight = tonight
        engine = self._engine
        for state in engine.states.values():
            engine.current = state
            following = Chain(state.voice, state.settings, tonight)
            if not state.lane.notes and not state.voice.gate_ignored:
                state.chain = following
                continue
            waits = state.move_waits  # for settings that are out of the bend's reach
            state.chain = state.sounding.with_tonight(tonight)
            engine.player.relocate(state, outputs)
            state.move_waits = state.move_waits or waits
            state.chain = following

    def _change_tonight(
        self, command: commands.ChangeTonight, source: str, outputs: Outputs
    ) -> None:
        tonight = self.tonight
        if command.concert_a_hz is not None:
            if not 200.0 <= command.concert_a_hz <= 900.0:
                raise CommandError(
                    f"concert_a_hz: found {command.concert_a_hz}; allowed: 200 to 900"
                )
            tonight = replace(tonight, concert_a_hz=command.concert_a_hz)
        if command.transpose_semitones is not None:
            if not -60 <= command.transpose_semitones <= 60:
                raise CommandError(
                    f"transpose_semitones: found {command.transpose_semitones}; allowed: -60 to 60"
                )
            tonight = replace(tonight, transpose_semitones=command.transpose_semitones)
        self._over_all(tonight, outputs)

    def _touch_up(self, command: commands.SetTouchUp, source: str, outputs: Outputs) -> None:
        self._state(command.voice)
        touch_up = {**self.tonight.touch_up, command.voice: command.touch_up}
        self._over_all(replace(self.tonight, touch_up=touch_up), outputs)

    def _bypass(self, command: commands.Bypass, source: str, outputs: Outputs) -> None:
        if command.voice is None:
            names = frozenset(self._engine.states)
        else:
            names = frozenset((self._state(command.voice).voice.name,))
        bypass = self.tonight.bypass | names if command.on else self.tonight.bypass - names
        self._over_all(replace(self.tonight, bypass=bypass), outputs)

    def _mute(self, command: commands.Mute, source: str, outputs: Outputs) -> None:
        name = frozenset((self._state(command.voice).voice.name,))
        mute = self.tonight.mute | name if command.on else self.tonight.mute - name
        self._keys_only(replace(self.tonight, mute=mute))

    def _solo(self, command: commands.Solo, source: str, outputs: Outputs) -> None:
        name = frozenset((self._state(command.voice).voice.name,))
        solo = self.tonight.solo | name if command.on else self.tonight.solo - name
        self._keys_only(replace(self.tonight, solo=solo))

    def _keys_only(self, tonight: Tonight) -> None:
        """Solo and mute act on the keys to come, never on one that is down."""
        self.tonight = tonight
        self._engine.assigner.use(self.scene, tonight)
