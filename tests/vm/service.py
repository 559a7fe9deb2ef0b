"""The installed service on a real kernel. Run in the guest as root: service.py [WORD IN A NAME]."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from guest import (
    KEYS,
    OFF,
    ON,
    RIG,
    STATE,
    UNIT,
    VOICES,
    Peer,
    descriptors,
    journal,
    main,
    memory_mb,
    pid,
    plays,
    press,
    sh,
    show,
    sink,
    source,
    start,
    status,
    wait,
    write_rig,
)


def plays_through_the_sequencer() -> None:
    """S1, S3: from a keyboard to a converter, eight corrected voices, as a service."""
    write_rig()
    with source() as keys, sink() as quad:
        begin_s = time.monotonic()
        start()
        ready_s = time.monotonic() - begin_s
        plays(keys, quad)
        print(
            f"    ready after {ready_s:.2f} s, first corrected notes after "
            f"{time.monotonic() - begin_s:.2f} s (emulated)"
        )
        for _ in range(50):
            plays(keys, quad)
        memory = memory_mb()
        print(f"    memory in MB: {memory}, {descriptors()} descriptors")
        assert memory["VmRSS"] < 40.0
        assert show("User") == "zerobeat"
        assert "granted" in status()["real_time"]


def the_sandbox_is_hard() -> None:
    """Exposure 0.7 or lower, and no line of systemd's that complains about the unit."""
    answer = sh(
        f"set -o pipefail; systemd-analyze security --no-pager --threshold=7 {UNIT} | tail -1"
    )
    print(f"    {answer}")
    answer = sh(
        "systemd-analyze verify /etc/systemd/system/zerobeat*.{service,path} 2>&1", check=False
    )
    assert "zerobeat" not in answer, answer


def killed_while_notes_sound() -> None:
    """N12: SIGKILL: all released, and it plays again by itself."""
    with source() as keys, sink() as quad:
        start()
        plays(keys, quad)
        press(keys, quad)
        assert len(quad.open_notes()) == VOICES
        os.kill(pid(), signal.SIGKILL)
        released_s = wait("release", lambda: not quad.open_notes())
        again_s = released_s + plays(keys, quad)
        print(
            f"    released after {released_s:.2f} s, plays again after {again_s:.2f} s (emulated)"
        )


def hangs_until_the_watchdog() -> None:
    """S4: a loop that stands still is ended and started again, its notes released."""
    with source() as keys, sink() as quad:
        start()
        plays(keys, quad)
        press(keys, quad)
        before = pid()
        os.kill(before, signal.SIGSTOP)
        released_s = wait("release", lambda: not quad.open_notes())
        plays(keys, quad)
        print(f"    released after {released_s:.2f} s")
        assert pid() != before
        assert "Watchdog timeout" in journal()


def a_stop_releases_and_stays_quiet() -> None:
    """N12, M15: an orderly stop sends every note-off; the log has no traceback."""
    with source() as keys, sink() as quad:
        start()
        plays(keys, quad)
        press(keys, quad)
        sh(f"systemctl stop {UNIT}")
        wait("release", lambda: not quad.open_notes(), 5.0)
        assert show("Result") == "success"
        assert "Traceback" not in journal()
        assert "\x1b" not in journal()  # S12


def the_keyboard_is_pulled_while_notes_sound() -> None:
    """M1, N10: a USB keyboard goes: its notes are released; back: it plays."""
    usb = "bash /opt/tree/tests/vm/usb_keys.sh"
    sh(f"{usb} setup; {usb} plug; sleep 2")
    write_rig(keys="Lab Keys:Lab Keys MIDI 1")
    try:
        with sink() as quad:
            start()
            wait("connection", lambda: all(p["state"] == "connected" for p in status()["ports"]))
            for _ in range(3):
                at = len(quad.heard)
                sh(f"{usb} play {ON}")
                wait("note-ons", lambda: len(quad.open_notes()) == VOICES, 10.0)
                sh(f"{usb} unplug")
                gone_s = wait("release", lambda: not quad.open_notes(), 10.0)
                sh(f"{usb} plug")
                back_s = wait("back", lambda: status()["ports"][0]["state"] == "connected", 20.0)
                time.sleep(0.3)
                sh(f"{usb} play {ON}")
                wait("note-ons", lambda: len(quad.open_notes()) == VOICES, 10.0)
                sh(f"{usb} play {OFF}")
                wait("note-offs", lambda: not quad.open_notes(), 10.0)
                assert len(quad.heard) > at
                print(f"    released after {gone_s:.2f} s, connected after {back_s:.2f} s")
    finally:
        sh(f"{usb} unplug; {usb} teardown", check=False)
        write_rig()


def the_converter_is_pulled_while_notes_sound() -> None:
    """N11: back: note-offs, bend range, bends, and no old note is struck."""
    with source() as keys:
        with sink() as quad:
            start()
            plays(keys, quad)
            press(keys, quad)
        wait("loss", lambda: status()["ports"][1]["state"] != "connected", 10.0)
        with sink() as quad:
            wait("return", lambda: len(quad.heard) > VOICES * 7, 10.0)
            time.sleep(0.5)
            words = quad.words()
            assert not any(word[0] == "9" for word in words), words
            kinds = [word[0] for word in words]
            assert {w[1:4] for w in words if w[0] == "8"} == {f"{n:x}3c" for n in range(VOICES)}
            assert max(k for k, kind in enumerate(kinds) if kind == "8") < kinds.index("b")
            keys.say(OFF)
            plays(keys, quad)


def started_before_the_devices() -> None:
    """S6: and each comes when it comes, under whatever client number (M4)."""
    start()
    assert "waiting for: input keys" in show("StatusText")
    with contextlib.ExitStack() as stack:
        for number in range(3):
            stack.enter_context(Peer("source", f"crowd {number}", "out"))
        quad = stack.enter_context(sink())
        keys = stack.enter_context(source())
        plays(keys, quad)
    with sink() as quad, source() as keys:  # other numbers now
        plays(keys, quad)


def two_devices_of_one_name() -> None:
    """M5: neither is played, both are reported; doctor and status say so."""
    with source(), source(), sink():  # both there before the daemon; one that plays goes on playing
        start()
        wait("the fault", lambda: status()["ports"][0]["state"] == "ambiguous", 10.0)
        assert "nothing tells them apart" in journal()
        answer = sh("zerobeat doctor /etc/zerobeat/rig.yaml", check=False)
        assert "fault    input keys:" in answer and "nothing tells them apart" in answer, answer


def ports_answer_while_it_plays() -> None:
    """M5: asking for names never competes with playing, and its own ports are not listed."""
    with source() as keys, sink() as quad:
        start()
        plays(keys, quad)
        at = press(keys, quad)
        told = sh("zerobeat ports")
        assert '"Stage Keys:MIDI 1"' in told and '"quad:in"' in told, told
        assert '"zerobeat ' not in told, told
        assert not [word for word in quad.words(at) if word.startswith("8")]
        keys.say(OFF)
        plays(keys, quad)


def a_second_daemon_leaves() -> None:
    """M20: it names the first and touches no MIDI."""
    start()
    answer = sh(f"zerobeat run {RIG}", check=False)
    assert f"zerobeat plays already, as process {pid()}; stop it first" in answer, answer


def the_clock_jumps() -> None:
    """M13: a day either way, while a key is held: nothing happens."""
    with source() as keys, sink() as quad:
        start()
        plays(keys, quad)
        before = pid()
        at = press(keys, quad)
        for step in ("+1 day", "-2 days", "+1 day"):
            sh(f"date -s '{step}'")
            time.sleep(1.5)
        assert "the clock was set on by 86" in journal()
        assert len(quad.open_notes()) == VOICES
        assert not [word for word in quad.words(at) if word[0] == "8"]
        keys.say(OFF)
        plays(keys, quad)
        assert pid() == before


def the_disk_is_full() -> None:
    """S8, S9: it plays, and a store is refused in one line."""
    _with_state_on("mount -t tmpfs -o size=64k,mode=750,uid=zerobeat,gid=zerobeat none", _fill)


def the_disk_is_read_only() -> None:
    """S8: everything read-only, the state directory too: it plays."""
    _with_state_on("mount -t tmpfs -o size=1m,mode=750,uid=zerobeat,gid=zerobeat none", _lock)


def _fill() -> None:
    sh(f"head -c 1M /dev/zero >{STATE}/filler", check=False)


def _lock() -> None:
    sh(f"mount -o remount,ro {STATE}")


def _with_state_on(mount: str, spoil) -> None:
    sh(f"systemctl stop {UNIT}; {mount} {STATE}")
    try:
        spoil()
        with source() as keys, sink() as quad:
            start()
            plays(keys, quad)
            answer = sh("zerobeat store", check=False)
            print(f"    {answer.splitlines()[0] if answer else 'nothing is said'}")
            answer = sh(f"STATE_DIRECTORY={STATE} zerobeat doctor {RIG}", check=False)
            assert "state directory" in answer, answer
            plays(keys, quad)
    finally:
        sh(f"systemctl stop {UNIT}; umount {STATE}", check=False)


def a_broken_rig_at_boot() -> None:
    """C6, S5: the last good rig plays, and that is said."""
    write_rig()
    start()
    good = RIG.read_text()
    RIG.write_text(good + "nonsense: 1\n")
    try:
        with source() as keys, sink() as quad:
            start()
            plays(keys, quad)
            assert "is broken: playing" in journal(), journal()
            assert f"{RIG}:" in journal() and "nonsense" in journal()
            RIG.write_text(good)
            sh(f"systemctl reload {UNIT}")
            wait("reload", lambda: "the new rig is in force" in journal(), 30.0)
            plays(keys, quad)
    finally:
        RIG.write_text(good)


def a_storm_is_muted() -> None:
    """M21: the converter's cable leads back to the keyboard's input."""
    write_rig(keys="quad through:in and out")
    with sink(), Peer("source", "quad through", "in and out") as loop:
        start()
        for _ in range(40):  # all at once would overflow the kernel's queue, which is another fault
            loop.say(f"{ON} x 10")
            time.sleep(0.01)
        wait("muted", lambda: "muted until it has been quiet" in journal(), 20.0)
        # A sink in an emulated guest loses some of such a flood; the mirror doesn't.
        wait("release", lambda: not _marked(), 10.0)
        time.sleep(2.5)
        loop.say("904064")
        wait("plays again", lambda: _marked() == VOICES, 20.0)
    write_rig()


def _marked() -> int:
    """Return how many notes the daemon knows to be sounding."""
    return Path("/run/zerobeat/sounding").read_bytes()[16 * 64 :].count(1)


def overflow_of_the_kernels_queue() -> None:
    """M11: what is held is released, and it is reported."""
    write_rig()
    with source() as keys, sink() as quad:
        start()
        plays(keys, quad)
        press(keys, quad)
        process = pid()
        os.kill(process, signal.SIGSTOP)
        keys.say("b00150 x 600")
        time.sleep(1.5)
        os.kill(process, signal.SIGCONT)
        wait("the line", lambda: "more came than could be taken" in journal(), 20.0)
        assert "MidiInAlsa" not in journal()  # the library's own lines
        wait("release", lambda: not quad.open_notes(), 10.0)


def nobody_reads_standard_error() -> None:
    """The reader of standard error is gone: it plays, takes a rig, and stops in order."""
    _with_standard_error("head -n 1 >/dev/null")


def standard_error_is_full() -> None:
    """Its reader reads nothing, as a terminal that was stopped with Ctrl-S."""
    # F_SETPIPE_SZ: a pipe of one page, so that few lines fill it.
    code = "import fcntl, time; fcntl.fcntl(0, 1031, 4096); time.sleep(9999)"
    _with_standard_error(f"/usr/bin/python3 -c '{code}'")


def the_journal_is_gone() -> None:
    """The socket behind standard error and every log line of the daemon's."""
    units = "systemd-journald.socket systemd-journald-dev-log.socket systemd-journald.service"
    start()
    try:
        _plays_after(lambda: sh(f"systemctl stop {units} 2>&1", check=False))
    finally:
        sh(f"systemctl start {units}")


def the_journal_hangs() -> None:
    """It lives and reads nothing, until its socket is full."""
    start()
    sh("pkill -STOP -x systemd-journal")
    try:
        _plays_after(lambda: None, faults=1500)  # its socket holds some 10,000 lines
    finally:
        sh("pkill -CONT -x systemd-journal")


def the_runtime_directory_is_gone() -> None:
    """Socket and mirror with it: what sounds is released by its key, a reload is survived."""
    start()
    with source() as keys, sink() as quad:
        plays(keys, quad)
        press(keys, quad)
        before = pid()
        sh("rm -rf /run/zerobeat")
        sh(f"systemctl reload {UNIT}")
        time.sleep(3.0)
        keys.say(OFF)
        wait("release", lambda: not quad.open_notes(), 10.0)
        plays(keys, quad)
        assert pid() == before
        start()
        plays(keys, quad)
        assert all(port["state"] == "connected" for port in status()["ports"])


def a_long_stop_of_the_process_releases_what_sounds() -> None:
    """SIGSTOP for less than the watchdog takes: nothing that sounded before goes on after it."""
    with source() as keys, sink() as quad:
        start()
        plays(keys, quad)
        press(keys, quad)
        before = pid()
        os.kill(before, signal.SIGSTOP)
        time.sleep(2.2)
        os.kill(before, signal.SIGCONT)
        wait("release", lambda: not quad.open_notes(), 10.0)
        keys.say(OFF)
        plays(keys, quad)
        assert pid() == before


def the_machine_sleeps_while_notes_sound() -> None:
    """Suspended to memory for 6 s, woken by its clock: what sounded is released, and it plays."""
    with source() as keys, sink() as quad:
        start()
        plays(keys, quad)
        press(keys, quad)
        before = pid()
        sh("rtcwake -m mem -s 6")
        released_s = wait("release", lambda: not quad.open_notes(), 10.0)
        print(f"    released {released_s:.2f} s after the wake")
        keys.say(OFF)
        plays(keys, quad)
        assert pid() == before


def _with_standard_error(reader: str) -> None:
    """Run the service with standard output and error in a pipe to a command."""
    override = Path("/run/systemd/system/zerobeat.service.d/pipe.conf")
    override.parent.mkdir(parents=True, exist_ok=True)
    script = Path("/usr/local/lib/zerobeat-pipe.sh")
    run = sh("systemctl cat zerobeat | sed -n 's/^ExecStart=//p' | tail -1")
    script.write_text(f"exec 2> >({reader}) >&2\nexec {run}\n")
    override.write_text(f"[Service]\nExecStart=\nExecStart=/bin/bash {script}\n")
    sh("systemctl daemon-reload")
    try:
        start()
        _plays_after(lambda: None)
    finally:
        override.unlink()
        sh(f"systemctl daemon-reload; systemctl restart {UNIT}")
        script.unlink()


def _plays_after(spoil: Callable[[], object], faults: int = 40) -> None:
    """Make the daemon log as much as it can where nobody listens; then play, then stop."""
    with sink() as quad:
        with source() as keys:
            plays(keys, quad)
        before = pid()
        spoil()
        good = RIG.read_text()
        with Peer("blink", *KEYS) as blinker:
            for _ in range(150):
                for word in ("on", "off"):
                    blinker.say(word)
                    blinker.wait_done()
        RIG.write_text(good + "".join(f"nonsense_{number}: 1\n" for number in range(faults)))
        try:
            for _ in range(10):
                os.kill(before, signal.SIGHUP)
                time.sleep(0.5 + 0.005 * faults)
        finally:
            RIG.write_text(good)
        os.kill(before, signal.SIGHUP)
        with source() as keys:
            plays(keys, quad)
            assert pid() == before
            press(keys, quad)
            sh(f"systemctl stop {UNIT}")
            wait("release", lambda: not quad.open_notes(), 10.0)
            assert show("Result") == "success"
            start()
            plays(keys, quad)


def a_pedals_request_starts_the_touch_up() -> None:
    """The daemon has no audio: a file in the runtime directory starts a unit that has."""
    start()
    sh("systemctl start zerobeat-touchup.path")
    sh("runuser -u zerobeat -- touch /run/zerobeat/touchup.wanted")
    wait(
        "start",
        lambda: "touch-up" in sh("journalctl -u zerobeat-touchup -o cat --no-pager", check=False),
    )
    wait("end", lambda: not os.path.exists("/run/zerobeat/touchup.wanted"))


def a_player_of_the_group_commands_it() -> None:
    """The group zerobeat is what a player joins; others are refused."""
    start()
    sh("usermod -aG zerobeat lab")
    assert "v1" in sh("runuser -u lab -- zerobeat status --once")
    answer = sh(
        "setpriv --reuid=65534 --regid=65534 --clear-groups zerobeat status --once", check=False
    )
    assert "join its group" in answer, answer


def an_upgrade_keeps_everything() -> None:
    """Scenes and profiles stay; the program is replaced as a whole; a bad one changes nothing."""
    (STATE / "scenes").mkdir(exist_ok=True)
    (STATE / "scenes" / "kept.yaml").write_text("hold: note\n")
    before, rig = os.readlink("/opt/zerobeat/current"), RIG.read_text()
    answer = sh(
        "bash /opt/tree/systemd/install.sh --wheels /opt/tree/tests --from /opt/tree", check=False
    )
    assert "unchanged" in answer and os.readlink("/opt/zerobeat/current") == before, answer
    sh("bash /opt/tree/systemd/install.sh --wheels /opt/wheels", timeout_s=900)
    assert os.readlink("/opt/zerobeat/current") != before
    assert (STATE / "scenes" / "kept.yaml").exists() and RIG.read_text() == rig
    with source() as keys, sink() as quad:
        plays(keys, quad)
        sh("bash /opt/tree/systemd/install.sh --back")
        assert os.readlink("/opt/zerobeat/current") == before
        plays(keys, quad)


def removal_leaves_what_is_the_players() -> None:
    """And --purge leaves nothing."""
    sh("bash /opt/tree/systemd/install.sh --remove")
    assert not os.path.exists("/opt/zerobeat") and not os.path.lexists("/usr/local/bin/zerobeat")
    assert RIG.exists() and (STATE / "scenes" / "kept.yaml").exists()
    sh("bash /opt/tree/systemd/install.sh --remove --purge")
    left = sh(
        "ls -d /etc/*/*zerobeat* /etc/zerobeat /var/lib/zerobeat /opt/zerobeat /run/zerobeat",
        check=False,
    )
    assert all("No such file" in line for line in left.splitlines()), left
    assert subprocess.run(["id", "zerobeat"], capture_output=True).returncode


if __name__ == "__main__":
    sys.exit(main())
