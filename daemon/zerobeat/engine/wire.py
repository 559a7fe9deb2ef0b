"""The last place that decides bytes.

``put`` takes what one event made; ``take`` gives the bytes that may leave at a
time. No I/O and no clock, so ``run`` and ``render`` share it. The order on each
output is ``cable.py``'s.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from .cable import Cable, Sent
from .ledger import BENDS_UNKNOWN as BENDS_UNKNOWN
from .ledger import LINK_CUT, LINK_LOST, Marker, Outputs
from .settings import Output


class CableLoad(NamedTuple):
    """What went over a cable, and what did not: thinned bends and controllers, late notes."""

    bytes_sent: int = 0
    thinned: int = 0
    waiting: int = 0
    late: int = 0


class Wire:
    """Decides the bytes of all outputs.

    Args:
        outputs: the rig's outputs, with their converters' facts.
    """

    def __init__(self, outputs: Iterable[Output]) -> None:
        self._cables = {output.name: Cable(output) for output in outputs}
        self._sent: Sent = []
        self._late_before = 0  # notes of outputs that have gone

    def replace(self, outputs: Iterable[Output], now_s: float = 0.0) -> None:
        """Take a reloaded rig's outputs; those that stay keep what they know.

        What sounds on an output that goes, or moves to another port, is owed its note-offs;
        they are in the next ``take``, however long they would have waited.
        """
        cables: dict[str, Cable] = {}
        for output in outputs:
            cable = self._cables.pop(output.name, None)
            if cable is None:
                cable = Cable(output)
            elif cable.moves_to(output):
                cable.close(now_s, self._sent)
            cable.set_output(output)
            cables[output.name] = cable
        for gone in self._cables.values():
            gone.close(now_s, self._sent)
            self._late_before += gone.late
        self._cables = cables

    def put(self, outputs: Outputs, now_s: float) -> None:
        """Take what one event made, as (output name, message), in the engine's order."""
        touched: list[Cable] = []
        for name, message in outputs:
            cable = self._cables.get(name)
            if cable is None:
                continue
            if type(message) is Marker:
                self._mark(cable, message, now_s)
                continue
            if not cable.batch:
                touched.append(cable)
            cable.batch.append(message)
        for cable in touched:
            if cable.groups and cable.groups[0].due_s <= now_s:
                cable.leave(now_s, self._sent)
            cable.arrange(now_s, self._sent)

    def _mark(self, cable: Cable, marker: Marker, now_s: float) -> None:
        if marker is LINK_CUT:
            cable.come_back(now_s, self._sent)
            return
        if marker is LINK_LOST:
            cable.lose()
            return
        cable.arrange(now_s, self._sent)
        cable.panic(now_s, self._sent)

    def take(self, now_s: float) -> Sent:
        """Return the (output name, bytes) that may leave now, in order."""
        sent = self._sent
        for cable in self._cables.values():
            if cable.groups or cable.waiting:
                cable.leave(now_s, sent)
        self._sent = []
        return sent

    @property
    def wake_at_s(self) -> float | None:
        """When ``take`` has something next, or None."""
        soonest: float | None = None
        for cable in self._cables.values():
            if cable.groups or cable.waiting:
                at_s = cable.wake_at_s()
                if at_s is not None and (soonest is None or at_s < soonest):
                    soonest = at_s
        return soonest

    def load(self, output: str) -> CableLoad:
        """Return what went over an output's cable; of one that a reload brings, nothing yet."""
        cable = self._cables.get(output)
        if cable is None:
            return CableLoad()
        return CableLoad(cable.bytes_sent, cable.thinned, len(cable.waiting), cable.late)

    def late_notes(self) -> int:
        """Return how many notes did not start because they could only have started too late."""
        return self._late_before + sum(cable.late for cable in self._cables.values())
