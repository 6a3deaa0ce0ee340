"""Panels: a member in doubt that need not be there never withholds those that must be."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from gateway.conversion.batch import Batch
from gateway.errors import UsageError
from gateway.ledger import Hold, HoldFilter, SetFilter, open_ledger
from gateway.model import Outcome
from gateway.vocabulary import vitals
from tests.conversion.conversion_kit import (
    WIDE,
    Fact,
    fhir_facts,
    findings,
    observations,
    oru_facts,
    oru_messages,
    retract,
    run,
    settle,
    tree,
    written,
)

MEAN = WIDE + '\n[vitals.mean_pressure]\ncolumn = "MAP"\nunit = "mmHg"\n\n[output]\nstatus = "final"\n'
DECLARED = MEAN.replace('"--" =', '"LOW" = "error"\n"--" =').replace('version = "1"', 'version = "2"')
HEADER = "When,Who,On,Sys,Dia,MAP,HR,SpO2,Temp,Weight"


def accepting(mapping: str) -> str:
    return mapping.replace('title = "A kit"', 'title = "A kit"\ncorrections = "accept"')


def convert(tmp: Path, out: str, pressures: str, mapping: str = MEAN, **options: Any) -> Batch:
    """Convert a set with these texts of Sys, Dia and MAP, and a pulse; "" looks only at what is held."""
    exports = []
    if pressures:
        exports = [tmp / f"{out}.csv"]
        exports[0].write_text(f"{HEADER}\n2026-03-14 09:30,P-0007,M1,{pressures},64,,,\n")
    return run(tmp, exports, mapping, out, **{"ledger": tmp / "ledger.db", "as_": "both", **options})


def outcomes(batch: Batch) -> dict[str, int]:
    every = batch.report.reckoning.readings.all
    return {each.value: getattr(every, each.value) for each in Outcome if getattr(every, each.value)}


def holds(tmp: Path) -> list[Hold]:
    with open_ledger(tmp / "ledger.db", readonly=True) as ledger:
        return ledger.holds(HoldFilter())


def values(facts: list[Fact]) -> dict[str, str]:
    return {fact.vital: fact.value for fact in facts}


def confirm(tmp: Path, **options: Any) -> None:
    ids = tuple(hold.id for hold in holds(tmp))
    settle(tmp / "ledger.db", "confirm", HoldFilter(ids=ids), who="N. Ole", why="measured again", **options)


def panel(folder: Path) -> dict[str, Any]:
    (found,) = [each for each in observations(folder) if each["identifier"][0]["value"].endswith(".blood_pressure")]
    return found


def codes(observation: dict[str, Any]) -> list[str]:
    return [part["code"]["coding"][0]["code"] for part in observation["component"]]


def test_the_table_says_which_members_must_be_there() -> None:
    """FHIR R4 bp profile, http://hl7.org/fhir/R4/bp.html: slices SystolicBP and DiastolicBP, 1..1; no other."""
    members = {key: vital.panel_required for key, vital in vitals().items() if vital.panel == "blood_pressure"}
    assert members == {"systolic": True, "diastolic": True, "mean_pressure": False}


@pytest.mark.parametrize("mean", ["LOW", "9 3", "930", "<<93"])
@pytest.mark.parametrize("bundle", ["transaction", "ndjson"])
def test_a_mean_in_doubt_is_held_alone(tmp_path: Path, mean: str, bundle: str) -> None:
    batch = convert(tmp_path, "one", f"121,79,{mean}", bundle=bundle, verify="full")
    assert outcomes(batch) == {"recorded": 3, "held": 1}
    assert values(fhir_facts(tmp_path / "one")) == {"systolic": "121", "diastolic": "79", "heart_rate": "64"}
    assert values(oru_facts(tmp_path / "one")) == {"systolic": "121", "diastolic": "79", "heart_rate": "64"}
    assert codes(panel(tmp_path / "one")) == ["8480-6", "8462-4"], "nothing is said of the mean"
    (message,) = oru_messages(tmp_path / "one")
    assert not [segment for segment in message.segments("OBX") if "8478-0" in str(segment[3])]
    assert "panel-member-held" not in {each["rule"] for each in findings(tmp_path / "one")}
    (hold,) = holds(tmp_path)
    assert (hold.vitals, hold.readings) == ("mean_pressure", 1)


def test_a_mean_that_is_absent_stands_there_as_absent(tmp_path: Path) -> None:
    batch = convert(tmp_path, "one", "121,79,--")
    assert outcomes(batch) == {"recorded": 3, "absent": 1}
    assert [("dataAbsentReason" in part) for part in panel(tmp_path / "one")["component"]] == [False, False, True]


@pytest.mark.parametrize("pressures", ["LOW,79,93", "121,LOW,93", "999,79,93", "79,121,93", "LOW,LOW,93"])
def test_one_that_must_be_there_holds_the_others(tmp_path: Path, pressures: str) -> None:
    """The mean alone would be a blood pressure without its two numbers."""
    batch = convert(tmp_path, "one", pressures)
    assert outcomes(batch) == {"recorded": 1, "held": 3}
    assert values(fhir_facts(tmp_path / "one")) == {"heart_rate": "64"}
    (hold,) = holds(tmp_path)
    assert hold.vitals == "systolic,diastolic,mean_pressure"
    told = {(each["rule"], each["vital"]) for each in findings(tmp_path / "one")}
    assert ("panel-member-held", "mean_pressure") in told or pressures == "79,121,93"


class TestTheMeanComesLater:
    """The record of the panel is there without it: adding it changes the record and corrects none of its values."""

    @pytest.mark.parametrize("mapping", [MEAN, accepting(MEAN)])
    def test_confirmed(self, tmp_path: Path, mapping: str) -> None:
        convert(tmp_path, "one", "121,79,310", mapping)
        (hold,) = holds(tmp_path)
        assert (hold.vitals, hold.reasons) == ("mean_pressure", "outside-hold-limits")
        confirm(tmp_path)
        batch = convert(tmp_path, "two", "", mapping, verify="full")
        self.added(tmp_path, "310")
        assert batch.report.batch.holds is not None
        assert (batch.report.batch.holds.released, batch.report.batch.holds.open) == (1, 0)
        assert "correction-recorded" not in {each["rule"] for each in findings(tmp_path / "two")}

    @pytest.mark.parametrize("mapping", [MEAN, accepting(MEAN)])
    def test_in_a_later_export(self, tmp_path: Path, mapping: str) -> None:
        convert(tmp_path, "one", "121,79,", mapping)
        batch = convert(tmp_path, "two", "121,79,93", mapping, verify="full")
        assert outcomes(batch) == {"recorded": 1, "repeat": 3}
        self.added(tmp_path, "93")
        assert outcomes(convert(tmp_path, "three", "121,79,93", mapping)) == {"repeat": 4}
        done = retract(tmp_path / "ledger.db", SetFilter(), tmp_path / "back", who="N. Ole", why="a test")
        assert (done.observations, done.messages) == (2, 1)
        assert codes(panel(tmp_path / "back" / "retracted")) == ["8480-6", "8462-4", "8478-0"]

    def added(self, tmp_path: Path, mean: str) -> None:
        """The panel is written anew under its identifier, whole; the message carries the mean alone, as final."""
        before, after = panel(tmp_path / "one"), panel(tmp_path / "two")
        assert after["identifier"] == before["identifier"]
        assert after["status"] == "corrected"
        assert after["component"][:2] == before["component"]
        assert values(fhir_facts(tmp_path / "two")) == {"systolic": "121", "diastolic": "79", "mean_pressure": mean}
        (entry,) = [each for each in requests(tmp_path / "two") if each["method"] == "PUT"]
        assert entry["url"].endswith(".blood_pressure")
        (message,) = oru_messages(tmp_path / "two")
        assert [(str(each[5]), str(each[11])) for each in message.segments("OBX")] == [(mean, "F")]
        with open_ledger(tmp_path / "ledger.db", readonly=True) as ledger:
            (known,) = ledger.sets(SetFilter())
        assert f"mean_pressure={mean} mm[Hg]" in known.readings
        assert known.revision == 2
        assert holds(tmp_path) == []

    def test_with_another_systolic_it_is_a_correction(self, tmp_path: Path) -> None:
        """What a mapping holds of corrections it holds here: the record changes as a whole or not at all."""
        convert(tmp_path, "one", "121,79,")
        batch = convert(tmp_path, "two", "131,79,93")
        assert outcomes(batch) == {"held": 2, "repeat": 2}
        assert not written(tmp_path / "two")
        assert [hold.reasons for hold in holds(tmp_path)] == ["same-identity-other-content"]

    def test_and_is_made_where_the_mapping_accepts_corrections(self, tmp_path: Path) -> None:
        convert(tmp_path, "one", "121,79,", accepting(MEAN))
        batch = convert(tmp_path, "two", "131,79,93", accepting(MEAN))
        assert outcomes(batch) == {"recorded": 2, "repeat": 2}
        assert values(fhir_facts(tmp_path / "two")) == {"systolic": "131", "diastolic": "79", "mean_pressure": "93"}
        (message,) = oru_messages(tmp_path / "two")
        assert [(str(each[5]), str(each[11])) for each in message.segments("OBX")] == [("131", "C"), ("93", "F")]

    def test_another_mean_is_a_correction(self, tmp_path: Path) -> None:
        convert(tmp_path, "one", "121,79,93")
        assert outcomes(convert(tmp_path, "two", "121,79,95")) == {"held": 1, "repeat": 3}
        assert not written(tmp_path / "two")

    def test_a_systolic_is_corrected_while_the_mean_still_waits(self, tmp_path: Path) -> None:
        convert(tmp_path, "one", "121,79,LOW", accepting(MEAN))
        batch = convert(tmp_path, "two", "131,79,LOW", accepting(MEAN))
        assert outcomes(batch) == {"recorded": 1, "held": 1, "repeat": 2}
        assert values(fhir_facts(tmp_path / "two")) == {"systolic": "131", "diastolic": "79"}

    def test_a_recorded_mean_is_not_lost_by_a_correction(self, tmp_path: Path) -> None:
        """The panel is on record with its mean; written now, it would be without it."""
        convert(tmp_path, "one", "121,79,93", accepting(MEAN))
        batch = convert(tmp_path, "two", "131,79,LOW", accepting(MEAN))
        assert outcomes(batch) == {"held": 2, "repeat": 2}
        assert not written(tmp_path / "two")

    def test_a_mean_beside_half_a_pressure_does_not_join(self, tmp_path: Path) -> None:
        """The export has lost the diastolic: written now, the record would lose it as well."""
        convert(tmp_path, "one", "121,79,", accepting(MEAN))
        assert outcomes(convert(tmp_path, "two", "121,,93", accepting(MEAN))) == {"held": 1, "repeat": 2}
        assert not written(tmp_path / "two")

    def test_half_a_pressure_is_not_completed_as_an_addition(self, tmp_path: Path) -> None:
        """The record says that the diastolic is unknown: to say otherwise is a correction."""
        convert(tmp_path, "one", "121,,")
        assert outcomes(convert(tmp_path, "two", "121,79,")) == {"held": 1, "repeat": 2}
        assert not written(tmp_path / "two")

    def test_a_panel_of_the_set_names_the_record_as_before(self, tmp_path: Path) -> None:
        with_panel = MEAN + "\n[output.fhir]\npanel = true\n"
        convert(tmp_path, "one", "121,79,310", with_panel)
        confirm(tmp_path)
        convert(tmp_path, "two", "", with_panel)
        assert [each["identifier"][0]["value"].split(".")[1] for each in observations(tmp_path / "two")] == [
            "blood_pressure"
        ]


class TestConfirming:
    def test_a_mean_that_cannot_be_confirmed_does_not_withhold_the_rest(self, tmp_path: Path) -> None:
        """The systolic is out of its limits, the mean is no number: the two that must be there can be released."""
        convert(tmp_path, "one", "310,79,LOW")
        (hold,) = holds(tmp_path)
        assert hold.vitals == "systolic,diastolic,mean_pressure"
        confirm(tmp_path)
        convert(tmp_path, "two", "")
        assert values(fhir_facts(tmp_path / "two")) == {"systolic": "310", "diastolic": "79"}
        assert [each.vitals for each in holds(tmp_path)] == ["mean_pressure"]

    def test_what_no_confirmation_releases_is_refused(self, tmp_path: Path) -> None:
        convert(tmp_path, "one", "121,79,LOW")
        with pytest.raises(UsageError, match="cannot be released by confirming"):
            confirm(tmp_path)
        convert(tmp_path, "two", "", DECLARED)
        assert holds(tmp_path) == []

    def test_nor_a_set_of_nobody(self, tmp_path: Path) -> None:
        file = tmp_path / "one.csv"
        file.write_text(f"{HEADER}\n2026-03-14 09:30,,M1,310,79,93,64,,,\n")
        run(tmp_path, [file], MEAN, "one", ledger=tmp_path / "ledger.db")
        with pytest.raises(UsageError, match="cannot be released by confirming"):
            confirm(tmp_path)


def test_oxygen_is_added_to_a_saturation_of_us_core(tmp_path: Path) -> None:
    """There the flow is a component of the saturation, and no profile asks for it."""
    flow = WIDE + ('\n[vitals.oxygen_flow]\ncolumn = "Flow"\nunit = "L/min"\n\n[output.fhir]\nprofile = "us-core"\n')
    for out, text in (("one", ""), ("two", "2.0")):
        file = tmp_path / f"{out}.csv"
        file.write_text(f"When,Who,On,Sys,Dia,HR,SpO2,Temp,Weight,Flow\n2026-03-14 09:30,P-0007,M1,,,,97,,,{text}\n")
        batch = run(tmp_path, [file], flow, out, ledger=tmp_path / "ledger.db")
    assert outcomes(batch) == {"recorded": 1, "repeat": 1}
    (found,) = observations(tmp_path / "two")
    assert found["valueQuantity"]["value"] == 97
    assert codes(found) == ["3151-8"]


def requests(folder: Path) -> list[dict[str, str]]:
    import json

    bundles = [json.loads(data) for name, data in tree(folder).items() if name.endswith(".bundle.json")]
    return [entry["request"] for bundle in bundles for entry in bundle["entry"]]
