"""``tuning/`` is numbers only: errors, the standard library, nothing that does I/O."""

import ast
import subprocess
import sys

MODULES = ("bend", "presets", "readings", "scala", "scale", "tracking", "units")


def test_nothing_but_the_standard_library_is_loaded():
    code = (
        f"import importlib, sys; before = set(sys.modules)\n"
        f"for name in {MODULES}: importlib.import_module('zerobeat.tuning.' + name)\n"
        f"new = {{name.partition('.')[0] for name in set(sys.modules) - before}}\n"
        f"print(sorted(new - set(sys.stdlib_module_names) - {{'zerobeat'}}))\n"
        f"print(sorted(n for n in sys.modules if n.startswith('zerobeat')))"
    )
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    assert out[0] == "[]"
    wanted = {"zerobeat", "zerobeat.errors", "zerobeat.tuning"}
    assert set(ast.literal_eval(out[1])) == wanted | {f"zerobeat.tuning.{name}" for name in MODULES}
