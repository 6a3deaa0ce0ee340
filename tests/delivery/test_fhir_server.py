"""Delivery to a real FHIR server: `fhir_server/server.mjs` in node, with everything in memory.

Its packages, at the versions and hashes of `fhir_server/package-lock.json`, are installed by npm into a cache inside
.venv the first time. Where node, npm or the registry cannot be had, these tests are skipped and say so.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import shutil
import subprocess
import tomllib
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.conversion import convert
from gateway.delivery.base import Verdict
from tests.delivery import delivery_kit as kit

REPOSITORY = Path(__file__).parents[2]
SOURCE = Path(__file__).parent / "fhir_server"
DEMO = REPOSITORY / "fixtures" / "demo"
NEEDED = (20, 19)
# Each search of this server goes through all it holds, so the larger demos would take it minutes.
PATIENCE = 120.0  # seconds

Record = dict[str, Any]


def installed(node: str, npm: str) -> Path:
    """The folder of the server with its packages."""
    version = subprocess.run([node, "--version"], capture_output=True, text=True, timeout=30, check=True).stdout
    if tuple(map(int, version.strip().lstrip("v").split(".")[:2])) < NEEDED:
        pytest.skip(f"node {version.strip()} is too old for the FHIR server")
    lock = SOURCE / "package-lock.json"
    folder = REPOSITORY / ".venv" / "cache" / f"fhir-server-{hashlib.sha256(lock.read_bytes()).hexdigest()[:12]}"
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "lock").open("w") as only_one:
        fcntl.flock(only_one, fcntl.LOCK_EX)
        if not (folder / "ready").exists():
            for name in ("package.json", "package-lock.json"):
                shutil.copy(SOURCE / name, folder)
            try:
                done = subprocess.run(
                    [npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund"],
                    cwd=folder,
                    capture_output=True,
                    text=True,
                    timeout=300,
                    check=False,
                )
            except subprocess.TimeoutExpired:
                pytest.skip("npm did not finish within 300 s: is the registry within reach?")
            if done.returncode:
                pytest.skip(f"npm could not install the FHIR server: {done.stderr[-200:]}")
            (folder / "ready").touch()
        shutil.copy(SOURCE / "server.mjs", folder)
    return folder


class Server:
    """A running server and what it holds."""

    def __init__(self, port: int) -> None:
        self.url = f"http://127.0.0.1:{port}/fhir/R4"

    def all(self, kind: str, **search: str) -> list[Record]:
        answer = httpx.get(f"{self.url}/{kind}", params={"_count": "1000", **search}, trust_env=False, timeout=30)
        assert answer.status_code == 200, answer.text
        return [entry["resource"] for entry in answer.json().get("entry", [])]

    def counts(self) -> dict[str, int]:
        return {kind: len(self.all(kind)) for kind in ("Observation", "Device", "Provenance")}


@pytest.fixture
def server(process: Server) -> Server:
    """The server, empty."""
    assert httpx.delete(process.url, trust_env=False).status_code == 204
    return process


@pytest.fixture(scope="module")
def process() -> Iterator[Server]:
    node, npm = shutil.which("node"), shutil.which("npm")
    if node is None or npm is None:
        pytest.skip("there is no node or npm on this machine")
    folder = installed(node, npm)
    with subprocess.Popen(
        [node, "server.mjs"], cwd=folder, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as running:
        try:
            assert running.stdout is not None
            port = running.stdout.readline().strip()
            assert port.isdigit(), "the FHIR server did not start"
            yield Server(int(port))
        finally:
            running.kill()


def bundles(name: str, out: Path) -> list[bytes]:
    """A demo converted to transaction bundles."""
    folder = DEMO / name
    demo = tomllib.loads((folder / "demo.toml").read_text(encoding="utf-8"))
    associations = folder / "associations.csv"
    exports = [
        path
        for path in sorted(folder.iterdir())
        if path.is_file() and path.suffix != ".toml" and path != associations
    ]  # fmt: skip
    convert(
        exports,
        folder / "mapping.toml",
        out,
        bundle="transaction",
        associations=associations if associations.exists() else None,
        received=datetime.fromisoformat(demo["received"]),
    )
    found = [path.read_bytes() for path in sorted(out.glob("fhir/*.bundle.json"))]
    assert found
    return found


def normal(record: Record, places: dict[str, str]) -> str:
    """A record as sent, or as kept, without what a server adds and with fullUrls in place of its references."""
    record = {key: value for key, value in record.items() if key not in ("id", "meta")}
    text = json.dumps(record, sort_keys=True)
    for place, full_url in places.items():
        text = text.replace(f'"{place}"', f'"{full_url}"')
    return text


def assert_arrived(server: Server, sent: list[bytes], locations: list[list[str]]) -> None:
    """What the server holds is what was sent, with references to where things are."""
    expected, places = [], {}
    for data, where in zip(sent, locations, strict=True):
        for entry, location in zip(kit.entries(data), where, strict=True):
            places[location.partition("/_history")[0]] = entry["fullUrl"]
            expected.append(entry["resource"])
    kept = [record for kind in ("Observation", "Device", "Provenance") for record in server.all(kind)]
    assert {f"{record['resourceType']}/{record['id']}" for record in kept} == places.keys()
    assert "urn:uuid" not in json.dumps(kept)
    assert {normal(record, places) for record in kept} == {normal(record, {}) for record in expected}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "mode"),
    [("bedside-framed", "transaction"),  ("ward-listing", "transaction"),
     ("homecare-long", "batch")],
)  # fmt: skip
def test_a_demo_arrives_whole_and_once(name: str, mode: str, server: Server, tmp_path: Path) -> None:
    sent = bundles(name, tmp_path / "out")
    with kit.target(url=server.url, mode=mode, attempts=1, timeout=PATIENCE) as target:
        receipts = [target.send(data) for data in sent]
        assert [receipt.message for receipt in receipts if receipt.verdict is not Verdict.DELIVERED] == []
        locations = [[part.location for part in receipt.parts] for receipt in receipts]
        assert_arrived(server, sent, locations)
        before = server.counts()
        assert before["Observation"] >= 10
        again = [target.send(data) for data in sent]
        assert {receipt.verdict for receipt in again} == {Verdict.DELIVERED}
        assert {part.code for receipt in again for part in receipt.parts} == {"200"}
        assert server.counts() == before


@pytest.mark.slow
def test_a_divided_bundle_arrives_whole_and_once(server: Server) -> None:
    data = kit.bundle(5)
    with kit.target(url=server.url, attempts=1, entry_limit=10) as target:
        for _ in range(2):
            assert target.send(data).verdict is Verdict.DELIVERED
    assert server.counts() == {"Observation": 20, "Device": 1, "Provenance": 3}
    targets = [each["reference"] for record in server.all("Provenance") for each in record["target"]]
    assert sorted(targets) == sorted(f"Observation/{record['id']}" for record in server.all("Observation"))


@pytest.mark.slow
def test_records_that_the_server_holds_twice_are_parked_in_a_batch(server: Server) -> None:
    data = kit.bundle(1)
    entry = kit.entries(data)[1]
    for _ in range(2):
        answer = httpx.post(f"{server.url}/Observation", json=entry["resource"], trust_env=False)
        assert answer.status_code == 201
    with kit.target(url=server.url, mode="batch", attempts=1) as target:
        receipt = target.send(data)
    assert (receipt.verdict, receipt.parts[1].code) == (Verdict.PARKED, "412:multiple-matches")
    assert "more than one record" in receipt.message
    assert {part.code for part in receipt.parts} == {"201", "412:multiple-matches", "reference"}
