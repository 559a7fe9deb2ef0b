"""Help that is made from the program itself says what it says; the shipped files obey it."""

from __future__ import annotations

import argparse
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
import yaml

from zerobeat.cli import COMMAND_SUMMARIES, load_command, main
from zerobeat.config.file_lookup import SHIPPED
from zerobeat.config.key_reference import (
    KINDS_OF_FILES,
    documented_keys,
    schema,
    without_lines,
)

ROOT = Path(__file__).resolve().parents[1]
KINDS = {
    "rigs": "rig",
    "scenes": "scene",
    "converters": "converter",
    "oscillators": "profile",
    "pedalboards": "pedalboard",
}
FILES = sorted(path for folder in KINDS for path in (SHIPPED / folder).glob("*.yaml"))
COMMANDS = [name for name, _ in COMMAND_SUMMARIES]
PAGES = sorted((ROOT / "daemon/zerobeat/generated/man").iterdir())
EVERY_KEY_TWICE = 40  # of a rig


def test_every_key_that_is_read_has_its_line_and_no_other():
    assert without_lines() == [], "see daemon/zerobeat/config/key_words.py"


@pytest.mark.skipif(
    sys.version_info[:2] != (3, 11), reason="argparse words its help otherwise in other Pythons"
)
def test_what_was_made_from_the_program_is_as_it_is_made_now():
    done = subprocess.run(
        [sys.executable, str(ROOT / "docs/generate.py"), "--check"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout) == (0, ""), f"{done.stderr}; run docs/generate.py"


@pytest.mark.parametrize("path", FILES, ids=lambda path: f"{path.parent.name}/{path.stem}")
def test_every_shipped_file_obeys_the_schema_of_its_kind(path: Path):
    made = schema(KINDS[path.parent.name])
    jsonschema.Draft202012Validator.check_schema(made)
    jsonschema.validate(yaml.safe_load(path.read_text()), made)


def test_the_starter_rig_obeys_the_schema_that_its_first_line_names(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["init"]) == 0
    text = (tmp_path / "rig.yaml").read_text()
    found = re.match(r"# yaml-language-server: \$schema=file://(\S+)\n", text)
    assert found is not None
    jsonschema.validate(yaml.safe_load(text), json.loads(Path(found[1]).read_text()))


WRONG = [
    ("rig", "voices: {reed: {converter: quad, channel_number: 17}}", "17"),
    ("rig", "voices: {reed: {converter: quad, channel_number: 1, tail: 2}}", "tail"),
    ("rig", "concert_a_hz: 500", "500"),
    ("scene", "hold: nevr", "nevr"),
    ("scene", "triggers: [{clock: {evry: 1}}]", "evry"),
    ("scene", "voices: {reed: {octaves: 11}}", "11"),
    ("converter", "overlap: maybe", "maybe"),
    ("pedalboard", "bindings: [{controller: 1, action: nxt}]", "nxt"),
    ("profile", "readings: [{note: 36}]", "cents"),
    ("profile", "readings: []", "[]"),
    ("scene", "time_signature: 7/9", "7/9"),
    ("scene", "all: {root: H}", "H"),
    ("converter", "zero_volt_note: H2", "H2"),
    ("rig", "name: ''", "''"),
    ("pedalboard", "bindings: [{action: next}]", "next"),
    ("pedalboard", "bindings: [{controller: 1, note: 2, action: next}]", "next"),
]


@pytest.mark.parametrize(("kind", "text", "named"), WRONG)
def test_a_schema_refuses_what_the_reader_refuses(kind: str, text: str, named: str):
    errors = jsonschema.Draft202012Validator(schema(kind)).iter_errors(yaml.safe_load(text))
    assert any(named in error.message or named in str(error.context) for error in errors)


def test_keys_of_a_kind_and_of_a_name(capsys):
    assert main(["keys", "rig", "tail_s"]) == 0
    out = capsys.readouterr().out
    assert out.splitlines()[0] == "voices.NAME.tail_s" and "0 to 600; s" in out
    assert main(["keys", "scene", "triggers.clock.every"]) == 0
    assert "1 to 1024, or a part such as 1/2" in capsys.readouterr().out
    # As a fault shows them.
    for name in ("voices.reed.tail_s", "inputs.my keys.wheel_cents"):
        assert main(["keys", "rig", name]) == 0
    assert main(["keys", "rig", "converters.quad.converter.settle_ms"]) == 0
    assert main(["keys", "rig", "scene.voices.reed.hold"]) == 0
    assert main(["keys", "scene", "voices.reed.detune_cents"]) == 0
    assert main(["keys", "pedalboard", "bindings[3].by"]) == 0
    assert main(["keys", "scene", "triggers[0].clock.every"]) == 0
    capsys.readouterr()
    assert main(["keys"]) == 0
    out = capsys.readouterr().out
    assert all(f"{kind} file\n" in out for kind in KINDS_OF_FILES)
    assert max(map(len, out.splitlines())) <= 80
    assert main(["keys", "rig", "tale_s"]) == 1
    assert "key: found tale_s; allowed: " in capsys.readouterr().err
    assert len(documented_keys("rig")) > EVERY_KEY_TWICE


@pytest.mark.parametrize("kind", KINDS_OF_FILES)
def test_schema_prints_json(capsys, kind: str):
    assert main(["schema", kind]) == 0
    assert json.loads(capsys.readouterr().out)["title"] == f"zerobeat {kind} file"


def test_scales_with_their_intervals(capsys):
    assert main(["scales"]) == 0
    out = capsys.readouterr().out
    assert "dorian: 0, 200, 300, 500, 700, 900, 1000, 1200" in out
    assert main(["scales", "19", "equal"]) == 0
    assert "19 degrees, repeating after 1200.000000 cents" in capsys.readouterr().out
    assert main(["scales", "dorain"]) == 1
    assert "dorian" in capsys.readouterr().err


def test_help_of_a_command_is_its_help(capsys):
    texts = []
    for words in (["help", "recall"], ["recall", "--help"]):
        with pytest.raises(SystemExit) as end:
            main(words)
        assert end.value.code == 0
        texts.append(capsys.readouterr().out)
    assert texts[0] == texts[1] and "usage: zerobeat recall" in texts[0]
    with pytest.raises(SystemExit):
        main(["help", "recal"])
    assert "recall" in capsys.readouterr().err


def parser_of(name: str) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser()
    load_command(name).add_arguments(parser)
    return parser


@pytest.mark.parametrize("name", COMMANDS)
def test_every_argument_of_a_command_has_its_line(name: str):
    assert [a.dest for a in parser_of(name)._actions if not a.help] == []


def test_the_manual_names_every_command(capsys):
    assert main(["help", "--manual"]) == 0
    out = capsys.readouterr().out
    assert out.startswith(".TH ZEROBEAT ")
    assert ".SH NAME\nzerobeat \\- keeps a case" in out
    assert [name for name in COMMANDS if f"zerobeat\\-{name}\\fR(1)" not in out] == []


@pytest.mark.parametrize("name", COMMANDS)
def test_a_manual_page_has_every_option_and_the_examples(name: str, capsys):
    assert main(["help", "--manual", name]) == 0
    out = capsys.readouterr().out.replace("\\-", "-").replace("\\e", "\\")
    parser = parser_of(name)
    options = [
        option
        for action in parser._actions
        if action.help != argparse.SUPPRESS and action.dest != "help"
        for option in action.option_strings
    ]
    assert [option for option in options if f"\\fB{option}\\fR" not in out] == []
    example = next(line for line in parser.epilog.splitlines() if f"zerobeat {name}" in line)
    assert example.removeprefix("example: ").strip() in out


@pytest.mark.skipif(shutil.which("mandoc") is None, reason="mandoc is not installed")
def test_the_manual_pages_are_clean():
    command = ["mandoc", "-T", "lint", "-W", "warning", *PAGES]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.stdout + done.stderr == ""


@pytest.mark.skipif(shutil.which("lexgrog") is None, reason="man-db is not installed")
def test_the_manual_pages_are_found_by_their_names():
    done = subprocess.run(["lexgrog", *PAGES], capture_output=True, text=True, check=True)
    found = re.findall(r'"(zerobeat\S*) - \S', done.stdout)
    assert sorted(found) == sorted(["zerobeat", *(f"zerobeat-{name}" for name in COMMANDS)])


@pytest.mark.skipif(shutil.which("man") is None, reason="man-db is not installed")
def test_man_finds_a_command_by_two_words(tmp_path):
    (tmp_path / "man1").mkdir()
    for page in PAGES:
        (tmp_path / "man1" / page.name).symlink_to(page)
    done = subprocess.run(
        ["man", "-M", str(tmp_path), "zerobeat", "touchup"],
        env={**os.environ, "MANPAGER": "cat", "MANWIDTH": "80"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert "ZEROBEAT-TOUCHUP(1)" in done.stdout, done.stderr


@pytest.fixture
def rig(tmp_path, monkeypatch) -> Path:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig.yaml").write_text(
        "inputs: {keys: {port: 'a:b'}}\nconverters: {quad: {port: 'c:d', converter: quad}}\n"
        "voices:\n  reed: {converter: quad, channel_number: 1, profile: none}\n"
        "scenes: [white-keys]\n"
    )
    return tmp_path


def test_voices_and_scenes_of_the_rig_where_none_plays(rig, capsys):
    assert main(["voices"]) == 0
    assert capsys.readouterr().out.split() == (
        "reed quad channel number 1 not measured: played raw".split()
    )
    assert main(["scenes"]) == 0
    out = capsys.readouterr().out
    assert "white keys" in out and "program 5 (sent as 4)" in out and "drone" in out
    assert main(["scenes", "--names"]) == 0
    assert capsys.readouterr().out == "white keys\n"


@pytest.mark.parametrize("options", [[], ["--names"]])
def test_titles_move_no_cursor(rig, capsys, options):
    """A title is text from outside (T8)."""
    (rig / "white-keys.yaml").write_text('title: "\\e[2Jred\\n\\u202e"\n')
    assert main(["scenes", *options]) == 0
    out = capsys.readouterr().out
    assert "\\x1b[2Jred\\n\\u202e" in out and all(line.isprintable() for line in out.splitlines())


def _path_with_zerobeat(folder: Path) -> dict[str, str]:
    (folder / "bin").mkdir(exist_ok=True)
    script = folder / "bin" / "zerobeat"
    script.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m zerobeat "$@"\n')
    script.chmod(0o755)
    return {**os.environ, "PATH": f"{folder / 'bin'}:{os.environ['PATH']}"}


COMPLETIONS = [
    ("zerobeat rec", "recall"),
    ("zerobeat mute ", "reed"),
    ("zerobeat recall ", "white keys"),
    ("zerobeat set reed det", "detune_cents"),
    ("zerobeat set ton", "tonight"),
    ("zerobeat set tonight conc", "concert_a_hz"),
    ("zerobeat hold ", "sample"),
]


@pytest.mark.parametrize(("words", "expected"), COMPLETIONS)
def test_bash_completes_commands_voices_scenes_and_settings(rig, words: str, expected: str):
    asked = words.split(" ")
    code = (
        'eval "$(zerobeat completion bash)"\n'
        f"COMP_WORDS=({' '.join(repr(word) for word in asked)})\n"
        f"COMP_CWORD={len(asked) - 1}\n"
        "_shtab_zerobeat\nprintf '%s\\n' \"${COMPREPLY[@]}\"\n"
    )
    done = subprocess.run(
        ["bash", "-c", code],
        env=_path_with_zerobeat(rig),
        capture_output=True,
        text=True,
        check=False,
    )
    found = [shlex.split(line) for line in done.stdout.splitlines()]
    assert [expected] in found, done.stderr  # one word, as it must be typed


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_is_a_script_of_its_shell(rig, shell: str):
    done = subprocess.run(
        [sys.executable, "-m", "zerobeat", "completion", shell],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "recall" in done.stdout
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not installed")
    subprocess.run([shell, "-n"], input=done.stdout, text=True, check=True)


@pytest.mark.skipif(shutil.which("fish") is None, reason="fish is not installed")
@pytest.mark.parametrize(("words", "expected"), COMPLETIONS)
def test_fish_completes_them_too(rig, words: str, expected: str):
    code = f"zerobeat completion fish | source; complete -C '{words}'"
    done = subprocess.run(
        ["fish", "-N", "-c", code],
        env={**_path_with_zerobeat(rig), "HOME": str(rig)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert expected in [line.partition("\t")[0] for line in done.stdout.splitlines()], done.stderr
