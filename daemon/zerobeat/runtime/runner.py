"""The daemon: ports in, engine, wire, ports out, in one loop on one thread.

MIDI callbacks and signals only wake the loop. Nothing on the note path touches a file, a log
or a lock. Everything else is a stage of the loop: what it raises is counted and logged and
ends neither the loop nor a note. Whatever ends the loop, what sounds is released first.
"""

from __future__ import annotations

import contextlib
import gc
import os
import select
import signal
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from ..config.page_field import PageSettings
from ..config.rig import LoadedRig
from ..engine.commands import OutputLost, Reload
from ..engine.ledger import Outputs
from ..engine.settings import Rig
from ..engine.wire import Wire
from ..errors import CommandError, PortError
from ..ports import notify
from ..ports.exit_deadline import PORTS_CLOSING_S, end_process_within
from ..ports.mirror import Mirror, write_outputs
from ..ports.patch import Patch, choose_backend, open_patch
from ..ports.realtime import RealTime, request_real_time
from ..runtime_directory import Lock, make_runtime_directory, runtime_directory
from ..state.last_good import keep_last_good
from ..text import counted
from .child_process import Outcome
from .clients import SocketClients
from .facts import Facts
from .journal import Journal
from .note_path import NotePath
from .pedal_requests import PedalRequests
from .port_connections import PortConnections
from .rig_reload import UNCHANGED, RigReload
from .standstill import Standstill
from .startup_state import StartupState
from .stores import Stores
from .tuning_request import tuning_request
from .wall_clock import WallClock

LONGEST_WAIT_S = 1.0  # the loop turns at least this often
GARBAGE_S = 10.0  # the garbage collector runs this often, and only while nothing sounds
MOST_SEARCHED = 2000  # objects, in a millisecond or so
FREE_AFTER_S = 1.0  # after a reload, when nothing holds the old rig any more
FAULT_REST_S = 0.02  # after a fault in a stage the loop serves notes alone for so long
SWITCH_S = 0.00005  # how long a thread keeps the interpreter from another
FOLDER_S = 2.0  # how often the runtime directory is looked for
SERVER_GONE = -1  # from ``run``: start again, and wait for the server
Returned = TypeVar("Returned")


class Runner:
    """The daemon: builds all parts and runs the loop.

    Args:
        path: the rig's file, for a reload; ``loaded`` is its content.
        startup: what the last session left.
        journal: the log.
        backend: "auto", "alsa" or "jack".
        keep_last_good_rig: keep a copy of each rig that was reloaded, for starts with a broken one.
        instead: why ``loaded`` is not the content of ``path``; "" if it is.

    Attributes:
        stage_faults: exceptions by the stage of the loop that they cost.

    Raises:
        PortError: no MIDI here, another daemon plays, or no control socket.
    """

    def __init__(
        self,
        path: Path,
        loaded: LoadedRig,
        startup: StartupState,
        journal: Journal,
        backend: str = "auto",
        keep_last_good_rig: bool = False,
        instead: str = "",
    ) -> None:
        self._journal = journal
        self._path = path.resolve()
        self._stopping = ""
        self.stage_faults: Counter[str] = Counter()
        self._folder = runtime_directory()
        make_runtime_directory(self._folder)
        self._lock = Lock(self._folder)
        self._patch: Patch = open_patch(choose_backend(backend), journal.log)  # type: ignore[arg-type]
        other = self._patch.other_daemon()  # of another user, with a lock of its own (M20)
        if other is not None:
            self._patch.close()
            raise PortError(f"zerobeat plays already, as process {other}; stop it first")
        self._wake_fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self.engine = startup.engine(loaded.scenes)
        self.wire = Wire(loaded.rig.outputs)
        self._mirror = Mirror(self._folder, (output.name for output in loaded.rig.outputs))
        self._notes = NotePath(self.engine, self.wire, self._mirror, self._patch, journal)
        self._write_outputs(loaded.rig)
        self._request_page(loaded.page)
        self._connections = PortConnections(
            loaded.rig,
            self._patch,
            self._notes.inbox,
            self._wake_fd,
            self._notes.interruptions,
            self._mirror,
            journal,
            self._notes.command,
            self._notes.catch_up,
        )
        self._notes.ins, self._notes.outs = self._connections.ins, self._connections.outs
        self._reload = RigReload(
            path, startup.state, journal, self._wake, self._notes.interruptions
        )
        self._reload.outcome = instead
        self._keep_last_good_rig = keep_last_good_rig
        self._stores = Stores(
            startup,
            self.engine,
            loaded,
            self._path.parent,
            self._notes.act,
            self._reload.files_changed,
            journal,
            self._notes.interruptions,
        )
        self._disk = self._stores.disk
        self._pedal_requests = PedalRequests(
            self.engine,
            self._stores.scenes.store,
            self._notes.act,
            self._connections.lights,
            journal,
        )
        self._clients = SocketClients(
            self._folder,
            self.engine,
            self.wire,
            self._notes.act,
            {
                "reload": self._reload.ask,
                "tuning": tuning_request(self.engine),
                **self._stores.known,
            },
            self._notes.catch_up,
            self._facts,
            journal,
            self._notes.interruptions,
        )
        self._notes.control = self._clients.control
        self._clients.follow.use(loaded.follow)
        self._pedal_requests.follow = self._clients.follow.ask_by_foot
        self._real_time = RealTime()
        self._wall_clock = WallClock(time.monotonic(), time.time())
        self._garbage_at_s = 0.0
        self._folder_at_s = 0.0
        self._rest_until_s = 0.0  # after a fault
        self._old: list[object] = []  # of rigs before a reload, freed piece by piece
        self._free_at_s = 0.0
        self._standstill = Standstill()
        self._outputs: Outputs = []

    # ------------------------------------------------------------ the loop

    def run(self) -> int:
        """Play until a signal; return the exit status, or ``SERVER_GONE``."""
        # A MIDI callback waits for the interpreter while a command is read: 5 ms by default.
        sys.setswitchinterval(SWITCH_S)
        status = 1
        try:
            handle_signals(self._end, self._reload.start, self._standstill.continued)
            self._notes.interruptions.listen()
            interval_s = self._start()
            while not self._stopping:
                self._turn(interval_s)
            status = 0
        finally:
            if not self._stopping:
                self._stopping = "a fault"
                self._journal.exception("the loop")
            self._stop(status)
        return SERVER_GONE if self._connections.server_gone else status

    def _start(self) -> float | None:
        """Connect, say what plays, and return the interval of systemd's watchdog."""
        self._stage("connections", self._connections.connect_first)
        summary = self._connections.summary(self.engine)
        if self._reload.outcome:  # this is not the rig that was asked for
            summary = f"{self._reload.outcome}; {summary}"
        self._journal.log(summary)
        if not self._mirror.kept:
            self._journal.log(
                f"{self._mirror.path}: can't be written; after a crash what sounds goes on"
            )
        self._stage("real time", self._request_real_time)
        self._journal.log(self._real_time.text)
        notify.ready(summary)
        gc.collect()
        gc.freeze()
        gc.disable()
        self._standstill.waits(0.0)
        return notify.watchdog_interval_s()

    def _turn(self, interval_s: float | None) -> None:
        ready = self._wait(min(interval_s / 2, LONGEST_WAIT_S) if interval_s else LONGEST_WAIT_S)
        now_s = time.monotonic()
        self._stage("notes", self._play, now_s)
        if now_s >= self._rest_until_s:
            self._stage("pedals", self._pedal_requests.step, now_s)
            self._stage("clients", self._clients.serve, ready, now_s)
            self._stage("connections", self._connections.poll, now_s)
            self._stage("disk", self._disk.step, now_s)
            self._stage("reload", self._reload_step, now_s)
            self._stage("garbage", self._collect_garbage, now_s)
            if self._old:
                self._stage("old rig", self._free_old, now_s)
            self._stage("clock", self._check_clock, now_s)
            self._stage("expected", self._clients.follow.step, time.monotonic())
            self._stage("folder", self._check_folder, now_s)
            self._stopping = self._stopping or self._connections.server_gone
        if interval_s:
            self._stage("watchdog", notify.watchdog)

    def _stage(self, name: str, act: Callable[..., object], *args: object) -> None:
        """Run one stage; what it raises costs this turn of it. Notes are served after it."""
        try:
            act(*args)
            self._notes.catch_up()
        except Exception:  # noqa: BLE001 - nothing ends the loop
            self.stage_faults[name] += 1
            self._rest_until_s = time.monotonic() + FAULT_REST_S
            self._journal.exception(f"stage {name}")

    def _play(self, now_s: float) -> None:
        notes = self._notes
        notes.receive_all(self._outputs)
        self._check_standstill()
        notes.wake_engine(now_s, self._outputs)
        notes.settle(now_s)

    def _check_standstill(self) -> None:
        """After a stop of the process or the machine, release what sounds."""
        still_s = self._standstill.seconds()
        if still_s:
            self._notes.release_sources(f"zerobeat stood still for {still_s:.0f} s")

    def _wait(self, longest_s: float) -> list[int]:
        """Sleep until a message, an announcement or the next due time; return ready descriptors.

        ``select`` and not ``poll``: it takes microseconds, where ``poll`` rounds
        a gate gap of 2 ms up to whole milliseconds.
        """
        ready: list[int] = []
        now_s = time.monotonic()
        try:
            longest_s, waits, writers = self._waits_for(now_s, longest_s)
            self._standstill.waits(longest_s)
            if not self._notes.inbox and longest_s > 0:
                ready = self._sleep(waits, writers, longest_s)
        except Exception:  # noqa: BLE001 - a bad descriptor, no memory
            self.stage_faults["wait"] += 1
            self._rest_until_s = now_s + FAULT_REST_S
            self._journal.exception("stage wait")
            time.sleep(0.001)
        try:
            os.eventfd_read(self._wake_fd)
        except OSError:  # nothing to read, mostly
            pass
        return ready

    def _sleep(self, waits: list[int], writers: list[int], longest_s: float) -> list[int]:
        """Return once a descriptor is ready or a message has come, which on JACK is looked for."""
        end_s = time.monotonic() + longest_s
        while True:
            look_s = min(longest_s, self._patch.collect_every_s)
            ready, writable, _ = select.select(waits, writers, (), look_s)
            self._notes.collect()
            longest_s = end_s - time.monotonic()
            if ready or writable or self._notes.inbox or longest_s <= 0:
                return ready

    def _waits_for(self, now_s: float, longest_s: float) -> tuple[float, list[int], list[int]]:
        """Return how long to wait at most, and for what."""
        moments = [self.wire.wake_at_s, self.engine.wake_at_s, self._notes.wake_at_s]
        waits, writers = [self._wake_fd], []
        if now_s < self._rest_until_s:
            moments.append(self._rest_until_s)
        else:
            control = self._clients.control
            moments += (self._connections.due_s, control.wake_at_s(now_s), self._disk.wake_at_s)
            waits += (
                self._connections.watch.fileno(),
                *self._reload.filenos(),
                *self._disk.filenos(),
                *control.readers(now_s),
            )
            writers = control.writers()
        for moment in moments:
            if moment is not None and moment - now_s < longest_s:
                longest_s = moment - now_s
        return longest_s, waits, writers

    def _facts(self) -> Facts:
        return {
            "rig": str(self._path),
            "state_directory": str(self._disk.store.directory),
            "ports": self._connections.states(),
            "malformed": self._notes.malformed,
            "muted": list(self._notes.loop_guard.muted),
            "real_time": self._real_time.text,
            "clock_steps": self._wall_clock.steps,
            "foot_presses": self._notes.foot_presses,
            "asked_by_foot": dict(self._pedal_requests.asked),
            "reload": self._reload.outcome,
            "follow": self._clients.follow.shown(),
            "store": self._disk.shown(time.monotonic()),
            "latency": self._notes.delays.shown(),
            "last_faults": list(self._journal.faults),
            "stage_faults": dict(self.stage_faults),
            "log_lines_lost": self._journal.dropped,
            "needle": self._clients.needle,
        }

    # ------------------------------------------------------------ stages

    def _request_real_time(self) -> None:
        self._real_time = request_real_time(self._patch.backend)

    def _reload_step(self, now_s: float) -> None:
        loaded = self._reload.result()
        if loaded is None:
            return
        self._notes.catch_up()
        try:
            self._use_rig(loaded, now_s)
        except (CommandError, PortError) as error:
            self._reload.done(f"reload: {error}; {UNCHANGED}", False)
        except Exception:
            self._reload.done("reload: a fault in zerobeat; its log says more", False)
            raise

    def _use_rig(self, loaded: LoadedRig, now_s: float) -> None:
        """Use a reloaded rig: open what it needs before letting go of anything."""
        new = self._connections.prepare(loaded.rig)
        old_outputs = {output.name: output.port for output in self.engine.rig.outputs}
        self._keep_old(now_s)
        taken = False
        try:
            taken = self._notes.command(Reload(loaded.rig, loaded.scenes))
        finally:
            if not taken:
                new.close()
        if not taken:
            raise PortError("a fault in zerobeat; its log says more")
        self._notes.use_rig(loaded.rig)
        self._notes.send_rest(0.1)
        self.wire.replace(loaded.rig.outputs, time.monotonic())
        self._notes.send(time.monotonic())  # what is owed to outputs that go or move
        self._mirror.replace(output.name for output in loaded.rig.outputs)
        self._pedal_requests.send_lights()  # dark, of pedalboards that go
        self._connections.replace(loaded.rig, new, now_s)
        for output in loaded.rig.outputs:
            if old_outputs.get(output.name, output.port) != output.port:
                self._notes.command(OutputLost(output.name))
        self._notes.catch_up()  # the new rig plays; what follows makes way for notes
        self._stores.use(loaded)
        self._clients.follow.use(loaded.follow)
        self._notes.catch_up()
        self._write_outputs(loaded.rig)
        self._request_page(loaded.page)
        self._notes.catch_up()
        self._request_real_time()  # a new port has a new thread
        self._notes.catch_up()
        gc.freeze()  # what a later collection need not look through
        self._reload.done("reload: the new rig is in force", True)
        if self._keep_last_good_rig and not self._disk.refusal:
            with contextlib.suppress(CommandError):  # too much is under way; the next start does it
                self._disk.work(
                    self._kept_good,
                    keep_last_good,
                    self._disk.store.directory,
                    self._path,
                    loaded.files_read,
                )

    def _keep_old(self, now_s: float) -> None:
        """Keep what a reload would free at once: long scales of many voices take milliseconds."""
        engine = self.engine
        self._old += [s for scene in engine.live.bank.values() for s in scene.voices.values()]
        for state in engine.states.values():
            self._old += (state.settings, state.waiting, state.base, state.base_waiting)
        self._free_at_s = now_s + FREE_AFTER_S

    def _free_old(self, now_s: float) -> None:
        if now_s < self._free_at_s:
            return
        self.engine.undo.remember()  # it forgets what was wanted of the old rig
        while self._old:
            self._old.pop()
            self._notes.catch_up()

    def _write_outputs(self, rig: Rig) -> None:
        try:
            write_outputs(self._folder, ((o.name, o.port, o.port_is_pattern) for o in rig.outputs))
        except OSError as error:
            self._journal.fault("outputs", f"{self._folder}: {error.strerror}; it plays on")

    def _request_page(self, page: PageSettings) -> None:
        self._page = page
        try:
            notify.request_page(self._folder, page.enabled, page.addresses, page.commands)
        except OSError as error:
            self._journal.fault("page", f"{self._folder}: {error.strerror}; it plays on")

    def _kept_good(self, outcome: Outcome, now_s: float) -> None:
        if outcome.error:
            self._journal.log(outcome.error)

    def _collect_garbage(self, now_s: float) -> None:
        if now_s < self._garbage_at_s or any(s.lane.notes for s in self.engine.states.values()):
            return
        self._garbage_at_s = now_s + GARBAGE_S
        search_garbage()

    def _check_clock(self, now_s: float) -> None:
        line = self._wall_clock.check(now_s)
        if line:
            self._journal.log(line)

    def _check_folder(self, now_s: float) -> None:
        """Make the runtime directory again if somebody has removed it."""
        if now_s < self._folder_at_s:
            return
        self._folder_at_s = now_s + FOLDER_S
        if not self._mirror.kept or (self._mirror.is_there() and self._clients.control.is_there()):
            return
        make_runtime_directory(self._folder)
        if not self._mirror.is_there():
            fresh = Lock(self._folder) if not self._lock.is_there() else None
            if fresh is not None:
                self._lock.close()
                self._lock = fresh
            self._mirror.restore()
        self._write_outputs(self.engine.rig)
        self._request_page(self._page)
        self._clients.follow.ask_unit()
        self._clients.control.bind_again()
        self._journal.log(f"{self._folder}: was removed; made again")

    # ------------------------------------------------------------ stop

    def _end(self, why: str) -> None:
        self._stopping = self._stopping or why
        self._wake()

    def _wake(self) -> None:
        with contextlib.suppress(OSError):  # a signal after the end
            os.eventfd_write(self._wake_fd, 1)

    def _stop(self, status: int) -> None:
        """Stop in the reverse order of the start: inputs, notes, drain, outputs (M14, M15).

        The MIDI library may hang when a client is closed. So all else is done before, and then
        the process ends in time, with this exit status. With a dead JACK server nothing of its
        library is called: it would spin, holding the interpreter.
        """
        gone = self._connections.server_gone
        self._last(notify.stopping if not gone else notify.status, self._stopping)
        drained = False
        if not gone:
            self._last(self._connections.take_no_more)
            self._last(self._notes.release_all)
            self._last(self._connections.release_again)
            self._last(self._pedal_requests.send_lights)  # of layers, which end with a stop
            self._last(self._notes.send_rest, 1.0)
            drained = bool(self._last(self._connections.drain))
        if drained:
            self._last(self._mirror.settle, 0, 0)
        left = self._last(self._mirror.marked) or ()
        self._last(self._disk.stop, time.monotonic())
        self._last(self._clients.control.close)
        self._last(self._mirror.close)
        self._last(self._reload.close)
        self._last(self._lock.close)
        what = f"{counted(len(left), 'note')} may sound; the next start releases them"
        self._journal.log(f"zerobeat stopped ({self._stopping}); {what if left else RELEASED}")
        if not gone:
            self._journal.flush()
            self._last(end_process_within, PORTS_CLOSING_S, status)
            self._last(self._connections.close)
            self._last(self._patch.close)
            self._last(os.close, self._wake_fd)

    def _last(self, act: Callable[..., Returned], *args: object) -> Returned | None:
        """Run one step of the stop; the others follow whatever it raises."""
        try:
            return act(*args)
        except Exception:  # noqa: BLE001 - the steps behind it release notes and keep files
            self._journal.exception(f"the stop: {getattr(act, '__name__', act)}")
            return None


def search_garbage() -> None:
    """Search what was made since the last search, if that is not so much as to delay a key.

    What was made by the thousand, such as the settings of many voices, is in use: thirty searches
    of a daemon that served a crowd found nothing else. A cycle among it would stay.
    """
    if gc.get_count()[0] < MOST_SEARCHED:
        gc.collect()
    gc.freeze()


RELEASED = "every note released"
_IGNORED = ("SIGUSR1", "SIGUSR2", "SIGALRM", "SIGPIPE", "SIGTSTP", "SIGTTIN", "SIGTTOU")


def handle_signals(
    stop: Callable[[str], None], reload: Callable[[], None], continued: Callable[[], None]
) -> None:
    """Call ``stop`` with a signal's name, ``reload`` or ``continued``; they only note it.

    SIGTERM, SIGINT and SIGQUIT stop. SIGHUP stops in a terminal, where it means that the
    terminal has closed; from a service manager it means "read the files again". Signals that
    would end or stop the process with notes sounding are ignored.
    """

    def stopped(number: int, frame: object) -> None:
        stop(signal.Signals(number).name)

    def hung_up(number: int, frame: object) -> None:
        reload()

    def went_on(number: int, frame: object) -> None:
        continued()

    signal.signal(signal.SIGCONT, went_on)
    for name in _IGNORED:
        signal.signal(getattr(signal, name), signal.SIG_IGN)
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGQUIT):
        signal.signal(number, stopped)
    signal.signal(signal.SIGHUP, stopped if sys.stdin and sys.stdin.isatty() else hung_up)
