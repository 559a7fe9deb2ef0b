"""Plays the first evening inside a fresh Debian: each command as it is written, timed.

    python3 fresh_evening.py steps.json times.json     (in the folder of the tree, as root)

It runs inside that system, with nothing but its Python: JACK's own tools are keyboard and
converter there. ``steps.json``: the commands of the install, those of the evening, and the typed
readings. The system has no root's terminal, so ``sudo`` is left out, and nobody to look at the
screen, so ``zerobeat status`` is asked once.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

PORTS = {"Stage Keys:Stage Keys MIDI 1": "keys:out", "quad:quad MIDI 1": "quad:input"}
LONGEST_WAIT_S = 60.0
HEARD = Path("/tmp/quad.txt")
SAID = Path("/tmp/zerobeat.txt")
BACKGROUND = (
    ("jackd --no-mlock -r -S -d dummy -r 48000 -p 128", "/tmp/jackd.txt"),
    ("jack_midiseq keys 48000 0 66 24000", "/tmp/keys.txt"),  # F#4, half of each second
    ("jack_midi_dump quad", str(HEARD)),
)


def wait_for(text: str, file: Path) -> None:
    end_s = time.monotonic() + LONGEST_WAIT_S
    while not re.search(text, file.read_text(errors="replace")):
        if time.monotonic() > end_s:
            sys.exit(f"waited for {text} in {file}:\n{file.read_text()}")
        time.sleep(0.05)


def start(command: str, file: str) -> subprocess.Popen[bytes]:
    with Path(file).open("wb") as out:
        return subprocess.Popen(
            command.split(), stdin=subprocess.DEVNULL, stdout=out, stderr=subprocess.STDOUT
        )


def main() -> None:
    steps = json.loads(Path(sys.argv[1]).read_text())
    times: list[tuple[str, float]] = []

    def run(command: str, folder: Path) -> None:
        start_s = time.monotonic()
        line = command.removeprefix("sudo ").replace("apt install", "apt-get install -y -qq")
        done = subprocess.run(
            line, shell=True, cwd=folder, stdin=subprocess.DEVNULL, capture_output=True, text=True
        )
        times.append((command, time.monotonic() - start_s))
        if done.returncode:
            sys.exit(f"{command}: exit {done.returncode}\n{done.stdout}{done.stderr}")

    tree = Path.cwd()
    for command in steps["install"]:
        run(command, tree)
    os.environ["PATH"] = f"{tree}/.venv/bin:{os.environ['PATH']}"
    os.environ["JACK_NO_START_SERVER"] = "1"
    rig_folder = tree.parent / "evening"
    rig_folder.mkdir()
    (rig_folder / "reed.txt").write_text(steps["readings"])
    background = []
    for command, file in BACKGROUND:
        background.append(start(command, file))
        time.sleep(1.5)
    for command in steps["evening"]:
        if command == "zerobeat run rig.yaml":
            os.chdir(rig_folder)
            start_s = time.monotonic()
            background.append(start(command, str(SAID)))
            wait_for("connected: input keys, output quad", SAID)
            wait_for("90 42", HEARD)
            times.append((command, time.monotonic() - start_s))
            continue
        run(f"{command} --once" if command == "zerobeat status" else command, rig_folder)
        if command.startswith("zerobeat init"):
            rig = rig_folder / "rig.yaml"
            text = rig.read_text().replace("detune_beats_hz: 0.4", "detune_beats_hz: 0")
            for written, here in PORTS.items():
                text = text.replace(written, here)
            rig.write_text(text)
        if "--readings" in command:  # the next note has the correction
            wait_for(r"\be0 (?!00 40)", HEARD)
    start_s = time.monotonic()
    background[-1].send_signal(signal.SIGINT)
    if background[-1].wait(LONGEST_WAIT_S) != 0:
        sys.exit(f"zerobeat run: {SAID.read_text()}")
    times.append(("Ctrl-C", time.monotonic() - start_s))
    for process in background[:-1]:
        process.kill()
    Path(sys.argv[2]).write_text(json.dumps(times))


if __name__ == "__main__":
    main()
