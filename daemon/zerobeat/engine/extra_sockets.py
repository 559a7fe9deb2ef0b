"""Other sockets of a converter, which wheel, velocity, slide, pressure or a pedal drives.

A socket is driven by a controller, by channel pressure or by the velocity of a note. Where the rig
smooths it, its value goes to the new one at a steady rate, by steps that leave most of the cable to
notes and bends; the wire lets the newest value go when the cable is idle.
"""

from __future__ import annotations

from collections.abc import Callable

from ..midi import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    SLIDE,
    ChannelPressure,
    ControlChange,
    Message,
    NoteOff,
    NoteOn,
    PitchBend,
)
from . import commands
from .dispatch import Dispatcher
from .engine_state import EngineState
from .ledger import OnlyNewest, Outputs
from .settings import ExtraRoute

CABLE_SHARE = 0.2  # of a cable, for the steps of all its smoothed sockets together
SHORTEST_STEP_S = 0.004  # between steps where a cable has no budget
STEP_BYTES = 3
_REST = {"wheel": 64, "pressure": 0, "slide": 64}


class ExtraFlow:
    """One route, and where its value is on the way.

    Attributes:
        at: the value now; None until something has come.
        sent: what the converter has; None: unknown.
        key: channel and number of the key that a note socket sounds for.
    """

    __slots__ = ("route", "at", "target", "moved_s", "sent", "step_s", "key")

    def __init__(self, route: ExtraRoute, step_s: float) -> None:
        self.route = route
        self.at: float | None = None
        self.target = 0
        self.moved_s = 0.0
        self.sent: int | None = None
        self.step_s = step_s
        self.key: tuple[int, int] | None = None

    @property
    def moves(self) -> bool:
        """Return whether the value is on its way."""
        return self.at is not None and self.at != self.target

    def value_of(self, message: Message) -> int | None:
        """Return what a message of the route's input says of it, 0 to 127; None if nothing."""
        what = self.route.what
        if type(message) is NoteOn:
            return message.velocity if what == "velocity" else None
        if type(message) is PitchBend:
            return (message.bend + 8192) >> 7 if what == "wheel" else None
        if type(message) is ChannelPressure:
            return message.value if what == "pressure" else None
        if type(message) is ControlChange:
            wanted = SLIDE if what == "slide" else self.route.controller
            if what in ("slide", "controller") and message.controller == wanted:
                return message.value
        return None

    def move(self, now_s: float) -> None:
        """Bring the value to where it is by now."""
        if self.at is None or not self.route.smooth_s:
            self.at = float(self.target)
        else:
            reach = 127.0 * (now_s - self.moved_s) / self.route.smooth_s
            self.at = max(self.at - reach, min(self.at + reach, float(self.target)))
        self.moved_s = now_s


class ExtraSockets:
    """Sends what inputs do to the other sockets of converters.

    Attributes:
        flows: by input; empty where the rig has no routes.
    """

    def __init__(self, shared: EngineState) -> None:
        self._shared = shared
        self.flows: dict[str, list[ExtraFlow]] = {}
        self._moving: list[ExtraFlow] = []
        self._due_s: float | None = None
        self.refresh()

    def add_to(self, table: Dispatcher) -> None:
        """Send everything to a converter that is back; read the routes of a rig anew."""
        table.wrap(commands.OutputBack, self._after_return)
        table.wrap(commands.Reload, self._after_reload)

    def refresh(self) -> None:
        """Read the routes of the rig in force; those that stay keep their values."""
        rig = self._shared.rig
        before = {flow.route: flow for flows in self.flows.values() for flow in flows}
        counts: dict[str, int] = {}
        for route in rig.extra:
            counts[route.output] = counts.get(route.output, 0) + 1
        self.flows = {}
        for route in rig.extra:
            rate = self._shared.output(route.output).converter.bytes_per_second
            step_s = SHORTEST_STEP_S
            if rate:
                step_s = max(
                    SHORTEST_STEP_S, STEP_BYTES * counts[route.output] / (CABLE_SHARE * rate)
                )
            flow = before.get(route) or ExtraFlow(route, step_s)
            flow.step_s = step_s
            self.flows.setdefault(route.input, []).append(flow)
        self._moving = [flow for flow in self._every() if flow.moves]
        self._plan()

    def _every(self) -> list[ExtraFlow]:
        return [flow for flows in self.flows.values() for flow in flows]

    def hear(self, message: Message, source: str, outputs: Outputs) -> None:
        """Take a message of an input; it goes its usual way, too."""
        for flow in self.flows.get(source, ()):
            value = flow.value_of(message)
            if flow.route.socket.kind == "note":
                if type(message) is NoteOn:
                    self._strike(flow, message, outputs)
                elif flow.key is not None and _ends(message, flow.key):
                    self._close(flow, outputs)
            elif value is not None:
                self._set(flow, value, outputs)

    def _strike(self, flow: ExtraFlow, message: NoteOn, outputs: Outputs) -> None:
        """Sound a socket's note with the velocity of a key, until that key comes up."""
        route = flow.route
        if route.output in self._shared.present:
            flow.key = (message.channel, message.note)
            lane = self._shared.ledger.lane(route.output, route.socket.channel)
            lane.up = True
            lane.on(route.socket.number, message.velocity, outputs)

    def _close(self, flow: ExtraFlow, outputs: Outputs) -> None:
        flow.key = None
        socket = flow.route.socket
        lane = self._shared.ledger.lane(flow.route.output, socket.channel)
        lane.off(socket.number, outputs)

    def _set(self, flow: ExtraFlow, value: int, outputs: Outputs) -> None:
        now_s = self._shared.now_s
        if flow.moves:
            flow.move(now_s)
        flow.moved_s = now_s
        flow.target = value
        if flow.at is None or not flow.route.smooth_s:
            flow.move(now_s)
            self._send(flow, outputs)
        elif flow.moves and flow not in self._moving:
            self._moving.append(flow)
            self._plan()

    def _send(self, flow: ExtraFlow, outputs: Outputs) -> None:
        """Send a value that the converter has not."""
        route = flow.route
        value = round(flow.at or 0.0)
        if route.output not in self._shared.present or value == flow.sent:
            return
        flow.sent = value
        socket = route.socket
        if socket.kind == "controller":
            outputs.append((route.output, ControlChange(socket.channel, socket.number, value)))
        else:
            outputs.append((route.output, OnlyNewest(ChannelPressure(socket.channel, value))))

    # ------------------------------------------------------------ time

    @property
    def wake_at_s(self) -> float | None:
        """When ``wake`` has a step to send, or None."""
        return self._due_s

    def wake(self, outputs: Outputs) -> None:
        """Send the steps that are due."""
        now_s = self._shared.now_s
        if self._due_s is None or self._due_s > now_s:
            return
        for flow in self._moving:
            if flow.moved_s + flow.step_s <= now_s:
                flow.move(now_s)
                self._send(flow, outputs)
        self._moving = [flow for flow in self._moving if flow.moves]
        self._plan()

    def _plan(self) -> None:
        self._due_s = min((flow.moved_s + flow.step_s for flow in self._moving), default=None)

    # ------------------------------------------------------------ ports

    def _after_return(
        self, act: Callable[[commands.OutputBack, Outputs], None]
    ) -> Callable[[commands.OutputBack, Outputs], None]:
        def send_all(command: commands.OutputBack, outputs: Outputs) -> None:
            act(command, outputs)
            for flow in self._every():
                if flow.route.output == command.output:
                    flow.sent = None
                    if flow.at is not None:
                        self._send(flow, outputs)

        return send_all

    def _after_reload(
        self, act: Callable[[commands.Reload, Outputs], None]
    ) -> Callable[[commands.Reload, Outputs], None]:
        def read_again(command: commands.Reload, outputs: Outputs) -> None:
            before = self._every()
            for flow in before:  # a note ends with its route
                if flow.key is not None and flow.route not in command.rig.extra:
                    self._close(flow, outputs)
            act(command, outputs)
            self.refresh()

        return read_again

    def source_lost(self, name: str, outputs: Outputs) -> None:
        """Let what rests of an input rest that is lost."""
        for flow in self.flows.get(name, ()):
            if flow.key is not None:
                self._close(flow, outputs)
            value = _REST.get(flow.route.what)
            if value is not None and flow.at is not None:
                self._set(flow, value, outputs)


def _ends(message: Message, key: tuple[int, int]) -> bool:
    """Return whether a message lets a key come up; a mode message lets all of its channel."""
    if type(message) is NoteOff:
        return key == (message.channel, message.note)
    if type(message) is ControlChange:
        modes = message.controller == ALL_SOUND_OFF or message.controller >= ALL_NOTES_OFF
        return modes and message.channel == key[0]
    return False
