"""From a bulk dump to its last bend over JACK, and what keys struck meanwhile wait for it.

``zerobeat run`` with hold ``none`` and eight voices in unison, all of which sound; the dumps come
from an input of their own. A key is struck at any moment from 1 ms before a dump to 4 ms after
it, and as many keys without one, in turn, so that both meet the same machine. A key's time is
that from its note-on to the last of its eight note-ons at the converter.

Bounds: the last of a dump's eight bends within 5 ms (99 of 100, without a key); the median key
beside a dump no later than 1 ms, and the 99th percentile no later than 1 ms above that of keys
without a dump.

    .venv/bin/python tests/bench/tuning_dump.py [DUMPS]
"""

from __future__ import annotations

import contextlib
import gc
import random
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.end_to_end import Ear, write_case

from kit.daemon_process import DaemonProcess
from kit.jack import JackServer, MidiSender
from kit.tuning_messages import bulk

DUMPS = 1000
VOICES = 8
LANDED_MS, LATER_MS = 5.0, 1.0
LOST_S = 0.1
BEND, NOTE_ON = 0xE0, 0x90
DUMP = [
    list(bulk([min(100.0 * key + cents, 12700.0) for key in range(128)])) for cents in (0.0, 37.0)
]


class Counter(Ear):
    """Stamps the last of eight messages of one kind, whatever comes between."""

    kind = BEND

    def await_kind(self, kind: int) -> None:
        self.kind = kind
        self.expect(VOICES)

    def _hear(self, event: tuple[list[int], float], unused: object = None) -> None:
        if event[0][0] & 0xF0 == self.kind:
            super()._hear(event)


def taken_ms(ear: Counter, start_s: float) -> float | None:
    """Return how long it took since a moment; None if a message was lost."""
    return 1e3 * (ear.at_s - start_s) if ear.whole.wait(LOST_S) else None


def landed(computer: MidiSender, ear: Counter, number: int) -> float | None:
    ear.await_kind(BEND)
    start_s = time.monotonic()
    computer.send(DUMP[number % 2])
    return taken_ms(ear, start_s)


def struck(
    keys: MidiSender, ear: Counter, key: int, dump: tuple[MidiSender, int] | None, gap_s: float
) -> float | None:
    """Return a key's time, with a dump ``gap_s`` before it (negative: after it)."""
    keys.send((0x80, key - 1, 64))
    time.sleep(0.02)
    ear.await_kind(NOTE_ON)
    if dump is not None and gap_s >= 0.0:
        dump[0].send(DUMP[dump[1] % 2])
    time.sleep(abs(gap_s))
    start_s = time.monotonic()
    if dump is not None and gap_s < 0.0:
        keys.send((0x90, key, 100))
        time.sleep(-gap_s)
        dump[0].send(DUMP[dump[1] % 2])
    else:
        keys.send((0x90, key, 100))
    return taken_ms(ear, start_s)


def at_share(found: list[float], share: float) -> float:
    return sorted(found)[int(share * (len(found) - 1))]


def main() -> int:
    dumps = int(sys.argv[1]) if len(sys.argv) > 1 else DUMPS
    rng = random.Random(1)
    alone: list[float] = []
    keys_ms: dict[bool, list[float]] = {True: [], False: []}
    lost = 0
    gc.disable()
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        write_case(folder)
        rig = folder / "rig.yaml"
        text = rig.read_text().replace(
            "converters:", '  computer: {port: "desk:out", plays: false}\nconverters:', 1
        )
        rig.write_text(text + "tuning_from: computer\nscene: {hold: none}\n")
        server = stack.enter_context(JackServer(period_frames=32, synchronous=False))
        keys = stack.enter_context(MidiSender("keys"))
        computer = stack.enter_context(MidiSender("desk"))
        ear = stack.enter_context(contextlib.closing(Counter("octo")))
        daemon = stack.enter_context(DaemonProcess(rig, server.environment))
        daemon.wait_for_line("connected: input")
        time.sleep(0.5)
        keys.send((0x90, 48, 100))
        time.sleep(0.1)
        for number in range(dumps):
            time.sleep(rng.uniform(0.005, 0.0065))
            found = landed(computer, ear, number)
            if found is None:
                lost += 1
            else:
                alone.append(found)
        keys.send((0x80, 48, 64))
        for number in range(2 * dumps):
            beside, key = number % 2 == 0, 49 + number % 24
            dump = (computer, number // 2) if beside else None
            found = struck(keys, ear, key, dump, rng.uniform(-0.001, 0.004))
            keys.send((0x80, key, 64))
            if found is None:
                lost += 1
            else:
                keys_ms[beside].append(found)
    landing = at_share(alone, 0.99)
    print(
        f"dump to its last bend: median {statistics.median(alone):.2f} ms, 99 % {landing:.2f}, "
        f"most {max(alone):.2f} (bound {LANDED_MS})"
    )
    rows = {}
    for beside, found_ms in keys_ms.items():
        rows[beside] = (statistics.median(found_ms), at_share(found_ms, 0.99), max(found_ms))
        median, tail, most = rows[beside]
        name = "key beside a dump" if beside else "key without one"
        print(f"{name:21s}: median {median:.2f} ms, 99 % {tail:.2f}, most {most:.2f}")
    later = [beside - without for beside, without in zip(rows[True], rows[False], strict=True)]
    print(
        f"later by            : median {later[0]:.2f} ms, 99 % {later[1]:.2f}, most {later[2]:.2f} "
        f"(bound {LATER_MS} for the first two); {lost} lost"
    )
    passed = landing <= LANDED_MS and max(later[:2]) <= LATER_MS
    print("pass" if passed else "FAIL")
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
