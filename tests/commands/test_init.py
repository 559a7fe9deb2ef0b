"""``init`` writes a rig that passes ``check`` and never overwrites."""

import os

import pytest

from zerobeat.cli import main
from zerobeat.state.state_directory import load_rig


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_starter_rig_passes_check_and_waits_to_be_measured(folder, capsys):
    assert main(["init"]) == 0
    assert "rig.yaml: written" in capsys.readouterr().out
    assert main(["check"]) == 0
    assert capsys.readouterr().out.count("not measured: played raw\n") == 4
    loaded = load_rig(folder / "rig.yaml")
    assert [voice.name for voice in loaded.rig.voices] == ["reed", "horn"]
    assert all(text.endswith("profile: not measured: played raw") for text in loaded.warnings)
    assert len(loaded.warnings) == 2


def test_each_line_of_the_starter_that_is_commented_out_can_be_used(folder):
    """Whoever takes the ``#`` away gets a rig that still passes."""
    main(["init"])
    lines = (folder / "rig.yaml").read_text().splitlines()
    used = []
    prose = 0
    for line in lines:
        body = line.lstrip()
        inner = body.removeprefix("# ")
        key = inner.lstrip().partition(":")[0]
        if (
            body.startswith("# ")
            and ":" in inner
            and key.replace("_", "").isalpha()
            and key.islower()
        ):
            indent = len(line) - len(body)
            used.append(" " * indent + inner)
        else:
            used.append(line)
            prose += body.startswith("#")
    text = "\n".join(used)
    assert text.count("\n  feet:") == 1 and text.count("gate: ignored") == 1 and prose > 5
    (folder / "full.yaml").write_text(text)
    rig = load_rig(folder / "full.yaml").rig
    assert [voice.name for voice in rig.voices] == ["reed", "horn", "bass", "floor"]
    assert rig.inputs[1].pedalboard == "four-feet"


@pytest.mark.parametrize("there", ["file", "folder", "link to nothing"])
def test_what_is_there_is_left_alone(folder, capsys, there):
    path = folder / "rig.yaml"
    if there == "file":
        path.write_text("mine\n")
    elif there == "folder":
        path.mkdir()
    else:
        path.symlink_to(folder / "nowhere")
    assert main(["init"]) == 1
    assert "found there already, left as it is" in capsys.readouterr().err
    if there == "file":
        assert path.read_text() == "mine\n"
    assert not (folder / "nowhere").exists()


def test_a_folder_that_is_missing_or_shut_is_one_line(folder, capsys):
    assert main(["init", "none/rig.yaml"]) == 1
    assert (
        capsys.readouterr().err == "none/rig.yaml: cannot be written: no such file or directory\n"
    )
    (folder / "shut").mkdir(mode=0o555)
    was = os.geteuid()
    if was == 0:
        os.seteuid(65534)  # root may write anywhere, nobody may not
    try:
        assert main(["init", str(folder / "shut" / "rig.yaml")]) == 1
    finally:
        os.seteuid(was)
    assert "cannot be written: permission denied" in capsys.readouterr().err
