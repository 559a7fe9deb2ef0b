"""The note path with ten consoles, a recall and a store every 100 ms and a flooding client.

``zerobeat run`` with eight voices in unison on a JACK server (period 32, asynchronous, real-time:
else the crowd holds up the server itself, and a bare echo as much as zerobeat). Keys are
timed from the press to the last of their eight bends and eight note-ons, in turns: a quiet block,
then one with the crowd, over and over, so that what else the machine does falls on both. The
crowd: ten ``zerobeat status`` in terminals of their own; a client that recalls a scene and stores
it, each every 100 ms, and times the answers; one that floods the socket with commands; one that
sends the worst lines that are taken (``slices.py`` finds them), as many as it may.

Server, daemon and crowd are started as ordinary processes; real time is what they ask for
themselves. Only the keyboard's thread has it from here: it stands for hardware that no crowd
holds up. ``--ordinary`` lets it be held up. A bare echo (``end_to_end.py``) takes as many bytes
on the same server in the same blocks: what the crowd makes of it is the machine's part.

Bounds: the 99.9th percentile of a crowded block at most 1.2 times that of the quiet one before
it, in the median of eight; nothing dropped, thinned or not sent by zerobeat; a recall answered
within 5 ms and a store acknowledged within 50 ms, 99 of 100 each, to a client that gets a
processor when its answer is there. (Half of the time it is a process like the crowd's; that
figure is printed too.) Keys that JACK's dummy server loses, the more the busier the machine is,
are counted and voided. Takes under three minutes.

    .venv/bin/python tests/bench/crowd.py [--ordinary] [KEYS_A_BLOCK [BLOCKS]]
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from end_to_end import Ear, echo, times_s, write_case

from kit.daemon_process import DaemonProcess
from kit.jack import JackServer, MidiSender
from zerobeat.client.daemon_client import Client

KEYS, BLOCKS = 2000, 8
ECHOED = 4  # one key of so many goes to the echo
CONSOLES = 10
RATIO, ANSWER_MS, STORED_MS = 1.2, 5.0, 50.0
SHARES = (0.5, 0.99, 0.999)
KEYBOARD_PRIORITY = 10  # below what JACK gives its clients
FLOOD = """\
import itertools, json, socket, sys
link = socket.socket(socket.AF_UNIX)
link.connect(sys.argv[1])
last = b""
try:
    for number in itertools.count():
        changes = {"detune_limit_cents": 40 + number % 20}
        request = {"zerobeat": 1, "id": number, "command": "set", "voice": "all"}
        link.sendall(json.dumps(request | {"changes": changes}).encode() + b"\\n")
        link.setblocking(False)
        try:
            last = link.recv(65536)
        except BlockingIOError:
            pass
        link.setblocking(True)
except OSError as error:  # thrown out: why stands in the last answer
    try:
        last = link.recv(65536) or last
    except OSError:
        pass
    sys.exit(f"the flood was thrown out after {number} commands: {error}; {last[-200:]}")
"""
WORST = """\
import json, socket, sys
link = socket.socket(socket.AF_UNIX)
link.connect(sys.argv[1])
voices = {f"voyce{n}x": 1 for n in range(900)}
lines = [
    {"command": "set_scene", "changes": {"zones": [{"voices": ["w1"] * 30}] * 30}},
    {"command": "set", "voice": "all", "changes": {"scale": ["x"] * 1000}},
    {"command": "set", "voice": "all", "changes": voices},
    {"command": "set_scene", "changes": {"voices": voices}},
]
while True:
    for line in lines:
        link.sendall(json.dumps({"zerobeat": 1, "id": 1, **line}).encode() + b"\\n")
        assert link.recv(1 << 16)
"""
TERMINALS = """\
import contextlib, select, sys
sys.path.insert(0, sys.argv[1])
from kit.control_socket import ConsoleProcess
environment = dict(pair.split("=", 1) for pair in sys.argv[3:])
with contextlib.ExitStack() as stack:
    consoles = [ConsoleProcess(environment, ("status",)) for _ in range(int(sys.argv[2]))]
    for console in consoles:
        stack.callback(console.close)
    while not select.select([sys.stdin], (), (), 0.05)[0]:
        for console in consoles:
            console.drain()
    sys.exit("a console has ended" if any(console.ended() for console in consoles) else 0)
"""
WORKER = """\
import json, os, sys, time
from pathlib import Path
from zerobeat.client.daemon_client import Client
from zerobeat.errors import CommandError
with Client(Path(sys.argv[1])) as client:
    for number in range(10**9):
        ordinary = number % 4 > 1  # half of the time it waits for a processor among the crowd
        try:
            if ordinary:
                os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
            else:
                os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(int(sys.argv[2])))
        except OSError:
            ordinary = True
        for command in ("recall", "store"):
            values = {"scene": ("one", "two")[number % 2]} if command == "recall" else {}
            start_s = time.monotonic()
            try:
                client.ask(command, **values)
                refused = ""
            except CommandError as error:
                refused = str(error)
            spent_ms = 1e3 * (time.monotonic() - start_s)
            print(json.dumps([command, spent_ms, refused, ordinary]), flush=True)
            # The store comes late after the recall, which waits for a key until then.
            rest_s = 0.08 if command == "recall" else 0.02
            time.sleep(max(0.0, rest_s - spent_ms / 1e3))
"""


# Command, milliseconds, why it was refused, and whether the client was an ordinary process then.
Answered = tuple[str, float, str, bool]


def write_scenes(folder: Path) -> None:
    """Put two scenes into the bench's rig: each key has another bend in each, on one number."""
    (folder / "scenes").mkdir()
    for name, cents in (("one", 1.0), ("two", 7.25)):
        text = f"title: {name}\nhold: note\nall: {{detune_cents: {cents}}}\n"
        (folder / f"scenes/{name}.yaml").write_text(text)
    with (folder / "rig.yaml").open("a") as rig:
        rig.write("scenes: [one, two]\n")


@contextlib.contextmanager
def crowd(daemon: DaemonProcess, answers: list[Answered]) -> Iterator[None]:
    """Let the crowd in; what the worker measured is added to ``answers``."""
    path = str(daemon.folder / "zerobeat/control")
    environment = {key: daemon.environment[key] for key in ("XDG_RUNTIME_DIR", "STATE_DIRECTORY")}
    with contextlib.ExitStack() as stack:
        # In a process of their own: reading ten terminals here would hold up the keyboard.
        pairs = [f"{key}={value}" for key, value in environment.items()]
        tests = str(Path(__file__).resolve().parents[1])
        terminals = subprocess.Popen(
            [sys.executable, "-c", TERMINALS, tests, str(CONSOLES), *pairs], stdin=subprocess.PIPE
        )
        stack.callback(terminals.wait)
        flood = subprocess.Popen([sys.executable, "-c", FLOOD, path])
        stack.callback(flood.wait)
        stack.callback(flood.kill)
        worst = subprocess.Popen([sys.executable, "-c", WORST, path])
        stack.callback(worst.wait)
        stack.callback(worst.kill)
        worker = subprocess.Popen(
            [sys.executable, "-c", WORKER, path, str(KEYBOARD_PRIORITY - 1)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert worker.stdout is not None
        time.sleep(3.0)  # ten consoles have started
        try:
            yield
        finally:
            terminals.communicate()
            assert terminals.returncode == 0, "a console has ended"
            assert worst.poll() is None, "the client of the worst lines has ended"
            worker.kill()
            for line in worker.stdout:
                with contextlib.suppress(ValueError):
                    answers.append(tuple(json.loads(line)))
            worker.wait()


def percentile(found: list[float], share: float) -> float:
    ordered = sorted(found)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def shares_ms(found_s: list[float]) -> str:
    """Return the percentiles of times, in words."""
    return "  ".join(f"{100 * s:g} % {1e3 * percentile(found_s, s):.3f}" for s in SHARES)


def print_times(times_s: dict[str, list[float]], lost: int) -> None:
    """Print the percentiles of each kind of block."""
    for kind, found_s in times_s.items():
        print(f"{kind}: {len(found_s)} keys, ms: {shares_ms(found_s)}")
    print(f"lost by JACK's dummy server: {lost}")


def be_a_keyboard() -> str:
    """Give this thread real time, and none of what it starts; return what was granted."""
    try:
        policy = os.SCHED_FIFO | os.SCHED_RESET_ON_FORK
        os.sched_setscheduler(0, policy, os.sched_param(KEYBOARD_PRIORITY))
    except OSError as error:
        return f"as any process ({error.strerror})"
    return "as hardware would be"


Block = tuple[list[float], int]  # the times of a block's keys, and how many were lost


def measure(keys: int, blocks: int) -> bool:
    """Play the blocks and print their figures; return whether every bound holds."""
    found: dict[str, list[Block]] = {"quiet": [], "crowd": []}
    echoed: dict[str, list[Block]] = {"quiet": [], "crowd": []}
    answers: list[Answered] = []
    with (
        tempfile.TemporaryDirectory() as folder,
        JackServer(period_frames=32, synchronous=False) as server,
        MidiSender("keys") as player,
        contextlib.closing(Ear("octo")) as ear,
    ):
        write_case(Path(folder))
        write_scenes(Path(folder))
        with DaemonProcess(Path(folder) / "rig.yaml", server.environment) as daemon:
            daemon.wait_for_line("connected: input keys, output octo")
            with echo_pair(server) as (bare, echoes):
                for block in range(blocks):
                    for kind in ("quiet", "crowd"):
                        with contextlib.ExitStack() as stack:
                            if kind == "crowd":
                                stack.enter_context(crowd(daemon, answers))
                            found[kind].append(times_s(player, ear, keys, block))
                            echoed[kind].append(times_s(bare, echoes, keys // ECHOED, block))
            with Client(daemon.folder / "zerobeat/control") as client:
                shown = client.status()
            dropped = shown["faults"] + shown["malformed"] + len(shown["last_faults"])
            dropped += sum(port["faults"] for port in shown["ports"])
            dropped += sum(output["thinned"] for output in shown["outputs"])
            # A bend range a voice, then a bend, a note-on and a note-off for each key and voice.
            needed = 8 * 18 + 8 * 9 * shown["presses"]
            dropped += abs(sum(output["bytes_sent"] for output in shown["outputs"]) - needed)
            print(f"{shown['presses']} of {2 * keys * blocks} keys reached zerobeat over JACK")
        return verdict(found, echoed, answers, dropped)


@contextlib.contextmanager
def echo_pair(server: JackServer) -> Iterator[tuple[MidiSender, Ear]]:
    with MidiSender("bare") as bare, contextlib.closing(Ear("echoed")) as ear, echo(server):
        server.connect("bare:out", "echo in:in")
        server.connect("echo out:out", "echoed:in")
        time.sleep(0.5)
        yield bare, ear


def show(who: str, found: dict[str, list[Block]]) -> dict[str, float]:
    """Print the figures of quiet and crowded blocks together; return the 99.9th percentiles."""
    tails = {}
    for kind, blocks in found.items():
        times = [time_s for block, _ in blocks for time_s in block]
        missed = sum(count for _, count in blocks)
        print(f"{who}, {kind}: {len(times)} keys, {missed} lost, ms: {shares_ms(times)}")
        tails[kind] = percentile(times, SHARES[-1])
    return tails


def verdict(
    found: dict[str, list[Block]],
    echoed: dict[str, list[Block]],
    answers: list[Answered],
    dropped: int,
) -> bool:
    zerobeat, bare = show("zerobeat", found), show("echo", echoed)
    own_ratio, bare_ratio = (figures["crowd"] / figures["quiet"] for figures in (zerobeat, bare))
    print(
        "99.9th percentile, crowd / quiet, all blocks together: "
        f"zerobeat {own_ratio:.2f}, echo {bare_ratio:.2f} (the machine's part); "
        f"crowded zerobeat / crowded echo {zerobeat['crowd'] / bare['crowd']:.2f}"
    )
    tails = {k: [percentile(times, 0.999) for times, _ in blocks] for k, blocks in found.items()}
    ratios = [crowd / quiet for crowd, quiet in zip(tails["crowd"], tails["quiet"], strict=True)]
    print(f"99.9th percentile, crowd / quiet, block by block: {[round(r, 2) for r in ratios]}")
    checks = [
        ("99.9th percentile, crowd / quiet, median", statistics.median(ratios), RATIO),
        ("dropped, refused or doubled by zerobeat", dropped, 0),
    ]
    for command, bound in (("recall", ANSWER_MS), ("store", STORED_MS)):
        own = [answer for answer in answers if answer[0] == command]
        refusals = [refused for _, _, refused, _ in own if refused]
        print(f"{command}: {len(own)} asked")
        for reason in sorted(set(refusals)):
            print(f"    refused {refusals.count(reason)} times: {reason}")
        for ordinary in (True, False):
            spent = [ms for _, ms, refused, was in own if was == ordinary and not refused]
            if not spent:
                continue
            shares = ", ".join(f"{100 * s:g} % {percentile(spent, s):.2f}" for s in (*SHARES, 1.0))
            who = "an ordinary process, in want of a processor" if ordinary else "a client at once"
            print(f"    answer to {who}: {len(spent)}, ms: {shares}")
        checks.append((f"{command} answered, 99 %, ms", percentile(spent, 0.99), bound))
    for what, value, bound in checks:
        print(f"{'pass' if value <= bound else 'FAIL'}  {what}: {value:.2f}, bound {bound}")
    return all(value <= bound for _, value, bound in checks)


def main() -> int:
    numbers = [int(word) for word in sys.argv[1:] if word != "--ordinary"]
    keys = numbers[0] if numbers else KEYS
    blocks = numbers[1] if len(numbers) > 1 else BLOCKS
    gc.disable()
    granted = "as any process" if "--ordinary" in sys.argv else be_a_keyboard()
    print(f"the keyboard is scheduled {granted}; all else as it asks itself")
    return 0 if measure(keys, blocks) else 1


if __name__ == "__main__":
    sys.exit(main())
