"""Checks around MIDI: sequencer, permissions, ports, the running daemon."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

from ..client.daemon_client import Client
from ..engine.settings import Rig
from ..errors import MissingLibraryError, PortError, ZerobeatError
from ..ports import realtime
from ..ports.patch import SEQUENCER, check_sequencer, jack_socket, list_ports
from ..ports.port_name import Direction, PortAmbiguous, PortFound, PortMissing, PortName, find
from .check_result import MACHINE_ROOT, CheckResult, Level, ok

UNIT = Path("/etc/systemd/system/zerobeat.service")
LOAD = (
    "sudo modprobe snd-seq-midi; for every start: "
    "echo snd-seq-midi | sudo tee /etc/modules-load.d/zerobeat.conf"
)


def midi(rig: Rig | None) -> Iterator[CheckResult]:
    """Check the sequencer, else JACK, and each port that the rig names."""
    try:
        check_sequencer()
    except PortError as error:
        yield from _no_sequencer(str(error))
        if not SEQUENCER.exists() and jack_socket() is not None:
            yield from _on_jack(rig)
        return
    yield ok("sequencer", f"{SEQUENCER} can be opened")
    try:
        there = list_ports("alsa")
    except PortError as error:
        yield CheckResult("fault", "sequencer", str(error), _remedy(error, "sudo modprobe snd-seq"))
        return
    yield from hardware(there)
    yield from ports(rig, there)


def _remedy(error: PortError, otherwise: str) -> str:
    return error.remedy if isinstance(error, MissingLibraryError) else otherwise


def _on_jack(rig: Rig | None) -> Iterator[CheckResult]:
    try:
        there = list_ports("jack")
    except PortError as error:
        yield CheckResult("fault", "JACK", str(error), _remedy(error, "start the server again"))
        return
    yield ok("JACK", f"its server answers and shows {len(there)} MIDI ports")
    yield from ports(rig, there)


def _no_sequencer(text: str) -> Iterator[CheckResult]:
    if SEQUENCER.exists():
        remedy = "sudo usermod -aG audio $USER, then log in again; the service has it from its unit"
        yield CheckResult("fault", "group audio", text, remedy)
    elif jack_socket() is not None:
        text = f"no ALSA sequencer ({SEQUENCER} is missing); a JACK server runs and is used"
        yield CheckResult("note", "sequencer", text)
    else:
        text = f"no ALSA sequencer ({SEQUENCER} is missing), so no port was looked at"
        yield CheckResult(
            "fault", "sequencer", text, "sudo modprobe snd-seq, or start a JACK server"
        )


def hardware(there: Iterable[PortName], root: Path = MACHINE_ROOT) -> Iterator[CheckResult]:
    """Check for USB MIDI that is plugged in but has no sequencer port (M23)."""
    usb = sorted(
        folder.parent.name
        for folder in root.glob("sys/bus/usb/devices/*/bInterfaceClass")
        # USB Device Class Definition for MIDI Devices 1.0: class audio 1, subclass MIDI 3
        if _word(folder) == "01" and _word(folder.with_name("bInterfaceSubClass")) == "03"
    )
    if usb and not any(word.startswith("usb ") for port in there for word in port.identity):
        text = f"USB MIDI present ({', '.join(usb)}), but no sequencer port"
        yield CheckResult("fault", "sequencer module", text, LOAD)
    elif usb:
        yield ok("sequencer module", f"USB MIDI {', '.join(usb)} has its ports")


def _word(path: Path) -> str:
    try:
        return path.read_text().strip()
    except OSError:
        return ""


def ports(rig: Rig | None, there: list[PortName]) -> Iterator[CheckResult]:
    """Check the ports that the rig names, and for several devices of one name (M5)."""
    links: list[tuple[str, Direction, str, bool]] = []
    if rig is not None:
        links = [(f"input {i.name}", "in", i.port, i.port_is_pattern) for i in rig.inputs]
        links += [(f"output {o.name}", "out", o.port, o.port_is_pattern) for o in rig.outputs]
    reported = set()
    for label, direction, wanted, is_pattern in links:
        finding = find(wanted, there, direction, is_pattern)
        if isinstance(finding, PortFound):
            yield ok(label, f"{finding.port.text} is there")
        elif isinstance(finding, PortMissing):
            remedy = "plug it in and switch it on; the names there are: zerobeat ports"
            yield CheckResult("fault", label, f'"{wanted}" is not there', remedy)
        elif isinstance(finding, PortAmbiguous):
            reported.add(wanted)
            remedy = "write which is meant, as shown; or unplug one of the two"
            yield CheckResult("fault", label, finding.text, remedy)
        else:
            yield CheckResult("fault", label, finding.text, "change it in the rig")
    counts = Counter((port.text, port.direction) for port in there)
    for name in sorted({text for (text, _), count in counts.items() if count > 1} - reported):
        text = f'two devices or more are called "{name}"; the rig names neither'
        yield CheckResult("note", "names", text)


# ---------------------------------------------------------------- the daemon


def daemon() -> Iterator[CheckResult]:
    """Check whether a daemon runs, its reload, muted inputs, clock, and real time (S3)."""
    try:
        shown = Client(role="view").ask("status")["status"]
    except ZerobeatError as error:
        remedy = (
            "sudo systemctl start zerobeat; journalctl -u zerobeat -n 20" if UNIT.exists() else ""
        )
        yield CheckResult("note", "daemon", str(error), remedy)
        yield _real_time("" if UNIT.exists() else realtime.request_real_time("alsa").text)
        return
    yield ok("daemon", f"plays {shown.get('rig', '')}")
    if shown.get("reload"):
        level: Level = (
            "fault" if "broken" in shown["reload"] or "unchanged" in shown["reload"] else "ok"
        )
        remedy = "zerobeat check, mend it, then reload" if level == "fault" else ""
        yield CheckResult(level, "rig in force", shown["reload"].splitlines()[0], remedy)
    for name in shown.get("muted", ()):
        remedy = "look at its cables, its local control and its thru"
        yield CheckResult(
            "fault", f"input {name}", "is muted: what goes out comes back on it", remedy
        )
    if shown.get("clock_steps"):
        text = (
            f"was set {shown['clock_steps']} times since the daemon started; "
            "the log's times jump there"
        )
        yield CheckResult("note", "clock", text)
    yield _real_time(shown.get("real_time", ""))


def _real_time(answer: str) -> CheckResult:
    if not answer:
        return CheckResult("note", "real time", "the service asks for it when it starts")
    if "refused" not in answer:
        return ok("real time", answer.removeprefix("real time: "))
    text, _, remedy = answer.removeprefix("real time: ").partition(" Remedy: ")
    return CheckResult("warning", "real time", text, remedy)


def groups() -> Iterator[CheckResult]:
    """Check that this user is in the service's group, where the service is installed (S2)."""
    if not UNIT.exists() or os.getuid() == 0:
        return
    import grp

    mine = {
        grp.getgrgid(number).gr_name for number in {*os.getgroups(), os.getgid()} if _known(number)
    }
    if "zerobeat" in mine:
        yield ok("group zerobeat", "this user may command the service")
    else:
        remedy = "sudo usermod -aG zerobeat $USER, then log in again"
        yield CheckResult(
            "warning", "group zerobeat", "this user may not command the service", remedy
        )


def _known(number: int) -> bool:
    import grp

    try:
        grp.getgrgid(number)
    except KeyError:
        return False
    return True
