"""Where the program came from, as ``zerobeat --version`` says."""

import json
import subprocess
import sys
import venv

import pytest

from zerobeat.origin import ORIGIN_FILE, VERSION, origin


def test_what_the_installer_left_is_said(tmp_path):
    (tmp_path / ORIGIN_FILE).write_text("stage bundle, debian-13-aarch64\nmore\n")
    assert origin(tmp_path) == "stage bundle, debian-13-aarch64"


@pytest.mark.parametrize("left", ["", "\n", " \n x"])
def test_an_empty_record_says_nothing(tmp_path, left):
    (tmp_path / ORIGIN_FILE).write_text(left)
    assert origin(tmp_path) == origin(tmp_path / "nowhere")


@pytest.mark.parametrize(
    ("record", "said"),
    [
        (None, "pip"),
        ({"url": "file:///x.whl", "archive_info": {}}, "pip"),
        ({"url": "file:///tree", "dir_info": {}}, "pip, from a source tree"),
        ({"url": "file:///tree", "dir_info": {"editable": True}}, "source tree"),
        ("no JSON", "pip"),
    ],
)
def test_the_record_that_pip_leaves_is_read(tmp_path, record, said):
    """A real environment with a real record (PEP 610), read by a real interpreter."""
    venv.create(tmp_path / "env")
    python = tmp_path / "env/bin/python"
    asked = "import sysconfig; print(sysconfig.get_path('purelib'))"
    packages = run([python, "-c", asked]).strip()
    folder = tmp_path / "env" / packages / f"zerobeat-{VERSION}.dist-info"
    folder.mkdir()
    (folder / "METADATA").write_text(f"Name: zerobeat\nVersion: {VERSION}\n")
    if record is not None:
        text = record if isinstance(record, str) else json.dumps(record)
        (folder / "direct_url.json").write_text(text)
    tree = next(path for path in sys.path if (path and (tmp_path / path / "zerobeat").is_dir()))
    code = (
        f"import sys; sys.path.append({tree!r}); from zerobeat.cli import main; main(sys.argv[1:])"
    )
    shown = run([python, "-c", code, "--version"])
    assert shown == f"zerobeat {VERSION} ({said})\n"


def run(command):
    return subprocess.run(
        [*map(str, command)],
        capture_output=True,
        text=True,
        check=True,
        env={"PATH": "/usr/bin:/bin"},
    ).stdout
