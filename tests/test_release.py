"""The steps of a release, as far as a machine without a container engine can carry them out."""

from __future__ import annotations

import importlib.util
import json
import re
import shutil
import socket
import subprocess
import sys
import tomllib
from datetime import date
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

REPOSITORY = Path(__file__).resolve().parents[1]
PROJECT: Any = tomllib.loads((REPOSITORY / "pyproject.toml").read_text())["project"]


def _loaded() -> ModuleType:
    spec = importlib.util.spec_from_file_location("release", REPOSITORY / ".ci" / "release.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


release = _loaded()


class TestVersion:
    @pytest.fixture
    def root(self, tmp_path: Path) -> Path:
        (tmp_path / "gateway").mkdir()
        for name in ("pyproject.toml", "gateway/version.py"):
            shutil.copy(REPOSITORY / name, tmp_path / name)
        (tmp_path / "CHANGELOG.md").write_text(
            "# Changelog\n\n## [Unreleased]\n\n- New.\n\n## [0.0.1] - 2026-01-01\n\n- First.\n"
        )
        return tmp_path

    def test_stands_in_three_places(self, root: Path) -> None:
        release.version("3.4.5", date(2026, 3, 14), root)
        assert (root / "CHANGELOG.md").read_text() == (
            "# Changelog\n\n## [Unreleased]\n\n## [3.4.5] - 2026-03-14\n\n- New.\n\n"
            "## [0.0.1] - 2026-01-01\n\n- First.\n"
        )
        after = tomllib.loads((root / "pyproject.toml").read_text())["project"]
        assert after == PROJECT | {"version": "3.4.5"}
        assert 'VERSION = "3.4.5"' in (root / "gateway/version.py").read_text()

    @pytest.mark.parametrize(
        ("number", "words"), [("v1", "three numbers"), ("1.2", "three numbers"), ("0.0.1", "already")]
    )
    def test_what_is_refused_changes_nothing(self, root: Path, number: str, words: str) -> None:
        before = {path: path.read_bytes() for path in root.rglob("*.*") if path.is_file()}
        with pytest.raises(release.ReleaseError, match=words):
            release.version(number, root=root)
        assert {path: path.read_bytes() for path in before} == before

    def test_a_release_needs_something_new(self, root: Path) -> None:
        release.version("3.4.5", root=root)
        with pytest.raises(release.ReleaseError, match="Unreleased"):
            release.version("3.4.6", root=root)


class TestLock:
    """The lock file has everything that a deployment needs, in versions that the project allows."""

    TEXT = (REPOSITORY / "docker" / "requirements.lock").read_text()

    def test_every_package_has_its_hashes(self) -> None:
        found = release.locked(self.TEXT)
        assert found
        assert [name for name, hashes in found.items() if not hashes] == []
        assert "http" not in self.TEXT.lower().replace("httpx", "").replace("httpcore", "").replace("aiohttp", "")

    def test_every_requirement_is_met(self) -> None:
        versions: dict[str, set[str]] = {}
        for name, version in re.findall(r"(?m)^([A-Za-z0-9._-]+)(?:\[[^\]]*\])?==([^\s;]+)", self.TEXT):
            versions.setdefault(canonicalize_name(name), set()).add(version)
        extras = PROJECT["optional-dependencies"]
        wanted = [*PROJECT["dependencies"], *(each for extra in release.EXTRAS for each in extras[extra])]
        for requirement in map(Requirement, wanted):
            found = versions.get(canonicalize_name(requirement.name), set())
            assert found, f"{requirement.name} is not in the lock file; run ./dev release lock"
            assert all(requirement.specifier.contains(each) for each in found), requirement


def test_licences_are_read_from_a_bill_of_materials() -> None:
    """Forms of `licenses`: CycloneDX 1.6, JSON, https://cyclonedx.org/docs/1.6/json/#components_items_licenses"""
    components = [
        {"name": "b", "version": "2", "licenses": [{"license": {"id": "MIT"}}, {"license": {"id": "MIT"}}]},
        {"name": "A", "version": "1", "licenses": [{"expression": "MIT OR Apache-2.0"}]},
        {"name": "c", "licenses": [{"license": {"name": "A licence\nwith its whole text"}}]},
        {"name": "d", "version": "4"},
    ]
    assert release.licence_rows({"components": components}) == [
        ("A", "1", "MIT OR Apache-2.0"), ("b", "2", "MIT"), ("c", "", "A licence"), ("d", "4", ""),
    ]  # fmt: skip


class TestImage:
    """An engine that only writes down what it is asked for."""

    DIGEST = "python@sha256:" + "0123456789abcdef" * 4

    @pytest.fixture
    def asked(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
        engine, log = tmp_path / "engine", tmp_path / "asked"
        engine.write_text(
            f'#!/bin/sh\necho "$*" >> {log}\ncase "$*" in\n'
            f'*RepoDigests*) echo "${{BASE-{self.DIGEST}}}" ;;\n*.Id*) echo sha256:made ;;\nesac\n'
        )
        engine.chmod(0o755)
        monkeypatch.setenv("CONTAINER_ENGINE", str(engine))
        monkeypatch.setattr(release, "DIST", tmp_path / "dist")
        return log

    def test_is_built_from_a_base_that_is_named_by_its_digest(self, asked: Path, tmp_path: Path) -> None:
        release.image()
        pull, _, build, _ = asked.read_text().splitlines()
        assert pull == f"pull --quiet {release.BASE_IMAGE}"
        assert f"--build-arg PYTHON_IMAGE={self.DIGEST} " in build
        assert (tmp_path / "dist" / "image.txt").read_text() == f"base {self.DIGEST}\nimage sha256:made\n"

    def test_is_not_built_without_a_digest(self, asked: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("BASE", "<no value>")
        with pytest.raises(release.ReleaseError, match="no digest"):
            release.image()
        assert "build" not in asked.read_text()

    def test_an_engine_that_is_missing_is_told(
        self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        monkeypatch.setenv("CONTAINER_ENGINE", "no-such-engine")
        assert release.main(["image"]) == 2
        assert "no-such-engine is not on this machine" in capsys.readouterr().err

    def test_every_stage_takes_its_base_from_outside(self) -> None:
        text = (REPOSITORY / "docker" / "Dockerfile").read_text()
        assert f"ARG PYTHON_IMAGE={release.BASE_IMAGE}\n" in text
        assert {line.split()[1] for line in text.splitlines() if line.startswith("FROM ")} == {"${PYTHON_IMAGE}"}


def _index_in_reach() -> bool:
    found = subprocess.run(
        [sys.executable, "-m", "pip", "config", "get", "global.index-url"], capture_output=True, text=True, check=False
    )
    host = re.sub(r"^\w+://(?:[^@/]*@)?([^/:]+).*$", r"\1", found.stdout.strip() or "https://pypi.org/")
    try:
        socket.getaddrinfo(host, 443)
    except OSError:
        return False
    return True


@pytest.mark.slow
@pytest.mark.skipif(not _index_in_reach(), reason="no package index within reach; a deployment cannot be installed")
def test_a_deployment_is_installed_and_listed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The wheel with the packages of the lock file, whose hashes are checked, converts the demos."""
    monkeypatch.setattr(release, "DIST", tmp_path)
    release.build()
    with release.deployment() as own:
        done = subprocess.run(
            [own, "-m", "gateway", "demo", "--out", tmp_path / "demo"], cwd=tmp_path, capture_output=True, text=True,
            timeout=300, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr
        first, again = (release.bill(own).read_bytes() for _ in range(2))
    assert first == again
    listed: Any = json.loads(first)
    assert listed["bomFormat"] == "CycloneDX"
    here = {canonicalize_name(each["name"]) for each in listed["components"]}
    assert here >= {canonicalize_name(Requirement(each).name) for each in PROJECT["dependencies"]}
    assert "pytest" not in here
    rows = release.licence_rows(listed)
    assert len(rows) == len(listed["components"])
    assert sum(1 for _, _, licence in rows if not licence) <= len(rows) // 10
