"""Fingers and glides: what each costs, and how late anything is.

| figure | bound |
| --- | --- |
| a finger's bend to one corrected bend, parse to bytes, median | 10 us |
| fifteen fingers at 200 bends a second: the latest note, beyond its own bytes | 1 ms |
| the same: from a finger's newest place to its bend | two turns of the cable |
| a glide of an octave in 0.2 s on DIN, one voice: the largest step | 12 cents |
| the same on USB: the longest gap between steps | 1.5 ms |
| the same: a value as it leaves, beside the line at that moment | half a bend step |
| a note struck while others glide: how much later it leaves than without | 0 ms |

The first by the clock, of the CPU; the others in counted time. The bend range is 12 semitones, or
24 for the fingers. ``note_path.py`` and ``old_and_new.py`` time a key without any of this.

    .venv/bin/python tests/bench/expression.py [BENDS]
"""

from __future__ import annotations

import gc
import sys
import time
from itertools import pairwise
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from kit.engine_harness import EngineHarness, small_rig
from kit.finger_flood import DIN_BYTES_PER_SECOND, flood
from zerobeat.engine.commands import OutputBack
from zerobeat.engine.engine import Engine
from zerobeat.engine.glide import Glide
from zerobeat.engine.ledger import Outputs
from zerobeat.engine.mpe_zones import MpeSettings
from zerobeat.engine.settings import Converter, Input, Scene, Voice, VoiceSettings, Zone
from zerobeat.engine.wire import Wire
from zerobeat.midi import NoteOff, NoteOn, PitchBend, parse
from zerobeat.tuning.tracking import Reading, TrackingCurve

BENDS = 20_000
RANGE_CENTS = 1200.0
STEP_CENTS = RANGE_CENTS / 8192.0
GLIDE_S = 0.2
CURVE = TrackingCurve.from_readings(
    [Reading(100.0 * key, 0.2 * (key - 60), 0.05) for key in range(24, 97)]
)


def bend_us(bends: int) -> float:
    """Return the median time of one finger's bend, from its bytes to the converter's, in us."""
    names = [f"v{number}" for number in range(15)]
    converter = Converter(bend_range_cents=RANGE_CENTS)
    voices = [
        Voice(n, "out", i, bend_range_cents=RANGE_CENTS, curve=CURVE) for i, n in enumerate(names)
    ]
    source = Input("grid", "Finger Grid:1", mpe=MpeSettings(lower_members=15))
    rig = small_rig(voices, converter=converter, inputs=(source,))
    engine = Engine(rig, (Scene(zones=(Zone(tuple(names), "rotate"),)),))
    wire = Wire(rig.outputs)
    made: Outputs = []
    engine.receive(OutputBack("out"), "", 0.0, made)
    for finger in range(5):
        engine.receive(NoteOn(finger + 1, 50 + 3 * finger, 100), "grid", 0.0, made)
    wire.put(made, 0.0)
    wire.take(0.0)
    found: list[int] = []
    gc.collect()
    gc.disable()  # as the daemon does while it plays
    for number in range(bends):
        value = 8200 + number % 700
        content = bytes((0xE1 + number % 5, value & 127, value >> 7))
        now_s = 1.0 + number * 0.001
        start = time.thread_time_ns()
        made = []
        engine.receive(parse(content), "grid", now_s, made)
        wire.put(made, now_s)
        sent = wire.take(now_s)
        found.append(time.thread_time_ns() - start)
        assert len(sent) == 1
    gc.enable()
    return sorted(found)[bends // 2] / 1000.0


def glide_of_an_octave(bytes_per_second: int | None) -> tuple[float, float, float]:
    """Return the largest step in cents, the longest gap in ms, and how far beside the line."""
    converter = Converter(
        bend_range_cents=RANGE_CENTS, gate_gap_s=0.0, bytes_per_second=bytes_per_second
    )
    settings = VoiceSettings(glide_ms=1000.0 * GLIDE_S)
    voice = Voice("reed", "out", 0, bend_range_cents=RANGE_CENTS)
    case = EngineHarness(
        small_rig([voice], converter=converter), (Scene(voices={"reed": settings}),)
    )
    case.hear(NoteOn(0, 48, 100))
    case.hear(NoteOff(0, 48))
    case.hear(NoteOn(0, 60, 100), after_s=0.1)
    begun_s = case.now_s
    case.pass_time(GLIDE_S + 0.05)
    line = Glide(begun_s, GLIDE_S, -1200.0, curved=False)
    path = [
        (at_s, message.bend * STEP_CENTS)
        for at_s, _, message in case.sent
        if isinstance(message, PitchBend) and at_s >= begun_s
    ]
    steps = [abs(b - a) for (_, a), (_, b) in pairwise(path)]
    gaps = [b - a for (a, _), (b, _) in pairwise(path)]
    beside = max(abs(cents - line.cents_at(at_s)) for at_s, cents in path)
    return max(steps), 1000.0 * max(gaps), beside / STEP_CENTS


def note_among_glides_ms() -> float:
    """Return how much later a note leaves because three other voices glide on its DIN cable."""
    left = []
    for glide_ms in (0.0, 400.0):
        names = ("reed", "horn", "glass", "bass")
        converter = Converter(
            bend_range_cents=RANGE_CENTS, gate_gap_s=0.0, bytes_per_second=DIN_BYTES_PER_SECOND
        )
        voices = [Voice(n, "out", i, bend_range_cents=RANGE_CENTS) for i, n in enumerate(names)]
        zones = (Zone(names[:3], lowest_key=40), Zone(names[3:], highest_key=39))
        settings = dict.fromkeys(names, VoiceSettings(glide_ms=glide_ms))
        case = EngineHarness(
            small_rig(voices, converter=converter), (Scene(zones=zones, voices=settings),)
        )
        case.hear(NoteOn(0, 48, 100))
        case.hear(NoteOff(0, 48))
        case.hear(NoteOn(0, 60, 100), after_s=0.1)
        case.hear(NoteOn(0, 30, 100), after_s=0.1)
        down_s = case.now_s
        left.append(next(t for t, _, m in case.sent if m == NoteOn(3, 30, 100)) - down_s)
    return 1000.0 * (left[1] - left[0])


def main() -> int:
    bends = int(sys.argv[1]) if len(sys.argv) > 1 else BENDS
    din_step, _, din_beside = glide_of_an_octave(DIN_BYTES_PER_SECOND)
    _, usb_gap, usb_beside = glide_of_an_octave(None)
    rows = [("a finger's bend, median, us", bend_us(bends), 10.0)]
    for name, rate in (("DIN", DIN_BYTES_PER_SECOND), ("USB", None)):
        for pressure in (False, True):
            found = flood(rate, pressure=pressure)
            what = f"fifteen fingers{' and their pressure' if pressure else ''}, {name}"
            rows.append((f"{what}: latest note, ms", 1000.0 * found.note_late_s, 1.0))
            rows.append(
                (f"{what}: latest bend, ms", 1000.0 * found.bend_late_s, 2000.0 * found.turn_s)
            )
    rows += [
        ("an octave in 0.2 s, DIN: largest step, cents", din_step, 12.0),
        ("an octave in 0.2 s, USB: longest gap, ms", usb_gap, 1.5),
        ("beside the line, DIN, bend steps", din_beside, 0.5),
        ("beside the line, USB, bend steps", usb_beside, 0.5),
        ("a note among glides, later by, ms", note_among_glides_ms(), 0.0),
    ]
    failed = 0
    for what, found_value, bound in rows:
        passed = found_value <= bound + 1e-6
        failed += not passed
        print(f"{what:58} {found_value:9.3f} {bound:9.3f}   {'pass' if passed else 'FAIL'}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
