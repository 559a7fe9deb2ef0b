"""Another program on ALSA's sequencer, run as a process of its own by the scenarios.

peer.py source NAME PORT   sends each line of hexadecimal bytes that it reads
peer.py sink NAME PORT     prints each message it hears, in hexadecimal
peer.py late NAME PORT     a client whose port comes half a second after it
peer.py blink NAME PORT    "on" makes the client and its port, "off" closes it
peer.py record DEVICE ""   records from a sound card

Each prints "up" when its port is there. To kill it is to unplug it.
"""

from __future__ import annotations

import contextlib
import os
import sys
import time

import rtmidi


def source(name: str, port: str) -> None:
    out = rtmidi.MidiOut(rtmidi.API_LINUX_ALSA, name=name)
    out.open_virtual_port(port)
    print("up", flush=True)
    for line in sys.stdin:
        word, _, count = line.partition(" x ")
        for _ in range(int(count or 1)):
            with contextlib.suppress(rtmidi.RtMidiError):  # the receiver's queue is full
                out.send_message(bytes.fromhex(word))


def sink(name: str, port: str) -> None:
    heard = rtmidi.MidiIn(rtmidi.API_LINUX_ALSA, name=name)
    heard.ignore_types(sysex=False, timing=False, active_sense=False)
    heard.set_callback(lambda event, unused: print(bytes(event[0]).hex(), flush=True))
    heard.open_virtual_port(port)
    print("up", flush=True)
    sys.stdin.read()


def late(name: str, port: str) -> None:
    from alsa_midi import PortCaps, PortType, SequencerClient

    client = SequencerClient(name)
    time.sleep(0.5)
    kept = client.create_port(port, PortCaps.READ | PortCaps.SUBS_READ, PortType.MIDI_GENERIC)
    print("up", flush=True)
    sys.stdin.read()
    kept.close()


def blink(name: str, port: str) -> None:
    from alsa_midi import PortCaps, PortType, SequencerClient

    print("up", flush=True)
    client = None
    for line in sys.stdin:
        if line.strip() == "on":
            client = SequencerClient(name)
            kept = client.create_port(
                port, PortCaps.READ | PortCaps.SUBS_READ, PortType.MIDI_GENERIC
            )
        elif client is not None:
            kept.close()
            client.close()
        print("done", flush=True)


def record(device: str, unused: str) -> None:
    print("up", flush=True)
    os.execvp("arecord", ["arecord", "-q", "-D", device, "-f", "cd", "/dev/null"])


if __name__ == "__main__":
    kinds = {"source": source, "sink": sink, "late": late, "blink": blink, "record": record}
    kinds[sys.argv[1]](*sys.argv[2:4])
