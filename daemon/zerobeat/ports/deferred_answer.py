"""An answer that is not known yet: a store is answered once it is on the disk."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

Answer = dict[str, Any]


class Later:
    """Whoever knows the answer in the end calls ``tell``, once."""

    def __init__(self) -> None:
        self._hearer: Callable[[Answer, float], None] | None = None
        self._told: tuple[Answer, float] | None = None

    def tell(self, answer: Answer, now_s: float) -> None:
        """Give the answer; ``now_s`` is monotonic seconds."""
        if self._hearer is None:
            self._told = (answer, now_s)
        else:
            self._hearer(answer, now_s)

    def to(self, hearer: Callable[[Answer, float], None]) -> None:
        """Say who gets the answer: at once, if it is there already."""
        self._hearer = hearer
        if self._told is not None:
            hearer(*self._told)
