"""How examples are chosen: the same each time by default, at random and more of them in a thorough search."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[1]
PROPERTIES = """
import pytest
from hypothesis import given, settings, strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule

@pytest.mark.parametrize("which", ["first", "second"])
@given(st.integers())
def test_plain(which, number):
    print("drawn", "plain-" + which, number)

@settings(max_examples=7)
@given(st.integers(0, 1_000_000))
def test_stated(number):
    print("drawn", "stated", number)

class Machine(RuleBasedStateMachine):
    def __init__(self):
        super().__init__()
        print("drawn", "machine", 0)

    @rule(number=st.integers())
    def step(self, number):
        print("drawn", "step", number)

TestMachine = Machine.TestCase
TestMachine.settings = settings(max_examples=6)

def test_no_property():
    print("drawn", "no-property", 0)
"""


@pytest.fixture
def properties(tmp_path: Path) -> Path:
    file = tmp_path / "test_drawing.py"
    file.write_text(PROPERTIES)
    return file


def drawn(file: Path, *words: str, **environment: str) -> dict[str, list[str]]:
    """What each test drew, in order."""
    known = {key: value for key, value in os.environ.items() if key not in ("CI", "HYPOTHESIS_PROFILE")}
    command = [sys.executable, "-m", "pytest", "-q", "-s", "-p", "tests.conftest", "-p", "no:cacheprovider"]
    done = subprocess.run(
        [*command, "-c", file.with_name("pytest.ini"), *words, file],
        env=known | {"PYTHONPATH": str(REPOSITORY)} | environment,
        cwd=file.parent,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    found: dict[str, list[str]] = {}
    for line in done.stdout.splitlines():
        if "drawn " in line:
            _, name, number = line[line.index("drawn ") :].split()
            found.setdefault(name, []).append(number)
    return found


@pytest.mark.slow
def test_by_default_the_same_is_drawn_each_time(properties: Path) -> None:
    properties.with_name("pytest.ini").write_text("[pytest]\n")
    once = drawn(properties)
    assert drawn(properties, CI="true") == once
    assert {name: len(numbers) for name, numbers in once.items() if name != "step"} == {
        "plain-first": 100, "plain-second": 100, "stated": 7, "machine": 6, "no-property": 1,
    }  # fmt: skip


@pytest.mark.slow
def test_a_thorough_search_draws_others_each_time_and_more(properties: Path) -> None:
    properties.with_name("pytest.ini").write_text("[pytest]\n")
    once, again = (drawn(properties, "-m", "hypothesis", HYPOTHESIS_PROFILE="thorough") for _ in range(2))
    numbers = {"plain-first": 1000, "plain-second": 1000, "stated": 70, "machine": 60}
    for found in (once, again):
        assert found.keys() == {*numbers, "step"}
        for name, number in numbers.items():
            # A few that turn out to be the same are not counted.
            assert number <= len(found[name]) <= 1.2 * number
    for name in ("plain-first", "stated", "step"):
        assert once[name] != again[name]
