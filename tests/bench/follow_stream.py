"""The note path while follow listens: the stream ``expected`` of eight voices, and its reports.

``zerobeat run`` with eight voices on a JACK server; each key is a line of the stream for each
voice. Keys are timed as in ``end_to_end.py``, in turns: a quiet block, then one with a client of
role ``follow`` that reads every line, reports each second and moves a voice four times a second,
which is as much as follow does. What follow computes costs the daemon nothing: it is a process
of its own.

Bound: the 99.9th percentile of a block with the stream at most 1.2 times that of the quiet one
before it, in the median.

    .venv/bin/python tests/bench/follow_stream.py [KEYS_A_BLOCK [BLOCKS]]
"""

from __future__ import annotations

import contextlib
import gc
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from crowd import percentile, print_times
from end_to_end import daemon_alone, times_s

from kit.daemon_process import DaemonProcess

KEYS, BLOCKS, RATIO = 2000, 6, 1.2
LISTENER = """\
import select, sys, time
from zerobeat.client.daemon_client import Client
client = Client(role="follow")
client.send("expected")
stream, lines, lost, turns = client.last_id, 0, 0, 0
print("listening", flush=True)
next_s = time.monotonic()
while True:
    ready, _, _ = select.select([sys.stdin, client], (), (), 0.05)
    if sys.stdin in ready:
        break
    if client in ready:
        client.hear()
    for answer in client.answers():
        if answer.get("id") == stream:
            lines += len(answer.get("expected", ()))
            lost += answer.get("lost", 0)
        elif not answer.get("ok"):
            sys.exit(str(answer))
    if time.monotonic() >= next_s:
        next_s, turns = next_s + 0.25, turns + 1
        client.send("follow_move", voice="v1", offset_cents=turns % 20 / 10)
        if turns % 4 == 0:
            voices = {f"v{k}": {"drift_cents": 1.0} for k in range(1, 9)}
            client.send("follow_report", voices=voices)
print(lines, lost)
"""


@contextlib.contextmanager
def listener(daemon: DaemonProcess) -> Iterator[None]:
    """Read the stream meanwhile."""
    process = subprocess.Popen(
        ["nice", "-n", "5", sys.executable, "-c", LISTENER],
        env=daemon.environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "listening\n"
    time.sleep(0.5)
    yield
    out, _ = process.communicate()
    lines, lost = map(int, out.split())
    assert process.returncode == 0 and lines > 0, "the stream was not read"
    print(f"stream: {lines} lines, {lost} lost")


def measure(keys: int, blocks: int) -> bool:
    """Play the blocks and print their figures; return whether the bound holds."""
    times: dict[str, list[float]] = {"quiet": [], "stream": []}
    ratios, lost = [], 0
    with daemon_alone() as (daemon, player, ear):
        for block in range(blocks):
            quiet, missed = times_s(player, ear, keys, block)
            with listener(daemon):
                found, more = times_s(player, ear, keys, block)
            times["quiet"] += quiet
            times["stream"] += found
            ratios.append(percentile(found, 0.999) / percentile(quiet, 0.999))
            lost += missed + more
    print_times(times, lost)
    ratio = statistics.median(ratios)
    print(f"99.9th percentile, stream / quiet, by block: {[round(r, 2) for r in ratios]}")
    print(f"{'pass' if ratio <= RATIO else 'FAIL'}  99.9th percentile: {ratio:.2f}, bound {RATIO}")
    return ratio <= RATIO


def main() -> int:
    keys = int(sys.argv[1]) if len(sys.argv) > 1 else KEYS
    blocks = int(sys.argv[2]) if len(sys.argv) > 2 else BLOCKS
    gc.disable()
    return 0 if measure(keys, blocks) else 1


if __name__ == "__main__":
    sys.exit(main())
