"""A real JACK server for each test, peers that play and hear MIDI, oscillators, recording.

    with JackServer() as server, MidiSender("keys") as keys, MidiRecorder("quad") as quad:
        server.connect("keys:out", "quad:in")
        keys.play([(0.0, b"\\x90\\x3c\\x64"), (0.1, b"\\x80\\x3c\\x40")])
        assert [content for _, content in quad.wait_for(2)] == [...]

The server runs the dummy driver: real ports and real timing, no sound card. It is found
through JACK_DEFAULT_SERVER, which ``JackServer`` sets for this process and its children while it
is open; ``server.environment`` is that environment for children started by hand. Only one server
may be open in a process at a time, and every client must be closed before it is. Servers of other
processes are not seen where ``kit.isolation`` works.

Needs jackd2; ``OscillatorBank`` also needs fluidsynth and the TimGM6mb sound font.
"""

from __future__ import annotations

import contextlib
import ctypes
import fcntl
import itertools
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

import jack
import numpy as np
import rtmidi

from kit.isolation import isolate_shared_memory

RATE_HZ = 48_000
PRIORITY = 20
SOUND_FONT = Path("/usr/share/sounds/sf2/TimGM6mb.sf2")
# General MIDI program 112. Of the sound font's sustained programs the one whose loops leave no
# second pitch: there Praat and zerobeat's reader agree within 0.02 cents from key 36 to 84.
STEADY_REED = 111
SQUARE_LEAD = 80  # General MIDI program 81: a steady tone with no tremolo of its own

LEAVE_S = 0.03  # for a callback that is under way
# ``jack_client_close`` cancels its threads: one that is in Python, or waits to be, takes the
# interpreter's lock with it, and the process hangs for ever. So what they call at any time is
# libc's, and other callbacks end before their client is closed.
_QUIET = jack._ffi.cast(
    "void(*)(const char*)", ctypes.cast(ctypes.CDLL(None).strlen, ctypes.c_void_p).value
)
jack._lib.jack_set_error_function(_QUIET)
jack._lib.jack_set_info_function(_QUIET)


def jack_is_installed() -> bool:
    return shutil.which("jackd") is not None


def wait_until(true: Callable[[], bool], timeout_s: float = 10.0, what: str = "it") -> None:
    """Return when ``true()`` is; raise TimeoutError after ``timeout_s``."""
    end_s = time.monotonic() + timeout_s
    while not true():
        if time.monotonic() > end_s:
            raise TimeoutError(f"waited {timeout_s} s for {what}")
        time.sleep(0.01)


def _lock(name: str) -> int | None:
    """Return a lock on a server name, or None if somebody holds it."""
    lock = os.open(Path(tempfile.gettempdir(), f"{name}.lock"), os.O_RDWR | os.O_CREAT, 0o666)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(lock)
        return None
    return lock


class JackServer:
    """A JACK server of its own, with the dummy driver, and a client that connects ports.

    Args:
        period_frames: 128 for correctness; at 32 the dummy driver loses an event now and then.
        synchronous: the server waits for each client in each period, so that a client that
            is late for want of the processor loses no event and no audio. Without it (as
            players run it) 3,000 notes in a burst were heard in part and out of order.
        rate_hz: of its audio; the recorders and oscillators here want the default.
        real_time: as players run it; where that is refused, jackd says so and goes on without.
    """

    def __init__(
        self,
        period_frames: int = 128,
        synchronous: bool = True,
        rate_hz: int = RATE_HZ,
        real_time: bool = True,
    ) -> None:
        self.name = ""
        self._rate_hz = rate_hz
        self._real_time = real_time
        self.environment = dict(os.environ)
        self._period_frames = period_frames
        self._synchronous = synchronous
        self._before: dict[str, str | None] = {}
        self._process: subprocess.Popen[bytes] | None = None
        self.client: jack.Client | None = None

    def __enter__(self) -> Self:
        isolate_shared_memory()
        keys = ("JACK_DEFAULT_SERVER", "JACK_NO_START_SERVER")
        self._before = {key: os.environ.get(key) for key in keys}
        end_s = time.monotonic() + 120.0
        # JACK lists 8 servers at most; one that was killed stays listed until a server of its
        # name starts. So there are 8 names, and each goes round.
        for number in itertools.cycle(range(8)):
            try:
                if self._start(f"zerobeat-test-{number}"):
                    return self
            except BaseException:
                self.__exit__(None, None, None)
                raise
            if time.monotonic() > end_s:
                break
            time.sleep(0.02)
        raise TimeoutError("8 JACK servers run and none ends, or jackd does not start")

    def _start(self, name: str) -> bool:
        """Start a server of this name; False if the name is in use or the server ends again."""
        lock = _lock(name)
        if lock is None:
            return False
        self.name = name
        setting = {"JACK_DEFAULT_SERVER": name, "JACK_NO_START_SERVER": "1"}
        os.environ.update(setting)
        self.environment.update(setting)
        mode = (f"-R -P {PRIORITY}" if self._real_time else "-r") + (
            " -S" if self._synchronous else ""
        )
        driver = f"-d dummy -r {self._rate_hz} -p {self._period_frames}"
        self._process = subprocess.Popen(
            [
                "jackd",
                *f"-n {name} --port-max 256 --no-mlock {mode} {driver}".split(),
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            pass_fds=(lock,),  # held for as long as the server lives
        )
        os.close(lock)
        wait_until(lambda: self._answers() or self._ended(), 10.0, "the JACK server")
        return not self._ended()

    def _ended(self) -> bool:
        return self._process is None or self._process.poll() is not None

    def _answers(self) -> bool:
        try:
            self.client = jack.Client("kit", no_start_server=True)
        except jack.JackOpenError:
            return False
        self.client.activate()
        return True

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.client is not None:
            self.client.close()
            self.client = None
        self._end(signal.SIGTERM)
        for left in Path("/dev/shm").glob(f"jack_sem.*_{self.name}_*"):
            left.unlink(missing_ok=True)
        for key, value in self._before.items():
            if value is None:
                os.environ.pop(key, None)
            else:
                os.environ[key] = value

    def _end(self, number: int) -> None:
        if self._process is None or self._ended():
            return
        self._process.send_signal(number)
        try:
            self._process.wait(5.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def kill(self) -> None:
        """End the server at once, as a crash would (SIGKILL); its clients are left behind."""
        self._end(signal.SIGKILL)

    @contextlib.contextmanager
    def paused(self) -> Iterator[None]:
        """Let the server hang (SIGSTOP) for a while; requests to it then wait."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)
        try:
            yield
        finally:
            self._process.send_signal(signal.SIGCONT)

    def ports(self, pattern: str = "") -> list[str]:
        """Return the names of all ports that match a regular expression."""
        assert self.client is not None
        return [port.name for port in self.client.get_ports(pattern)]

    def wait_for_port(self, name: str, timeout_s: float = 5.0) -> None:
        wait_until(lambda: name in self.ports(), timeout_s, f"port {name}")

    def connect(self, source: str, destination: str) -> None:
        """Connect two ports by name, waiting until both are there and their clients active."""
        self.wait_for_port(source)
        self.wait_for_port(destination)
        wait_until(
            lambda: self._connects(source, destination),
            5.0,
            f"{source} -> {destination}",
        )

    def _connects(self, source: str, destination: str) -> bool:
        assert self.client is not None
        with contextlib.suppress(jack.JackErrorCode):
            self.client.connect(source, destination)
        return destination in self.connections(source)

    def disconnect(self, source: str, destination: str) -> None:
        assert self.client is not None
        self.client.disconnect(source, destination)

    def connections(self, name: str) -> list[str]:
        """Return the names of the ports that ``name`` is connected to."""
        assert self.client is not None
        found = self.client.get_all_connections(self.client.get_port_by_name(name))
        return [port.name for port in found]


class MidiSender:
    """A keyboard: a MIDI source, seen as ``name:port``."""

    def __init__(self, name: str, port: str = "out") -> None:
        self.name = f"{name}:{port}"
        self._out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=name)
        self._out.open_virtual_port(port)

    def send(self, content: Sequence[int]) -> None:
        self._out.send_message(content)

    def play(self, events: Iterable[tuple[float, Sequence[int]]]) -> float:
        """Send ``(at_s, bytes)`` in order, at_s after now; return the monotonic start time."""
        start_s = time.monotonic()
        for at_s, content in events:
            time.sleep(max(0.0, start_s + at_s - time.monotonic()))
            self._out.send_message(content)
        return start_s

    def close(self) -> None:
        self._out.close_port()
        self._out.delete()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


class MidiRecorder:
    """A converter: a MIDI destination, seen as ``name:port``, that keeps all it hears.

    ``heard`` is a list of ``(monotonic seconds, bytes)``, in order of arrival.
    """

    def __init__(self, name: str, port: str = "in") -> None:
        self.name = f"{name}:{port}"
        self.heard: list[tuple[float, bytes]] = []
        self._in = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=name)
        self._in.ignore_types(sysex=False, timing=False, active_sense=False)
        self._in.set_callback(self._hear)
        self._in.open_virtual_port(port)

    def _hear(self, event: tuple[Sequence[int], float], unused: object = None) -> None:
        self.heard.append((time.monotonic(), bytes(event[0])))

    def wait_for(self, count: int, timeout_s: float = 5.0) -> list[tuple[float, bytes]]:
        """Return ``heard`` once it holds ``count`` messages."""
        wait_until(lambda: len(self.heard) >= count, timeout_s, f"{count} messages")
        return list(self.heard)

    def wait_for_silence(self, quiet_s: float = 0.2) -> list[tuple[float, bytes]]:
        """Return ``heard`` once nothing has come for ``quiet_s``."""
        start_s = time.monotonic()
        while True:
            last_s = self.heard[-1][0] if self.heard else start_s
            rest_s = max(last_s, start_s) + quiet_s - time.monotonic()
            if rest_s <= 0:
                return list(self.heard)
            time.sleep(rest_s)

    def close(self) -> None:
        self._in.cancel_callback()
        time.sleep(LEAVE_S)
        self._in.close_port()
        self._in.delete()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


Detune = float | Mapping[int, float] | Callable[[int], float]


def _detune_cents(detune: Detune, key: int) -> float:
    if callable(detune):
        return detune(key)
    if isinstance(detune, Mapping):
        return detune.get(key, 0.0)
    return detune


def _free_port() -> int:
    """Return a TCP port that nobody listens on now."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


class OscillatorBank:
    """One soft synth as a case of oscillators that track badly on purpose.

    Args:
        detunes: one for each channel from 0 on: cents off for every key, a table
            key -> cents, or a function of the key.
        name: the client's name; MIDI goes in at ``midi_port``, and each channel
            sounds at ``audio_port(channel)``.
        program: General MIDI program, 0 to 127, of each channel.
        gain: the synth's own; 0.3 peaks near 0.05 of full scale.
        mixed: all channels sound at ``audio_port(0)``, as on one shared input.

    The synth honours bend (2 semitones each way until RPN 0 says otherwise). The sample of
    the default program is 0.9 cents flat of A4 by itself (measured): compare with a channel
    of detune 0 rather than with 440 Hz.
    """

    def __init__(
        self,
        detunes: Sequence[Detune],
        name: str = "osc",
        program: int = SQUARE_LEAD,
        gain: float = 0.3,
        mixed: bool = False,
    ) -> None:
        self.name = name
        self.midi_port = f"{name}:midi_00"
        self._folder = tempfile.TemporaryDirectory(prefix="osc")
        script = Path(self._folder.name, "tuning.txt")
        script.write_text("\n".join(self._script(detunes, program)) + "\n")
        voices = 1 if mixed else len(detunes)
        options = {
            "audio.jack.autoconnect": 0,
            "audio.jack.id": name,
            "audio.jack.multi": 1,
            "midi.jack.id": name,
            "shell.port": _free_port(),  # -s keeps it running and listens; two may not on one
            "synth.audio-channels": voices,
            "synth.audio-groups": voices,
            "synth.reverb.active": 0,
            "synth.chorus.active": 0,
        }
        pairs = [part for key, value in options.items() for part in ("-o", f"{key}={value}")]
        sound = ["-r", str(RATE_HZ), "-g", str(gain), "-a", "jack", "-m", "jack"]
        self._process = subprocess.Popen(
            [
                "fluidsynth",
                "-i",
                "-s",
                *sound,
                *pairs,
                "-f",
                str(script),
                str(SOUND_FONT),
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        assert self._process.stdout is not None
        if not any(b"tuned" in line for line in self._process.stdout):
            self.close()
            raise RuntimeError("fluidsynth ended before it was tuned")

    @staticmethod
    def _script(detunes: Sequence[Detune], program: int) -> Iterable[str]:
        for channel, detune in enumerate(detunes):
            yield f"select {channel} 1 0 {program}"
            yield f"tuning voice{channel} 0 {channel + 1}"
            for key in range(128):
                yield f"tune 0 {channel + 1} {key} {100 * key + _detune_cents(detune, key):.2f}"
            yield f"settuning {channel} 0 {channel + 1}"
        yield "echo tuned"

    def audio_port(self, channel: int) -> str:
        return f"{self.name}:l_{channel:02d}"

    def close(self) -> None:
        self._process.terminate()
        try:
            self._process.wait(5.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        assert self._process.stdout is not None
        self._process.stdout.close()
        self._folder.cleanup()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


class _AudioClient:
    """A client whose callback ends by itself before the client is closed."""

    def __init__(self, name: str) -> None:
        self._client = jack.Client(name, no_start_server=True)
        self._ending, self._ended = threading.Event(), threading.Event()
        self._client.set_process_callback(self._work)

    def _work(self, frames: int) -> None:
        if self._ending.is_set():
            self._ended.set()
            raise jack.CallbackExit
        self._process(frames)

    def _process(self, frames: int) -> None:
        raise NotImplementedError

    def close(self) -> None:
        self._ending.set()
        self._ended.wait(1.0)
        time.sleep(LEAVE_S)
        self._client.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


class AudioRecorder(_AudioClient):
    """Records JACK audio ports into an array, each period at its own frame.

    ``lost_frames`` counts what the server played while this client was late;
    they are zeros in the array. ``record`` gives whole audio only.
    """

    def __init__(self, ports: Sequence[str], longest_s: float = 30.0, name: str = "tape") -> None:
        super().__init__(name)
        self._tape = np.zeros((int(longest_s * RATE_HZ), len(ports)), dtype=np.float32)
        self._first_frame: int | None = None
        self._position = 0
        self._running = threading.Event()
        self.lost_frames = 0
        self._inputs = [self._client.inports.register(f"in{n}") for n in range(len(ports))]
        self._client.activate()
        for source, own in zip(ports, self._inputs, strict=True):
            self._client.connect(source, own)

    def _process(self, frames: int) -> None:
        if not self._running.is_set():
            return
        now = self._client.last_frame_time
        if self._first_frame is None:
            self._first_frame = now
        start = (now - self._first_frame) % 2**32
        if start + frames > len(self._tape):
            return
        self.lost_frames += start - self._position
        for column, port in enumerate(self._inputs):
            self._tape[start : start + frames, column] = port.get_array()
        self._position = start + frames

    def record(self, seconds: float) -> np.ndarray:
        """Return the next whole ``seconds`` of sound: float32, shape (frames, ports), 48,000 Hz.

        On a busy machine this client is late now and then; then the next stretch is taken
        instead, four at most, so what is recorded must sound long enough.
        """
        wanted = int(seconds * RATE_HZ)
        for _ in range(4):
            self.start()
            wait_until(lambda: self._position >= wanted, seconds + 5.0, "audio")
            sound = self.stop()[:wanted]
            if self.lost_frames == 0:
                return sound
        raise RuntimeError(f"the machine is too busy to record: {self.lost_frames} frames lost")

    def start(self) -> None:
        self._first_frame, self._position, self.lost_frames = None, 0, 0
        self._tape[:] = 0
        self._running.set()

    @property
    def position_frames(self) -> int:
        """How much has been recorded since ``start``."""
        return self._position

    def stop(self) -> np.ndarray:
        """Return what was recorded since ``start``."""
        self._running.clear()
        return self._tape[: self._position].copy()


class Hum(_AudioClient):
    """A cable with nothing on it but mains hum: a JACK client, seen as ``name:out``.

    Args:
        mains_hz: its first harmonic; five more stand above it, ever weaker.
        level: amplitude of the first, full scale 1.0.
    """

    def __init__(self, name: str = "hum", mains_hz: float = 50.0, level: float = 0.05) -> None:
        super().__init__(name)
        self._out = self._client.outports.register("out")
        self._mains_hz, self._level, self._frame = mains_hz, level, 0
        self._client.activate()

    def _process(self, frames: int) -> None:
        time_s = (self._frame + np.arange(frames)) / RATE_HZ
        self._frame += frames
        waves = [np.sin(2 * np.pi * n * self._mains_hz * time_s) / n**2 for n in range(1, 7)]
        self._out.get_array()[:] = self._level * np.sum(waves, axis=0)
