"""What each action of a pedal does to the engine, in one line said to the player.

``Actions.plan`` checks all that an action needs and changes nothing; what it returns carries
the action out and can't be refused.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

from ...errors import CommandError
from .. import commands
from ..dispatch import Dispatcher
from ..engine_state import EngineState
from ..ledger import Outputs
from ..live_settings import Live
from ..scenes import Scenes
from ..settings import Hold
from .bindings import WHOLE_SETTINGS, Binding
from .layers import (
    SwitchKey,
    SwitchPlace,
    is_layer,
    kept_value,
    transposed,
    transposition_field,
)

NEAR = 1.0 / 127.0  # of a pedal's way: one step of a controller

PlannedAct = Callable[[Outputs], str]  # carries out what was checked; returns what is said
LayerPlace = tuple[Binding, str]  # with the input's name
FollowPlace = tuple[Binding, str, str]  # with the input's name and the voice's
Planned = Callable[[Binding, bool, SwitchPlace], PlannedAct]


class _Toggled:
    """What a toggle set of the voices' settings, and what was there before."""

    __slots__ = ("scene", "before", "set_to")

    def __init__(self, scene: str, before: dict[str, float], set_to: dict[str, float]) -> None:
        self.scene = scene
        self.before = before
        self.set_to = set_to


class Actions:
    """Turns bindings into commands and layers."""

    def __init__(self, shared: EngineState, table: Dispatcher, live: Live, scenes: Scenes) -> None:
        self._shared = shared
        self._table = table
        self._live = live
        self._scenes = scenes
        self._transposed_from: dict[LayerPlace, float] = {}
        self._held_from: dict[LayerPlace, Hold] = {}
        self._toggled: dict[LayerPlace, _Toggled] = {}
        self._at: dict[FollowPlace, float] = {}  # where a pedal stood last
        self._caught: dict[FollowPlace, float] = {}  # the value it set last
        self._plans: dict[str, Planned] = {
            "recall": self._recall,
            "next": lambda binding, on, place: self._step(1),
            "previous": lambda binding, on, place: self._step(-1),
            "cancel": lambda binding, on, place: self._plain(commands.CancelWaiting(), binding),
            "trigger": lambda binding, on, place: self._plain(commands.TriggerNow(), binding),
            "panic": lambda binding, on, place: self._plain(commands.Panic(), binding),
            "hold": self._hold,
            "transpose": self._transpose,
            "set": self._set,
            "bypass": self._bypass,
            "mute": self._mute,
            "solo": self._solo,
        }

    def plan(self, binding: Binding, on: bool, place: SwitchPlace) -> PlannedAct:
        """Check an action and return what carries it out; ``on`` False takes it back.

        Raises:
            CommandError: it can't be done; nothing has changed.
        """
        if is_layer(binding):
            return self._layer(binding, on, place)
        return self._plans[binding.action](binding, on, place)

    def is_on(self, binding: Binding, name: str) -> bool:
        """Return whether what a toggle or a light stands for is in force, whoever set it (F8).

        Args:
            binding: of an action that is on or off, or of a scene.
            name: of the input that the binding is for.
        """
        shared = self._shared
        action = binding.action
        if action in ("bypass", "mute", "solo"):
            names = set(shared.voices) if binding.voice is None else {binding.voice}
            if action == "bypass" and binding.keep_touch_up:
                return bool(names) and names <= shared.tonight.keep_touch_up
            if action == "bypass" and names & shared.tonight.keep_touch_up:
                return False
            return bool(names) and names <= getattr(shared.tonight, action)
        if action == "hold":
            return shared.scene.hold == binding.hold
        if action == "recall":
            return shared.wanted_scene.name == binding.scene
        if action in ("trigger", "cancel"):
            return shared.something_waits
        if action in ("store", "revert"):
            return self._live.unsaved
        if is_layer(binding):
            return bool(shared.layers.of(binding, name))
        if action == "transpose":
            return self._is_transposed(binding, name)
        return action == "set" and self._is_set(binding, name)

    def unplugged(self, name: str) -> None:
        """Forget where the pedals of an input stood: they may have moved meanwhile."""
        for places in (self._at, self._caught):
            for place in [place for place in places if place[1] == name]:
                del places[place]

    def renamed(self, before: str, now: str) -> None:
        """Go on with what was toggled in a scene that has another name now."""
        for toggled in self._toggled.values():
            if toggled.scene == before:
                toggled.scene = now

    def forget(self, keep: Callable[[Binding, str], bool]) -> None:
        """Forget what bindings had changed that are in force no more."""
        for places in (self._at, self._caught):
            for gone in [gone for gone in places if not keep(*gone[:2])]:
                del places[gone]
        for place in {*self._transposed_from, *self._held_from, *self._toggled}:
            if not keep(*place):
                self._transposed_from.pop(place, None)
                self._held_from.pop(place, None)
                self._toggled.pop(place, None)

    # ------------------------------------------------------------ layers

    def _layer(self, binding: Binding, on: bool, place: SwitchPlace) -> PlannedAct:
        shared = self._shared
        key: SwitchKey = (binding, place)
        if on:
            self._check_layer(binding)

        def act(outputs: Outputs) -> str:
            layers = shared.layers
            if on:
                layers.begin(key)
            elif binding.kind == "momentary":
                layers.end((key,))
            else:  # toggled on, maybe by the same switch on another channel
                layers.end(layers.of(binding, place[0]))
            self._live.layers_changed(outputs)
            return self._layer_text(binding, on)

        return act

    def _check_layer(self, binding: Binding) -> None:
        shared = self._shared
        if binding.action == "transpose":
            now = getattr(shared.tonight, transposition_field(binding))
            self._table.check(_transpose_to(binding, transposed(binding, now)))
        elif binding.action == "set":
            self._check_setting(binding, shared.names(binding.voice))
        elif binding.action not in ("sustain", "latch", "hold"):
            shared.names(binding.voice)

    def _layer_text(self, binding: Binding, on: bool) -> str:
        who = binding.voice or "all"
        shared = self._shared
        if binding.action == "latch":
            return f"latch {'on' if on else 'off'}"
        if binding.action == "sustain":
            return f"sustain {'down' if on else 'up'}"
        if binding.action == "set_root":
            return f"{who}: {'a key sets the root' if on else 'root set'}"
        if binding.action == "transpose":
            return _transposed_text(binding, getattr(shared.tonight, transposition_field(binding)))
        if binding.action == "hold":
            return f"hold {shared.scene.hold}"
        if binding.action == "bypass":
            return _bypass_text(binding, on)
        if binding.action == "set":
            names = [name for name in shared.voices if binding.voice in (None, name)]
            values = (getattr(shared.voices[name].wanted, binding.setting or "") for name in names)
            return _set_text(binding, values)
        return f"{binding.voice}: {binding.action} {'on' if on else 'off'}"

    # ------------------------------------------------------------ scenes

    def _command(self, command: commands.Command, said: str) -> PlannedAct:
        """Check a command; return what carries it out."""
        handler = self._table.check(command)

        def act(outputs: Outputs) -> str:
            handler.act(command, outputs)
            return said

        return act

    def _plain(self, command: commands.Command, binding: Binding) -> PlannedAct:
        return self._command(command, binding.action)

    def _recall(self, binding: Binding, on: bool, place: SwitchPlace) -> PlannedAct:
        name = binding.scene
        if name is None:
            pedalboard = self._shared.rig.pedalboards.get(place[0])
            ignore = pedalboard is not None and pedalboard.ignore_banks
            bank = None if ignore else self._scenes.bank_of((place[0], place[2]))
            name = self._scenes.of_program(place[3], bank).name
        return self._command(commands.RecallScene(name), f"recall {name}")

    def _step(self, steps: int) -> PlannedAct:
        step = self._command(commands.StepScene(steps), "")

        def act(outputs: Outputs) -> str:
            step(outputs)
            name = self._shared.wanted_scene.name
            return f"{'next' if steps > 0 else 'previous'}: {name}"

        return act

    def _hold(self, binding: Binding, on: bool, place: SwitchPlace) -> PlannedAct:
        shared = self._shared
        key = (binding, place[0])
        scene = shared.base_scene  # one that waits brings a hold of its own
        if on:
            hold: Hold = binding.hold or "note"
        else:
            stored = shared.bank.get(scene.name, scene).hold
            hold = self._held_from.get(key, stored)
            hold = "note" if hold == binding.hold and binding.hold != "note" else hold
        change = self._command(commands.ChangeScene((("hold", hold),)), f"hold {hold}")

        def act(outputs: Outputs) -> str:
            if on and scene.hold != hold:
                self._held_from[key] = scene.hold
            elif not on:
                self._held_from.pop(key, None)
            return change(outputs)

        return act

    # ------------------------------------------------------------ settings

    def _transpose(self, binding: Binding, on: bool, place: SwitchPlace) -> PlannedAct:
        key = (binding, place[0])
        now = self._transposition(binding)
        if on:
            following = transposed(binding, now)
        elif binding.by is not None:
            following = transposed(replace(binding, by=-binding.by), now)
        else:
            following = self._transposed_from.get(key, type(now)(0))
        command = _transpose_to(binding, following)
        change = self._command(command, _transposed_text(binding, following))

        def act(outputs: Outputs) -> str:
            if on and binding.kind != "trigger":
                self._transposed_from[key] = now
            elif not on:
                self._transposed_from.pop(key, None)
            return change(outputs)

        return act

    def _is_transposed(self, binding: Binding, name: str) -> bool:
        now = self._transposition(binding)
        before = self._transposed_from.get((binding, name))
        if binding.by is not None:
            return now == transposed(binding, before or 0)
        to = transposed(binding, now)
        return now == to and (before is not None or to != 0)

    def _transposition(self, binding: Binding) -> float:
        """Return the stored transposition in the unit of a binding."""
        value: float = getattr(self._shared.base_tonight, transposition_field(binding))
        return value

    def _base_values(self, binding: Binding) -> dict[str, float]:
        """Return the stored value last asked for of a binding's setting, by voice."""
        states = self._shared.voices
        names = self._shared.names(binding.voice)
        setting = binding.setting or ""
        return {n: getattr(states[n].wanted_base, setting) for n in states if n in names}

    def _set(self, binding: Binding, on: bool, place: SwitchPlace) -> PlannedAct:
        key = (binding, place[0])
        now = self._base_values(binding)
        scene = self._shared.wanted_scene.name
        if on:
            wanted = {
                name: (binding.to or 0.0) if binding.by is None else value + binding.by
                for name, value in now.items()
            }
        else:
            before = self._toggled[key].before  # only what was toggled on goes off
            wanted = {name: value for name, value in before.items() if name in now}
        change, following = self._changes(binding, wanted)

        def act(outputs: Outputs) -> str:
            if on and binding.kind != "trigger":
                self._toggled[key] = _Toggled(scene, now, following)
            elif not on:
                self._toggled.pop(key, None)
            change(outputs)
            return _set_text(binding, following.values())

        return act

    def _is_set(self, binding: Binding, name: str) -> bool:
        toggled = self._toggled.get((binding, name))
        if toggled is None or toggled.scene != self._shared.wanted_scene.name:
            return False
        states = self._shared.voices
        setting = binding.setting or ""
        return all(
            voice in states and getattr(states[voice].wanted_base, setting) == value
            for voice, value in toggled.set_to.items()
        )

    def _check_setting(self, binding: Binding, names: Iterable[str]) -> None:
        """Refuse degrees for a voice with a continuous scale, where they mean nothing."""
        if binding.setting != "degrees":
            return
        for name in self._shared.voices:
            if name in names and self._shared.voices[name].wanted_base.scale is None:
                raise CommandError(f"{name} has a continuous scale; degrees need another")

    def _changes(
        self, binding: Binding, wanted: dict[str, float]
    ) -> tuple[Callable[[Outputs], None], dict[str, float]]:
        """Check the changes of a setting of several voices; return what carries all of them out."""
        setting = binding.setting or ""
        self._check_setting(binding, wanted)
        following = {name: kept_value(setting, value) for name, value in wanted.items()}
        checked = [
            self._command(commands.ChangeVoice(name, ((setting, value),)), "")
            for name, value in following.items()
        ]

        def act(outputs: Outputs) -> None:
            for change in checked:
                change(outputs)

        return act, following

    # ------------------------------------------------------------ pedals

    def follow(self, binding: Binding, input_name: str, position: int) -> PlannedAct:
        """Let a setting follow a pedal, 0 to 127, from where it passes the value in force (F11).

        Raises:
            CommandError: it can't be set; no setting has changed.
        """
        way = binding.highest - binding.lowest
        at = binding.lowest + way * position / 127.0
        whole = binding.setting in WHOLE_SETTINGS
        wanted: dict[str, float] = {}
        caught: list[str] = []
        for name, value in self._base_values(binding).items():
            key = (binding, input_name, name)
            last = self._at.get(key)
            self._at[key] = at
            free = binding.pick_up and self._caught.get(key) != value
            if free and not self._passes(last, at, value, abs(way) * NEAR, binding):
                self._caught.pop(key, None)
                continue
            caught.append(name)
            following = float(round(at)) if whole else at
            if following != value:
                wanted[name] = following
        change, _ = self._changes(binding, wanted)

        def act(outputs: Outputs) -> str:
            change(outputs)
            values = self._base_values(binding)
            for name in caught:
                self._caught[binding, input_name, name] = values[name]
            who = f"{binding.voice or 'all'}: {binding.setting}"
            return f"{who} {at:+.3g}" if caught else f"{who} not picked up yet"

        return act

    @staticmethod
    def _passes(
        last: float | None, place: float, value: float, near: float, binding: Binding
    ) -> bool:
        """Return whether a pedal is at a value, or has passed it, however fast it moved."""
        reach = 0.5 if binding.setting in WHOLE_SETTINGS else near
        if abs(place - value) <= reach:
            return True
        return last is not None and (last - value) * (place - value) <= 0.0

    # ------------------------------------------------------------ voices

    def _bypass(self, binding: Binding, on: bool, place: SwitchPlace) -> PlannedAct:
        command = commands.Bypass(binding.voice, on, binding.keep_touch_up)
        return self._command(command, _bypass_text(binding, on))

    def _mute(self, binding: Binding, on: bool, place: SwitchPlace) -> PlannedAct:
        said = f"{binding.voice}: mute {'on' if on else 'off'}"
        return self._command(commands.Mute(binding.voice or "", on), said)

    def _solo(self, binding: Binding, on: bool, place: SwitchPlace) -> PlannedAct:
        said = f"{binding.voice}: solo {'on' if on else 'off'}"
        return self._command(commands.Solo(binding.voice or "", on), said)


def _transpose_to(binding: Binding, value: float) -> commands.ChangeTonight:
    changes: dict[str, Any] = {transposition_field(binding): value}
    return commands.ChangeTonight(**changes)


def _transposed_text(binding: Binding, value: float) -> str:
    if binding.unit == "semitones":
        return f"transposed {value:+g}"
    unit = "ct" if binding.unit == "cents" else "steps of the scale"
    return f"transposed {value:+g} {unit}"


def _bypass_text(binding: Binding, on: bool) -> str:
    kept = ", with its touch-up" if binding.keep_touch_up else ""
    return f"{binding.voice or 'all'}: {f'played raw{kept}' if on else 'corrected'}"


def _set_text(binding: Binding, values: Iterable[float]) -> str:
    shown = sorted({f"{value:+g}" for value in values}) or ["left alone"]
    return f"{binding.voice or 'all'}: {binding.setting} {', '.join(shown)}"
