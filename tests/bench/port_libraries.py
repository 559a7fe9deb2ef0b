"""The same echo by python-rtmidi and by JACK-Client, over JACK: what another library costs.

Each answers a key with eight bends and eight note-ons, as in ``end_to_end.py``, whose ends and
way of counting these are. By JACK-Client it answers in two ways: ``thread`` hands what it heard to
another thread and sends in the server's next period, as a daemon must that computes in its own
loop; ``callback`` answers inside the server's own call, which is only fast as long as nothing else
is computed there.

    .venv/bin/python tests/bench/port_libraries.py [NOTES [PAIRS]]
"""

from __future__ import annotations

import contextlib
import gc
import statistics
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from end_to_end import ECHO, VOICES, Ear, summary, times_s

from kit.jack import JackServer, MidiSender

NOTES = 2000
PAIRS = 6
JACK_CLIENT = f"""\
import os, select, sys, threading, jack
way = sys.argv[1]
client = jack.Client("jc echo", no_start_server=True)
heard = client.midi_inports.register("in")
out = client.midi_outports.register("out")
inbox, outbox, wake = [], [], os.eventfd(0)
def answer(message):
    status, key, velocity = message
    if status & 0xF0 == 0x90:
        for channel in range({VOICES}):
            yield (0xE0 | channel, key, 60)
    for channel in range({VOICES}):
        yield (status & 0xF0 | channel, key, velocity)
@client.set_process_callback
def process(frames):
    out.clear_buffer()
    for message in outbox:
        out.write_midi_event(0, message)
    outbox.clear()
    for offset, message in heard.incoming_midi_events():
        message = tuple(int.from_bytes(byte, "big") for byte in message)
        if way == "callback":
            for reply in answer(message):
                out.write_midi_event(0, reply)
        else:
            inbox.append(message)
            os.eventfd_write(wake, 1)
def work():
    while True:
        os.eventfd_read(wake)
        while inbox:
            outbox.extend(answer(inbox.pop(0)))
threading.Thread(target=work, daemon=True).start()
client.activate()
print("ready", flush=True)
sys.stdin.read()
"""
WAYS = {
    "rtmidi": ([ECHO], "echo in:in", "echo out:out"),
    "thread": ([JACK_CLIENT, "thread"], "jc echo:in", "jc echo:out"),
    "callback": ([JACK_CLIENT, "callback"], "jc echo:in", "jc echo:out"),
}


@contextlib.contextmanager
def echo(server: JackServer, way: str) -> Iterator[tuple[MidiSender, Ear]]:
    """Yield the ends of one echo, connected."""
    words, hears, sends = WAYS[way]
    with contextlib.ExitStack() as stack:
        player = stack.enter_context(MidiSender("bare"))
        ear = stack.enter_context(contextlib.closing(Ear("echoed")))
        command = [sys.executable, "-c", *words]
        pipe = subprocess.PIPE
        process = stack.enter_context(
            subprocess.Popen(command, env=server.environment, stdin=pipe, stdout=pipe)
        )
        stack.callback(process.kill)
        assert process.stdout is not None and process.stdout.readline() == b"ready\n"
        server.connect("bare:out", hears)
        server.connect(sends, "echoed:in")
        yield player, ear


def main() -> None:
    numbers = [int(word) for word in sys.argv[1:]]
    notes = numbers[0] if numbers else NOTES
    pairs = numbers[1] if len(numbers) > 1 else PAIRS
    ratios: dict[tuple[str, str], list[float]] = {}
    gc.disable()
    print("round  way        median  99.9 %  lost   (ms)")
    for seed in range(pairs):
        figures = {}
        for way in WAYS:
            with (
                JackServer(period_frames=32, synchronous=False) as server,
                echo(server, way) as ends,
            ):
                found, lost = times_s(*ends, notes, seed)
            assert found, f"{way}: every key was lost"
            figures[way] = summary(found)
            median, tail = (1e3 * value for value in figures[way].values())
            print(f"{seed + 1:5}  {way:9} {median:7.3f} {tail:7.3f} {lost:5}", flush=True)
        for way in ("thread", "callback"):
            for what, value in figures[way].items():
                ratios.setdefault((way, what), []).append(value / figures["rtmidi"][what])
    for (way, what), each in ratios.items():
        print(f"{way} / rtmidi, {what}: {statistics.median(each):.2f}")


if __name__ == "__main__":
    main()
