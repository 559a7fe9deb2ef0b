"""Presses of a paired phone: checked, done once, answered."""

from __future__ import annotations

import json
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any

from ..errors import CommandError, ControlError

SAME_PRESS_S = 0.1  # a button that bounces, or a finger that does
MOST_KEPT = 64  # phones whose last press is remembered
MOST_NUMBER = 2**53
LONGEST_NAME_SENT = 200
_PLAIN = ("trigger", "cancel", "panic")
ACTIONS_OF_PAGE = ("recall", "next", "previous", *_PLAIN, "mute", "bypass")

Asked = tuple[str, dict[str, Any]]  # a command of the control socket, with its values


def socket_command(command: dict[str, Any]) -> Asked:
    """Return what the daemon is asked for a press.

    Raises:
        CommandError: it is none of the page's commands, or a value is wrong.
    """
    name = command.get("command")
    if name not in ACTIONS_OF_PAGE:
        raise CommandError(f"command: allowed: {', '.join(ACTIONS_OF_PAGE)}")
    taken = {"recall": ("scene",), "mute": ("voice", "on"), "bypass": ("on",)}.get(str(name), ())
    if set(command) != {"command", *taken}:
        raise CommandError(f"{name}: takes {', '.join(taken) or 'nothing'}")
    for key in taken:
        value = command[key]
        if isinstance(value, bool) != (key == "on") or not isinstance(value, (bool, str)):
            raise CommandError(f"{name}: {key} has a wrong type")
        if isinstance(value, str) and not 0 < len(value) <= LONGEST_NAME_SENT:
            raise CommandError(f"{name}: {key} has a wrong length")
    if name in ("next", "previous"):
        return "recall", {"scene": name}
    if name == "bypass":
        return "bypass", {"voice": "all", "on": command["on"]}
    return str(name), {key: command[key] for key in taken}


@dataclass(slots=True)
class _Press:
    number: int
    text: str
    at_s: float
    answer: dict[str, Any]


class Presses:
    """Does each press once.

    A press has a number that rises. The same number again gets the same answer and does
    nothing; a lower one is refused. The same command within ``SAME_PRESS_S`` is one press.

    Args:
        ask: gives the daemon a command, within its time.
    """

    def __init__(self, ask: Callable[..., Awaitable[str]]) -> None:
        self._ask = ask
        self._last: OrderedDict[str, _Press] = OrderedDict()

    async def press(self, phone: str, number: int, text: str, now_s: float) -> dict[str, Any]:
        """Do a press whose signature is right, and return its answer.

        Args:
            phone: its name.
            number: of the press.
            text: the command as it was signed, JSON.
            now_s: monotonic seconds.
        """
        last = self._last.get(phone)
        if last is not None:
            if number == last.number and text == last.text:
                return last.answer | {"again": True}
            if number <= last.number:
                return {"ok": False, "error": "an old press: nothing was done"}
            if text == last.text and now_s - last.at_s < SAME_PRESS_S:
                last.number = number
                return last.answer | {"again": True}
        press = _Press(number, text, now_s, {"ok": True, "said": "done"})
        self._last[phone] = press  # before the daemon answers: the second press may come earlier
        self._last.move_to_end(phone)
        while len(self._last) > MOST_KEPT:
            self._last.popitem(last=False)
        press.answer = await self._answer(text)
        return press.answer

    async def _answer(self, text: str) -> dict[str, Any]:
        try:
            command = json.loads(text)
            if not isinstance(command, dict):
                raise CommandError("a press is a table")
            name, values = socket_command(command)
            return {"ok": True, "said": await self._ask(name, **values)}
        except (CommandError, ControlError) as error:
            return {"ok": False, "error": str(error)}
        except (ValueError, RecursionError):
            return {"ok": False, "error": "a press is JSON"}
