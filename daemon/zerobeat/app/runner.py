"""The daemon: ports in, engine, wire, ports out, in one loop on one thread.

MIDI callbacks and signals only wake the loop. Nothing on the way of a note
touches a file, a log or a lock.
"""

from __future__ import annotations

import gc
import os
import select
import signal
import sys
import time
import traceback
from collections import deque
from pathlib import Path

from .. import midi
from ..config.rig import LoadedRig
from ..engine.commands import OutputBack, OutputLost, SourceLost
from ..engine.engine import Engine
from ..engine.ledger import Outputs
from ..engine.settings import Rig
from ..engine.wire import Wire
from ..errors import CommandError, PortError
from ..ports import notify
from ..ports.midi_in import Inbox, MidiIn
from ..ports.midi_out import MidiOut
from ..ports.mirror import Lock, Mirror, make_runtime_directory, runtime_directory
from ..ports.patch import Patch, choose_backend, open_patch
from ..ports.watch import Event, Link, Watch
from .journal import Journal
from .reloading import Reloading

IDLE_S = 1.0  # the loop turns at least this often
FIRST_LOOK_S = 0.2  # how long the first connections may take before the line is written
COLLECT_S = 10.0  # rubbish is collected this often, and only while nothing sounds


class Runner:
    """Everything the daemon holds open.

    Args:
        path: the rig's file, for a reload.
        loaded: what it says.
        backend: "auto", "alsa" or "jack".

    Raises:
        PortError: no MIDI here, or another daemon plays.
    """

    def __init__(self, path: Path, loaded: LoadedRig, backend: str = "auto") -> None:
        self._journal = Journal()
        self._stopping = ""
        self._failed = False
        folder = runtime_directory()
        make_runtime_directory(folder)
        self._lock = Lock(folder)
        self._patch: Patch = open_patch(choose_backend(backend))  # type: ignore[arg-type]
        self._wake_fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._inbox: Inbox = deque()
        self._ins: dict[str, MidiIn] = {}
        self._outs: dict[str, MidiOut] = {}
        self.engine = Engine(loaded.rig, loaded.scenes)
        self.wire = Wire(loaded.rig.outputs)
        self._mirror = Mirror(folder, (output.name for output in loaded.rig.outputs))
        self._open_ports(loaded.rig)
        self._watch = Watch(self._patch, _links(loaded.rig), time.monotonic())
        self._reloading = Reloading(path, self._journal)
        self._collect_at_s = 0.0
        self.malformed = 0

    # ------------------------------------------------------------ the loop

    def run(self) -> int:
        """Play until a signal; return the exit status."""
        self._take_signals()
        self._connect_first()
        self._journal.say(self._summary())
        notify.ready(self._summary())
        interval_s = notify.watchdog_interval_s()
        ping_s = interval_s / 2 if interval_s else IDLE_S
        gc.collect()
        gc.freeze()
        gc.disable()
        outputs: Outputs = []
        while not self._stopping:
            self._wait(min(ping_s, IDLE_S))
            self._hear(outputs)
            now_s = time.monotonic()
            due_s = self.engine.wake_at_s
            if due_s is not None and due_s <= now_s:
                self._guarded(lambda: self.engine.wake(now_s, outputs), "wake", "", outputs)
            self._send(now_s)
            for event in self._watch.look(now_s):
                self._connection(event, now_s)
            self._reload_step(now_s)
            self._collect(now_s)
            if interval_s:
                notify.watchdog()
        self._stop()
        return 1 if self._failed else 0

    def _wait(self, longest_s: float) -> None:
        """Sleep until a message, an announcement or the next moment that was asked for.

        ``select`` and not ``poll``: it takes microseconds, where ``poll`` rounds
        a gate gap of 2 ms up to whole milliseconds.
        """
        moments = [self.wire.wake_at_s, self.engine.wake_at_s, self._watch.due_s]
        now_s = time.monotonic()
        for moment in moments:
            if moment is not None and moment - now_s < longest_s:
                longest_s = moment - now_s
        waits = [self._wake_fd, self._watch.fileno(), *self._reloading.filenos()]
        if not self._inbox and longest_s > 0:
            select.select(waits, (), (), longest_s)
        try:
            os.eventfd_read(self._wake_fd)
        except BlockingIOError:
            pass

    def _hear(self, outputs: Outputs) -> None:
        """Take every message that has come, in order, and send what follows from each."""
        inbox = self._inbox
        engine = self.engine
        while inbox:
            stamp_s, name, content = inbox.popleft()
            message = midi.parse(content)
            if message is None:
                self.malformed += 1
                continue
            try:
                engine.receive(message, name, stamp_s, outputs)
            except Exception:
                self._fault(bytes(content).hex(" "), name, outputs)
            if outputs:
                now_s = time.monotonic()
                self.wire.put(outputs, now_s)
                outputs.clear()
                self._send(now_s)
        for name, port in self._ins.items():
            if port.overflowed:
                port.overflowed = False
                self._journal.fault(f"overflow {name}", f"input {name}: too much at once; released")
                self._command(SourceLost(name))

    def _send(self, now_s: float) -> None:
        for name, content in self.wire.take(now_s):
            kind = content[0] & 0xF0
            if kind == 0x90:
                self._mirror.mark(name, content[0] & 0x0F, content[1])
                self._outs[name].send(content)
            else:
                self._outs[name].send(content)
                if kind == 0x80:
                    self._mirror.clear(name, content[0] & 0x0F, content[1])

    def _command(self, command: object) -> None:
        outputs: Outputs = []
        now_s = time.monotonic()
        self._guarded(
            lambda: self.engine.receive(command, "", now_s, outputs),  # type: ignore[arg-type]
            type(command).__name__, "", outputs,
        )  # fmt: skip
        self._send(now_s)

    def _guarded(self, act: object, what: str, name: str, outputs: Outputs) -> None:
        try:
            act()  # type: ignore[operator]
        except CommandError:
            raise
        except Exception:
            self._fault(what, name, outputs)
        self.wire.put(outputs, time.monotonic())
        outputs.clear()

    def _fault(self, what: str, name: str, outputs: Outputs) -> None:
        """An exception costs one event (M7): send what is there, release that voice."""
        text = traceback.format_exc()
        now_s = time.monotonic()
        self.wire.put(outputs, now_s)
        outputs.clear()
        voice = self.engine.recover(name, outputs)
        last = text.strip().splitlines()[-1]
        self._journal.fault(
            f"fault {last}", f"fault at [{what}] from {name or 'zerobeat'}, released {voice}:\n{text}"
        )

    # ------------------------------------------------------------ connections

    def _connect_first(self) -> None:
        end_s = time.monotonic() + FIRST_LOOK_S
        links = _links(self.engine.rig)
        while time.monotonic() < end_s:
            now_s = time.monotonic()
            for event in self._watch.look(now_s):
                self._connection(event, now_s, quiet=True)
            if all(self._watch.state(link) != "unknown" for link in links):
                return
            select.select([self._watch.fileno()], (), (), 0.005)

    def _connection(self, event: Event, now_s: float, quiet: bool = False) -> None:
        if not quiet:
            self._journal.say(event.text)
        if event.kind == "server":
            self._stopping = event.text
            self._failed = True
        elif event.direction == "in":
            if event.kind in ("lost", "overrun"):
                self._command(SourceLost(event.name))
        elif event.kind == "lost":
            self._command(OutputLost(event.name))
        elif event.kind == "connected":
            self._release_left(event.name)
            self._command(OutputBack(event.name))

    def _release_left(self, name: str) -> None:
        """Send the note-offs that an earlier process did not live to send (N12)."""
        for channel, note in self._mirror.left.pop(name, ()):
            self._outs[name].send(midi.encode(midi.NoteOff(channel, note)))
            self._mirror.clear(name, channel, note)

    def _open_ports(self, rig: Rig) -> None:
        """Open what a rig names and has no port yet; close what it no longer names."""
        inputs = {i.name for i in rig.inputs}
        outputs = {output.name for output in rig.outputs}
        for name in [name for name in self._ins if name not in inputs]:
            self._ins.pop(name).close()
        for name in [name for name in self._outs if name not in outputs]:
            self._outs[name].drain()
            self._outs.pop(name).close()
        for name in inputs - set(self._ins):
            self._ins[name] = MidiIn(name, self._inbox, self._wake_fd, self._patch)
        for name in outputs - set(self._outs):
            self._outs[name] = MidiOut(name, self._patch)

    def _summary(self) -> str:
        """Return the one line that says what is connected and what is missing."""
        there: list[str] = []
        away: list[str] = []
        for link in _links(self.engine.rig):
            side = "input" if link.direction == "in" else "output"
            state = self._watch.state(link)
            if state == "connected":
                there.append(f"{side} {link.name}")
            else:
                state = "missing" if state == "unknown" else state
                away.append(f"{side} {link.name} ({state}: {link.port})")
        text = f"zerobeat plays {len(self.engine.states)} voices, scene {self.engine.live.scene.name}"
        text += f"; connected: {', '.join(there) or 'nothing'}"
        return f"{text}; waiting for: {', '.join(away)}" if away else text

    # ------------------------------------------------------------ reload and stop

    def _reload_step(self, now_s: float) -> None:
        loaded = self._reloading.result()
        if loaded is None:
            return
        try:
            self._take_rig(loaded, now_s)
        except PortError as error:
            self._journal.say(f"reload: {error}; the rig in force is unchanged")

    def _take_rig(self, loaded: LoadedRig, now_s: float) -> None:
        from ..engine.commands import Reload

        old_outputs = {output.name: output.port for output in self.engine.rig.outputs}
        self._command(Reload(loaded.rig, loaded.scenes))
        while self.wire.wake_at_s is not None and time.monotonic() - now_s < 0.1:
            self._send(time.monotonic())
            time.sleep(0.001)
        self.wire.replace(loaded.rig.outputs)
        self._mirror.replace(output.name for output in loaded.rig.outputs)
        self._open_ports(loaded.rig)
        self._watch.replace(_links(loaded.rig), now_s)
        for output in loaded.rig.outputs:
            if old_outputs.get(output.name, output.port) != output.port:
                self._command(OutputLost(output.name))
        gc.collect()
        gc.freeze()
        self._journal.say("reload: the new rig is in force")

    def _collect(self, now_s: float) -> None:
        if now_s < self._collect_at_s or any(s.lane.notes for s in self.engine.states.values()):
            return
        self._collect_at_s = now_s + COLLECT_S
        gc.collect()

    def _take_signals(self) -> None:
        def stop(number: int, frame: object) -> None:
            self._stopping = signal.Signals(number).name
            os.eventfd_write(self._wake_fd, 1)

        def reload(number: int, frame: object) -> None:
            self._reloading.start()
            os.eventfd_write(self._wake_fd, 1)

        signal.signal(signal.SIGTERM, stop)
        signal.signal(signal.SIGINT, stop)
        # A closed terminal hangs up; a service manager means "read the files again".
        signal.signal(signal.SIGHUP, stop if sys.stdin and sys.stdin.isatty() else reload)

    def _stop(self) -> None:
        """Start reversed: inputs shut, notes released, drained, outputs shut (M14, M15)."""
        notify.stopping(self._stopping)
        for port in self._ins.values():
            port.close()
        now_s = time.monotonic()
        self.wire.put(self.engine.release_all(), now_s)
        self._send(now_s)
        while self.wire.wake_at_s is not None and time.monotonic() - now_s < 1.0:
            time.sleep(0.0005)
            self._send(time.monotonic())
        for out in self._outs.values():
            out.drain()
            out.close()
        self._mirror.close()
        self._patch.close()
        self._reloading.close()
        self._lock.close()
        os.close(self._wake_fd)
        self._journal.say(f"zerobeat stopped ({self._stopping}); every note released")


def _links(rig: Rig) -> list[Link]:
    return [Link(i.name, "in", i.port, i.port_is_pattern) for i in rig.inputs] + [
        Link(o.name, "out", o.port, o.port_is_pattern) for o in rig.outputs
    ]
