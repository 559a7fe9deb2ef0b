"""The page's figures: how soon it is readable, what 20 browsers cost a note, how much memory.

``zerobeat run`` with eight voices on a JACK server, ``zerobeat page`` beside it. The note path is
timed as in ``crowd.py``: quiet blocks (no page at all), blocks with twenty browsers that read the
live stream, and blocks with five hundred hostile connections beside them (half of them half-open,
half sending random bytes, made anew when they are ended), in turns, so that what else the machine
does falls on all. Browsers and hostile clients are one process each: what a phone paints or an
attacker computes costs this machine nothing.

Bounds: readable within 1 s of being opened in Debian's chromium, in the median of five; the 99.9th
percentile of a block with browsers, or with hostile clients too, at most 1.2 times that of the
quiet one before it, in the median; the page's memory under 40 MB with all of them.

    .venv/bin/python tests/bench/page.py [KEYS_A_BLOCK [BLOCKS]]
"""

from __future__ import annotations

import contextlib
import gc
import os
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

from kit.chromium import Chromium, chromium_is_installed
from kit.daemon_process import ZEROBEAT, DaemonProcess
from kit.jack import wait_until
from kit.page_process import free_port

KEYS, BLOCKS, BROWSERS, ENEMIES = 2000, 6, 20, 500
RATIO, READABLE_S, MEMORY_MB = 1.2, 1.0, 40.0
READABLE = "document.querySelector('#voices').textContent.includes('v8')"
READERS = """\
import select, socket, sys
port, count = int(sys.argv[1]), int(sys.argv[2])
links = [socket.create_connection(("127.0.0.1", port)) for _ in range(count)]
for link in links:
    link.sendall(f"GET /live HTTP/1.1\\r\\nhost: 127.0.0.1:{port}\\r\\n\\r\\n".encode())
print("reading", flush=True)
pictures = 0
while True:
    ready, _, _ = select.select([sys.stdin, *links], (), ())
    if sys.stdin in ready:
        break
    for link in ready:
        part = link.recv(65536)
        if not part:
            sys.exit("a stream has ended")
        pictures += part.count(b"event: picture")
print(pictures)
"""

HOSTILE = """\
import os, select, socket, sys, time
port, count = int(sys.argv[1]), int(sys.argv[2])
links = []
while not select.select([sys.stdin], (), (), 0.02)[0]:
    for number in range(10):  # at most 500 a second
        if not count:
            break
        if len(links) >= count:
            links.pop(0).close()
        try:
            link = socket.create_connection(("127.0.0.1", port), 0.2)
            link.send(os.urandom(500) if number % 2 else b"GET / HTTP/1.1\\r\\nhost: ")
            links.append(link)
        except OSError:
            pass
"""


@contextlib.contextmanager
def page_with_browsers(
    daemon: DaemonProcess, port: int, count: int, hostile: int = 0
) -> Iterator[int]:
    """Serve the page to some browsers and hostile clients; yields the page's process number."""
    policy = os.sched_getscheduler(0), os.sched_getparam(0)
    os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))  # what is started now has it too
    log = daemon.folder / "page.log"
    with log.open("wb") as file:
        # Nice as the unit has it.
        page = subprocess.Popen(
            ["nice", "-n", "5", *ZEROBEAT, "page", "--address", f"127.0.0.1:{port}"],
            env=daemon.environment,
            stdout=file,
            stderr=file,
        )
    try:
        wait_until(lambda: f":{port}/" in log.read_text(), 20.0)
        readers = subprocess.Popen(
            [sys.executable, "-c", READERS, str(port), str(count)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert readers.stdout is not None
        assert readers.stdout.readline() == "reading\n"
        enemies = subprocess.Popen(
            [sys.executable, "-c", HOSTILE, str(port), str(hostile)], stdin=subprocess.PIPE
        )
        os.sched_setscheduler(0, *policy)
        time.sleep(2.0 if hostile else 1.0)
        yield page.pid
        enemies.communicate()
        out, _ = readers.communicate()
        assert readers.returncode == 0 and int(out) >= count, "the browsers saw no pictures"
    finally:
        os.sched_setscheduler(0, *policy)
        page.terminate()
        page.wait()


def memory_mb(pid: int) -> float:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024


def readable_s(port: int) -> list[float]:
    """Return how long a phone takes from opening the page to its first line."""
    if not chromium_is_installed():
        print("chromium is not installed: how soon the page is readable was not measured")
        return []
    found = []
    with Chromium(360, 640) as browser:
        for _ in range(5):
            browser.open("about:blank")
            start_s = time.monotonic()
            browser.open(f"http://127.0.0.1:{port}/")
            end_s = browser.until(READABLE)
            found.append(end_s - start_s)
    return found


def measure(keys: int, blocks: int) -> bool:
    """Play the blocks and print their figures; return whether every bound holds."""
    tails: dict[str, list[float]] = {"quiet": [], "browsers": [], "hostile": []}
    times: dict[str, list[float]] = {"quiet": [], "browsers": [], "hostile": []}
    lost = 0
    with daemon_alone() as (daemon, player, ear):
        memory = 0.0
        port = free_port()
        for block in range(blocks):
            for kind in tails:
                with contextlib.ExitStack() as stack:
                    pid = 0
                    if kind != "quiet":
                        enemies = ENEMIES if kind == "hostile" else 0
                        served = page_with_browsers(daemon, port, BROWSERS, enemies)
                        pid = stack.enter_context(served)
                    found, missed = times_s(player, ear, keys, block)
                    memory = max(memory, memory_mb(pid)) if pid else memory
                times[kind] += found
                tails[kind].append(percentile(found, 0.999))
                lost += missed
        with page_with_browsers(daemon, port, 1):
            opened = readable_s(port)
    print_times(times, lost)
    checks = [("memory of the page, MB", memory, MEMORY_MB)]
    for kind in ("browsers", "hostile"):
        ratios = [b / q for b, q in zip(tails[kind], tails["quiet"], strict=True)]
        print(f"99.9th percentile, {kind} / quiet, by block: {[round(r, 2) for r in ratios]}")
        checks.append((f"99.9th percentile, {kind} / quiet", statistics.median(ratios), RATIO))
    if opened:
        print(f"readable after, s: {[round(one, 2) for one in opened]}")
        checks.append(("readable after it is opened, s", statistics.median(opened), READABLE_S))
    for what, value, bound in checks:
        print(f"{'pass' if value <= bound else 'FAIL'}  {what}: {value:.2f}, bound {bound}")
    return all(value <= bound for _, value, bound in checks)


def main() -> int:
    keys = int(sys.argv[1]) if len(sys.argv) > 1 else KEYS
    blocks = int(sys.argv[2]) if len(sys.argv) > 2 else BLOCKS
    gc.disable()
    return 0 if measure(keys, blocks) else 1


if __name__ == "__main__":
    sys.exit(main())
