"""Fifteen fingers that flood one output, in counted time, and what leaves for its cable.

The cable's end keeps what it is handed in order, as a serial port does: a byte on a DIN cable
takes ten bits of 31,250 a second.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from zerobeat.engine.commands import OutputBack
from zerobeat.engine.engine import Engine
from zerobeat.engine.ledger import Outputs
from zerobeat.engine.mpe_zones import CHANNEL_PRESSURE, MpeSettings
from zerobeat.engine.settings import Converter, Input, Output, Rig, Scene, Voice, Zone
from zerobeat.engine.wire import Wire
from zerobeat.midi import ChannelPressure, NoteOff, NoteOn, PitchBend

DIN_BYTES_PER_SECOND = 3125
FINGERS = 15
NAMES = tuple(f"v{number}" for number in range(1, FINGERS + 1))
RANGE_CENTS = 2400.0


@dataclass
class PacedCable:
    """Engine, wire and a cable that takes its time.

    Attributes:
        heard: when the last byte of each message has come, and its bytes.
    """

    bytes_per_second: int | None
    pressure: bool = False
    heard: list[tuple[float, bytes]] = field(default_factory=list)
    now_s: float = 0.0
    free_s: float = 0.0

    def __post_init__(self) -> None:
        converter = Converter(
            "octo", RANGE_CENTS, gate_gap_s=0.0, bytes_per_second=self.bytes_per_second
        )
        target = CHANNEL_PRESSURE if self.pressure else None
        mpe = MpeSettings(lower_members=FINGERS, pressure_to=target)
        rig = Rig(
            (Input("grid", "Finger Grid:1", mpe=mpe, active_sensing=False),),
            (Output("octo", "octo:1", converter=converter),),
            tuple(Voice(n, "octo", i, bend_range_cents=RANGE_CENTS) for i, n in enumerate(NAMES)),
        )
        self.engine = Engine(rig, (Scene(zones=(Zone(NAMES, "rotate"),)),))
        self.wire = Wire(rig.outputs)
        self.tell(OutputBack("octo"), "")
        self.until(1.0)
        self.heard.clear()

    def tell(self, message: object, source: str = "grid") -> None:
        outputs: Outputs = []
        self.engine.receive(message, source, self.now_s, outputs)  # type: ignore[arg-type]
        self.wire.put(outputs, self.now_s)
        self.take()

    def take(self) -> None:
        rate = self.bytes_per_second
        for _, content in self.wire.take(self.now_s):
            length_s = len(content) / rate if rate else 0.0
            self.free_s = max(self.now_s, self.free_s) + length_s
            self.heard.append((self.free_s, content))

    def until(self, end_s: float) -> None:
        """Let time pass, with a turn whenever the wire or the engine asks for one."""
        while True:
            moments = [m for m in (self.wire.wake_at_s, self.engine.wake_at_s) if m is not None]
            moment = min([*moments, end_s])
            self.now_s = max(self.now_s, min(moment, end_s))
            outputs: Outputs = []
            if self.engine.wake_at_s is not None and self.engine.wake_at_s <= self.now_s:
                self.engine.wake(self.now_s, outputs)
            self.wire.put(outputs, self.now_s)
            self.take()
            if moment >= end_s:
                return


@dataclass(frozen=True)
class Flood:
    """What fifteen fingers came to.

    Attributes:
        note_late_s: of the latest note, beyond what its own bytes take on the cable.
        bend_late_s: from a finger's newest place to its bend, at the longest.
        turn_s: what one bend of each finger takes on the cable, and its pressure if that is sent.
    """

    note_late_s: float
    bend_late_s: float
    turn_s: float
    bends: int


def flood(bytes_per_second: int | None, seconds: float = 2.0, pressure: bool = False) -> Flood:
    """Let fifteen fingers send 200 bends a second each, one of them striking anew now and then."""
    cable = PacedCable(bytes_per_second, pressure)
    for finger in range(FINGERS):
        cable.tell(NoteOn(finger + 1, 40 + 3 * finger, 100))
    cable.until(cable.now_s + 0.2)
    cable.heard.clear()
    steps = round(seconds * 200)
    asked: dict[int, list[tuple[float, int]]] = {finger: [] for finger in range(FINGERS)}
    late_s = 0.0
    begun_s = cable.now_s
    for step in range(steps):
        for finger in range(FINGERS):
            cable.until(begun_s + (step + finger / FINGERS) / 200.0)
            bend = round(3000 * math.sin(step / 9.0 + finger)) + step % 7
            cable.tell(PitchBend(finger + 1, bend))
            if pressure:
                cable.tell(ChannelPressure(finger + 1, step * 5 % 128))
            sent = cable.engine.states[NAMES[finger]].bend
            asked[finger].append((cable.now_s, sent if sent is not None else 0))
            if step % 20 == 15 and finger == step // 20 % FINGERS:
                cable.tell(NoteOff(finger + 1, 40 + 3 * finger))
            if step % 20 == 19 and finger == step // 20 % FINGERS:
                late_s = max(late_s, _strike(cable, finger))
                asked[finger].clear()
    cable.until(cable.now_s + 1.0)
    turn = FINGERS * (3 + 2 * pressure)
    bends = [content for _, content in cable.heard if content[0] & 0xF0 == 0xE0]
    return Flood(
        late_s,
        max(_bend_late_s(cable, finger, asked[finger]) for finger in range(FINGERS)),
        turn / bytes_per_second if bytes_per_second else 0.0,
        len(bends),
    )


def _strike(cable: PacedCable, finger: int) -> float:
    """Strike a finger's key; return how late the note-on is, beyond its own bytes."""
    key = 40 + 3 * finger
    at_s = cable.now_s
    before = len(cable.heard)
    cable.tell(NoteOn(finger + 1, key, 100))
    made = cable.heard[before:]
    heard_s = next(t for t, content in made if content[0] == 0x90 | finger)
    own_s = 6 / cable.bytes_per_second if cable.bytes_per_second else 0.0
    return heard_s - at_s - own_s


def _bend_late_s(cable: PacedCable, finger: int, asked: list[tuple[float, int]]) -> float:
    """Return how old the newest place of a finger was, at the longest, when its bend had come.

    A place that a newer one replaced while it waited is heard by that one.
    """
    came = [(t, _bend(content)) for t, content in cable.heard if content[0] == 0xE0 | finger]
    latest = 0.0
    following = 0
    for at_s, bend in asked:
        while following < len(came) and came[following][0] < at_s:
            following += 1
        if following < len(came) and bend != 0:
            latest = max(latest, came[following][0] - at_s)
    return latest


def _bend(content: bytes) -> int:
    return (content[2] << 7 | content[1]) - 8192
