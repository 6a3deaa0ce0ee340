"""A site in a folder of its own, with feeds of demo exports and a folder as target."""

from __future__ import annotations

import json
from pathlib import Path

from gateway.nightly.model import RunReport

REPOSITORY = Path(__file__).resolve().parents[2]
DEMO = REPOSITORY / "fixtures" / "demo"
WIDE = DEMO / "clinic-wide"
LONG = DEMO / "homecare-long"


def make_site(home: Path, *, extra: str = "", clinic: str = "", home_feed: str = "", top: str = "") -> Path:
    """Write site.toml with two feeds (clinic, home) and one folder target; the places are empty."""
    for name in ("clinic", "home", "sent"):
        (home / name).mkdir(parents=True, exist_ok=True)
    path = home / "site.toml"
    path.write_text(
        f"""name = "Example clinic"
ledger = "ledger.sqlite"
results = "results"
metrics = "gateway.prom"
{top}

[[feeds]]
name = "clinic"
place = "clinic"
pattern = "*.csv"
complete = {{ by = "stable", seconds = 0 }}
mapping = '{WIDE / "mapping.toml"}'
targets = ["ehr"]
{clinic}

[[feeds]]
name = "home"
place = "home"
complete = {{ by = "rename", suffix = ".part" }}
mapping = '{LONG / "mapping.toml"}'
records = "both"
targets = ["ehr"]
{home_feed}

[[targets]]
kind = "folder"
name = "ehr"
owner = "integration team"
path = "sent"
takes = "fhir"
{extra}
"""
    )
    return path


def bring(home: Path) -> None:
    """Put a demo export into each feed."""
    (home / "clinic" / "night.csv").write_bytes((WIDE / "clinic-2026-03-14.csv").read_bytes())
    (export,) = [path for path in LONG.iterdir() if path.suffix not in (".toml",) and path.is_file()]
    (home / "home" / f"visits{export.suffix}").write_bytes(export.read_bytes())


def latest(home: Path) -> RunReport:
    return RunReport.model_validate_json((home / "results" / "latest.json").read_bytes())


def observations(home: Path) -> list[str]:
    """The identifiers of all Observations that reached the target, in order."""
    found = []
    for path in sorted((home / "sent").glob("*.json")):
        for entry in json.loads(path.read_bytes())["entry"]:
            resource = entry["resource"]
            if resource["resourceType"] == "Observation":
                found.append(resource["identifier"][0]["value"])
    return sorted(found)
