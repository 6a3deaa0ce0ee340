"""Who a set belongs to, by export and by association, through the whole conversion."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from gateway.conversion import convert
from gateway.conversion.batch import Batch
from tests.conversion.conversion_kit import (
    DEMO,
    REPOSITORY,
    WIDE,
    WIDE_HEADER,
    fhir_facts,
    findings,
    observations,
    oru_messages,
    run,
    written,
)

WARD = DEMO / "ward-messy"
LIST_HEADER = "device,patient,from,to,established,by"


def ward(out: Path, associations: Path | None) -> Batch:
    return convert(
        [WARD / "ward-2.csv"],
        WARD / "mapping.toml",
        out,
        as_="both",
        bundle="collection",
        associations=associations,
        received=datetime.fromisoformat("2026-11-01T09:00:00-06:00"),
    )


def times_of(out: Path, patient: str) -> set[str]:
    return {
        each["effectiveDateTime"][:16]
        for each in observations(out)
        if each["subject"]["identifier"]["value"] == patient
    }


def lines_of(out: Path, rule: str) -> list[int]:
    return [int(row["line"]) for row in findings(out) if row["rule"] == rule]


class TestWard:
    def test_as_shipped(self, tmp_path: Path) -> None:
        ward(tmp_path / "out", WARD / "associations.csv")
        # 21:52 names nobody: the association does. 07:10 and 07:15 lie between two stretches of another patient.
        assert "2026-10-31T21:52" in times_of(tmp_path / "out", "FH000812")
        assert times_of(tmp_path / "out", "FH000901") == {"2026-11-01T07:10", "2026-11-01T07:15"}
        assert lines_of(tmp_path / "out", "association-none") == [12]
        numbers = {str(message.segment("PID")[3][0][0]) for message in oru_messages(tmp_path / "out")}
        assert numbers == {"FH000812", "FH000777", "FH000901"}

    def test_without_associations(self, tmp_path: Path) -> None:
        ward(tmp_path / "out", None)
        assert lines_of(tmp_path / "out", "patient-missing") == [11, 12]
        assert "2026-10-31T21:52" not in times_of(tmp_path / "out", "FH000812")

    def test_export_and_association_disagree(self, tmp_path: Path) -> None:
        text = (WARD / "associations.csv").read_text().replace("W2-B,FH000901", "W2-B,FH000902")
        (tmp_path / "who.csv").write_text(text)
        ward(tmp_path / "out", tmp_path / "who.csv")
        assert lines_of(tmp_path / "out", "patient-disagrees") == [31, 32]
        assert not times_of(tmp_path / "out", "FH000901")
        assert not times_of(tmp_path / "out", "FH000902")

    def test_two_patients_on_one_device(self, tmp_path: Path) -> None:
        text = (WARD / "associations.csv").read_text()
        (tmp_path / "who.csv").write_text(
            text.rstrip("\n") + "\nW2-A,FH000999,2026-10-31T21:45:00-05:00,2026-10-31T22:00:00-05:00,by hand,S11\n"
        )
        ward(tmp_path / "out", tmp_path / "who.csv")
        assert lines_of(tmp_path / "out", "association-several") == [11]
        assert not times_of(tmp_path / "out", "FH000999")

    def test_a_change_within_the_minute_of_a_set(self, tmp_path: Path) -> None:
        """The set of 07:10 is known to the minute; a change at 07:10:30 may lie before or after it."""
        text = (WARD / "associations.csv").read_text().replace("07:05:00-06:00", "07:10:30-06:00")
        (tmp_path / "who.csv").write_text(text)
        ward(tmp_path / "out", tmp_path / "who.csv")
        assert 31 in lines_of(tmp_path / "out", "association-edge")
        assert times_of(tmp_path / "out", "FH000901") == {"2026-11-01T07:15"}

    def test_no_time_no_association(self, tmp_path: Path) -> None:
        """A set whose time is held is not given to anybody, and is not blamed on the associations."""
        ward(tmp_path / "out", WARD / "associations.csv")
        about = {
            row["rule"] for row in findings(tmp_path / "out") if row["line"] in ("14", "15", "16", "17", "18", "19")
        }
        assert not {rule for rule in about if rule.startswith(("association", "patient"))}


class TestOnlyAssociations:
    """A monitor that knows no patients."""

    MAPPING = WIDE.replace('column = "Who"\n', "")

    def convert(self, tmp_path: Path, rows: list[str], listed: list[str], workers: int = 1) -> Batch:
        (tmp_path / "a.csv").write_text("\n".join([WIDE_HEADER, *rows, ""]))
        (tmp_path / "who.csv").write_text("\n".join([LIST_HEADER, *listed, ""]))
        return run(tmp_path, [tmp_path / "a.csv"], self.MAPPING, associations=tmp_path / "who.csv", workers=workers)

    @pytest.mark.parametrize("workers", [1, 2])
    def test_stretches_meet(self, tmp_path: Path, workers: int) -> None:
        """`from` belongs to a stretch, `to` does not: the set at the change is the next patient's."""
        rows = [f"2026-03-14 {time},ignored,M1,,,64,,," for time in ("08:59", "09:00", "09:59", "10:00")]
        listed = [
            "M1,0001,2026-03-14T09:00:00-05:00,2026-03-14T10:00:00-05:00,by hand,S1",
            "M1,0002,2026-03-14T10:00:00-05:00,,by hand,S1",
        ]
        batch = self.convert(tmp_path, rows, listed, workers)
        facts = fhir_facts(tmp_path / "out")
        assert [(fact.patient, fact.time[11:16]) for fact in facts] == [
            ("0001", "09:00"), ("0001", "09:59"), ("0002", "10:00")
        ]  # fmt: skip
        assert lines_of(tmp_path / "out", "association-none") == [2]
        assert batch.status == 1

    def test_no_device(self, tmp_path: Path) -> None:
        self.convert(tmp_path, ["2026-03-14 09:30,x,,,,64,,,"], ["M1,0001,2026-03-14T09:00:00-05:00,,by hand,S1"])
        assert {"device-missing", "association-none"} <= {row["rule"] for row in findings(tmp_path / "out")}
        assert fhir_facts(tmp_path / "out") == []


class TestForms:
    """The same associations as CSV, FHIR and HL7 v2 give the same records, byte by byte."""

    @pytest.mark.parametrize("name", ["ward-2.json", "ward-2.ndjson", "ward-2.hl7"])
    def test_same_records(self, tmp_path: Path, name: str) -> None:
        ward(tmp_path / "csv", WARD / "associations.csv")
        ward(tmp_path / "other", REPOSITORY / "fixtures" / "associations" / name)
        assert written(tmp_path / "csv") == written(tmp_path / "other")
        assert findings(tmp_path / "csv") == findings(tmp_path / "other")
        assert len(written(tmp_path / "csv")) > 1

    def test_asserted_and_never_validated_is_held(self, tmp_path: Path) -> None:
        text = (REPOSITORY / "fixtures" / "associations" / "ward-2.hl7").read_bytes().decode()
        first = text.index("MSH", text.index("WB0001"))
        text = text[:first] + text[text.index("MSH", text.index("WB0002")) :]
        (tmp_path / "who.hl7").write_text(text, encoding="utf-8", newline="")
        ward(tmp_path / "out", tmp_path / "who.hl7")
        assert 11 in lines_of(tmp_path / "out", "association-unvalidated")
        assert not times_of(tmp_path / "out", "FH000812")


class TestIdentifiers:
    """Prefixes, check digits and several systems, from export to record."""

    ROWS = (
        "2026-03-14 09:30,]C19434765870,M1,,,64,,,",
        "2026-03-14 09:31,9434765871,M1,,,65,,,",
        "2026-03-14 09:32,4505577104,M1,,,66,,,",
    )
    MAPPING = WIDE.replace('column = "Who"\n', 'column = "Who"\nstrip = ["]C1"]\ncheck = "gb.nhs"\n')

    def write(self, tmp_path: Path, rows: Sequence[str], header: str = WIDE_HEADER) -> Path:
        file = tmp_path / "a.csv"
        file.write_text("\n".join([header, *rows, ""]))
        return file

    def test_patients(self, tmp_path: Path) -> None:
        run(tmp_path, [self.write(tmp_path, self.ROWS)], self.MAPPING, as_="both")
        expected = [("9434765870", "09:30"), ("4505577104", "09:32")]
        facts = [(fact.patient, fact.time[11:16]) for fact in fhir_facts(tmp_path / "out")]
        assert sorted(facts) == sorted(expected)
        assert lines_of(tmp_path / "out", "identifier-check-digit") == [3]
        assert all("943" not in row["message"] for row in findings(tmp_path / "out"))

    def test_a_wrong_device_is_held(self, tmp_path: Path) -> None:
        mapping = WIDE.replace('column = "On"\n', 'column = "On"\nstrip = ["(21)"]\ncheck = "luhn"\n')
        rows = [f"2026-03-14 09:3{number},P1,{device},,,64,,," for number, device in enumerate(
            ("(21)78949", "78948", "(21)", "78949"))]  # fmt: skip
        run(tmp_path, [self.write(tmp_path, rows)], mapping)
        assert lines_of(tmp_path / "out", "identifier-check-digit") == [3]
        assert lines_of(tmp_path / "out", "identifier-malformed") == [4]
        assert [fact.device for fact in fhir_facts(tmp_path / "out")] == ["78949", "78949"]

    @pytest.mark.parametrize(
        ("patient", "rule"), [("9434765871", "identifier-check-digit"), ("]C19434765870", "identifier-check-digit")]
    )
    def test_patients_of_associations(self, tmp_path: Path, patient: str, rule: str) -> None:
        """They are checked in the same way, and nothing is taken off them."""
        listed = f"{LIST_HEADER}\nM1,{patient},2026-03-14T09:00:00-05:00,,by hand,S1\n"
        (tmp_path / "who.csv").write_text(listed)
        export = self.write(tmp_path, ["2026-03-14 09:30,,M1,,,64,,,"])
        run(tmp_path, [export], self.MAPPING, associations=tmp_path / "who.csv")
        assert lines_of(tmp_path / "out", rule) == [2]
        assert fhir_facts(tmp_path / "out") == []

    def test_prefix_and_association_agree(self, tmp_path: Path) -> None:
        (tmp_path / "who.csv").write_text(f"{LIST_HEADER}\nM1,9434765870,2026-03-14T09:00:00-05:00,,by hand,S1\n")
        run(tmp_path, [self.write(tmp_path, self.ROWS[:1])], self.MAPPING, associations=tmp_path / "who.csv")
        assert [fact.patient for fact in fhir_facts(tmp_path / "out")] == ["9434765870"]

    SYSTEMS = """
[patient.systems]
column = "Site"
values = { "N" = { system = "urn:oid:2.9.1", authority = "NORTH" }, "S" = { system = "urn:oid:2.9.2", type = "PI" } }
"""

    def systems(self, tmp_path: Path, listed: str = "") -> None:
        rows = [f"2026-03-14 09:3{number},0001,M1,,,64,,,,{site}" for number, site in enumerate(("N", " S", "X", ""))]
        options: dict[str, Any] = {}
        if listed:
            (tmp_path / "who.csv").write_text(listed)
            options["associations"] = tmp_path / "who.csv"
        export = self.write(tmp_path, rows, WIDE_HEADER + ",Site")
        run(tmp_path, [export], WIDE + self.SYSTEMS, as_="both", **options)

    def test_several_systems(self, tmp_path: Path) -> None:
        self.systems(tmp_path)
        found = {
            each["effectiveDateTime"][11:16]: each["subject"]["identifier"]["system"]
            for each in observations(tmp_path / "out")
        }
        assert found == {"09:30": "urn:oid:2.9.1", "09:31": "urn:oid:2.9.2"}
        fields = [str(message.segment("PID")[3]) for message in oru_messages(tmp_path / "out")]
        assert fields == ["0001^^^NORTH^MR", "0001^^^&2.9.2&ISO^PI"]
        assert lines_of(tmp_path / "out", "patient-system-undeclared") == [4, 5]

    def test_the_same_number_of_another_system_is_another_patient(self, tmp_path: Path) -> None:
        head = "device,patient,system,from,to,established,by"
        self.systems(tmp_path, f"{head}\nM1,0001,urn:oid:2.9.2,2026-03-14T09:00:00-05:00,,by hand,S1\n")
        assert lines_of(tmp_path / "out", "patient-disagrees") == [2]
        assert [fact.time[11:16] for fact in fhir_facts(tmp_path / "out")] == ["09:31"]
