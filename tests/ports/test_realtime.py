"""Real time is asked for, and a refusal is a line and no more (requirement S3)."""

import os
import resource
import shutil
import subprocess
import sys

import pytest

CODE = """
import os, threading
from zerobeat.ports.realtime import request_real_time
waiting = threading.Event()
thread = threading.Thread(target=waiting.wait)
thread.start()
told = request_real_time("alsa")
print(told.text)
found = []
for thread in (0, thread.native_id):
    found += [os.sched_getscheduler(thread) & ~os.SCHED_RESET_ON_FORK]
    found += [os.sched_getparam(thread).sched_priority]
print(*found)
child = os.fork()
if not child:
    print(os.sched_getscheduler(0), flush=True)
    os._exit(0)
os.wait()
waiting.set()
"""

ON_JACK = """
import os, rtmidi
from zerobeat.ports.realtime import request_real_time
out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="one")
out.open_virtual_port("out")
before = {thread: os.sched_getscheduler(int(thread)) for thread in os.listdir("/proc/self/task")}
print(request_real_time("jack").text)
after = {thread: os.sched_getscheduler(int(thread)) for thread in before}
own = str(os.getpid())
print(before[own], after[own] & ~os.SCHED_RESET_ON_FORK, os.sched_getparam(0).sched_priority)
others = [t for t in before if t != own]
print(max(os.sched_getparam(int(t)).sched_priority for t in others))
print(all(before[t] == after[t] for t in others))
out.close_port()
"""


def run_on_jack(real_time):
    if shutil.which("jackd") is None:
        pytest.skip("jackd2 is not installed")
    from kit.jack import JackServer

    with JackServer(real_time=real_time) as server:
        command = [sys.executable, "-c", ON_JACK]
        done = subprocess.run(command, capture_output=True, text=True, env=server.environment)
    assert done.returncode == 0, done.stderr
    told, own, highest, others_kept = done.stdout.splitlines()
    assert others_kept == "True"
    return told, [int(number) for number in own.split()], int(highest)


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
def test_granted_to_the_thread_that_plays_and_a_little_less_to_those_that_wait():
    """M8: a thread that is stopped while it holds the interpreter holds up the one that plays."""
    told, scheduling, child = run()
    assert told == "real time: priority 10 and locked memory granted"
    assert scheduling == f"{os.SCHED_RR} 10 {os.SCHED_RR} 9"
    assert child == str(os.SCHED_OTHER)


@pytest.mark.skipif(refused_here(), reason="real-time scheduling is refused here")
def test_on_jack_it_plays_just_below_the_servers_own_threads():
    told, (before, after, priority), highest = run_on_jack(real_time=True)
    assert (before, after) == (os.SCHED_OTHER, os.SCHED_RR)
    assert priority == highest - 1 >= 1
    assert told == f"real time: priority {priority} and locked memory granted"


def test_on_a_jack_server_without_real_time_it_stays_as_it_is():
    told, (before, after, priority), highest = run_on_jack(real_time=False)
    assert (before, after, priority, highest) == (os.SCHED_OTHER, os.SCHED_OTHER, 0, 0)
    assert told.startswith("real time: ") and "priority" not in told


@pytest.mark.skipif(os.getuid() != 0, reason="only root can give rights away")
def test_refused_is_told_with_its_remedy():
    told, scheduling, _ = (
        run(
            "prlimit", "--rtprio=0", "--memlock=65536", "setpriv", "--reuid=65534", "--clear-groups"
        )
        if readable_by_all()
        else pytest.skip("this Python can't be run by another user")
    )
    assert "scheduling refused (operation not permitted)" in told
    assert "memory lock refused" in told and "plays all the same" in told
    assert scheduling.split()[0] == str(os.SCHED_OTHER)


def readable_by_all():
    command = [
        "setpriv",
        "--reuid=65534",
        "--clear-groups",
        sys.executable,
        "-c",
        "import zerobeat",
    ]
    return subprocess.run(command, capture_output=True).returncode == 0
