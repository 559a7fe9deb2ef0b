"""How an input or a voice answers to velocity, pressure and pedals."""

from __future__ import annotations

from dataclasses import dataclass

from ..midi import ChannelPressure, ControlChange, Message, NoteOn, PolyPressure
from ..tuning.response_curve import Curve

PEDALS = (2, 4, 7, 11)  # breath, foot, volume and expression


@dataclass(frozen=True, slots=True)
class Response:
    """Curves of 128 values; None leaves what comes as it is."""

    velocity: Curve | None = None
    pressure: Curve | None = None
    pedals: Curve | None = None

    def of(self, message: Message) -> Message:
        """Return what a message is by the curves: itself where there is none."""
        if type(message) is NoteOn:
            if self.velocity is not None:
                velocity = self.velocity[message.velocity]
                return NoteOn(message.channel, message.note, velocity)
            return message
        return self._of_value(message)

    def _of_value(self, message: Message) -> Message:
        if type(message) is ControlChange:
            if self.pedals is not None and message.controller in PEDALS:
                value = self.pedals[message.value]
                return ControlChange(message.channel, message.controller, value)
        elif type(message) is ChannelPressure and self.pressure is not None:
            return ChannelPressure(message.channel, self.pressure[message.value])
        elif type(message) is PolyPressure and self.pressure is not None:
            return PolyPressure(message.channel, message.note, self.pressure[message.value])
        return message

    def foot(self, controller: int, value: int) -> int:
        """Return where a pedal stands that ``of`` has not changed already."""
        if self.pedals is None or controller in PEDALS:
            return value
        return self.pedals[value]
