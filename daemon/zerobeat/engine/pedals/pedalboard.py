"""What a foot means: switches and pedals become commands, at once or after a long press.

| binding | acts |
| --- | --- |
| a switch | at its first edge; what comes within the debounce time is bounce |
| with `long_press_s` | once it has been held so long |
| beside one with `long_press_s` | when it comes up, if that was sooner |
| `follow` | with each move, once it has passed the value in force |
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

from ...errors import CommandError
from ...midi import ControlChange, Message, NoteOff, NoteOn, ProgramChange
from .. import commands
from ..ledger import Outputs
from ..scenes import BANK_LSB, BANK_MSB
from .actions import Actions
from .binding_lookup import MOST_SWITCHES, Bound, Heard
from .bindings import PRESSED, Binding, FootRequest
from .lights import Lights
from .switch import Switch

if TYPE_CHECKING:
    from ..engine import Engine

AGAIN_S = 3.0  # a store without a long press wants its second press within this


class Pedals:
    """The switches of every input.

    Attributes:
        requests: what feet ask for that the engine can't do; whoever runs it empties the list.
        said: the last thing a foot did, or why it was refused.
        refused: it was.
        lights: of the pedalboards.
        bound: what each switch is bound to.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._actions = Actions(engine)
        self.bound = Bound()
        self._switches: dict[tuple[Binding, Heard], Switch] = {}
        self._pending: dict[tuple[Binding, Heard], Switch] = {}  # those that want ``wake``
        self._taken: set[Heard] = set()  # notes whose release is ours too
        self._again: tuple[Binding, float] | None = None  # a store that wants its second press
        self.requests: list[FootRequest] = []
        self.said = ""
        self.refused = False
        self.lights = Lights(engine, self._actions)
        self.refresh()

    def refresh(self) -> None:
        """Read the bindings of the rig in force; a switch whose binding goes comes up."""
        rig = self._engine.rig
        self.bound.use([source.name for source in rig.inputs], rig.pedalboards)
        self.lights.use(self.bound.with_feedback())

    def handlers(self) -> dict[type, Callable[[Any, str, Outputs], None]]:
        """Return what serves each command about bindings and lights."""
        return {
            commands.UseLearned: self.use_learned,
            commands.LightsBack: lambda command, source, outputs: self.lights.back(command.input),
            commands.LightsLost: lambda command, source, outputs: self.lights.lost(command.input),
        }

    def use_learned(self, command: commands.UseLearned, source: str, outputs: Outputs) -> None:
        """Take the bindings that ``learn`` has written, all of them."""
        self.bound.learned = command.learned
        self.refresh()
        self.let_go(outputs)

    # ------------------------------------------------------------ hearing

    def take(self, message: Message, source: str, outputs: Outputs) -> bool:
        """Do what a message of an input means; True if it means something here.

        Bank select is remembered and goes its usual way all the same.
        """
        if not self.bound.has(source) and not self._taken:
            return False
        kind = type(message)
        if kind is ControlChange:
            heard = (source, "controller", message.channel, message.controller)
            value, pressed = message.value, message.value >= PRESSED
            if message.controller in (BANK_MSB, BANK_LSB):
                place = (source, message.channel)
                self._engine.scenes.bank_select(place, message.controller, value)
        elif kind is ProgramChange:
            heard = (source, "program", message.channel, message.program)
            value, pressed = message.program, True
        elif kind is NoteOn:
            heard = (source, "note", message.channel, message.note)
            value, pressed = message.velocity, True
        elif kind is NoteOff:
            heard = (source, "note", message.channel, message.note)
            if heard not in self._taken:
                return False
            self._taken.discard(heard)
            value, pressed = 0, False
        else:
            return False
        bound = self.bound.of(heard)
        if not bound and kind is not NoteOff:
            if kind is NoteOn:
                self._taken.discard(heard)  # a switch once; now its note-off is a key's
            return False
        if self.lights.sent_just_now(source, message):
            self._engine.counts["echo of a light"] += 1  # F9
            return True
        if kind is NoteOn:
            self._taken.add(heard)
            # Down as a key since before it was bound, its note-off lost (requirement M24).
            self._engine.keyboard.key_up((source, message.channel), message.note, outputs)
        for binding in bound:
            self._hear(binding, heard, value, pressed, outputs)
        if not pressed:
            self.lights.released(source, heard[1], heard[2], heard[3])
        return True

    def _hear(
        self, binding: Binding, heard: Heard, value: int, pressed: bool, outputs: Outputs
    ) -> None:
        if binding.kind == "follow":
            self._do(
                binding, heard, lambda: self._actions.follow(binding, value, outputs), quiet=True
            )
            return
        switch = self._switch(binding, heard)
        if binding.source == "program":
            switch.down = False  # it has no release
            switch.raw = False
        edge = switch.edge(value, pressed, self._engine.now_s)
        if edge is not None:
            self._edge(switch, edge, outputs)
        if binding.source == "program":
            switch.raw = switch.down = False
        if switch.wake_at_s is not None:
            self._pending[binding, heard] = switch

    def _switch(self, binding: Binding, heard: Heard) -> Switch:
        switch = self._switches.get((binding, heard))
        if switch is None:
            if len(self._switches) >= MOST_SWITCHES:
                self._switches = {k: s for k, s in self._switches.items() if s.down or s.on}
            switch = Switch(heard[0], binding, heard[2], heard[3])
            self._switches[binding, heard] = switch
        return switch

    # ------------------------------------------------------------ presses

    def _edge(self, switch: Switch, pressed: bool, outputs: Outputs) -> None:
        binding = switch.binding
        if binding.long_press_s:
            if pressed:
                switch.long_at_s = self._engine.now_s + binding.long_press_s
                return
            was_long, switch.long_at_s = switch.long_at_s is None, None
            if was_long:
                self._act(switch, False, outputs)
        elif binding.kind in ("trigger", "toggle") and self._has_long(switch):
            if pressed:
                switch.owed = True
            elif switch.owed:
                switch.owed = False
                self._act(switch, True, outputs)
        else:
            self._act(switch, pressed, outputs)

    def _beside(self, switch: Switch) -> Iterator[Binding]:
        heard = (switch.input, switch.binding.source, switch.channel, switch.number)
        return (b for b in self.bound.of(heard) if b is not switch.binding)

    def _has_long(self, switch: Switch) -> bool:
        return any(other.long_press_s for other in self._beside(switch))

    def _long(self, switch: Switch, outputs: Outputs) -> None:
        switch.long_at_s = None
        heard = (switch.input, switch.binding.source, switch.channel, switch.number)
        for other in self._beside(switch):
            beside = self._switches.get((other, heard))
            if beside is not None:
                beside.owed = False
        self._act(switch, True, outputs)

    def _act(self, switch: Switch, pressed: bool, outputs: Outputs) -> None:
        """Do what a press or release of a switch means, by its kind."""
        binding = switch.binding
        kind = binding.kind
        if kind == "latching":
            on = not self._actions.is_on(binding, switch.on)
        elif kind == "momentary":
            on = pressed
            if not pressed and not switch.on:
                return
        elif not pressed:
            return
        else:
            on = kind == "trigger" or not self._actions.is_on(binding, switch.on)
        heard = (switch.input, binding.source, switch.channel, switch.number)

        def act() -> str:
            said = self._actions.do(binding, on, heard, outputs)
            switch.on = on
            return said

        if binding.action in ("store", "revert", "touch_up", "go_on"):
            self._do(binding, heard, lambda: self._ask(binding, switch.input))
        else:
            self._do(binding, heard, act)

    def _do(
        self, binding: Binding, heard: Heard, act: Callable[[], str], quiet: bool = False
    ) -> None:
        try:
            said = act()
            self.refused = False
        except CommandError as error:
            said = f"{binding.action}: {error}"
            self.refused, quiet = True, False
            self._engine.counts["refused by foot"] += 1
        if not quiet or self.said == "":
            self.said = f"{heard[0]}: {said}"
        self.lights.look(anew=True)

    # ------------------------------------------------------------ asking others

    def _ask(self, binding: Binding, name: str) -> str:
        if binding.action == "store" and not self._may_store(binding):
            return f"store: press again within {AGAIN_S:g} s"
        self.requests.append(FootRequest(binding.action, name, binding.scene, binding.voice))  # type: ignore[arg-type]
        return binding.action

    def _may_store(self, binding: Binding) -> bool:
        """Return whether this press stores (F10); the first of two does not."""
        if self._engine.rig.stage_lock:
            raise CommandError("the stage lock is on (stage_lock: off in the rig takes it away)")
        if binding.long_press_s:
            return True
        again, self._again = self._again, None
        if again is not None and again[0] is binding and self._engine.now_s < again[1]:
            return True
        self._again = (binding, self._engine.now_s + AGAIN_S)
        return False

    def told(self, said: str, refused: bool = False) -> None:
        """Take what became of a request."""
        self.said, self.refused = said, refused

    # ------------------------------------------------------------ time

    @property
    def wake_at_s(self) -> float | None:
        """When ``wake`` should be called next, or None."""
        moments = [at_s for s in self._pending.values() if (at_s := s.wake_at_s) is not None]
        if self._again is not None:
            moments.append(self._again[1])
        return min(moments, default=None)

    def wake(self, outputs: Outputs) -> None:
        """Do what has fallen due: bounce that has settled, long presses."""
        now_s = self._engine.now_s
        for key, switch in tuple(self._pending.items()):
            if switch.long_at_s is not None and switch.long_at_s <= now_s:
                self._long(switch, outputs)
            if switch.raw != switch.down and switch.quiet_until_s <= now_s:
                edge = switch.settle(now_s)
                if edge is not None:
                    self._edge(switch, edge, outputs)
            if switch.wake_at_s is None:
                self._pending.pop(key, None)
        if self._again is not None and self._again[1] <= now_s:
            self._again = None
            self.told("store: not pressed again, nothing stored", refused=True)

    # ------------------------------------------------------------ going

    def let_go(self, outputs: Outputs, name: str | None = None) -> None:
        """Take back what feet hold down, of an input that is lost, or whose bindings are gone."""
        for key, switch in tuple(self._switches.items()):
            binding, heard = key
            if name is None and binding in self.bound.of(heard):
                continue
            if name is not None and switch.input != name:
                continue
            del self._switches[key]
            self._pending.pop(key, None)
            if binding.kind == "momentary" and switch.on:
                switch.down = False
                self._do(
                    binding,
                    heard,
                    lambda b=binding, h=heard: self._actions.do(b, False, h, outputs),
                )
        self._taken = {heard for heard in self._taken if heard[0] != name} if name else self._taken
