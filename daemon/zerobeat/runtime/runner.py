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
from pathlib import Path
from typing import Any

from ..config.rig import LoadedRig
from ..engine.commands import OutputLost, Reload
from ..engine.ledger import Outputs
from ..engine.wire import Wire
from ..errors import CommandError, PortError
from ..ports import notify
from ..ports.mirror import Mirror, write_outputs
from ..ports.patch import Patch, choose_backend, open_patch
from ..ports.realtime import RealTime, ask
from ..runtime_directory import Lock, make_runtime_directory, runtime_directory
from ..state.last_good import keep_last_good
from ..state.state_directory import state_directory
from .child_process import Outcome
from .clients import Clients
from .journal import Journal
from .note_path import NotePath
from .pedal_requests import Footwork
from .port_connections import Connections
from .rig_reload import Reloading
from .signals import take_signals
from .startup_state import Evening
from .stores import Stores
from .wall_clock import WallClock

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
        self.engine = evening.engine(loaded.scenes)
        self.wire = Wire(loaded.rig.outputs)
        self._mirror = Mirror(folder, (output.name for output in loaded.rig.outputs))
        self._notes = NotePath(self.engine, self.wire, self._mirror, self._journal)
        write_outputs(folder, ((o.name, o.port, o.port_is_pattern) for o in loaded.rig.outputs))
        self._connections = Connections(
            loaded.rig,
            self._patch,
            self._notes.inbox,
            self._wake_fd,
            self._mirror,
            self._journal,
            self._notes.command,
        )
        self._notes.ins, self._notes.outs = self._connections.ins, self._connections.outs
        self._reloading = Reloading(path, self._journal, self._wake)
        self._reloading.outcome = instead
        self._keep_good = keep_good
        self._stores = Stores(
            evening,
            self.engine,
            loaded,
            self._path.parent,
            self._notes.act,
            self._reloading.files_changed,
            self._journal,
        )
        self._disk = self._stores.disk
        self._footwork = Footwork(
            self.engine,
            self._stores.scenes.store,
            self._notes.act,
            self._connections.lights,
            self._journal,
        )
        self._clients = Clients(
            folder,
            self.engine,
            self.wire,
            self._notes.act,
            {"reload": self._reloading.ask, **self._stores.known},
            lambda: self._notes.hear([]),
            self._facts,
            self._journal,
        )
        self._notes.control = self._clients.control
        self._real_time = RealTime()
        self._wall_clock = WallClock(time.monotonic(), time.time())
        self._collect_at_s = 0.0

    # ------------------------------------------------------------ the loop

    def run(self) -> int:
        """Play until a signal; return the exit status."""
        take_signals(self._end, self._reloading.start)
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
            self._notes.hear(outputs)
            now_s = time.monotonic()
            self._notes.wake(now_s, outputs)
            self._footwork.step(now_s)
            self._clients.serve(ready, now_s)
            self._connections.look(now_s)
            self._stopping = self._stopping or self._connections.server_gone
            self._disk.step(now_s)
            self._reload_step(now_s)
            self._collect(now_s)
            clock_told = self._wall_clock.look(now_s)
            if clock_told:
                self._journal.say(clock_told)
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
            self.wire.wake_at_s,
            self.engine.wake_at_s,
            watch.due_s,
            control.wake_at_s(now_s),
            self._disk.wake_at_s,
        ):
            if moment is not None and moment - now_s < longest_s:
                longest_s = moment - now_s
        waits = [self._wake_fd, watch.fileno(), *self._reloading.filenos(), *self._disk.filenos()]
        waits += control.readers(now_s)
        ready: list[int] = []
        if not self._notes.inbox and longest_s > 0:
            ready, _, _ = select.select(waits, control.writers(), (), longest_s)
        try:
            os.eventfd_read(self._wake_fd)
        except BlockingIOError:
            pass
        return ready

    def _facts(self) -> dict[str, Any]:
        return {
            "rig": str(self._path),
            "state_directory": str(state_directory()),
            "ports": self._connections.states(),
            "malformed": self._notes.malformed,
            "muted": list(self._notes.storms.muted),
            "real_time": self._real_time.text,
            "clock_steps": self._wall_clock.steps,
            "foot_presses": self._notes.foot_presses,
            "asked_by_foot": dict(self._footwork.asked),
            "reload": self._reloading.outcome,
            "store": self._disk.shown(),
            "latency": self._notes.delays.shown(),
            "last_faults": list(self._journal.faults),
        }

    # ------------------------------------------------------------ reload and stop

    def _reload_step(self, now_s: float) -> None:
        loaded = self._reloading.result()
        if loaded is None:
            return
        try:
            self._take_rig(loaded, now_s)
        except (CommandError, PortError) as error:
            self._reloading.done(f"reload: {error}; the rig in force is unchanged", False)

    def _take_rig(self, loaded: LoadedRig, now_s: float) -> None:
        old_outputs = {output.name: output.port for output in self.engine.rig.outputs}
        self._notes.command(Reload(loaded.rig, loaded.scenes))
        self._notes.use(loaded.rig)
        self._notes.send_rest(0.1)
        self.wire.replace(loaded.rig.outputs, time.monotonic())
        self._notes.send(time.monotonic())  # what is owed to outputs that go or move
        self._mirror.replace(output.name for output in loaded.rig.outputs)
        outputs = ((o.name, o.port, o.port_is_pattern) for o in loaded.rig.outputs)
        write_outputs(runtime_directory(), outputs)
        self._connections.replace(loaded.rig, now_s)
        self._stores.use(loaded)
        for output in loaded.rig.outputs:
            if old_outputs.get(output.name, output.port) != output.port:
                self._notes.command(OutputLost(output.name))
        self._real_time = ask(self._patch.backend)  # a new port has a new thread
        gc.collect()
        gc.freeze()
        self._reloading.done("reload: the new rig is in force", True)
        if self._keep_good and not self._disk.refusal:
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
        self._wake()

    def _wake(self) -> None:
        os.eventfd_write(self._wake_fd, 1)

    def _stop(self) -> None:
        """Start reversed: inputs shut, notes released, drained, outputs shut (M14, M15)."""
        notify.stopping(self._stopping)
        self._connections.close_inputs()
        self._notes.release_all()
        self._notes.send_rest(1.0)
        self._disk.stop(time.monotonic())
        self._clients.control.close()
        self._connections.close_outputs()
        self._mirror.close()
        self._patch.close()
        self._reloading.close()
        self._lock.close()
        os.close(self._wake_fd)
        self._journal.say(f"zerobeat stopped ({self._stopping}); every note released")
