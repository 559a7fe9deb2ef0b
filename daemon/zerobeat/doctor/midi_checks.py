"""What ``doctor`` looks at around MIDI: sequencer, rights, ports, the daemon itself."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

from ..client.daemon_client import Client
from ..engine.settings import Rig
from ..errors import PortError, ZerobeatError
from ..ports import realtime
from ..ports.patch import SEQUENCER, check_sequencer, jack_socket, list_ports
from ..ports.port_name import Direction, PortAmbiguous, PortFound, PortMissing, PortName, find
from .finding import Finding, ok

ROOT = Path("/")
UNIT = Path("/etc/systemd/system/zerobeat.service")
LOAD = "sudo modprobe snd-seq-midi; for every start: echo snd-seq-midi | sudo tee /etc/modules-load.d/zerobeat.conf"


def midi(rig: Rig | None) -> Iterator[Finding]:
    """Look at the sequencer, else at JACK, and at each port that the rig names."""
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
        yield Finding("fault", "sequencer", str(error), "pip install 'zerobeat[alsa]'")
        return
    yield from hardware(there)
    yield from ports(rig, there)


def _on_jack(rig: Rig | None) -> Iterator[Finding]:
    try:
        there = list_ports("jack")
    except PortError as error:
        yield Finding("fault", "JACK", str(error), "start the server again")
        return
    yield ok("JACK", f"its server answers and shows {len(there)} MIDI ports")
    yield from ports(rig, there)


def _no_sequencer(text: str) -> Iterator[Finding]:
    if SEQUENCER.exists():
        remedy = "sudo usermod -aG audio $USER, then log in again; the service has it from its unit"
        yield Finding("fault", "group audio", text, remedy)
    elif jack_socket() is not None:
        text = f"no ALSA sequencer ({SEQUENCER} is missing); a JACK server runs and is used"
        yield Finding("note", "sequencer", text)
    else:
        text = f"no ALSA sequencer ({SEQUENCER} is missing), so no port was looked at"
        yield Finding("fault", "sequencer", text, "sudo modprobe snd-seq, or start a JACK server")


def hardware(there: Iterable[PortName], root: Path = ROOT) -> Iterator[Finding]:
    """USB MIDI is plugged in, but the sequencer doesn't show it (M23)."""
    usb = sorted(
        folder.parent.name
        for folder in root.glob("sys/bus/usb/devices/*/bInterfaceClass")
        # USB Device Class Definition for MIDI Devices 1.0: class audio 1, subclass MIDI 3
        if _word(folder) == "01" and _word(folder.with_name("bInterfaceSubClass")) == "03"
    )
    if usb and not any(word.startswith("usb ") for port in there for word in port.identity):
        text = f"USB MIDI present ({', '.join(usb)}), but no sequencer port"
        yield Finding("fault", "sequencer module", text, LOAD)
    elif usb:
        yield ok("sequencer module", f"USB MIDI {', '.join(usb)} has its ports")


def _word(path: Path) -> str:
    try:
        return path.read_text().strip()
    except OSError:
        return ""


def ports(rig: Rig | None, there: list[PortName]) -> Iterator[Finding]:
    """The ports that the rig names, and devices of one name whether it names them or not (M5)."""
    links: list[tuple[str, Direction, str, bool]] = []
    if rig is not None:
        links = [(f"input {i.name}", "in", i.port, i.port_is_pattern) for i in rig.inputs]
        links += [(f"output {o.name}", "out", o.port, o.port_is_pattern) for o in rig.outputs]
    told = set()
    for label, direction, wanted, is_pattern in links:
        finding = find(wanted, there, direction, is_pattern)
        if isinstance(finding, PortFound):
            yield ok(label, f"{finding.port.text} is there")
        elif isinstance(finding, PortMissing):
            remedy = "plug it in and switch it on; the names there are: zerobeat ports"
            yield Finding("fault", label, f'"{wanted}" is not there', remedy)
        elif isinstance(finding, PortAmbiguous):
            told.add(wanted)
            remedy = "write which is meant, as shown; or unplug one of the two"
            yield Finding("fault", label, finding.text, remedy)
        else:
            yield Finding("fault", label, finding.text, "change it in the rig")
    counts = Counter((port.text, port.direction) for port in there)
    for name in sorted({text for (text, _), count in counts.items() if count > 1} - told):
        text = f'two devices or more are called "{name}"; the rig names neither'
        yield Finding("note", "names", text)


# ---------------------------------------------------------------- the daemon


def daemon() -> Iterator[Finding]:
    """Whether one plays, what it waits for, and what it was granted (S3)."""
    try:
        shown = Client(role="view").ask("status")["status"]
    except ZerobeatError as error:
        remedy = (
            "sudo systemctl start zerobeat; journalctl -u zerobeat -n 20" if UNIT.exists() else ""
        )
        yield Finding("note", "daemon", str(error), remedy)
        yield _real_time("" if UNIT.exists() else realtime.request_real_time("alsa").text)
        return
    yield ok("daemon", f"plays {shown.get('rig', '')}")
    if shown.get("reload"):
        level = "fault" if "broken" in shown["reload"] or "unchanged" in shown["reload"] else "ok"
        remedy = "zerobeat check, mend it, then reload" if level == "fault" else ""
        yield Finding(level, "rig in force", shown["reload"].splitlines()[0], remedy)  # type: ignore[arg-type]
    for name in shown.get("muted", ()):
        remedy = "look at its cables, its local control and its thru"
        yield Finding("fault", f"input {name}", "is muted: what goes out comes back on it", remedy)
    if shown.get("clock_steps"):
        text = f"was set {shown['clock_steps']} times since the daemon started; the log's times jump there"
        yield Finding("note", "clock", text)
    yield _real_time(shown.get("real_time", ""))


def _real_time(told: str) -> Finding:
    if not told:
        return Finding("note", "real time", "the service asks for it when it starts")
    if "refused" not in told:
        return ok("real time", told.removeprefix("real time: "))
    text, _, remedy = told.removeprefix("real time: ").partition(" Remedy: ")
    return Finding("warning", "real time", text, remedy)


def groups() -> Iterator[Finding]:
    """Whether this user is in the groups that count, for a box with the service (S2)."""
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
        yield Finding("warning", "group zerobeat", "this user may not command the service", remedy)


def _known(number: int) -> bool:
    import grp

    try:
        grp.getgrgid(number)
    except KeyError:
        return False
    return True
