"""The command line: help without imports, exit statuses, one clear line (T3, T4, C2)."""

import subprocess
import sys
from pathlib import Path

import pytest

from zerobeat import cli, commands
from zerobeat.commands.daemon_commands import DAEMON_COMMANDS
from zerobeat.errors import nearest, one_of

ROOT = Path(__file__).resolve().parents[1]


def run(*arguments, **more):
    return subprocess.run(
        [sys.executable, "-m", "zerobeat", *arguments],
        capture_output=True,
        text=True,
        **more,
    )


def test_help_lists_every_command_and_imports_none():
    code = (
        "import sys\nfrom zerobeat.cli import main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "print([m for m in sys.modules if m.startswith('zerobeat.')"
        " and m not in ('zerobeat.cli', 'zerobeat.errors') or m == 'importlib.metadata'],"
        " file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
    for name, summary in cli.COMMAND_SUMMARIES:
        assert f"  {name:<11} {summary}\n" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_each_command_is_a_module_or_a_row_and_each_row_is_named():
    folder = Path(commands.__file__).parent
    names = {name for name, _ in cli.COMMAND_SUMMARIES}
    assert names - cli.ASK_DAEMON <= {path.stem for path in folder.glob("*.py")}
    assert set(DAEMON_COMMANDS) == cli.ASK_DAEMON <= names


@pytest.mark.parametrize("name", [name for name, _ in cli.COMMAND_SUMMARIES])
def test_each_command_has_help_with_an_example(name):
    done = run(name, "--help")
    assert done.returncode == 0
    assert "example" in done.stdout and f"zerobeat {name}" in done.stdout


def test_without_a_command_the_help_goes_to_stderr():
    done = run()
    assert (done.returncode, done.stdout) == (2, "")
    assert "commands:" in done.stderr


def test_an_unknown_command_names_the_nearest():
    done = run("chek")
    assert done.returncode == 2
    assert done.stderr.startswith("zerobeat: found command chek; allowed: check, ")
    assert done.stderr.endswith(" more (zerobeat --help)\n")


@pytest.mark.parametrize("typed", ["x", "qqqq", "\u266f", "c" * 5000])
def test_however_far_off_a_name_is_three_are_suggested(typed):
    names = [name for name, _ in cli.COMMAND_SUMMARIES]
    assert len(set(nearest(typed, names)) & set(names)) == 3
    assert one_of(typed, names).endswith(f" and {len(names) - 3} more")


def test_what_is_called_otherwise_here_is_suggested_first():
    assert nearest("transpose", ["scale", "semitones", "root", "snap"])[0] == "semitones"
    assert nearest("THE SLOW", ["The Slow One", "fast"], 0.6) == ["The Slow One"]


@pytest.mark.parametrize(
    "arguments",
    [
        ["ports", "\x1b[2J\u202e"],
        ["\x1b[2J\u202e"],
        ["init", "\x1b[2J\u202e.yaml"],
        ["doctor", "\x1b[2J\u202e.yaml"],
        ["check", "\x1b[2J\u202e.yaml"],
    ],
)
def test_a_file_name_moves_no_cursor(tmp_path, arguments):
    """T4: names come from lists of files, too."""
    done = run(*arguments, cwd=tmp_path)
    shown = done.stdout + done.stderr
    assert "\\x1b[2J\\u202e" in shown and "\x1b" not in shown and "\u202e" not in shown


def test_version():
    done = run("--version")
    assert done.returncode == 0
    assert done.stdout.startswith("zerobeat ")


def test_faults_of_files_exit_78_without_a_traceback(tmp_path):
    path = tmp_path / "rig.yaml"
    path.write_text("inputs: 5\nfoo: 3\n")
    done = run("check", str(path))
    assert (done.returncode, done.stdout) == (78, "")
    lines = done.stderr.splitlines()
    assert lines[-1] == f"{len(lines) - 1} problems"
    assert lines[0] == f"{path}:1: inputs: found 5; allowed: keys with values"
    assert all(line.startswith(str(path)) for line in lines[:-1])


def test_other_faults_exit_1(tmp_path):
    path = tmp_path / "rig.yaml"
    path.write_text("mine")
    done = run("init", str(path))
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == (
        f"{path}: found there already, left as it is; name another, or write over it with --force\n"
    )


def test_a_reader_that_leaves_is_no_traceback():
    rig = ROOT / "profiles" / "rigs" / "small-case.yaml"
    command = f"{sys.executable} -m zerobeat check {rig} | true; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True)
    assert done.stderr == ""
    assert done.stdout.strip() in ("0", "141")  # 0 when all was written before the reader left


def test_a_pipe_closed_before_the_start_is_141():
    code = (
        "import os, sys\nfrom zerobeat.cli import main\n"
        "r, w = os.pipe(); os.close(r); os.dup2(w, 1)\n"
        f"sys.exit(main(['check', {str(ROOT / 'profiles/rigs/small-case.yaml')!r}]))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (141, "")


def test_an_interrupt_is_130(monkeypatch):
    from zerobeat.commands import check

    def interrupted(args):
        raise KeyboardInterrupt

    monkeypatch.setattr(check, "run", interrupted)
    assert cli.main(["check", "x"]) == 130


def test_a_missing_package_is_named_with_its_remedy(monkeypatch, capsys):
    def missing(name):
        raise ModuleNotFoundError("No module named 'sounddevice'", name="sounddevice")

    monkeypatch.setattr(cli, "import_module", missing)
    assert cli.main(["measure"]) == 1
    assert capsys.readouterr().err == (
        "measure: found no Python package sounddevice; install it with: pip install "
        "'zerobeat[audio]'\n"
    )


def test_nothing_raises_and_nothing_is_coloured_in_the_plainest_terminal(tmp_path):
    path = tmp_path / "rig.yaml"
    rig = (ROOT / "profiles" / "rigs" / "one-voice.yaml").read_text()
    path.write_text(rig.replace("reed:", "r\u00f6hre\u266f:"), encoding="utf-8")
    plain = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PATH": "/usr/bin:/bin"}
    done = run("check", str(path), env=plain | {"HOME": str(tmp_path), "NO_COLOR": "1"})
    assert done.returncode == 0, done.stderr
    assert "r\\xf6hre\\u266f" in done.stdout
    assert "\x1b" not in done.stdout
