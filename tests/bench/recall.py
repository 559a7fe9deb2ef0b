"""What a recall costs the thread that plays: 8 voices while 8 notes sound.

Each scene moves each voice: another scale, root, detune and transposition. Measured is the work
of engine and wire from the command to the bytes, with hold ``none`` (every sounding voice moves
at once) and with hold ``note`` (the recall, and the key that lands it).

Bound: 99 of 100 recalls take less than 1 ms.

    .venv/bin/python tests/bench/recall.py [RECALLS]
"""

from __future__ import annotations

import gc
import statistics
import sys
import time
from collections.abc import Callable

from zerobeat.engine import commands
from zerobeat.engine.engine import Engine
from zerobeat.engine.settings import (
    Converter,
    Input,
    Output,
    Rig,
    Scene,
    Voice,
    VoiceSettings,
    Zone,
)
from zerobeat.engine.wire import Wire
from zerobeat.midi import NoteOff, NoteOn
from zerobeat.tuning.scale import equal_division, preset
from zerobeat.tuning.tracking import Reading, TrackingCurve

RECALLS = 2000
BOUND_MS = 1.0
NAMES = tuple(f"v{n}" for n in range(8))
CURVE = TrackingCurve.from_readings(
    [Reading(100.0 * k, 0.4 * (k - 60), 0.05) for k in range(24, 109, 2)]
)


def scene(name: str, hold: str, shift: int) -> Scene:
    scales = (preset("dorian"), equal_division(19), None)
    voices = {
        voice: VoiceSettings(
            scale=scales[(number + shift) % 3],
            root=60 + shift,
            semitones=shift,
            detune_cents=number + 3.5 * shift,
        )
        for number, voice in enumerate(NAMES)
    }
    return Scene(name, hold=hold, voices=voices, zones=(Zone(NAMES, "rotate"),))  # type: ignore[arg-type]


def case(hold: str) -> tuple[Engine, Wire]:
    """Return engine and wire with 8 different notes sounding, one on each voice."""
    rig = Rig(
        (Input("keys", "keys"),),
        (Output("octo", "octo", converter=Converter("octo", 1200.0, gate_gap_s=0.0)),),
        tuple(
            Voice(n, "octo", k, bend_range_cents=1200.0, curve=CURVE) for k, n in enumerate(NAMES)
        ),
    )
    engine = Engine(rig, (scene("one", hold, 0), scene("two", hold, 2)))
    wire = Wire(rig.outputs)
    hear(engine, wire, commands.OutputBack("octo"), 0.0)
    for number in range(8):
        hear(engine, wire, NoteOn(0, 48 + 3 * number, 100), 0.1)
    assert all(state.gate for state in engine.states.values())
    return engine, wire


def hear(engine: Engine, wire: Wire, message: object, now_s: float) -> int:
    """Play one message; return how many messages left."""
    outputs: list = []
    engine.receive(
        message, "" if isinstance(message, commands.RecallScene) else "keys", now_s, outputs
    )
    wire.put(outputs, now_s)
    return len(wire.take(now_s))


def ms(act: Callable[[], int]) -> tuple[float, int]:
    start_s = time.thread_time()  # the work alone: what else the machine does is not counted
    sent = act()
    return (time.thread_time() - start_s) * 1e3, sent


def line(name: str, taken_ms: list[float], sent: float) -> bool:
    ordered = sorted(taken_ms)
    p99 = ordered[int(0.99 * (len(ordered) - 1))]
    good = p99 < BOUND_MS
    print(
        f"{name:34s} median {statistics.median(ordered):.3f} ms  99 % {p99:.3f}  "
        f"most {ordered[-1]:.3f}  messages {sent:.1f}  {'pass' if good else 'FAIL'}"
    )
    return good


def main() -> int:
    recalls = int(sys.argv[1]) if len(sys.argv) > 1 else RECALLS
    gc.disable()
    good = True
    engine, wire = case("none")
    taken, sent, now_s = [], 0, 1.0
    for number in range(recalls):
        now_s += 0.1
        name = ("two", "one")[number % 2]
        spent, count = ms(lambda: hear(engine, wire, commands.RecallScene(name), now_s))
        taken.append(spent)
        sent += count
    good &= line("hold none: recall, 8 notes move", taken, sent / recalls)
    engine, wire = case("note")
    asked, landed, sent = [], [], 0
    for number in range(recalls):
        now_s += 0.1
        name = ("two", "one")[number % 2]
        asked.append(ms(lambda: hear(engine, wire, commands.RecallScene(name), now_s))[0])
        key = 48 + 3 * (number % 8)
        hear(engine, wire, NoteOff(0, key), now_s)
        spent, count = ms(lambda: hear(engine, wire, NoteOn(0, key, 100), now_s))
        landed.append(spent)
        sent += count
    good &= line("hold note: recall", asked, 0)
    good &= line("hold note: the key that lands it", landed, sent / recalls)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
