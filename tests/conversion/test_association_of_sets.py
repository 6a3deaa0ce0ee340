"""Who a set belongs to, by export and by association, through the whole conversion."""

from __future__ import annotations

from contextlib import nullcontext
from datetime import datetime
from pathlib import Path

import pytest

from gateway.conversion import convert
from gateway.conversion.batch import Batch
from tests.conversion.conversion_kit import (
    DEMO,
    WIDE,
    WIDE_HEADER,
    fhir_facts,
    findings,
    observations,
    oru_messages,
    run,
)

WARD = DEMO / "ward-messy"
LIST_HEADER = "device,patient,from,to,established,by"


@pytest.fixture(autouse=True)
def _no_page(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gateway.report.page.html", lambda report, drawing=None: "")
    monkeypatch.setattr("gateway.report.Drawing", nullcontext)


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
