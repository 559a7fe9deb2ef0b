"""``zerobeat doctor``: checks the machine, MIDI and the daemon, each fault with its remedy."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

from ..doctor import follow_checks as doctor_follow
from ..doctor import installation_checks as doctor_installation
from ..doctor import machine_checks as doctor_machine
from ..doctor import midi_checks as doctor_midi
from ..doctor import page_checks as doctor_page
from ..doctor.check_result import CheckResult, ok
from ..engine.settings import Rig
from ..errors import ConfigError
from ..state.state_directory import SERVICE_STATE, load_rig, state_directory
from ..text import printable

SERVICE_RIG = Path("/etc/zerobeat/rig.yaml")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "example: zerobeat doctor rig.yaml\n\n"
        "Looks at rig, ports, rights, power, disk, clock and board, and changes nothing.\n"
        "Exit status: 0 if nothing is wrong (warnings may be there), 1 with a fault."
    )
    parser.add_argument(
        "rig",
        nargs="?",
        type=Path,
        help=f"the rig (default: rig.yaml, else {SERVICE_RIG}, where there is one)",
    )
    parser.add_argument("--json", action="store_true", help="print JSON")


def run(args: argparse.Namespace) -> int:
    findings = list(_look(args.rig))
    faults = sum(finding.level == "fault" for finding in findings)
    if args.json:
        shown = {"ok": not faults, "findings": [asdict(finding) for finding in findings]}
        print(json.dumps(shown, indent=2))
    else:
        for finding in findings:
            print(f"{finding.level:<8} {finding.about}: {finding.text}")
            if finding.remedy:
                print(f"         -> {finding.remedy}")
        warnings = sum(finding.level == "warning" for finding in findings)
        print(f"{faults} fault{'s' * (faults != 1)}, {warnings} warning{'s' * (warnings != 1)}")
    return 1 if faults else 0


def _look(path: Path | None) -> Iterator[CheckResult]:
    if path is None:
        path = next((p for p in (Path("rig.yaml"), SERVICE_RIG) if p.exists()), None)
    yield from doctor_installation.installation()
    rig: Rig | None = None
    if path is None:
        remedy = "zerobeat init rig.yaml"
        yield CheckResult(
            "note",
            "rig",
            "none was named and none is here, so its ports were not looked at",
            remedy,
        )
    else:
        try:
            loaded = load_rig(path)
        except ConfigError as error:
            count = len(error.problems)
            text = f"{error.problems[0]}{f'; {count} problems' if count > 1 else ''}"
            yield CheckResult("fault", "rig", text, f"zerobeat check {printable(str(path))}")
        else:
            rig = loaded.rig
            yield ok("rig", f"{path} has no faults")
            for warning in loaded.warnings:
                yield CheckResult("note", "rig", warning)
    yield from doctor_midi.midi(rig)
    yield from doctor_midi.daemon()
    yield from doctor_midi.groups()
    yield from doctor_page.page()
    yield from doctor_follow.follow()
    states = [state_directory(), *([SERVICE_STATE] if SERVICE_STATE.exists() else [])]
    for state in dict.fromkeys(states):
        yield from doctor_machine.disk(state)
    yield from doctor_machine.machine()
