"""The log holds our lines alone (S10), and never keeps anybody waiting."""

import os
import subprocess
import sys
import time

from zerobeat.runtime.journal import Journal, LogWriter

CODE = """
import os, sys
from zerobeat.runtime.child_process import Child
from zerobeat.runtime.journal import CapturedOutput, Journal
with CapturedOutput() as output:
    os.write(2, b"a library's own line\\n")
    Journal(output.writer).log("our line")
    child = Child(print)  # no arguments; its own error goes to the log
    while child.outcome() is None: pass
    print("python's")
sys.stderr.write("last\\n")
"""


def lines():
    done = subprocess.run([sys.executable, "-c", CODE], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stderr.splitlines()


def test_what_libraries_print_stays_out_of_the_log():
    assert lines() == ["our line", "python's", "last"]


def test_a_log_that_nobody_reads_costs_its_lines_and_no_time():
    reader, writer = os.pipe()
    log = LogWriter(writer)
    journal = Journal(log)
    start_s = time.monotonic()
    for number in range(20_000):
        journal.log(f"{number} " + 60 * "x")
    assert time.monotonic() - start_s < 2.0
    assert journal.dropped > 10_000
    with os.fdopen(reader, "rb") as stream:  # read again: the loss is told, and lines come
        os.set_blocking(reader, False)
        end_s = time.monotonic() + 5.0
        content = b""
        while time.monotonic() < end_s and b"the end" not in content:
            content += stream.read() or b""
            if b"lines of this log were lost" not in content:
                journal.log("more")
            else:
                journal.log("the end")
            time.sleep(0.01)
        assert b"lines of this log were lost" in content
        log.close(5.0)
    os.close(writer)


def test_a_log_whose_reader_has_gone_or_whose_disk_is_full_raises_nothing():
    reader, writer = os.pipe()
    os.close(reader)
    for file in (writer, os.open("/dev/full", os.O_WRONLY)):
        log = LogWriter(file)
        journal = Journal(log)
        journal.log("lost")
        log.close(5.0)
        assert journal.dropped == 1
        os.close(file)


def test_a_name_adds_no_line_and_moves_no_cursor(capsys):
    Journal().log("input keys: lost \x1b[2Jkeys\nzerobeat stopped\u202e")
    assert capsys.readouterr().err == ("input keys: lost \\x1b[2Jkeys\\nzerobeat stopped\\u202e\n")


def test_faults_of_many_kinds_take_no_memory(capsys):
    journal = Journal()
    for number in range(1000):
        journal.fault(f"kind {number}", "a fault")
    assert len(journal._logged) <= 256
