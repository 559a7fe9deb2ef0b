"""The stop helper: release what a crashed daemon left sounding (N12).

The unit runs it after every stop: ``python -m zerobeat.release``. It reads the mirror and
the outputs' ports in the runtime directory, connects, sends the note-offs and clears the
marks. After a clean stop nothing is marked and it ends at once. A mark that could not be
released stays for the next start.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from . import midi
from .errors import PortError
from .ports.mirror import MIRROR_FILE, Mirror, key_of, read_left, read_outputs
from .runtime_directory import Lock, runtime_directory
from .text import counted, printable

CONNECT_S = 1.0


def release(folder: Path) -> None:
    """Release what the mirror lists, and say how many notes were released and were not.

    Raises:
        PortError: a daemon plays, or there is no MIDI here.
    """
    left = read_left(folder / MIRROR_FILE)
    if not left:
        return
    from .ports.exit_deadline import PORTS_CLOSING_S, end_process_within
    from .ports.midi_out import MidiOut
    from .ports.patch import choose_backend, open_patch
    from .ports.watch import PortLink, Watch

    lock = Lock(folder)
    outputs = [output for output in read_outputs(folder) if key_of(output[0]) in left]
    patch = open_patch(choose_backend())
    ports = {name: MidiOut(name, patch) for name, _, _ in outputs}
    mirror = Mirror(folder, ports)
    links = [PortLink(name, "out", port, pattern) for name, port, pattern in outputs]
    watch = Watch(patch, links, time.monotonic())
    end_s = time.monotonic() + CONNECT_S
    while any(watch.state(link) == "unknown" for link in links) and time.monotonic() < end_s:
        watch.poll(time.monotonic())
        time.sleep(0.002)
    done = 0
    for link in links:
        if watch.state(link) != "connected":
            continue
        port = ports[link.name]
        sent = [
            (channel, note)
            for channel, note in left[key_of(link.name)]
            if port.send(midi.encode(midi.NoteOff(channel, note)))
        ]
        if port.drain():  # a mark goes once its note-off has surely left
            for channel, note in sent:
                mirror.clear(link.name, channel, note)
            done += len(sent)
    mirror.close()
    lock.close()
    _report(done, sum(map(len, left.values())) - done)
    end_process_within(PORTS_CLOSING_S, 0)  # the library may hang
    for port in ports.values():
        port.close()
    patch.close()


def _report(done: int, kept: int) -> None:
    if done:
        print(f"released {counted(done, 'note')} that sounded still", file=sys.stderr)
    if kept:
        print(
            f"{counted(kept, 'note')} wait for their output to come back",
            file=sys.stderr,
            flush=True,
        )


def main() -> int:
    try:
        release(runtime_directory())
    except (PortError, OSError) as error:
        print(f"notes may still sound: {printable(str(error))}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
