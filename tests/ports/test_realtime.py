"""Real time is asked for, and a refusal is a line and no more (requirement S3)."""

import os
import resource
import subprocess
import sys
import threading

import pytest

CODE = """
import os, threading
from zerobeat.ports.realtime import ask
waiting = threading.Event()
thread = threading.Thread(target=waiting.wait)
thread.start()
told = ask("alsa")
print(told.text)
print(os.sched_getscheduler(0) & ~os.SCHED_RESET_ON_FORK, os.sched_getscheduler(thread.native_id))
child = os.fork()
if not child:
    print(os.sched_getscheduler(0), flush=True)
    os._exit(0)
os.wait()
waiting.set()
"""


def run(*before):
    done = subprocess.run([*before, sys.executable, "-c", CODE], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


def refused_here():
    try:
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(1))
    except OSError:
        return True
    os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    return resource.getrlimit(resource.RLIMIT_MEMLOCK)[0] == 0


@pytest.mark.skipif(refused_here(), reason="real-time scheduling is refused here")
def test_granted_to_the_thread_that_plays_and_to_no_other():
    told, scheduling, child = run()
    assert told == "real time: priority 10 and locked memory granted"
    assert scheduling == f"{os.SCHED_RR} {os.SCHED_OTHER}"
    assert child == str(os.SCHED_OTHER)


@pytest.mark.skipif(os.getuid() != 0, reason="only root can give rights away")
def test_refused_is_told_with_its_remedy():
    told, scheduling, _ = run(
        "prlimit", "--rtprio=0", "--memlock=65536", "setpriv", "--reuid=65534", "--clear-groups"
    ) if readable_by_all() else pytest.skip("this Python can't be run by another user")
    assert "scheduling refused (operation not permitted)" in told
    assert "memory lock refused" in told and "plays all the same" in told
    assert scheduling.split()[0] == str(os.SCHED_OTHER)


def readable_by_all():
    command = ["setpriv", "--reuid=65534", "--clear-groups", sys.executable, "-c", "import zerobeat"]
    return subprocess.run(command, capture_output=True).returncode == 0


