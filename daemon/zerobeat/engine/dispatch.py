"""The commands that the engine knows: each is checked, then carried out.

A check raises ``CommandError`` and changes nothing; once it has passed, the act can't refuse.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple, TypeVar

from ..errors import CommandError
from .ledger import Outputs

C = TypeVar("C")


class Handler(NamedTuple):
    """What checks a command, and what carries it out."""

    check: Callable[[Any], object]
    act: Callable[[Any, Outputs], None]


def always(command: object) -> None:
    """Check nothing: this command can't be refused."""


class Dispatcher:
    """A table from the type of a command to its handler."""

    def __init__(self) -> None:
        self._handlers: dict[type, Handler] = {}

    def add(
        self,
        kind: type[C],
        act: Callable[[C, Outputs], None],
        check: Callable[[C], object] = always,
    ) -> None:
        """Let a kind of command be checked and carried out by these."""
        self._handlers[kind] = Handler(check, act)

    def wrap(
        self,
        kind: type[C],
        around: Callable[[Callable[[C, Outputs], None]], Callable[[C, Outputs], None]],
    ) -> None:
        """Put something around the act of a kind of command; its check stays."""
        check, act = self._handlers[kind]
        self._handlers[kind] = Handler(check, around(act))

    def check(self, command: object) -> Handler:
        """Return what carries a command out.

        Raises:
            CommandError: it is refused; nothing has changed.
        """
        handler = self._handlers.get(type(command))
        if handler is None:
            raise CommandError(f"{type(command).__name__}: not a message this engine knows")
        handler.check(command)
        return handler

    def do(self, command: object, outputs: Outputs) -> None:
        """Check a command, then carry it out.

        Raises:
            CommandError: it is refused; nothing has changed.
        """
        self.check(command).act(command, outputs)
