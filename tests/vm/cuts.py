"""Power cuts while scenes are stored as fast as they go. Run on the host by tests/vm/run --cuts.

    cuts.py LAB TAG COUNT BOOTED_EVERY SEED

Each round resumes the installed machine, lets a client change a detune and store the
scene, again and again, and kills the machine after 1.5 to 5 s. Then, off its disk: what was
acknowledged last, or something later, is what a load gives, and no file is torn. Every so many
disks are booted: the service must come up by itself and play. A kernel that hangs in the emulator
before it has touched the disk says nothing of the disk: it is reported and booted once more.
"""

from __future__ import annotations

import os
import random
import re
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

from zerobeat.state.sealed import examine
from zerobeat.state.store import Store

LAB, TAG = sys.argv[1:3]
COUNT, BOOTED_EVERY, SEED = (int(text) for text in sys.argv[3:])
NAME = f"zerobeat-cuts-{SEED}"
PYTHON = "/opt/zerobeat/current/bin/python"
SCENARIOS = "/opt/tree/tests/vm"
SCENE = "plain"  # what plays in a rig without scenes


def lab(script: str, *arguments: str) -> str:
    done = subprocess.run(
        [f"{LAB}/{script}.sh", "-n", NAME, *arguments],
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    if done.returncode:
        raise RuntimeError(f"{script}: {done.stdout}{done.stderr}")
    return done.stdout


def cut_while_storing(wait_s: float) -> int:
    """Return the last number that was acknowledged before the cut; 0 if none was."""
    lab("boot", "--from", TAG)
    line = f"{PYTHON} {SCENARIOS}/storing.py"
    writer = subprocess.Popen(
        [f"{LAB}/run.sh", "-n", NAME, "-c", line],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
        text=True,
    )
    acknowledged = [0]
    started = threading.Event()

    def listen() -> None:
        for said in writer.stdout:
            acknowledged[0] = int(said)
            started.set()

    thread = threading.Thread(target=listen)
    thread.start()
    if not started.wait(60):
        raise RuntimeError(f"nothing was stored: {writer.stderr.read()}")
    lab("cut", "--after", f"{wait_s:.2f}")
    writer.kill()
    thread.join()
    return acknowledged[0]


def boot() -> None:
    """Boot the disk that was cut; once more if it was never written to."""
    try:
        lab("boot", "--again")
    except RuntimeError:
        instance = Path(os.environ["VMLAB"], "inst", NAME)
        started_s = (instance / "pid").stat().st_mtime
        if (instance / "disk.qcow2").stat().st_mtime > started_s:
            raise
        print("the kernel hung before it touched the disk; booted once more", flush=True)
        lab("stop", "--now")
        lab("boot", "--again")


def look(acknowledged: int) -> list[str]:
    """Return what is wrong with the disk."""
    wrong = []
    with tempfile.TemporaryDirectory() as folder:
        lab("inspect", "/var/lib/zerobeat", folder)
        state = Path(folder) / "zerobeat"
        newest = Store(state).load("scenes", SCENE)
        # The n-th store sets a detune of n hundredths of a cent.
        found = re.search(rb"detune_cents: ([0-9.]+)", newest.content)
        stored = round(float(found[1]) * 100) if found else 0
        if stored < acknowledged:
            wrong.append(f"acknowledged {acknowledged}, found {stored}")
        wrong += newest.warnings
        for path in state.rglob("*.yaml"):
            if path.parent.name == "scenes" and not examine(path).is_valid:
                wrong.append(f"{path.name}: {examine(path).why}")
    return wrong


def main() -> int:
    chance = random.Random(SEED)
    wrong: list[str] = []
    stores = boots = 0
    for number in range(1, COUNT + 1):
        acknowledged = cut_while_storing(chance.uniform(1.5, 5.0))
        stores += acknowledged
        found = look(acknowledged)
        if number % BOOTED_EVERY == 0:
            boot()
            boots += 1
            answer = lab("run", PYTHON, f"{SCENARIOS}/after_a_cut.py")
            found += [] if "plays" in answer else [answer]
        if number % 10 == 0 or found:
            print(
                f"cut {number}: {acknowledged} stores acknowledged; {found or 'all there'}",
                flush=True,
            )
        wrong += found
        lab("stop", "--now", "--rm")
    print(f"{COUNT} cuts, {stores} acknowledged stores, {boots} boots: {len(wrong)} faults")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
