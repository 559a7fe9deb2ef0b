"""How long a key takes from its bytes to the bytes that are ready to leave.

One key plays all voices in unison, each with a curve, a scale and a detune in
beats: parse, engine, wire, and the time that the wire asks for. Note-offs are
played between the key-downs and not counted.

Bounds, median and 99.9th percentile: 50 and 150 us for 8 voices, 400 and 800
us for 64. They hold on a quiet machine; a loaded one fails the percentile.

    .venv/bin/python tests/bench/note_path.py [KEYS]
"""

from __future__ import annotations

import gc
import random
import sys
import time

from zerobeat.engine.commands import OutputBack
from zerobeat.engine.engine import Engine
from zerobeat.engine.ledger import Outputs
from zerobeat.engine.settings import Input, Output, Rig, Scene, Voice, VoiceSettings
from zerobeat.engine.wire import Wire
from zerobeat.midi import parse
from zerobeat.tuning.readings import Reading
from zerobeat.tuning.scale import preset
from zerobeat.tuning.tracking import TrackingCurve

KEYS = 100_000
BOUNDS_US = {8: (50.0, 150.0), 64: (400.0, 800.0)}  # voices: median, 99.9th percentile
CHANNELS = 16
LOWEST_KEY, HIGHEST_KEY = 36, 84
STEP_S = 0.05  # counted, never waited for


def case(voices: int) -> tuple[Engine, Wire]:
    """Return an engine and a wire, all outputs there, with so many voices in unison."""
    curve = TrackingCurve.from_readings(
        [Reading(100.0 * key, 0.2 * (key - 60), 0.05) for key in range(24, 97)]
    )
    names = [f"voice {number}" for number in range(voices)]
    outputs = [
        Output(f"output {n}", f"quad {n}:quad MIDI 1") for n in range(-(-voices // CHANNELS))
    ]
    rig = Rig(
        (Input("keys", "Stage Keys:Stage Keys MIDI 1"),),
        tuple(outputs),
        tuple(
            Voice(name, outputs[n // CHANNELS].name, n % CHANNELS, curve=curve)
            for n, name in enumerate(names)
        ),
    )
    settings = VoiceSettings(scale=preset("dorian"), detune_beats_hz=0.3)
    engine = Engine(rig, (Scene("unison", voices=dict.fromkeys(names, settings)),))
    wire = Wire(rig.outputs)
    made: Outputs = []
    for output in outputs:
        engine.receive(OutputBack(output.name), "", 0.0, made)
    wire.put(made, 0.0)
    wire.take(0.0)
    return engine, wire


def times_us(voices: int, keys: int) -> tuple[list[float], list[float]]:
    """Return what each key-down took, in microseconds, shortest first: on the wall, of the CPU."""
    engine, wire = case(voices)
    rng = random.Random(1)
    found: list[int] = []
    busy: list[int] = []
    now_s = 0.0
    gc.collect()
    gc.freeze()
    gc.disable()  # as the daemon does while it plays
    for _ in range(keys):
        key = rng.randint(LOWEST_KEY, HIGHEST_KEY)
        down, up = bytes((0x90, key, 100)), bytes((0x80, key, 64))
        now_s += STEP_S
        busy_start = time.thread_time_ns()
        start = time.perf_counter_ns()
        made: Outputs = []
        engine.receive(parse(down), "keys", now_s, made)
        wire.put(made, now_s)
        sent = wire.take(now_s)
        _ = wire.wake_at_s
        found.append(time.perf_counter_ns() - start)
        busy.append(time.thread_time_ns() - busy_start)
        assert sum(content[0] & 0xF0 == 0x90 for _, content in sent) == voices
        now_s += STEP_S
        made = []
        engine.receive(parse(up), "keys", now_s, made)
        wire.put(made, now_s)
        wire.take(now_s)
    gc.enable()
    gc.unfreeze()
    return sorted(ns / 1000.0 for ns in found), sorted(ns / 1000.0 for ns in busy)


def main() -> int:
    keys = int(sys.argv[1]) if len(sys.argv) > 1 else KEYS
    failed = 0
    print("voices    keys  median  bound   99.9 %  bound        CPU   (us)")
    for voices, (median_bound, tail_bound) in BOUNDS_US.items():
        found, busy = times_us(voices, keys)
        place = int(keys * 0.999)
        median, tail = found[keys // 2], found[place]
        passed = median <= median_bound and tail <= tail_bound
        failed += not passed
        print(
            f"{voices:6} {keys:7} {median:7.1f} {median_bound:6.0f} {tail:8.1f} {tail_bound:6.0f}"
            f"   {'pass' if passed else 'FAIL'} {busy[place]:6.1f}"
        )
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
