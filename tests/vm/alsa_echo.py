"""The same echo by python-rtmidi and by alsa-midi on ALSA. Run in the guest: alsa_echo.py [KEYS].

Each answers a key with eight bends and eight note-ons, as in tests/bench/end_to_end.py: what would
a second way to the ports cost where python-rtmidi has no wheel? An emulated machine is slow, so
only the ratios count.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import threading
import time

import rtmidi
from alsa_midi import SequencerClient

VOICES = 8
ROUNDS = 3
LONGEST_S = 5.0
BY_RTMIDI = f"""\
import sys, rtmidi
out = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="echo out")
out.open_virtual_port("out")
def hear(event, unused=None):
    status, key, velocity = event[0]
    if status & 0xF0 == 0x90:
        for channel in range({VOICES}):
            out.send_message((0xE0 | channel, key, 60))
    for channel in range({VOICES}):
        out.send_message((status & 0xF0 | channel, key, velocity))
heard = rtmidi.MidiIn(rtmidi.API_LINUX_ALSA, name="echo in")
heard.set_callback(hear)
heard.open_virtual_port("in")
print("ready", flush=True)
sys.stdin.read()
"""
BY_ALSA_MIDI = f"""\
from alsa_midi import (
    NoteOffEvent, NoteOnEvent, PitchBendEvent, PortCaps, PortType, SequencerClient
)
sender, hearer = SequencerClient("echo out"), SequencerClient("echo in")
out = sender.create_port("out", PortCaps.READ | PortCaps.SUBS_READ, PortType.MIDI_GENERIC)
hearer.create_port("in", PortCaps.WRITE | PortCaps.SUBS_WRITE, PortType.MIDI_GENERIC)
print("ready", flush=True)
while True:
    event = hearer.event_input()
    on = isinstance(event, NoteOnEvent)
    if not on and not isinstance(event, NoteOffEvent):
        continue
    if on:
        for channel in range({VOICES}):
            sender.event_output(PitchBendEvent(channel, (60 << 7 | event.note) - 8192), port=out)
    kind = NoteOnEvent if on else NoteOffEvent
    for channel in range({VOICES}):
        sender.event_output(kind(event.note, channel, event.velocity), port=out)
    sender.drain_output()
"""


def connect(client: SequencerClient, source: str, target: str) -> None:
    there = {port.client_name: port for port in client.list_ports(sort=False)}
    client.subscribe_port(there[source], there[target])


def times_s(echo: str, keys: int) -> list[float]:
    """Return how long each key took until its last note-on was heard, shortest first."""
    process = subprocess.Popen(
        [sys.executable, "-c", echo], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    watch = SequencerClient("echo bench")
    out = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name="bench keys")
    ear = rtmidi.MidiIn(rtmidi.API_LINUX_ALSA, name="bench ear")
    heard: list[float] = []
    whole = threading.Event()
    wanted = 2 * VOICES

    def hear(event: tuple[list[int], float], unused: object = None) -> None:
        heard.append(time.monotonic())
        if len(heard) == wanted:
            whole.set()

    try:
        assert process.stdout.readline() == "ready\n"
        out.open_virtual_port("out")
        ear.set_callback(hear)
        ear.open_virtual_port("in")
        connect(watch, "bench keys", "echo in")
        connect(watch, "echo out", "bench ear")
        found = []
        for number in range(keys):
            key = 36 + number % 60
            for status, wanted in ((0x90, 2 * VOICES), (0x80, VOICES)):
                heard.clear()
                whole.clear()
                start_s = time.monotonic()
                out.send_message((status, key, 100))
                assert whole.wait(LONGEST_S), f"key {key}: heard {len(heard)} of {wanted}"
                if status == 0x90:
                    found.append(heard[-1] - start_s)
                time.sleep(0.01)
        return sorted(found)
    finally:
        process.kill()
        process.wait()
        ear.cancel_callback()
        ear.close_port()
        out.close_port()
        watch.close()


def main() -> None:
    keys = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    for number in range(ROUNDS):
        first, second = times_s(BY_RTMIDI, keys), times_s(BY_ALSA_MIDI, keys)
        slowest = int(0.999 * keys)
        medians = [statistics.median(found) for found in (first, second)]
        print(
            f"round {number + 1}: python-rtmidi {1e6 * medians[0]:.0f} us, alsa-midi"
            f" {1e6 * medians[1]:.0f} us: {medians[1] / medians[0]:.2f} times;"
            f" 99.9 %: {second[slowest] / first[slowest]:.2f} times"
        )


if __name__ == "__main__":
    main()
