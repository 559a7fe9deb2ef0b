"""A daemon to play and audio inputs to listen: what every measuring command needs.

With no daemon running, one is started for the command and stopped after it.
Whatever ends the command, nothing is left sounding.
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

from ..client.daemon_client import Client, socket_paths
from ..client.own_daemon import own_daemon
from ..config.audio_field import Listening
from ..config.rig import LoadedRig
from ..engine.settings import Voice
from ..errors import CommandError, ControlError, MeasureError
from ..measure.audio.audio_inputs import AudioInputs
from ..measure.audio.devices import Wanted
from ..state.state_directory import load_rig

CONNECT_S = 8.0
LOOK_S = 0.3  # between two looks at the status
STOPPED = "measuring stopped by"
CAUTION = (
    "caution: turn monitors and headphones down before the first note. A drone does\n"
    "not fall silent by itself, and a loud one hurts ears. Modular levels are hot:\n"
    "attenuate before a line input. The makers' manuals come first."
)

Tell = Callable[[str], None]


class Room:
    """Plays voices and hears their inputs.

    Args:
        client: of the daemon that plays.
        loaded: the rig that it plays.
        tell: takes a line for the player.
        any_input: listens here, whatever the voices name.
        yes: never waits for the player.
    """

    def __init__(
        self, client: Client, loaded: LoadedRig, tell: Tell, any_input: str = "", yes: bool = False
    ) -> None:
        self.client, self.loaded, self.tell, self.yes = client, loaded, tell, yes
        self.socket: Path | None = None  # of the daemon, where it was named
        self.voices = {voice.name: voice for voice in loaded.rig.voices}
        self._any_input = any_input
        self._audio: AudioInputs | None = None
        self._cautioned = False

    # ------------------------------------------------------------ the rig

    def voice(self, name: str) -> Voice:
        """Return a voice; one clear line if the rig has no such."""
        if name not in self.voices:
            raise CommandError(f"voice: found {name}; allowed: {', '.join(self.voices)}")
        return self.voices[name]

    def listening(self, name: str) -> Listening:
        """Return how a voice is heard."""
        heard = self.loaded.listening[name]
        if not self._any_input:
            return heard
        return Listening(self._any_input, heard.excite, heard.tap)

    def input_of(self, name: str) -> str:
        """Return the audio input of a voice.

        Raises:
            MeasureError: none is named.
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
        raise MeasureError(f"{name}: {what}; allowed: {', '.join(known)}")

    def check_kept(self, names: Sequence[str]) -> None:
        """Refuse, before any work, to measure a voice whose profile could not be kept.

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
        """Return how long after a note-on a take may begin, before the request's own wait."""
        converter = next(
            one.converter for one in self.loaded.rig.outputs if one.name == self.voice(name).output
        )
        return converter.settle_s + converter.gate_gap_s

    def always_heard(self, name: str) -> bool:
        """Return whether a voice reaches its input with its gate closed."""
        return self.voice(name).gate_ignored or self.listening(name).tap == "before_vca"

    # ------------------------------------------------------------ sound

    def open(self, names: Sequence[str]) -> AudioInputs:
        """Open the inputs of some voices and wait for their converters."""
        inputs = dict.fromkeys(self.input_of(name) for name in names)
        self.wait_for_outputs(names)
        self._close_audio()
        wanted = [
            Wanted(i.name, i.device, i.device_is_pattern, i.channel, i.clock_ppm)
            for i in (self.loaded.audio_inputs[name] for name in inputs)
        ]
        self._audio = AudioInputs(wanted)
        return self._audio

    @property
    def audio(self) -> AudioInputs:
        assert self._audio is not None, "open() comes first"
        return self._audio

    def wait_for_outputs(self, names: Sequence[str]) -> None:
        """Return once the converters of some voices are connected."""
        wanted = {self.voice(name).output for name in names}
        end_s = time.monotonic() + CONNECT_S
        while True:
            there = {one["name"] for one in self.client.status()["outputs"] if one["there"]}
            if wanted <= there:
                return
            if time.monotonic() > end_s:
                gone = ", ".join(sorted(wanted - there))
                raise MeasureError(f"converter {gone}: is not there; plug it in, then repeat")
            time.sleep(LOOK_S)

    def play(self, name: str, **values: Any) -> None:
        """Sound a voice; see ``docs/control.md``."""
        self._ask("play", voice=name, **values)

    def release(self, name: str = "all") -> None:
        """Close a voice's gate, or end the run."""
        self._ask("release", voice=name)

    def _ask(self, command: str, **values: Any) -> None:
        try:
            self.client.ask(command, **values)
        except CommandError as error:
            if str(error).startswith(STOPPED):
                raise MeasureError(f"{error}; nothing is changed") from None
            raise MeasureError(str(error)) from None

    # ------------------------------------------------------------ the player

    def caution(self, names: Sequence[str]) -> None:
        """Say the plain caution once, before the first voice that does not fall silent."""
        if not self._cautioned and any(self.listening(n).excite == "drone" for n in names):
            self._cautioned = True
            self.tell(CAUTION)

    def solo_by_hand(self, name: str) -> None:
        """Ask for a voice to be heard alone, where closed gates can't see to it, and wait."""
        source = self.input_of(name)
        others = [
            other
            for other in self.voices
            if other != name
            and self.always_heard(other)
            and self.loaded.listening[other].input in ("", source)
        ]
        if others:
            self.tell(
                f"{name}: turn {', '.join(others)} down; only {name} may be heard on {source}"
            )
            self.wait_for_player()

    def wait_for_player(self) -> None:
        """Return at a key, a pedal or Enter; at once with ``yes``."""
        if self.yes:
            return
        self.tell("then press a key, a pedal or Enter to go on")
        before = self._presses()
        typed = [sys.stdin] if sys.stdin is not None and sys.stdin.isatty() else []
        while self._presses() == before:
            if typed and select.select(typed, (), (), LOOK_S)[0]:
                sys.stdin.readline()
                return
            if not typed:
                time.sleep(LOOK_S)

    def _presses(self) -> tuple[int, int]:
        shown = self.client.status()
        return shown["presses"], shown["foot_presses"]

    # ------------------------------------------------------------ the end

    def _close_audio(self) -> None:
        if self._audio is not None:
            self._audio.close()
            self._audio = None

    def close(self) -> None:
        """Release everything; a second time does nothing."""
        self._close_audio()
        with contextlib.suppress(CommandError, ControlError):
            self.client.ask("release")


@contextlib.contextmanager
def open_room(
    tell: Tell,
    rig: Path | None = None,
    socket: Path | None = None,
    any_input: str = "",
    yes: bool = False,
) -> Iterator[Room]:
    """Yield a room over the daemon that plays, or over one started for as long as this lasts.

    Raises:
        ControlError: none plays and none can be started.
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
            tell(f"no zerobeat plays; starting one with {path.name} until this is done")
            client = stack.enter_context(own_daemon(path))
        stack.enter_context(client)
        loaded = _rig_of(client.status())
        room = Room(client, loaded, tell, any_input, yes)
        room.socket = socket
        stack.callback(room.close)
        yield room


def _rig_of(shown: dict[str, Any]) -> LoadedRig:
    """Return the rig that a daemon plays, with the profiles that it plays by.

    Those lie in the daemon's state directory, which is not this command's own
    where the daemon is a service.
    """
    if "rig" not in shown or "state_directory" not in shown:
        raise ControlError("zerobeat tells no status; its log says more")
    state = Path(shown["state_directory"])
    if state.exists() and not os.access(state, os.R_OK | os.X_OK):
        raise ControlError(
            f"{state}: permission denied; join the group zerobeat: "
            "sudo usermod -aG zerobeat $USER; log in again"
        )
    os.environ["STATE_DIRECTORY"] = str(state)
    return load_rig(Path(shown["rig"]))
