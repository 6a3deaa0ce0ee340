"""`./dev` on machines that are not the developer's."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[1]
SHELLS = [shell for shell in ("dash", "bash", "busybox") if shutil.which(shell)]


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A folder with spaces that holds nothing but the script, pyproject.toml and a PATH without any Python."""
    home = tmp_path / "a checkout"
    (home / "bin").mkdir(parents=True)
    for name in ("dev", "pyproject.toml"):
        shutil.copy(REPOSITORY / name, home / name)
    for tool in ("sh", "cat", "cmp", "cp", "dirname", "find", "rm"):
        found = shutil.which(tool)
        assert found is not None
        (home / "bin" / tool).symlink_to(found)
    return home


def dev(home: Path, *words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [home / "dev", *words],
        env={"PATH": str(home / "bin"), **environment},
        cwd=home.parent,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def pretend_python(home: Path, name: str, body: str) -> None:
    stub = home / "bin" / name
    stub.write_text(f"#!/bin/sh\n{body}\n")
    stub.chmod(0o755)


@pytest.mark.parametrize("shell", SHELLS)
@pytest.mark.parametrize("script", ["dev"])
def test_every_shell_reads_it(shell: str, script: str) -> None:
    command = [shell, "sh", "-n"] if shell == "busybox" else [shell, "-n"]
    done = subprocess.run([*command, REPOSITORY / script], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_help_needs_no_python(checkout: Path) -> None:
    done = dev(checkout, "help")
    assert done.returncode == 0
    for command in ("demo", "test", "thorough", "check", "bench", "format", "clean", "shell", "help"):
        assert f"\n  {command} " in done.stdout
    assert dev(checkout).stdout == done.stdout


def test_unknown_command(checkout: Path) -> None:
    done = dev(checkout, "tests")
    assert done.returncode == 2
    assert done.stderr.endswith("./dev: unknown command: tests\n")


def test_no_python(checkout: Path) -> None:
    pretend_python(checkout, "python3.13", "echo 'version manager: python3.13 is not installed' >&2; exit 127")
    pretend_python(checkout, "python3", "exit 1  # what an older Python answers")
    done = dev(checkout, "test")
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr == (
        "./dev: no Python 3.11, 3.12 or 3.13 found on the PATH. Install one, or set PYTHON=/path/to/python3.\n"
    )


def test_chosen_python_does_not_suit(checkout: Path) -> None:
    done = dev(checkout, "test", PYTHON="/nowhere/python3")
    assert done.returncode == 2
    assert done.stderr.startswith("./dev: PYTHON=/nowhere/python3: this is not a working Python")


def test_python_without_venv(checkout: Path) -> None:
    pretend_python(checkout, "python3.12", 'case "$*" in *venv*) exit 1;; *platform*) echo 3.12.0;; *) exit 0;; esac')
    done = dev(checkout, "test")
    assert done.returncode == 2
    assert "python3.12 cannot make a virtual environment" in done.stderr
    assert not (checkout / ".venv" / "installed-from").exists()


def set_up_by_hand(home: Path) -> None:
    """A .venv as a finished set-up leaves it, whose python only says how it was called."""
    bin_folder = home / ".venv" / "bin"
    bin_folder.mkdir(parents=True)
    pretended = bin_folder / "python"
    said = 'echo "ran $*" by "${HYPOTHESIS_PROFILE:-default}"'
    pretended.write_text(f'#!/bin/sh\ncase "$1" in -c) exec {sys.executable} "$@";; *) {said};; esac\n')
    pretended.chmod(0o755)
    shutil.copy(home / "pyproject.toml", home / ".venv" / "installed-from")


def test_second_run_sets_nothing_up(checkout: Path) -> None:
    set_up_by_hand(checkout)
    done = dev(checkout, "demo", "--out", "a folder")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == "ran -m gateway demo --out a folder by default\n"


def test_properties_are_searched_at_random_only_when_asked(checkout: Path) -> None:
    set_up_by_hand(checkout)
    assert dev(checkout, "test", "tests/checks").stdout == "ran -m pytest -n auto tests/checks by default\n"
    thorough = "ran -m pytest -n auto -m hypothesis tests/properties -x by thorough\n"
    assert dev(checkout, "thorough", "tests/properties", "-x").stdout == thorough


def test_changed_project_file_sets_up_again(checkout: Path) -> None:
    set_up_by_hand(checkout)
    with open(checkout / "pyproject.toml", "a") as file:
        file.write("# changed\n")
    assert "no Python" in dev(checkout, "demo").stderr


def test_clean_removes_what_was_made(checkout: Path) -> None:
    set_up_by_hand(checkout)
    (checkout / "gateway" / "__pycache__").mkdir(parents=True)
    (checkout / "demo-output").mkdir()
    assert dev(checkout, "clean").returncode == 0
    assert sorted(path.name for path in checkout.iterdir()) == ["bin", "dev", "gateway", "pyproject.toml"]
    assert list((checkout / "gateway").iterdir()) == []
