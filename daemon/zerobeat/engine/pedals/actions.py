"""What each action of a foot does to the engine, in one line said to the player."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from ...errors import CommandError
from .. import commands
from ..ledger import Outputs
from .bindings import WHOLE_SETTINGS, Binding

if TYPE_CHECKING:
    from ..engine import Engine

_Heard = tuple[str, str, int, int]  # input, source, channel, number
# What a scene file allows either side of zero.
LIMITS = {
    "detune_cents": 1200.0,
    "detune_beats_hz": 20.0,
    "semitones": 127,
    "octaves": 10,
    "degrees": 1000,
}
NEAR = 1.0 / 127.0  # of a pedal's way: one step of a controller


class Actions:
    """Turns bindings into commands; what a momentary changed is put back as it was."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._before: dict[Binding, Any] = {}
        self._at: dict[tuple[Binding, str], float] = {}  # where a pedal stood last
        self._caught: dict[tuple[Binding, str], float] = {}  # the value it set last
        self.sustain: set[Binding] = set()
        self.rooting: set[Binding] = set()
        self._done: dict[str, Callable[[Binding, bool, _Heard, Outputs], str]] = {
            "recall": self._recall,
            "next": lambda b, on, heard, outputs: self._step(1, outputs),
            "previous": lambda b, on, heard, outputs: self._step(-1, outputs),
            "cancel": lambda b, on, heard, outputs: self._plain(
                commands.CancelWaiting(), b, outputs
            ),
            "trigger": lambda b, on, heard, outputs: self._plain(commands.TriggerNow(), b, outputs),
            "panic": lambda b, on, heard, outputs: self._plain(commands.Panic(), b, outputs),
            "hold": self._hold,
            "transpose": self._transpose,
            "set": self._set,
            "set_root": self._set_root,
            "bypass": self._bypass,
            "mute": lambda b, on, heard, outputs: self._one(commands.Mute, b, on, outputs),
            "solo": lambda b, on, heard, outputs: self._one(commands.Solo, b, on, outputs),
            "sustain": self._sustain,
        }

    def do(self, binding: Binding, on: bool, heard: _Heard, outputs: Outputs) -> str:
        """Do an action; ``on`` False takes it back.

        Raises:
            CommandError: it can't be done; nothing has changed.
        """
        return self._done[binding.action](binding, on, heard, outputs)

    def is_on(self, binding: Binding, last: bool = False) -> bool:
        """Return whether what a toggle or a light stands for is in force, whoever set it (F8).

        Args:
            binding: of an action that is on or off, or of a scene.
            last: what its switch did last, for actions that leave no other trace.
        """
        engine = self._engine
        live = engine.live
        tonight = live.tonight
        action = binding.action
        if action == "bypass":
            names = set(engine.states) if binding.voice is None else {binding.voice}
            return bool(names) and names <= tonight.bypass
        if action in ("mute", "solo"):
            return binding.voice in getattr(tonight, action)
        if action == "hold":
            return (live.waiting_scene or live.scene).hold == binding.hold
        if action == "recall":
            return (live.waiting_scene or live.scene).name == binding.scene
        if action in ("trigger", "cancel"):
            return live.waiting_scene is not None or any(
                state.waiting is not None for state in engine.states.values()
            )
        if action == "sustain":
            return binding in self.sustain
        if action == "set_root":
            return binding in self.rooting
        if action in ("store", "revert"):
            return live.unsaved
        if action in ("set", "transpose"):
            return binding in self._before
        return last

    # ------------------------------------------------------------ scenes

    def _recall(self, binding: Binding, on: bool, heard: _Heard, outputs: Outputs) -> str:
        engine = self._engine
        name = binding.scene
        if name is None:
            pedalboard = engine.rig.pedalboards.get(heard[0])
            ignore = pedalboard is not None and pedalboard.ignore_banks
            bank = None if ignore else engine.scenes.bank_of((heard[0], heard[2]))
            name = engine.scenes.of_program(heard[3], bank).name
        engine.do(commands.RecallScene(name), outputs)
        return f"recall {name}"

    def _step(self, steps: int, outputs: Outputs) -> str:
        self._engine.do(commands.StepScene(steps), outputs)
        live = self._engine.live
        name = (live.waiting_scene or live.scene).name
        return f"{'next' if steps > 0 else 'previous'}: {name}"

    def _plain(self, command: commands.Command, binding: Binding, outputs: Outputs) -> str:
        self._engine.do(command, outputs)
        return binding.action

    def _hold(self, binding: Binding, on: bool, heard: _Heard, outputs: Outputs) -> str:
        live = self._engine.live
        now = (live.waiting_scene or live.scene).hold
        if on:
            if now != binding.hold:
                self._before[binding] = now
            hold = binding.hold
        else:
            hold = self._before.pop(binding, live.bank.get(live.scene.name, live.scene).hold)
            hold = "note" if hold == binding.hold and binding.hold != "note" else hold
        self._engine.do(commands.ChangeScene((("hold", hold),)), outputs)
        return f"hold {hold}"

    # ------------------------------------------------------------ settings

    def _transpose(self, binding: Binding, on: bool, heard: _Heard, outputs: Outputs) -> str:
        now = self._engine.live.tonight.transpose_semitones
        if not on:
            if binding not in self._before:
                return "transpose: nothing to take back"
            before = self._before.pop(binding)
            following = before if binding.by is None else now - int(binding.by)
        else:
            following = int(binding.to or 0) if binding.by is None else now + int(binding.by)
            if binding.kind != "trigger":
                self._before.setdefault(binding, now)
        self._engine.do(commands.ChangeTonight(transpose_semitones=following), outputs)
        return f"transposed {following:+d}"

    def _wanted(self, binding: Binding) -> dict[str, float]:
        """Return the value last asked for of a binding's setting, by voice."""
        states = self._engine.states
        names = states if binding.voice is None else (binding.voice,)
        return {
            name: getattr(states[name].waiting or states[name].settings, binding.setting or "")
            for name in names
            if name in states
        }

    def _set(self, binding: Binding, on: bool, heard: _Heard, outputs: Outputs) -> str:
        now = self._wanted(binding)
        scene = (self._engine.live.waiting_scene or self._engine.live.scene).name
        if on:
            following = {
                name: binding.to if binding.by is None else value + binding.by
                for name, value in now.items()
            }
            if binding.kind != "trigger":
                self._before[binding] = (scene, now, following)
        else:
            of, before, set_to = self._before.pop(binding, (None, {}, {}))
            if of != scene:
                return f"{binding.setting}: another scene came, left alone"
            following = {n: v for n, v in before.items() if n in now and now[n] == set_to.get(n)}
        for name, value in following.items():
            self._change(name, binding, value, outputs)
        shown = sorted({f"{value:+g}" for value in following.values()}) or ["left alone"]
        return f"{binding.voice or 'all'}: {binding.setting} {', '.join(shown)}"

    def _change(self, voice: str, binding: Binding, value: Any, outputs: Outputs) -> None:
        setting = binding.setting or ""
        state = self._engine.states[voice]
        if setting == "degrees" and (state.waiting or state.settings).scale is None:
            raise CommandError(f"{voice} has a continuous scale; degrees need another")
        kept = round(value) if setting in WHOLE_SETTINGS else float(value)
        limit = LIMITS[setting]
        kept = max(-limit, min(limit, kept))
        self._engine.do(commands.ChangeVoice(voice, ((setting, kept),)), outputs)

    # ------------------------------------------------------------ pedals

    def follow(self, binding: Binding, position: int, outputs: Outputs) -> str:
        """Let a setting follow a pedal, 0 to 127, from where it passes the value in force (F11)."""
        way = binding.highest - binding.lowest
        place = binding.lowest + way * position / 127.0
        moved = False
        for name, value in self._wanted(binding).items():
            key = (binding, name)
            last = self._at.get(key)
            self._at[key] = place
            if binding.pick_up and self._caught.get(key) != value:
                self._caught.pop(key, None)
                if not self._passes(last, place, value, abs(way) * NEAR, binding):
                    continue
            whole = binding.setting in WHOLE_SETTINGS
            wanted = float(round(place)) if whole else place
            if wanted != value:
                self._change(name, binding, wanted, outputs)
            self._caught[key] = self._wanted(binding)[name]
            moved = True
        if not moved:
            return f"{binding.voice or 'all'}: {binding.setting} not picked up yet"
        return f"{binding.voice or 'all'}: {binding.setting} {place:+.3g}"

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

    def _bypass(self, binding: Binding, on: bool, heard: _Heard, outputs: Outputs) -> str:
        self._engine.do(commands.Bypass(binding.voice, on), outputs)
        return f"{binding.voice or 'all'}: {'played raw' if on else 'corrected'}"

    def _one(self, make: Any, binding: Binding, on: bool, outputs: Outputs) -> str:
        self._engine.do(make(binding.voice, on), outputs)
        return f"{binding.voice}: {binding.action} {'on' if on else 'off'}"

    def _sustain(self, binding: Binding, on: bool, heard: _Heard, outputs: Outputs) -> str:
        (self.sustain.add if on else self.sustain.discard)(binding)
        self._engine.keyboard.foot_sustain(bool(self.sustain), outputs)
        return f"sustain {'down' if on else 'up'}"

    def _set_root(self, binding: Binding, on: bool, heard: _Heard, outputs: Outputs) -> str:
        self._engine.do(commands.RootKey(on, binding.voice), outputs)
        (self.rooting.add if on else self.rooting.discard)(binding)
        return f"{binding.voice or 'all'}: {'a key sets the root' if on else 'root set'}"
