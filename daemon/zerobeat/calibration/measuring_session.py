"""The measuring session: the daemon that plays voices, and their audio inputs.

With no daemon running, one is started for the command and stopped after it.
However the command ends, every note is released.
"""

from __future__ import annotations

import contextlib
import os
import select
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from ..client.borrow_inputs import borrow_inputs
from ..client.daemon_client import Client, socket_paths
from ..client.once_a_day import first_today
from ..client.own_daemon import own_daemon
from ..config.audio_field import ListenSettings
from ..config.rig import LoadedRig
from ..engine.settings import Voice
from ..errors import CommandError, ControlError, MeasureError, MeasuringStoppedError, one_of
from ..measure.audio.audio_inputs import AudioInputs
from ..measure.audio.devices import WantedInput
from ..state.state_directory import load_rig
from ..state.store import Store

OUTPUT_WAIT_S = 8.0
STATUS_POLL_S = 0.3  # between two status requests
CAUTION_IN_SHORT = "caution: monitors and headphones down before the first note"
CAUTION = (
    "caution: turn monitors and headphones down before the first note. A drone does\n"
    "not fall silent by itself, and a loud one hurts ears. Modular levels are hot:\n"
    "attenuate before a line input. The makers' manuals come first."
)

LineCallback = Callable[[str], None]


class MeasuringSession:
    """Plays voices through the daemon and records their audio inputs.

    Args:
        client: of the running daemon.
        loaded: the rig that it plays.
        say: shows a line to the player.
        any_input: the audio input for every voice; "" is the one the rig names.
        yes: never wait for the player.
    """

    def __init__(
        self,
        client: Client,
        loaded: LoadedRig,
        say: LineCallback,
        any_input: str = "",
        yes: bool = False,
    ) -> None:
        self.client, self.loaded, self.say, self.yes = client, loaded, say, yes
        self.socket: Path | None = None  # of the daemon, if the player named one
        self.store: Store | None = None  # of the daemon, where the rig was read from
        self.voices = {voice.name: voice for voice in loaded.rig.voices}
        self._any_input = any_input
        self._audio: AudioInputs | None = None
        self._cautioned = False

    # ------------------------------------------------------------ the rig

    def voice(self, name: str) -> Voice:
        """Return a voice of the rig.

        Raises:
            CommandError: the rig has no such voice.
        """
        if name not in self.voices:
            raise CommandError(f"voice: found {name}; allowed: {one_of(name, self.voices)}")
        return self.voices[name]

    def listening(self, name: str) -> ListenSettings:
        """Return how a voice is read: its input, how it is excited, where the tap is."""
        found = self.loaded.listening[name]
        if not self._any_input:
            return found
        return ListenSettings(self._any_input, found.excite, found.tap)

    def input_of(self, name: str) -> str:
        """Return the audio input of a voice.

        Raises:
            MeasureError: the rig names none.
        """
        found = self.listening(name).input
        known = self.loaded.audio_inputs
        if found in known:
            return found
        if not found and not known:
            raise MeasureError(
                "audio_inputs: found none in the rig; needed: one, with device and channel_number "
                "('zerobeat ports --levels' lists them)"
            )
        what = f"found input {found}" if found else "found no input"
        raise MeasureError(f"{name}: {what}; allowed: {one_of(found, known)}")

    def check_kept(self, names: Sequence[str]) -> None:
        """Refuse to measure a voice whose profile could not be kept.

        Raises:
            MeasureError: the rig says ``profile: none``, or two voices share a profile.
        """
        files = self.loaded.profile_files
        for name in names:
            if files.get(name) == "":
                raise MeasureError(
                    f"{name}: the rig says profile: none; take that out of its line, then "
                    "zerobeat can keep one (restart it, or send it SIGHUP)"
                )
            sharing = [other for other in files if other != name and files[other] == files[name]]
            if sharing:
                raise MeasureError(
                    f"{name}: {', '.join(sharing)} plays by the same profile; give each its own"
                )

    def settle_s(self, name: str) -> float:
        """Return the wait from note-on to take that a voice's converter needs, in seconds."""
        converter = next(
            one.converter for one in self.loaded.rig.outputs if one.name == self.voice(name).output
        )
        return converter.settle_s + converter.gate_gap_s

    def always_heard(self, name: str) -> bool:
        """Return whether a voice is audible on its input with its gate closed."""
        return self.voice(name).gate_ignored or self.listening(name).tap == "before_vca"

    # ------------------------------------------------------------ sound

    def open(self, names: Sequence[str]) -> AudioInputs:
        """Open the inputs of some voices, after waiting for their converters."""
        inputs = dict.fromkeys(self.input_of(name) for name in names)
        self.wait_for_outputs(names)
        self._close_audio()
        borrow_inputs(self.client)
        wanted = [
            WantedInput(i.name, i.device, i.device_is_pattern, i.channel, i.clock_ppm)
            for i in (self.loaded.audio_inputs[name] for name in inputs)
        ]
        self._audio = AudioInputs(wanted)
        return self._audio

    @property
    def audio(self) -> AudioInputs:
        """The inputs that ``open`` opened."""
        assert self._audio is not None, "open() comes first"
        return self._audio

    def wait_for_outputs(self, names: Sequence[str]) -> None:
        """Wait until the converters of some voices are connected.

        Raises:
            MeasureError: one is not after ``OUTPUT_WAIT_S``.
        """
        wanted = {self.voice(name).output for name in names}
        end_s = time.monotonic() + OUTPUT_WAIT_S
        while True:
            there = {one["name"] for one in self.client.status()["outputs"] if one["there"]}
            if wanted <= there:
                return
            if time.monotonic() > end_s:
                gone = ", ".join(sorted(wanted - there))
                raise MeasureError(f"converter {gone}: is not there; plug it in, then repeat")
            time.sleep(STATUS_POLL_S)

    def play(self, name: str, **values: Any) -> None:
        """Play a voice; ``values`` are those of the control command ``play``."""
        self._ask("play", voice=name, **values)

    def release(self, name: str = "all") -> None:
        """Close a voice's gate, or end the run."""
        self._ask("release", voice=name)

    def _ask(self, command: str, **values: Any) -> None:
        try:
            self.client.ask(command, **values)
        except MeasuringStoppedError as error:
            raise MeasureError(f"{error}; nothing is changed") from None
        except CommandError as error:
            raise MeasureError(str(error)) from None

    # ------------------------------------------------------------ the player

    def show_needle(self, values: dict[str, object]) -> None:
        """Let other displays show how far a knob is off; it is no fault if none can."""
        with contextlib.suppress(CommandError):
            self.client.ask("needle", **values)

    def caution(self, names: Sequence[str]) -> None:
        """Show the caution, before the first voice that is a drone; in full once a day."""
        if not self._cautioned and any(self.listening(n).excite == "drone" for n in names):
            self._cautioned = True
            self.say(CAUTION if first_today("caution") else CAUTION_IN_SHORT)

    def solo_by_hand(self, name: str) -> None:
        """Ask the player to turn down voices that closed gates don't silence, and wait."""
        source = self.input_of(name)
        others = [
            other
            for other in self.voices
            if other != name
            and self.always_heard(other)
            and self.loaded.listening[other].input in ("", source)
        ]
        if others:
            self.say(
                f"{name}: turn the level of {', '.join(others)} down: only {name} may be heard "
                f"on {source}"
            )
            self.wait_for_player()

    def wait_for_player(self) -> None:
        """Wait for a key, a pedal or Enter; return at once with ``yes``."""
        if self.yes:
            return
        self.say("then press a key, a pedal or Enter to go on")
        before = self._presses()
        typed = [sys.stdin] if sys.stdin is not None and sys.stdin.isatty() else []
        while self._presses() == before:
            if typed and select.select(typed, (), (), STATUS_POLL_S)[0]:
                sys.stdin.readline()
                return
            if not typed:
                time.sleep(STATUS_POLL_S)

    def _presses(self) -> tuple[int, int]:
        """Return the daemon's counts of keys and of pedals pressed."""
        shown = self.client.status()
        return shown["presses"], shown["foot_presses"]

    # ------------------------------------------------------------ the end

    def _close_audio(self) -> None:
        if self._audio is not None:
            self._audio.close()
            self._audio = None

    def close(self) -> None:
        """Close the inputs and release every note; a second call does nothing."""
        self._close_audio()
        with contextlib.suppress(CommandError, ControlError):
            self.client.ask("release")


@contextlib.contextmanager
def open_session(
    say: LineCallback,
    rig: Path | None = None,
    socket: Path | None = None,
    any_input: str = "",
    yes: bool = False,
) -> Iterator[MeasuringSession]:
    """Yield a session on the running daemon, or on one that is started for this session.

    Raises:
        ControlError: no daemon runs and none can be started.
    """
    with contextlib.ExitStack() as stack:
        try:
            client = Client(socket, role="measure")
        except ControlError:
            if socket is not None or any(path.is_socket() for path in socket_paths()):
                raise
            path = rig or Path("rig.yaml")
            if not path.exists():
                raise
            say(f"no zerobeat plays; starting one with {path.name} until this is done")
            client = stack.enter_context(own_daemon(path))
        stack.enter_context(client)
        loaded, store = _rig_of(client.status())
        session = MeasuringSession(client, loaded, say, any_input, yes)
        session.store = store
        session.socket = socket
        stack.callback(session.close)
        yield session


def _rig_of(shown: dict[str, Any]) -> tuple[LoadedRig, Store]:
    """Return the rig that a daemon plays, with the profiles in force, and where it keeps them.

    Profiles are read from the daemon's state directory, which differs from this
    command's own where the daemon is a service.
    """
    if "rig" not in shown or "state_directory" not in shown:
        raise ControlError("zerobeat gives no status; its log says more")
    state = Path(shown["state_directory"])
    if state.exists() and not os.access(state, os.R_OK | os.X_OK):
        raise ControlError(
            f"{state}: permission denied; join the group zerobeat: "
            "sudo usermod -aG zerobeat $USER; log in again"
        )
    store = Store(state)
    return load_rig(Path(shown["rig"]), store), store
