"""What runs the program where it is installed: the files are well formed, agree, and what they start, starts.

No container engine is needed. The image is not built here; its command is run as the image would run it.
"""

from __future__ import annotations

import configparser
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml

from gateway.nightly.site import load_site
from tests.nightly.night_kit import REPOSITORY, bring, latest, make_site

DOCKER = REPOSITORY / "docker"


def instructions() -> list[tuple[str, str]]:
    text = re.sub(r"^#.*\n", "", (DOCKER / "Dockerfile").read_text(), flags=re.MULTILINE)
    lines = re.sub(r"\\\n\s*", " ", text).splitlines()
    return [(line.split(None, 1)[0], line.split(None, 1)[1]) for line in lines if line.strip()]


def last(name: str) -> str:
    return [words for instruction, words in instructions() if instruction == name][-1]


def test_image_runs_as_nobody_and_checks_its_site() -> None:
    assert last("USER") == "10001:10001"
    assert json.loads(last("ENTRYPOINT")) == ["gateway"]
    assert json.loads(last("CMD")) == ["nightly", "/etc/gateway/site.toml"]
    check = json.loads(last("HEALTHCHECK").partition("CMD ")[2])
    assert check[:3] == ["gateway", "nightly", "--check"]
    for instruction, words in instructions():
        if instruction == "COPY" and "--from" not in words:
            for source in words.split()[:-1]:
                assert (REPOSITORY / source).exists(), source


def test_compose_file() -> None:
    compose: Any = yaml.safe_load((DOCKER / "compose.yaml").read_text())
    gateway = compose["services"]["gateway"]
    assert gateway["read_only"] is True
    assert gateway["cap_drop"] == ["ALL"]
    assert gateway["depends_on"]["ledger"]["condition"] == "service_healthy"
    assert (DOCKER / gateway["build"]["context"] / gateway["build"]["dockerfile"]).is_file()
    assert set(gateway["secrets"]) <= set(compose["secrets"])
    named = {volume.split(":")[0] for service in compose["services"].values() for volume in service["volumes"]}
    assert {name for name in named if re.fullmatch(r"[a-z]+", name)} == set(compose["volumes"])
    assert "password" not in json.dumps(compose["services"]).replace("ledger-password", "").lower().replace(
        "postgres_password_file", ""
    )


def test_site_of_the_image_can_be_read() -> None:
    loaded = load_site(DOCKER / "site" / "site.toml")
    assert loaded.site.feeds[0].mapping.is_file()
    assert loaded.site.results.is_relative_to("/var/lib/gateway")


def test_cron_job() -> None:
    claim, job = yaml.safe_load_all((DOCKER / "kubernetes" / "cronjob.yaml").read_text())
    assert (claim["kind"], job["kind"], job["apiVersion"]) == ("PersistentVolumeClaim", "CronJob", "batch/v1")
    assert job["spec"]["concurrencyPolicy"] == "Forbid"
    pod: Any = job["spec"]["jobTemplate"]["spec"]["template"]["spec"]
    (container,) = pod["containers"]
    assert pod["securityContext"]["runAsNonRoot"] is True
    assert str(pod["securityContext"]["runAsUser"]) == last("USER").partition(":")[0]
    assert container["securityContext"]["readOnlyRootFilesystem"] is True
    assert container["args"] == json.loads(last("CMD"))
    assert {mount["name"] for mount in container["volumeMounts"]} == {volume["name"] for volume in pod["volumes"]}


def test_systemd_units(tmp_path: Path) -> None:
    units = sorted((DOCKER / "systemd").iterdir())
    assert [unit.name for unit in units] == ["gateway-nightly.service", "gateway-nightly.timer"]
    for unit in units:
        parser = configparser.RawConfigParser(strict=False)
        parser.optionxform = str  # type: ignore[assignment,method-assign]
        parser.read_string(unit.read_text())
        assert parser.has_section("Unit")
        if unit.suffix == ".service":
            words = parser["Service"]["ExecStart"].split()
            assert words[1:] == json.loads(last("CMD"))
            assert parser["Service"]["SuccessExitStatus"] == "1 3"
    if shutil.which("systemd-analyze"):
        for unit in units:
            # The program is not installed where the unit says, on this machine.
            text = unit.read_text().replace("/opt/gateway/bin/gateway", "/bin/true")
            (tmp_path / unit.name).write_text(text.replace("User=gateway", "User=root").replace("Group=gateway", ""))
        done = subprocess.run(
            ["systemd-analyze", "verify", "--man=no", *map(str, sorted(tmp_path.glob("gateway-*")))],
            capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        ours = [line for line in done.stderr.splitlines() if "gateway-nightly" in line]
        assert not ours, ours


@pytest.mark.slow
def test_entry_point_runs_as_the_image_runs_it(tmp_path: Path) -> None:
    """The command of the image, with its environment alone, in a folder that may only be read."""
    make_site(tmp_path)
    bring(tmp_path)
    bare = tmp_path / "bare"
    bare.mkdir(mode=0o555)
    scratch = tmp_path / "tmp"
    scratch.mkdir()
    command = [sys.executable, "-m", "gateway"]
    replaced = [word.replace("/etc/gateway/site.toml", str(tmp_path / "site.toml")) for word in json.loads(last("CMD"))]
    environment = dict(
        item.split("=", 1) for words in [last("ENV")] for item in words.split() if not item.startswith("PATH=")
    )
    environment |= {"PATH": os.defpath, "PYTHONPATH": str(REPOSITORY), "HOME": str(scratch), "TMPDIR": str(scratch)}
    check = [*command, "nightly", "--check", str(tmp_path / "site.toml")]
    for words in (check, [*command, *replaced]):
        done = subprocess.run(
            words, cwd=bare, env=environment, capture_output=True, text=True, timeout=120, check=False
        )
        assert done.returncode == 0, done.stderr
    assert [feed.state for feed in latest(tmp_path).feeds] == ["done", "done"]
    assert not list(bare.iterdir())
