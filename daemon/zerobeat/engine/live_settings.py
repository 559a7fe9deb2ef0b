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
from .global_settings import OverAll
from .hold import UNTIL_TRIGGER, Triggers
from .ledger import Outputs
from .player import START_SOURCE
from .settings import Hold, Scene, Tonight, VoiceSettings
from .voice import Held, VoiceState

if TYPE_CHECKING:
    from .engine import Engine

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
    )
)
_SCENE_FIELDS = AT_ONCE | {"zones"}


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
        self.triggers = Triggers(engine, self.scene)

    def handlers(self) -> dict[type, Callable[[Any, str, Outputs], None]]:
        """Return what serves each command about settings."""
        return {
            commands.ChangeVoice: self._change_voice,
            commands.ChangeScene: self._change_scene,
            commands.TriggerNow: self.triggers.now,
            commands.RootKey: self._root_key,
            commands.CancelWaiting: self._cancel,
            **OverAll(self._engine, self).handlers(),
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

    def parts(self) -> tuple[object, ...]:
        """Return all that a change swaps for another; the same ones (``is``) mean no change."""
        parts: list[object] = [self.tonight, self.scene, self.waiting_scene, self.bank]
        for state in self._engine.states.values():
            parts += (state.settings, state.waiting)
        return tuple(parts)

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
        at_once = self.lands_at_once(self.waiting_hold)
        states = self._engine.states.items()
        landed = [state for name, state in states if self._ask(state, scene.of(name))]
        if at_once:
            self.land_scene(outputs)
        self._move(landed, outputs)

    def lands_at_once(self, hold: Hold) -> bool:
        """True if what is asked for now does not wait."""
        return hold == "none" or self.triggers.too_late_to_wait(hold)

    def _ask(self, state: VoiceState, settings: VoiceSettings) -> bool:
        """Want settings for a voice; True if they have landed and it is to be moved."""
        hold = self.hold_of(state)
        if settings == state.settings:
            state.waiting = None
            return False
        state.waiting, state.waiting_hold = settings, hold
        if not self.lands_at_once(hold):
            return False
        self.land(state)
        return True

    def _move(self, landed: list[VoiceState], outputs: Outputs) -> None:
        """Bring what sounds to settings that have landed."""
        for state in landed:
            if not state.read_due:  # else it moves when its key is read
                self._engine.current = state
                self._engine.player.relocate(state, outputs)

    def _change_voice(self, command: commands.ChangeVoice, source: str, outputs: Outputs) -> None:
        changes = self._checked(command.changes, _VOICE_FIELDS)
        states = (
            self._engine.states.values() if command.voice is None else (self.state(command.voice),)
        )
        if set(changes) == {"hold"}:  # it rules what is asked from now on
            for state in states:
                state.settings = replace(state.settings, **changes)
                if state.waiting is not None:
                    state.waiting = replace(state.waiting, **changes)
                self.triggers.rule(state)
            return
        wanted = [replace(state.waiting or state.settings, **changes) for state in states]
        asked = zip(states, wanted, strict=True)
        self._move([state for state, settings in asked if self._ask(state, settings)], outputs)

    def _root_key(self, command: commands.RootKey, source: str, outputs: Outputs) -> None:
        if command.voice is None:
            names = frozenset(self._engine.states)
        else:
            names = frozenset((self.state(command.voice).voice.name,))
        self.root_voices = self.root_voices | names if command.on else self.root_voices - names

    def set_root(self, key: int, outputs: Outputs) -> None:
        """Let a key be the root of the voices that wait for one; it lands as the hold says."""
        states = [s for name, s in self._engine.states.items() if name in self.root_voices]
        landed = [s for s in states if self._ask(s, replace(s.waiting or s.settings, root=key))]
        self._move(landed, outputs)

    def _change_scene(self, command: commands.ChangeScene, source: str, outputs: Outputs) -> None:
        changes = self._checked(command.changes, _SCENE_FIELDS)
        waiting, hold = self.waiting_scene, self.scene.hold
        if set(changes) == {"hold"} or waiting is None or waiting.name == self.scene.name:
            now = {name: value for name, value in changes.items() if name in AT_ONCE}
            changes = {name: value for name, value in changes.items() if name not in now}
            self.use(replace(self.scene, **now))
            self.triggers.rule_all()
            if waiting is not None and waiting.name == self.scene.name:
                self.waiting_scene = waiting = replace(waiting, **now)
        if not changes:
            return
        self.waiting_scene = replace(waiting or self.scene, **changes)
        self.waiting_hold = hold
        if self.lands_at_once(hold):
            self.land_scene(outputs)

    @staticmethod
    def _checked(changes: tuple[tuple[str, Any], ...], allowed: frozenset[str]) -> dict[str, Any]:
        for name, _ in changes:
            if name not in allowed:
                raise CommandError(
                    f"setting: found {name!r}; allowed: {', '.join(sorted(allowed))}"
                )
        return dict(changes)

    def state(self, name: str) -> VoiceState:
        """Return a voice by name, or refuse it."""
        state = self._engine.states.get(name)
        if state is None:
            names = ", ".join(self._engine.states)
            raise CommandError(f"voice: found {name!r}; allowed: {names}")
        return state

    # ------------------------------------------------------------ landing

    def use(self, scene: Scene) -> None:
        """Put a scene's own part in force, but for its zones."""
        self.scene = scene
        self.triggers.use(scene)

    def land(self, state: VoiceState) -> None:
        """Put what waits for a voice in force, for its next note."""
        if state.waiting is not None:
            state.settings, state.waiting = state.waiting, None
            state.chain = Chain(state.voice, state.settings, self.tonight)
            self.triggers.rule(state)

    def land_scene(self, outputs: Outputs) -> None:
        """Put a scene's own part in force."""
        scene = self.waiting_scene
        if scene is None:
            return
        recalled = scene.name != self.scene.name
        self.waiting_scene = None
        self.use(scene)
        self.triggers.rule_all()
        engine = self._engine
        engine.assigner.use(scene, self.tonight)
        if not recalled:
            return
        if engine.measuring.running:
            engine.measuring.stop("a scene", outputs)
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

    def waits_for_trigger(self) -> bool:
        """True if anything waits for a trigger."""
        return (self.waiting_scene is not None and self.waiting_hold in UNTIL_TRIGGER) or any(
            state.waiting is not None and state.waiting_hold in UNTIL_TRIGGER
            for state in self._engine.states.values()
        )

    def land_triggered(self, outputs: Outputs) -> list[VoiceState]:
        """Put all that waits for a trigger in force; return the voices that were changed."""
        landed = [
            state
            for state in self._engine.states.values()
            if state.waiting is not None and state.waiting_hold in UNTIL_TRIGGER
        ]
        for state in landed:
            self.land(state)
        if self.waiting_hold in UNTIL_TRIGGER:
            self.land_scene(outputs)
        return landed

    def _cancel(self, command: object, source: str, outputs: Outputs) -> None:
        self.waiting_scene = None
        for state in self._engine.states.values():
            state.waiting = None
