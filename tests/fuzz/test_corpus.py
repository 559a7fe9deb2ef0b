"""The fuzzers' corpora, and every case that they found, without a fuzzer."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
_spec = importlib.util.spec_from_file_location("fuzz_targets", HERE / "targets.py")
assert _spec is not None and _spec.loader is not None
targets = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(targets)
CASES = sorted(path for path in (HERE / "corpus").rglob("*") if path.is_file())


@pytest.mark.parametrize("case", CASES, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_it_is_taken_or_refused(case):
    targets.TARGETS[case.parent.name](case.read_bytes())


def test_every_target_has_a_corpus():
    assert {case.parent.name for case in CASES} == set(targets.TARGETS)
