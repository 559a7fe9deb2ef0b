"""Controllers 5, 65 and 84 of a keyboard, where the rig lets them rule glides.

| controller | says |
| --- | --- |
| 5 | the time of a glide |
| 65 | glides on (from 64 up) or off |
| 84 | the key from which the next note glides, whatever 65 says |

Source: MIDI 1.0 Detailed Specification 4.2.1, table III; pp. 16-17 for 84. Rates are not
standardised: ``controller_ms`` is an own choice.
"""

from __future__ import annotations

from ..midi import PRESSED, RESET_CONTROLLERS
from .settings import VoiceSettings

TIME, SWITCH, FROM_KEY = 5, 65, 84
LONGEST_MS = 5000.0  # of controller 5 at 127


class GlideControls:
    """What one channel of an input has said.

    Attributes:
        glide_ms: by controller 5; None: it has not moved.
        on: by controller 65; None: it has not moved, and the voice's own setting rules.
        next_from: by controller 84: the key from which the next note glides.
        from_key: the same while that note begins.
    """

    __slots__ = ("glide_ms", "on", "next_from", "from_key")

    def __init__(self) -> None:
        self.glide_ms: float | None = None
        self.on: bool | None = None
        self.next_from: int | None = None
        self.from_key: int | None = None

    def hear(self, controller: int, value: int) -> bool:
        """Take a controller; return whether it is one of the three."""
        if controller == TIME:
            self.glide_ms = controller_ms(value)
        elif controller == SWITCH:
            self.on = value >= PRESSED
        elif controller == FROM_KEY:
            self.next_from = value
        else:
            if controller == RESET_CONTROLLERS:
                self.on = self.next_from = None
            return False
        return True

    def forget(self, controller: int) -> None:
        """Forget what one of the three has said."""
        if controller == TIME:
            self.glide_ms = None
        elif controller == SWITCH:
            self.on = None
        else:
            self.next_from = None

    def milliseconds(self, settings: VoiceSettings) -> float:
        """Return the time of a glide with the settings of a voice; 0.0 is none."""
        wanted_ms = settings.glide_ms if self.glide_ms is None else self.glide_ms
        if self.from_key is not None or self.on:
            return wanted_ms
        return 0.0 if self.on is False or not settings.glide_ms else wanted_ms


def controller_ms(value: int) -> float:
    """Return the time that a value of controller 5 stands for: fine where it is short.

    >>> controller_ms(0), controller_ms(127)
    (0.0, 5000.0)
    """
    return LONGEST_MS * (value / 127.0) ** 2
