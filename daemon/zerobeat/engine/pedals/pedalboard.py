"""What a press means: switches and pedals become commands, at once or after a long press.

| binding | acts |
| --- | --- |
| a switch | at its first edge; what comes within the debounce time is bounce |
| with `long_press_s` | once it has been held so long |
| beside one with `long_press_s` | when it comes up, if that was sooner |
| `follow` | with each move, once it has passed the value in force |
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from ...errors import CommandError
from ...midi import (
    BANK_LSB,
    BANK_MSB,
    PRESSED,
    SUSTAIN,
    ControlChange,
    Message,
    NoteOff,
    NoteOn,
    ProgramChange,
)
from .. import commands
from ..dispatch import Dispatcher
from ..engine_state import EngineState
from ..keyboard import Keyboard
from ..ledger import Outputs
from ..live_settings import Live
from ..message_policy import Policy
from ..scenes import Scenes
from ..undo import ChangeHistory
from ..voice import Source
from .actions import Actions, PlannedAct
from .binding_lookup import MOST_SWITCHES, Bound
from .bindings import REQUESTS, Binding, FootRequest, RequestAction
from .layers import ONLY_LAYERS, SwitchKey, SwitchPlace
from .lights import Lights
from .switch import Switch

AGAIN_S = 3.0  # a store without a long press wants its second press within this


class _Again(NamedTuple):
    """A store that wants its second press: of which switch, into which scene, until when."""

    binding: Binding
    input: str
    scene: str
    until_s: float


class Pedals:
    """The switches of every input.

    Attributes:
        requests: what pedals ask for that the engine can't do; whoever runs it empties the list.
        said: the last thing a pedal did, or why it was refused.
        refused: it was.
        lights: of the pedalboards.
        bound: what each switch is bound to.
    """

    def __init__(
        self,
        shared: EngineState,
        table: Dispatcher,
        live: Live,
        scenes: Scenes,
        policy: Policy,
        keyboard: Keyboard,
        undo: ChangeHistory,
    ) -> None:
        self._shared = shared
        self._live = live
        self._scenes = scenes
        self._policy = policy
        self._keyboard = keyboard
        self._undo = undo
        self._actions = Actions(shared, table, live, scenes)
        self.bound = Bound()
        self._switches: dict[SwitchKey, Switch] = {}
        self._pending: dict[SwitchKey, Switch] = {}  # those that want ``wake``
        self._taken: set[SwitchPlace] = set()  # notes whose release is ours too
        self._moves: Binding | None = None  # the pedal that made the last change
        self._again: _Again | None = None  # a store that wants its second press
        self.requests: list[FootRequest] = []
        self.said = ""
        self.refused = False
        self.lights = Lights(shared, live.parts, self._actions.is_on)
        self._read_bindings()

    def add_to(self, table: Dispatcher) -> None:
        """Handle the commands about bindings and lights."""
        table.add(commands.UseLearned, self._use_learned)
        table.wrap(commands.SceneStored, self._renaming)
        table.add(commands.LightsBack, lambda command, outputs: self.lights.back(command.input))
        table.add(commands.LightsLost, lambda command, outputs: self.lights.lost(command.input))

    def _renaming(
        self, act: Callable[[commands.SceneStored, Outputs], None]
    ) -> Callable[[commands.SceneStored, Outputs], None]:
        """Let what was toggled stay on where a store gives the live settings another name."""

        def stored(command: commands.SceneStored, outputs: Outputs) -> None:
            before = self._shared.wanted_scene.name
            act(command, outputs)
            self._actions.renamed(before, self._shared.wanted_scene.name)

        return stored

    def _read_bindings(self) -> None:
        rig = self._shared.rig
        self.bound.use([source.name for source in rig.inputs], rig.pedalboards)
        self.lights.use(self.bound.with_feedback())
        self._actions.forget(lambda binding, name: self.bound.holds(name, binding))

    def _use_learned(self, command: commands.UseLearned, outputs: Outputs) -> None:
        """Take the bindings that ``learn`` has written, all of them."""
        self.bound.learned = command.learned
        self.use_bindings(outputs)

    def use_bindings(self, outputs: Outputs) -> None:
        """Read the bindings in force; what was held down by others comes up."""
        self._read_bindings()
        self.let_go(outputs)
        # A pedal of a keyboard that is a switch now says no more that it comes up.
        for place in sorted(self._shared.sustained):
            if self._is_bound(place, SUSTAIN):
                self._keyboard.centre_sustain(place, outputs)
        self._policy.lift_pedals(outputs, lambda pedal: self._is_bound(*pedal))
        self._keyboard.portamento.let_go(self._is_bound)

    def _is_bound(self, place: Source, controller: int) -> bool:
        """Return whether a controller is a switch; a finger has those of its zone's manager."""
        place = self._shared.managers.get(place, place)
        return bool(self.bound.of((place[0], "controller", place[1], controller)))

    def layers_changed(self, outputs: Outputs) -> None:
        """Bring settings and sustained keys to what the pedals hold down now."""
        self._live.layers_changed(outputs)
        if not self._shared.layers.sustains:
            self._keyboard.lift_unsustained(outputs)

    # ------------------------------------------------------------ hearing

    def take(self, message: Message, source: str, outputs: Outputs) -> bool:
        """Do what a message of an input means; return whether it means something here.

        Bank select is remembered and goes its usual way all the same.
        """
        if not self.bound.has(source) and not self._taken:
            return False
        if type(message) is ControlChange:
            place = (source, "controller", message.channel, message.controller)
            value, pressed = message.value, message.value >= PRESSED
            if message.controller in (BANK_MSB, BANK_LSB):
                self._scenes.bank_select((source, message.channel), message.controller, value)
        elif type(message) is ProgramChange:
            place = (source, "program", message.channel, message.program)
            value, pressed = message.program, True
        elif type(message) is NoteOn:
            place = (source, "note", message.channel, message.note)
            value, pressed = message.velocity, True
        elif type(message) is NoteOff:
            place = (source, "note", message.channel, message.note)
            if place not in self._taken:
                return False
            self._taken.discard(place)
            value, pressed = 0, False
        else:
            return False
        bound = self.bound.of(place)
        if not bound and type(message) is not NoteOff:
            if type(message) is NoteOn:
                self._taken.discard(place)  # a switch once; now its note-off is a key's
            return False
        if self._is_echo(message, place, bound, pressed):
            self._shared.counts["echo of a light"] += 1  # F9
            return True
        if type(message) is NoteOn:
            self._taken.add(place)
            # Down as a key since before it was bound, its note-off lost (requirement M24).
            self._keyboard.key_up((source, message.channel), message.note, outputs)
            self._policy.lift_passed((source, message.channel), message.note, outputs)
        for binding in bound:
            self._hear(binding, place, value, pressed, outputs)
        if not pressed:
            self.lights.released(source, place[1], place[2], place[3])
        return True

    def _is_echo(
        self, message: Message, place: SwitchPlace, bound: tuple[Binding, ...], pressed: bool
    ) -> bool:
        """Return whether a message is a light of ours that comes back.

        A release is taken for one only where it would count, with a latching switch, and if the
        light was sent since the press: a release that is missed is worse than one that is early.
        """
        name = place[0]
        if pressed:
            return self.lights.sent_just_now(name, message)
        pressed_s = [
            switch.pressed_s
            for binding in bound
            if binding.kind == "latching"
            and (switch := self._switches.get((binding, place))) is not None
        ]
        return bool(pressed_s) and self.lights.sent_just_now(name, message, max(pressed_s))

    def _hear(
        self, binding: Binding, place: SwitchPlace, value: int, pressed: bool, outputs: Outputs
    ) -> None:
        if binding.kind == "follow":
            follow = self._actions.follow
            response = self._policy.responses.get(place[0])
            if response is not None and place[1] == "controller":
                value = response.foot(place[3], value)
            self._do(
                binding, place[0], lambda: follow(binding, place[0], value), outputs, quiet=True
            )
            return
        switch = self._switch(binding, place, outputs)
        if binding.source == "program":
            switch.down = False  # it has no release
            switch.raw = False
        edge = switch.edge(value, pressed, self._shared.now_s)
        if edge is not None:
            self._edge(switch, edge, outputs)
        if binding.source == "program":
            switch.raw = switch.down = False
        if switch.wake_at_s is not None:
            self._pending[binding, place] = switch

    def _switch(self, binding: Binding, place: SwitchPlace, outputs: Outputs) -> Switch:
        switch = self._switches.get((binding, place))
        if switch is None:
            if len(self._switches) >= MOST_SWITCHES:
                self._make_room(outputs)
            switch = Switch(place[0], binding, place[2], place[3])
            self._switches[binding, place] = switch
        return switch

    def _make_room(self, outputs: Outputs) -> None:
        """Forget idle switches; where all are down, let the oldest come up."""
        active = set(self._shared.layers.active)
        busy = {k: s for k, s in self._switches.items() if s.down or s.raw or k in active}
        self._switches = busy
        if len(busy) >= MOST_SWITCHES:
            self._release((next(iter(busy)),), outputs)

    # ------------------------------------------------------------ presses

    def _edge(self, switch: Switch, pressed: bool, outputs: Outputs) -> None:
        binding = switch.binding
        if binding.long_press_s:
            if pressed:
                switch.long_at_s = self._shared.now_s + binding.long_press_s
                return
            was_long, switch.long_at_s = switch.long_at_s is None, None
            if was_long or switch.key in self._shared.layers.active:
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
        return (b for b in self.bound.of(switch.place) if b is not switch.binding)

    def _has_long(self, switch: Switch) -> bool:
        return any(other.long_press_s for other in self._beside(switch))

    def _long(self, switch: Switch, outputs: Outputs) -> None:
        switch.long_at_s = None
        for other in self._beside(switch):
            beside = self._switches.get((other, switch.place))
            if beside is not None:
                beside.owed = False
        self._act(switch, True, outputs)

    def _act(self, switch: Switch, pressed: bool, outputs: Outputs) -> None:
        """Do what a press or release of a switch means, by its kind."""
        binding = switch.binding
        kind = binding.kind
        if kind == "momentary":
            on = pressed
            if not pressed and switch.key not in self._shared.layers.active:
                return
        elif not pressed and kind != "latching":
            return
        elif kind == "trigger" and binding.action not in ONLY_LAYERS:
            on = True
        else:
            on = not self._actions.is_on(binding, switch.input)
        if binding.action in REQUESTS:
            self._do(binding, switch.input, lambda: self._request(binding, switch.input), outputs)
        else:
            plan = self._actions.plan
            self._do(binding, switch.input, lambda: plan(binding, on, switch.place), outputs)

    def _do(
        self,
        binding: Binding,
        name: str,
        plan: Callable[[], PlannedAct],
        outputs: Outputs,
        quiet: bool = False,
    ) -> None:
        """Carry out what a pedal asks for, or say why it is refused."""
        try:
            act = plan()
        except CommandError as error:
            said = f"{binding.action}: {error}"
            self.refused, quiet = True, False
            self._shared.counts["refused by foot"] += 1
        else:
            if not (quiet and self._moves is binding):  # one move of a pedal is one change
                self._undo.remember()
            self._moves = binding if quiet else None
            said = act(outputs)
            self.refused = False
            if quiet:
                self._shared.pedal_moved_s = self._shared.now_s
            else:
                self._shared.acts += 1
            self.layers_changed(outputs)
        if not quiet or self.said == "":
            self.said = f"{name}: {said}"
        self.lights.look(anew=True)

    # ------------------------------------------------------------ asking others

    def _request(self, binding: Binding, name: str) -> PlannedAct:
        again = binding.action == "store" and not self._may_store(binding, name)

        def act(outputs: Outputs) -> str:
            if binding.action == "store":
                scene, until_s = self._shared.wanted_scene.name, self._shared.now_s + AGAIN_S
                self._again = _Again(binding, name, scene, until_s) if again else None
            if again:
                return f"store: press again within {AGAIN_S:g} s"
            action: RequestAction = binding.action  # type: ignore[assignment]  # one of the four
            self.requests.append(FootRequest(action, name, binding.scene, binding.voice))
            return binding.action

        return act

    def _may_store(self, binding: Binding, name: str) -> bool:
        """Return whether this press stores (F10); the first of two does not."""
        if self._shared.rig.stage_lock:
            raise CommandError("the stage lock is on (stage_lock: off in the rig takes it away)")
        if binding.long_press_s:
            return True
        again = self._again
        this = (binding, name, self._shared.wanted_scene.name)
        return again is not None and again[:3] == this and self._shared.now_s < again.until_s

    def told(self, said: str, refused: bool = False) -> None:
        """Take what became of a request."""
        self.said, self.refused = said, refused

    # ------------------------------------------------------------ time

    @property
    def wake_at_s(self) -> float | None:
        """When ``wake`` should be called next, or None."""
        moments = [at_s for s in self._pending.values() if (at_s := s.wake_at_s) is not None]
        if self._again is not None:
            moments.append(self._again.until_s)
        return min(moments, default=None)

    def wake(self, outputs: Outputs) -> None:
        """Do what has fallen due: bounce that has settled, long presses."""
        now_s = self._shared.now_s
        for switch in tuple(self._pending.values()):
            if switch.long_at_s is not None and switch.long_at_s <= now_s:
                self._long(switch, outputs)
            if switch.raw != switch.down and switch.quiet_until_s <= now_s:
                edge = switch.settle(now_s)
                if edge is not None:
                    self._edge(switch, edge, outputs)
        if self._pending:
            pending = self._pending.items()
            self._pending = {key: one for key, one in pending if one.wake_at_s is not None}
        if self._again is not None and self._again.until_s <= now_s:
            self._again = None
            self.told("store: not pressed again, nothing stored", refused=True)

    # ------------------------------------------------------------ going

    def let_go(self, outputs: Outputs, name: str | None = None) -> None:
        """Take back what is held down: of an input that is lost, or whose bindings are gone."""
        if name is None:
            gone = [key for key in self._switches if key[0] not in self.bound.of(key[1])]
        else:
            gone = [key for key, switch in self._switches.items() if switch.input == name]
            self._taken = {place for place in self._taken if place[0] != name}
            self._actions.unplugged(name)
        if self._again is not None and self._again.input == name:
            self._again = None
        self._release(gone, outputs)

    def cancel_presses(self) -> None:
        """Let presses that wait to become long come to nothing, with all layers that were on."""
        self._shared.layers.clear()
        self._again = None
        for switch in self._pending.values():
            switch.cancel()

    def _release(self, keys: Iterable[SwitchKey], outputs: Outputs) -> None:
        """Forget switches; the layers that they held end."""
        gone = tuple(keys)
        for key in gone:
            self._switches.pop(key, None)
            self._pending.pop(key, None)
        if self._shared.layers.end(gone):
            self.layers_changed(outputs)
            self.lights.look(anew=True)
