"""An answer that comes later: a store is answered once it is on the disk."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, NotRequired, TypedDict

from ..json_value import JsonObject


class Tuning(TypedDict):
    """What the keys of a voice sound, in cents above key 0; None is silent."""

    voice: str
    name: str
    pitches_cents: list[float | None]


class Accepted(TypedDict):
    """What a client reads of a request that was carried out."""

    ok: Literal[True]
    said: NotRequired[str]  # one line for the player
    file: NotRequired[str]  # of what was stored
    generation: NotRequired[str]
    bindings: NotRequired[list[JsonObject]]
    tuning: NotRequired[Tuning]


class Refused(TypedDict):
    """What a client reads of a request that was not carried out."""

    ok: Literal[False]
    error: str
    stopped_by: NotRequired[str]  # what ended a measuring run


Answer = Accepted | Refused


class DeferredAnswer:
    """Resolved once, by the code that completes the request."""

    def __init__(self) -> None:
        self._callback: Callable[[Answer, float], None] | None = None
        self._dispatch: tuple[Answer, float] | None = None

    def resolve(self, answer: Answer, now_s: float) -> None:
        """Set the answer; ``now_s`` is monotonic seconds."""
        if self._callback is None:
            self._dispatch = (answer, now_s)
        else:
            self._callback(answer, now_s)

    def add_callback(self, callback: Callable[[Answer, float], None]) -> None:
        """Set who gets the answer; called at once if it is resolved already."""
        self._callback = callback
        if self._dispatch is not None:
            callback(*self._dispatch)
