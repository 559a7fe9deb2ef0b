"""The daemon: ports in, engine, wire, ports out, in one loop on one thread.

MIDI callbacks and signals only wake the loop. Nothing on the way of a note
touches a file, a log or a lock.
"""

from __future__ import annotations

import contextlib
import gc
import os
import select
import time
import traceback
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

from .. import midi
from ..config.last_good import keep_last_good
from ..config.rig import LoadedRig
from ..engine.commands import Command, OutputLost, Reload, SourceLost
from ..engine.engine import Engine
from ..engine.ledger import Outputs
from ..engine.wire import Wire
from ..errors import CommandError, PortError
from ..ports import notify
from ..ports.midi_in import Inbox
from ..ports.mirror import (
    Lock,
    Mirror,
    make_runtime_directory,
    runtime_directory,
    write_outputs,
)
from ..ports.patch import Patch, choose_backend, open_patch
from ..ports.realtime import RealTime, ask
from .child import Outcome
from .clients import Clients
from .connections import Connections
from .delays import Delays
from .footwork import Footwork
from .journal import Journal
from .reloading import Reloading
from .remembering import Evening
from .signals import take_signals
from .storms import Storms
from .stores import Stores

IDLE_S = 1.0  # the loop turns at least this often
COLLECT_S = 10.0  # rubbish is collected this often, and only while nothing sounds


class Runner:
    """Everything the daemon holds open.

    Args:
        path: the rig's file, for a reload; ``loaded`` is what it says.
        evening: what the last session left.
        backend: "auto", "alsa" or "jack".
        keep_good: keep each rig that a reload takes, for a start on which it is broken.
        instead: why ``loaded`` is not what ``path`` says; "" if it is.

    Raises:
        PortError: no MIDI here, another daemon plays, or no control socket.
    """

    def __init__(
        self,
        path: Path,
        loaded: LoadedRig,
        evening: Evening,
        backend: str = "auto",
        keep_good: bool = False,
        instead: str = "",
    ) -> None:
        self._journal = Journal()
        self._path = path.resolve()
        self._stopping = ""
        folder = runtime_directory()
        make_runtime_directory(folder)
        self._lock = Lock(folder)
        self._patch: Patch = open_patch(choose_backend(backend))  # type: ignore[arg-type]
        other = self._patch.other_daemon()  # of another user, with a lock of its own (M20)
        if other is not None:
            self._patch.close()
            raise PortError(f"zerobeat plays already, as process {other}; stop it first")
        self._wake_fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._inbox: Inbox = deque()
        self.engine = evening.engine(loaded.scenes)
        self.wire = Wire(loaded.rig.outputs)
        self._mirror = Mirror(folder, (output.name for output in loaded.rig.outputs))
        write_outputs(folder, ((o.name, o.port, o.port_is_pattern) for o in loaded.rig.outputs))
        self._connections = Connections(
            loaded.rig, self._patch, self._inbox, self._wake_fd, self._mirror, self._journal,
            self._command,
        )  # fmt: skip
        self._ins = self._connections.ins
        self._outs = self._connections.outs
        self._reloading = Reloading(path, self._journal)
        self._reloading.outcome = instead
        self._keep_good = keep_good
        self._stores = Stores(
            evening, self.engine, loaded, self._path.parent, self._act,
            self._reloading.files_changed, self._journal,
        )  # fmt: skip
        self._disk = self._stores.disk
        self._footwork = Footwork(
            self.engine, self._stores.scenes.store, self._act, self._connections.lights,
            self._journal,
        )  # fmt: skip
        self._clients = Clients(
            folder, self.engine, self.wire, self._act, self._reload, self._stores.known,
            lambda: self._hear([]), self._facts, self._journal,
        )  # fmt: skip
        self._storms = Storms()
        self._real_time = RealTime()
        self._delays = Delays()
        self._collect_at_s = 0.0
        self.malformed = 0
        self._foot_presses = 0
        self._feet = {source.name for source in loaded.rig.inputs if not source.plays}

    # ------------------------------------------------------------ the loop

    def run(self) -> int:
        """Play until a signal; return the exit status."""
        take_signals(self._end, self._reload)
        self._connections.connect_first()
        summary = self._connections.summary(self.engine)
        if self._reloading.outcome:  # this is not the rig that was asked for
            summary = f"{self._reloading.outcome}; {summary}"
        self._journal.say(summary)
        self._real_time = ask(self._patch.backend)
        self._journal.say(self._real_time.text)
        notify.ready(summary)
        interval_s = notify.watchdog_interval_s()
        ping_s = interval_s / 2 if interval_s else IDLE_S
        gc.collect()
        gc.freeze()
        gc.disable()
        outputs: Outputs = []
        while not self._stopping:
            ready = self._wait(min(ping_s, IDLE_S))
            self._hear(outputs)
            now_s = time.monotonic()
            due_s = self.engine.wake_at_s
            if due_s is not None and due_s <= now_s:
                self._guarded(lambda: self.engine.wake(now_s, outputs), "wake", "", outputs)
            self._send(now_s)
            self._footwork.step(now_s)
            self._clients.serve(ready, now_s)
            self._connections.look(now_s)
            self._stopping = self._stopping or self._connections.server_gone
            self._disk.step(now_s)
            self._reload_step(now_s)
            self._collect(now_s)
            if interval_s:
                notify.watchdog()
        self._stop()
        return 1 if self._connections.server_gone else 0

    def _wait(self, longest_s: float) -> list[int]:
        """Return the descriptors that are ready, after a sleep until a message, an announcement or the next moment that was asked for.

        ``select`` and not ``poll``: it takes microseconds, where ``poll`` rounds
        a gate gap of 2 ms up to whole milliseconds.
        """
        now_s = time.monotonic()
        watch, control = self._connections.watch, self._clients.control
        for moment in (
            self.wire.wake_at_s, self.engine.wake_at_s, watch.due_s, control.wake_at_s(now_s),
            self._disk.wake_at_s,
        ):  # fmt: skip
            if moment is not None and moment - now_s < longest_s:
                longest_s = moment - now_s
        waits = [self._wake_fd, watch.fileno(), *self._reloading.filenos(), *self._disk.filenos()]
        waits += control.readers(now_s)
        ready: list[int] = []
        if not self._inbox and longest_s > 0:
            ready, _, _ = select.select(waits, control.writers(), (), longest_s)
        try:
            os.eventfd_read(self._wake_fd)
        except BlockingIOError:
            pass
        return ready

    def _hear(self, outputs: Outputs) -> None:
        """Take every message that has come, in order, and send what follows from each."""
        inbox = self._inbox
        engine = self.engine
        storms = self._storms
        listens = bool(inbox) and self._clients.control.listens
        while inbox:
            stamp_s, name, content = inbox.popleft()
            if name in self._feet and (content[0] & 0xF0 == 0xC0 or content[-1] >= 64):
                self._foot_presses += 1
            if listens:
                self._clients.control.hear(stamp_s, name, content)
            message = midi.parse(content)
            if message is None:
                self.malformed += 1
                continue
            told = storms.hears(name, content, stamp_s)
            if told != "":
                if told:
                    self._journal.fault(f"storm {name}", told)
                    self._command(SourceLost(name))
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
                self._delays.add(time.monotonic() - stamp_s)
        for name, port in self._ins.items():
            if port.overflowed:
                port.overflowed = False
                self._journal.fault(f"overflow {name}", f"input {name}: too much at once; released")
                self._command(SourceLost(name))

    def _send(self, now_s: float) -> None:
        sent = self._storms.sent
        for name, content in self.wire.take(now_s):
            sent.append((name, content))
            kind = content[0] & 0xF0
            if kind == 0x90:
                self._mirror.mark(name, content[0] & 0x0F, content[1])
                self._outs[name].send(content)
            else:
                self._outs[name].send(content)
                if kind == 0x80:
                    self._mirror.clear(name, content[0] & 0x0F, content[1])

    def _command(self, command: Command) -> bool:
        """Hand a command to the engine and send what follows; False after a fault."""
        outputs: Outputs = []
        now_s = time.monotonic()
        done = self._guarded(
            lambda: self.engine.receive(command, "", now_s, outputs),
            type(command).__name__, "", outputs,
        )  # fmt: skip
        self._send(now_s)
        return done

    def _guarded(self, act: Callable[[], None], what: str, name: str, outputs: Outputs) -> bool:
        done = False
        try:
            act()
            done = True
        except CommandError:
            raise
        except Exception:
            self._fault(what, name, outputs)
        self.wire.put(outputs, time.monotonic())
        outputs.clear()
        return done

    def _fault(self, what: str, name: str, outputs: Outputs) -> None:
        """An exception costs one event (M7): send what is there, release that voice."""
        text = traceback.format_exc()
        now_s = time.monotonic()
        self.wire.put(outputs, now_s)
        outputs.clear()
        voice = self.engine.recover(name, outputs)
        last = text.strip().splitlines()[-1]
        self._journal.fault(
            f"fault {last}",
            f"fault at [{what}] from {name or 'zerobeat'}, released {voice}:\n{text}",
        )

    # ------------------------------------------------------------ clients

    def _act(self, command: Command) -> None:
        if not self._command(command):
            raise CommandError("a fault in zerobeat, one voice released; its log says more")

    def _facts(self) -> dict[str, Any]:
        return {
            "rig": str(self._path),
            "ports": self._connections.states(),
            "malformed": self.malformed,
            "muted": list(self._storms.muted),
            "real_time": self._real_time.text,
            "foot_presses": self._foot_presses,
            "asked_by_foot": dict(self._footwork.asked),
            "reload": self._reloading.outcome,
            "store": self._disk.shown(),
            "latency": self._delays.shown(),
            "last_faults": list(self._journal.faults),
        }

    # ------------------------------------------------------------ reload and stop

    def _reload_step(self, now_s: float) -> None:
        loaded = self._reloading.result()
        if loaded is None:
            return
        try:
            self._take_rig(loaded, now_s)
        except PortError as error:
            self._reloading.outcome = f"reload: {error}; the rig in force is unchanged"
            self._journal.say(self._reloading.outcome)

    def _take_rig(self, loaded: LoadedRig, now_s: float) -> None:
        self._feet = {source.name for source in loaded.rig.inputs if not source.plays}
        old_outputs = {output.name: output.port for output in self.engine.rig.outputs}
        self._command(Reload(loaded.rig, loaded.scenes))
        while self.wire.wake_at_s is not None and time.monotonic() - now_s < 0.1:
            self._send(time.monotonic())
            time.sleep(0.001)
        self.wire.replace(loaded.rig.outputs)
        self._mirror.replace(output.name for output in loaded.rig.outputs)
        outputs = ((o.name, o.port, o.port_is_pattern) for o in loaded.rig.outputs)
        write_outputs(runtime_directory(), outputs)
        self._connections.replace(loaded.rig, now_s)
        self._stores.use(loaded)
        for output in loaded.rig.outputs:
            if old_outputs.get(output.name, output.port) != output.port:
                self._command(OutputLost(output.name))
        self._real_time = ask(self._patch.backend)  # a new port has a new thread
        gc.collect()
        gc.freeze()
        self._reloading.outcome = "reload: the new rig is in force"
        self._journal.say(self._reloading.outcome)
        if self._keep_good:
            with contextlib.suppress(CommandError):  # too much is under way; the next start does it
                self._disk.work(self._kept_good, keep_last_good, self._path, loaded.files_read)

    def _kept_good(self, outcome: Outcome, now_s: float) -> None:
        if outcome.error:
            self._journal.say(outcome.error)

    def _collect(self, now_s: float) -> None:
        if now_s < self._collect_at_s or any(s.lane.notes for s in self.engine.states.values()):
            return
        self._collect_at_s = now_s + COLLECT_S
        gc.collect()

    def _end(self, why: str) -> None:
        self._stopping = why
        os.eventfd_write(self._wake_fd, 1)

    def _reload(self) -> None:
        self._reloading.start()
        os.eventfd_write(self._wake_fd, 1)

    def _stop(self) -> None:
        """Start reversed: inputs shut, notes released, drained, outputs shut (M14, M15)."""
        notify.stopping(self._stopping)
        self._connections.close_inputs()
        now_s = time.monotonic()
        self.wire.put(self.engine.release_all(), now_s)
        self._send(now_s)
        while self.wire.wake_at_s is not None and time.monotonic() - now_s < 1.0:
            time.sleep(0.0005)
            self._send(time.monotonic())
        self._disk.stop(time.monotonic())
        self._clients.control.close()
        self._connections.close_outputs()
        self._mirror.close()
        self._patch.close()
        self._reloading.close()
        self._lock.close()
        os.close(self._wake_fd)
        self._journal.say(f"zerobeat stopped ({self._stopping}); every note released")
