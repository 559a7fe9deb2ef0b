"""How much sound a touch-up of eight voices takes, on one input and on eight.

    .venv/bin/python tests/bench/touchup.py

The command a player types, over real MIDI and audio, on a soft synth whose channels are off by
fixed amounts. Sound is what was recorded for readings; voices side by side count once. Bounds:
under 3 s, on one input (read from one take) and on eight. The time of the whole command is
shown, too.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from kit.daemon_process import ZEROBEAT, DaemonProcess
from kit.jack import STEADY_REED, JackServer, MidiSender, OscillatorBank

VOICES = 8
DETUNES = (-12.0, 9.0, -5.0, 3.0, 14.0, -8.0, 6.0, -2.0)
BOUNDS_S = {"one input": 3.0, "eight inputs": 3.0}
READ = re.compile(r"voice(\d): ([-+.\d]+) cents")


def write_rig(folder: Path, mixed: bool) -> Path:
    inputs = 1 if mixed else VOICES
    lines = ['inputs:\n  keys: {port: "keys:out"}', "converters:"]
    lines.append('  octo: {port: "osc:midi_00", converter: {lowest_note: 36, highest_note: 84}}')
    lines.append("audio_inputs:")
    lines += [f"  in{n}: {{device: osc, channel_number: {2 * n + 1}}}" for n in range(inputs)]
    lines.append("voices:")
    lines += [
        f"  voice{n}: {{converter: octo, channel_number: {n + 1}, input: in{0 if mixed else n}}}"
        for n in range(VOICES)
    ]
    path = folder / "rig.yaml"
    path.write_text("\n".join(lines) + "\n")
    return path


def run(mixed: bool) -> tuple[float, float, dict[int, float]]:
    """Return seconds of sound, seconds of the command, and cents found by voice."""
    with (
        tempfile.TemporaryDirectory() as folder,
        JackServer(1024) as server,
        MidiSender("keys"),
        OscillatorBank(DETUNES, program=STEADY_REED, mixed=mixed) as bank,
    ):
        server.wait_for_port(bank.audio_port(0 if mixed else VOICES - 1))
        with DaemonProcess(write_rig(Path(folder), mixed), server.environment) as daemon:
            daemon.wait_for_line("output octo")
            start_s = time.monotonic()
            done = subprocess.run(
                [*ZEROBEAT, "touchup", "--all", "--yes"],
                env=daemon.environment,
                capture_output=True,
                text=True,
                check=False,
            )
            took_s = time.monotonic() - start_s
    sound = re.search(r"read, ([.\d]+) s of sound", done.stdout)
    if done.returncode or sound is None:
        print(done.stdout, done.stderr)
        raise SystemExit("the touch-up failed")
    found = {int(n): float(cents) for n, cents in READ.findall(done.stdout)}
    return float(sound[1]), took_s, found


def main() -> int:
    bad = 0
    for name, mixed in (("one input", True), ("eight inputs", False)):
        sound_s, took_s, found = run(mixed)
        own = sum(found[n] - DETUNES[n] for n in found) / len(found)  # the sample's own pitch
        worst = max(abs(found[n] - DETUNES[n] - own) for n in found)
        good = sound_s < BOUNDS_S[name] and len(found) == VOICES and worst < 1.5
        bad += not good
        print(
            f"{name:<13} {sound_s:5.1f} s of sound (bound {BOUNDS_S[name]:g}), {took_s:5.1f} s in "
            f"all, {len(found)} voices, worst {worst:.2f} cents: {'PASS' if good else 'FAIL'}"
        )
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
