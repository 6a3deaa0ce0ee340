"""What is unusual can be true: it is told and recorded as it is, or held first; what is doubtful is marked."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from gateway.checks import effects
from gateway.conversion.options import load_mapping
from gateway.errors import MappingError
from gateway.inspection.holds import ordered
from gateway.ledger import open_ledger
from gateway.model import Effect
from tests.conversion.conversion_kit import WIDE, WIDE_HEADER, fhir_facts, findings, run

EXTREME = "2026-03-14 09:30,P-0007,M1,245,122,38,62,36.8,71.4"
DOUBTFUL = "2026-03-14 10:30,P-0008,M1,124,118,64,97,36.8,71.4"


def converted(folder: Path, *rows: str, more: str = "", out: str = "out", **options: Any) -> list[tuple[int, str, str]]:
    (folder / "a.csv").write_text("\n".join([WIDE_HEADER, *rows]) + "\n")
    run(folder, [folder / "a.csv"], WIDE + more, out, as_="both", **options)
    return [(int(each["line"]), each["rule"], each["effect"]) for each in findings(folder / out)]


def marks(out: Path) -> set[str]:
    """The interpretations in the records: codes of FHIR, and OBX-8."""
    found = set()
    for path in out.rglob("*.json"):
        for entry in json.loads(path.read_text()).get("entry", []) if "bundle" in path.name else []:
            for part in (entry["resource"], *entry["resource"].get("component", ())):
                found |= {code["code"] for each in part.get("interpretation", ()) for code in each.get("coding", ())}
                found |= {each["text"] for each in part.get("interpretation", ()) if "text" in each}
    for path in out.rglob("*.hl7"):
        rows = [row.split("|") for row in path.read_text().replace("\n", "\r").split("\r") if row.startswith("OBX|")]
        found |= {row[8] for row in rows if len(row) > 8 and row[8]}
    return found


def test_a_possible_true_extreme_is_recorded_without_a_mark(tmp_path: Path) -> None:
    told = converted(tmp_path, EXTREME)
    assert told == [
        (2, "outside-flag-limits", "note"), (2, "outside-flag-limits", "note"),
        (2, "spo2-outside-validated-range", "note"),
    ]  # fmt: skip
    assert {("systolic", "245"), ("heart_rate", "38"), ("spo2", "62")} <= {
        (fact.vital, fact.value) for fact in fhir_facts(tmp_path / "out")
    }
    assert marks(tmp_path / "out") == set()


def test_what_a_relation_doubts_is_marked(tmp_path: Path) -> None:
    assert converted(tmp_path, DOUBTFUL) == [(2, "pulse-pressure-narrow", "flag")]
    assert marks(tmp_path / "out")


def test_a_site_may_have_it_held_and_then_it_stands_first(tmp_path: Path) -> None:
    policy = '[rules]\n"outside-flag-limits" = "hold"\n"spo2-outside-validated-range" = "hold"\n'
    nobody = "2026-03-14 08:30,,M1,124,80,64,97,36.8,71.4"
    converted(tmp_path, nobody, EXTREME, more=policy, ledger=tmp_path / "ledger.db")
    with open_ledger(tmp_path / "ledger.db") as ledger:
        holds = ledger.holds()
    assert [hold.reasons.split(",")[0] for hold in holds] == ["patient-missing", "outside-flag-limits"]
    assert [hold.line for hold in ordered(holds)] == [3, 2]


def test_it_is_not_for_a_mapping_to_mark_it() -> None:
    text = WIDE + '[rules]\n"outside-flag-limits" = "flag"\n'
    with pytest.raises(MappingError) as caught:
        load_mapping(text)
    (problem,) = caught.value.problems
    assert "may be true" in problem.what
    assert f"line {text.count(chr(10))}," in f"{problem}"
    # A mapping that a ledger keeps from before is read, and tells what it would have marked.
    old = load_mapping(text, earlier=True).mapping
    assert effects(old)["outside-flag-limits"] is Effect.NOTE
