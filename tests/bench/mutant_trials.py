"""Tries mutants inside one pytest process; ``mutation.py`` starts it.

Each test is run once to learn which functions of the package it calls. A mutant of a function is
then put into a forked child, and the tests that call it are run there, the quick ones first. What
is made as a module is imported (constants, defaults, decorators) can't be swapped: such a mutant
is answered with ``module``.
"""

from __future__ import annotations

import gc
import json
import os
import resource
import sys
import time
from collections import defaultdict
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import pytest
from _pytest.runner import runtestprotocol
from hypothesis import Phase, settings

import zerobeat

PACKAGE = Path(zerobeat.__file__).parent
# Random playing judged by its bytes (test_bytes.py) finds what these find, in less time.
LONG = ("::TestPlaying::runTest", "::test_an_evening_of_random_playing_keeps_every_invariant")
LONGEST_CPU_S = 60.0  # of one mutant; one that never ends is caught
Name = tuple[str, str]  # file, qualified name


def codes(code: CodeType) -> dict[Name, CodeType]:
    """Return a code object and all within it, by name; of equal names the last."""
    found = {(code.co_filename, code.co_qualname): code}
    for const in code.co_consts:
        if isinstance(const, CodeType):
            found |= codes(const)
    return found


def own(code: CodeType) -> tuple[object, ...]:
    """Return what a code object does itself, but for the functions within it."""
    consts = tuple(
        c.co_qualname if isinstance(c, CodeType) else (type(c), c) for c in code.co_consts
    )
    return (code.co_code, consts, code.co_names, code.co_varnames, code.co_flags)


def put_in(module: str, mutant: str) -> set[Name] | None:
    """Swap the functions that a mutant changes; None if it changes what importing makes."""
    path = str(PACKAGE / module)
    whole = codes(compile(Path(path).read_text(), path, "exec"))
    following = codes(compile(mutant, path, "exec"))
    if whole.keys() != following.keys():
        return None
    changed = {name for name, code in whole.items() if own(code) != own(following[name])}
    functions = [f for f in gc.get_objects() if isinstance(f, FunctionType)]
    known = {(f.__code__.co_filename, f.__code__.co_qualname) for f in functions}
    if not changed or any(_is_made_by_importing(name, known) for name in changed):
        return None
    for function in functions:
        code = function.__code__
        fresh = following.get((code.co_filename, code.co_qualname))
        if fresh is not None and fresh.co_freevars == code.co_freevars:
            function.__code__ = fresh
    return changed


def _is_made_by_importing(name: Name, known: set[Name]) -> bool:
    """Return whether a code object runs as its module is imported: the module's, a class's."""
    return name not in known and "<locals>" not in name[1]


class Trials:
    """Takes the place of pytest's loop."""

    def __init__(self, asked: Path, answers: Path) -> None:
        self._asked = asked
        self._answers = answers
        self._calls: dict[Name, list[tuple[float, Any]]] = defaultdict(list)

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        for item in session.items:
            if not item.nodeid.endswith(LONG):
                self._learn(item)
        with self._answers.open("a") as answers:
            for number, (module, mutant) in enumerate(json.loads(self._asked.read_text())):
                answers.write(json.dumps([number, self._try(module, mutant)]) + "\n")
                answers.flush()
        return True

    def _learn(self, item: Any) -> None:
        seen: set[Name] = set()

        def profile(frame: Any, event: str, argument: object) -> None:
            if event == "call":
                code = frame.f_code
                seen.add((code.co_filename, code.co_qualname))

        start_s = time.process_time()
        sys.setprofile(profile)
        try:
            reports = runtestprotocol(item, log=False, nextitem=None)
        finally:
            sys.setprofile(None)
        if any(report.failed for report in reports):
            print(f"fails as it is: {item.nodeid}", file=sys.stderr)
            return
        taken_s = time.process_time() - start_s
        for name in seen:
            if name[0].startswith(str(PACKAGE)):
                self._calls[name].append((taken_s, item))

    def _try(self, module: str, mutant: str) -> str:
        child = os.fork()
        if child == 0:
            outcome = 3
            try:
                used_s = resource.getrusage(resource.RUSAGE_SELF)
                most_s = int(used_s.ru_utime + used_s.ru_stime + LONGEST_CPU_S)
                resource.setrlimit(resource.RLIMIT_CPU, (most_s, most_s))
                outcome = self._outcome(module, mutant)
            finally:
                os._exit(outcome)
        _, status = os.waitpid(child, 0)
        code = os.waitstatus_to_exitcode(status)
        return {0: "survived", 2: "module"}.get(code, "caught")

    def _outcome(self, module: str, mutant: str) -> int:
        changed = put_in(module, mutant)
        if changed is None:
            return 2
        chosen = {id(item): (s, item) for name in changed for s, item in self._calls[name]}
        if not chosen:  # called as modules are imported, or never
            return 2
        for _, item in sorted(chosen.values(), key=lambda pair: pair[0]):
            if any(report.failed for report in runtestprotocol(item, log=False, nextitem=None)):
                return 1
        return 0


def pytest_configure(config: pytest.Config) -> None:
    if "ZEROBEAT_MUTANTS" in os.environ:
        settings.register_profile("mutants", phases=[Phase.explicit, Phase.generate], database=None)
        settings.load_profile("mutants")  # what fails need not be made small
        folder = Path(os.environ["ZEROBEAT_MUTANTS"])
        config.pluginmanager.register(Trials(folder / "asked.json", folder / "answers.jsonl"))
