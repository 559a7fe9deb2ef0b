"""As a service the log holds our lines alone (requirement S10)."""

import os
import subprocess
import sys

CODE = """
import os, sys
from zerobeat.runtime.child_process import Child
from zerobeat.runtime.journal import Journal, keep_libraries_out
keep_libraries_out()
os.write(2, b"a library's own line\\n")
Journal().log("our line")
subprocess = __import__("subprocess")
child = Child(print)  # no arguments; its own error goes to the log
while child.outcome() is None: pass
sys.stderr.write("last\\n")
"""


def lines(**more):
    environment = {k: v for k, v in os.environ.items() if k != "NOTIFY_SOCKET"} | more
    done = subprocess.run(
        [sys.executable, "-c", CODE], env=environment, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    return done.stderr.splitlines()


def test_what_libraries_print_stays_out_of_a_services_log():
    assert lines(NOTIFY_SOCKET="/run/nobody") == ["our line", "last"]


def test_in_a_terminal_nothing_is_hidden():
    assert lines() == ["a library's own line", "our line", "last"]
