"""Checks of the machine: power, processor, disk, clock, board.

``root`` is "/" except in tests. A file that a machine doesn't have is no fault;
the check that needs it is left out.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path

from .check_result import MACHINE_ROOT, CheckResult, ok

LEAST_BYTES = 16 << 20
HOT_C = 80.0  # the smallest boards slow down from here on
# Raspberry Pi documentation, "vcgencmd", get_throttled: bits 0 to 3 now, 16 to 19 since the start.
THROTTLED = ("undervoltage", "a capped clock", "throttling", "its temperature limit")
POWER = "a stronger supply and a short, thick cable; count what hangs on its USB too"


def machine(root: Path = MACHINE_ROOT) -> Iterator[CheckResult]:
    """Make all checks of this module except that of the disk."""
    yield from power(root)
    yield from temperature(root)
    yield from governor(root)
    yield from clock(root)
    yield from board(root)


def _read(path: Path) -> str:
    try:
        return path.read_text(errors="replace").strip("\0\n ")
    except OSError:
        return ""


# ---------------------------------------------------------------- power and processor


def power(root: Path = MACHINE_ROOT) -> Iterator[CheckResult]:
    """Check for undervoltage and throttling, where the board reports them (S11)."""
    reported = _read(root / "sys/devices/platform/soc/soc:firmware/get_throttled")
    try:
        bits: int | None = int(reported, 16)
    except ValueError:
        bits = _alarm_bits(root)
    if bits is None:
        return
    now = [name for bit, name in enumerate(THROTTLED) if bits >> bit & 1]
    since = [name for bit, name in enumerate(THROTTLED) if bits >> bit + 16 & 1]
    if now:
        yield CheckResult("fault", "power", f"the board reports {', '.join(now)} now", POWER)
    elif since:
        text = f"the board had {', '.join(since)} since its start"
        yield CheckResult("warning", "power", text, POWER)
    else:
        yield ok("power", "no undervoltage and no throttling since the start")


def _alarm_bits(root: Path) -> int | None:
    """Return bit 0 from the kernel's own undervoltage alarm; None on a machine without it."""
    for name in sorted(root.glob("sys/class/hwmon/hwmon*/name")):
        if _read(name) == "rpi_volt":  # the kernel's drivers/hwmon/raspberrypi-hwmon.c
            return int(_read(name.with_name("in0_lcrit_alarm")) == "1")
    return None


def temperature(root: Path = MACHINE_ROOT) -> Iterator[CheckResult]:
    degrees = [
        int(text) / 1000.0
        for zone in sorted(root.glob("sys/class/thermal/thermal_zone*/temp"))
        if (text := _read(zone)).lstrip("-").isdecimal()
    ]
    if not degrees:
        return
    if max(degrees) >= HOT_C:
        text = f"{max(degrees):.0f} degrees C; from about {HOT_C:.0f} a board slows down"
        yield CheckResult("warning", "temperature", text, "give it air, or a heat sink")
    else:
        yield ok("temperature", f"{max(degrees):.0f} degrees C")


def governor(root: Path = MACHINE_ROOT) -> Iterator[CheckResult]:
    """Report the processor's governor; no measurement shows that it matters to MIDI (S11)."""
    folder = root / "sys/devices/system/cpu"
    found = sorted({_read(p) for p in folder.glob("cpu[0-9]*/cpufreq/scaling_governor")} - {""})
    if not found:
        return
    offered = _read(next(folder.glob("cpu[0-9]*/cpufreq/scaling_available_governors"), Path("-")))
    text = f"the processor's clock is governed by {', '.join(found)}"
    if found == ["performance"] or "performance" not in offered.split():
        yield ok("governor", text)
        return
    remedy = (
        "only if notes come late: echo performance | "
        "sudo tee /sys/devices/system/cpu/cpu*/cpufreq/scaling_governor"
    )
    yield CheckResult("warning" if "powersave" in found else "note", "governor", text, remedy)


# ---------------------------------------------------------------- disk and clock


def disk(state: Path) -> Iterator[CheckResult]:
    """Check whether the state directory is full, read-only, or another user's (S8)."""
    about, there = f"state directory {state}", state
    while not there.exists():
        there = there.parent
    try:
        found = os.statvfs(there)
    except OSError as error:
        yield CheckResult("fault", about, f"can't be looked at: {error.strerror}", "check the disk")
        return
    free = found.f_bavail * found.f_frsize
    if found.f_flag & os.ST_RDONLY:
        text = "read-only: it plays, but nothing can be stored"
        yield CheckResult("fault", about, text, f"sudo mount -o remount,rw {_mount(there)}")
    elif free < LEAST_BYTES or (found.f_files and not found.f_favail):
        text = f"the disk is full ({free >> 20} MB free): it plays, but can't store"
        yield CheckResult(
            "fault", about, text, "remove what isn't needed; sudo journalctl --vacuum-size=20M"
        )
    elif not os.access(there, os.W_OK):
        text = "this user may not write here; the service's own user may be allowed to"
        yield CheckResult("note", about, text)
    else:
        yield ok(about, f"{free >> 20} MB free")


def _mount(path: Path) -> Path:
    path = path.resolve()
    while not path.is_mount():
        path = path.parent
    return path


def clock(root: Path = MACHINE_ROOT) -> Iterator[CheckResult]:
    """Check for a system clock that will step; no note depends on it (M13)."""
    if time.time() < Path(__file__).stat().st_mtime:
        text = (
            f"the clock says {time.strftime('%Y-%m-%d')}, earlier than this program was installed"
        )
        yield CheckResult("warning", "clock", text, "set it: sudo date -s 'YYYY-MM-DD HH:MM'")
    elif not any(root.glob("sys/class/rtc/rtc*")):
        text = (
            "no clock chip: the time jumps once a network tells it; notes don't care, "
            "dates of files and log are wrong until then"
        )
        yield CheckResult("note", "clock", text)
    else:
        yield ok("clock", "there is a clock chip; its steps wouldn't touch notes")


# ---------------------------------------------------------------- board


def board(root: Path = MACHINE_ROOT) -> Iterator[CheckResult]:
    """Check for the known faults of a board's USB (M24)."""
    model = _read(root / "proc/device-tree/model")
    if "Raspberry Pi" not in model:
        return
    number = next((n for n in "5432" if f"Pi {n}" in model), "1")
    if number in "123" and "dwc_otg.nak_holdoff=0" not in _read(root / "proc/cmdline"):
        remedy = "add dwc_otg.nak_holdoff=0 to the one line of /boot/firmware/cmdline.txt, restart"
        text = f"{model}: its USB loses MIDI bytes, note-offs among them"
        yield CheckResult("warning", "board", text, remedy)
    elif number == "4" and _root_is_on_usb(root):
        text = f"{model}: pulling a keyboard can reset the USB bus that the root disk is on"
        yield CheckResult("warning", "board", text, "start it from its card instead")
    elif number == "5":
        text = f"{model}: lost note-offs were seen on its USB; keep a pedal bound to panic"
        yield CheckResult("note", "board", text)
    else:
        yield ok("board", model)


def _root_is_on_usb(root: Path) -> bool:
    for line in _read(root / "proc/mounts").splitlines():
        device, mount = line.split()[:2]
        if mount == "/":
            return device.startswith("/dev/sd")
    return False
