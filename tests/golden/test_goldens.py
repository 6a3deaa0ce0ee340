"""The demo exports give the records and reports that were agreed on, and those say what the exports say.

The second half reads the raw exports with a small reader of its own, which shares nothing with the gateway: plain
fractions, `datetime` with `zoneinfo`, and for the ward list a table made by hand from the file. It is applied to the
agreed files, so that a refresh cannot freeze a mistake.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable
from datetime import datetime
from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import hl7
import pytest

from tests.golden import refresh

Said = tuple[str, str, str, str, str]
"""Patient, device, time, vital, value with unit: what a reader of one record learns."""

CODES = {
    "8480-6": "systolic",
    "8462-4": "diastolic",
    "8478-0": "mean",
    "8867-4": "pulse",
    "2708-6": "spo2",
    "8310-5": "temperature",
    "9279-1": "breaths",
    "29463-7": "weight",
    "8302-2": "height",
    "39156-5": "bmi",
    "72514-3": "pain",
    "14743-9": "glucose",
    "67775-7": "avpu",
}
"""LOINC: the FHIR R4 vital-signs table for what it holds; mean, bmi, pain, glucose and avpu from memory."""
LOCAL = {"149546": "pulse by cuff", "149530": "pulse by oximeter", "149514": "pulse"}
"""MDC codes that tell one pulse from another, as cited by the HL7 PHD guide."""


@pytest.mark.parametrize("name", refresh.NAMES)
def test_demo_gives_what_was_agreed_on(name: str, tmp_path: Path) -> None:
    refresh.convert_demo(name, tmp_path / "out")
    now, agreed = refresh.given(tmp_path / "out"), refresh.expected(name)
    assert sorted(now) == sorted(agreed)
    for file in agreed:
        assert now[file].decode() == agreed[file].decode(), f"{file}: see tests/golden/refresh.py"


def test_there_are_three_demos() -> None:
    assert set(refresh.NAMES) >= {"clinic-wide", "homecare-long", "ward-messy"}


# -- what the records say


def _vital(codes: Iterable[str]) -> str:
    known = list(codes)
    for code in known:
        if code in LOCAL:
            return LOCAL[code]
    return next(CODES[code] for code in known if code in CODES)


def _observations(name: str) -> list[dict[str, Any]]:
    found = []
    for file, data in refresh.expected(name).items():
        if file.endswith(".bundle.json"):
            found += [entry["resource"] for entry in json.loads(data, parse_float=Decimal)["entry"]]
        elif file.endswith(".ndjson"):
            found += [json.loads(line, parse_float=Decimal) for line in data.decode().splitlines()]
    return [each for each in found if each["resourceType"] == "Observation"]


def _devices(name: str) -> dict[str, str]:
    devices = {}
    for file, data in refresh.expected(name).items():
        if file.endswith(".bundle.json"):
            for entry in json.loads(data)["entry"]:
                if entry["resource"]["resourceType"] == "Device":
                    devices[entry["fullUrl"]] = entry["resource"]["identifier"][0]["value"]
        elif file.endswith("devices.ndjson"):
            for line in data.decode().splitlines():
                device = json.loads(line)
                devices[f"Device/{device['id']}"] = device["identifier"][0]["value"]
    return devices


def said_by_fhir(name: str) -> list[Said]:
    """Every value of the agreed Observations."""
    devices = _devices(name)
    said: list[Said] = []
    for each in _observations(name):
        who = each["subject"]["identifier"]["value"]
        for part in [each, *each.get("component", [])]:
            if "valueQuantity" in part:
                quantity = part["valueQuantity"]
                value = f"{quantity.get('comparator', '')}{quantity['value']} {quantity['code']}"
            elif "valueCodeableConcept" in part:
                value = part["valueCodeableConcept"]["coding"][0]["code"]
            else:
                continue
            vital = _vital(coding["code"] for coding in part["code"]["coding"])
            said.append((who, devices[each["device"]["reference"]], each["effectiveDateTime"], vital, value))
    return sorted(said)


def said_by_oru(name: str) -> list[Said]:
    """Every value of the agreed messages; times with seconds and a colon in the offset, as FHIR writes them."""
    said: list[Said] = []
    for file, data in refresh.expected(name).items():
        if not file.startswith("oru/"):
            continue
        for text in data.decode().split("\rMSH|")[1:]:
            message = hl7.parse("MSH|" + text.split("\rBTS|")[0] + "\r")
            who = str(message.segment("PID")[3][0][0])
            for obx in message.segments("OBX"):
                if not str(obx[5]):
                    continue
                value = "".join(map(str, obx[5][0])) if str(obx[2]) == "SN" else str(obx[5][0])
                if str(obx[2]) in ("CE", "CWE"):
                    value = str(obx[5][0][0])
                else:
                    value += f" {obx[6][0][0]}"
                stamp = str(obx[14])
                when = (
                    f"{stamp[:4]}-{stamp[4:6]}-{stamp[6:8]}T{stamp[8:10]}:{stamp[10:12]}:00{stamp[-5:-2]}:{stamp[-2:]}"
                )
                codes = [str(part) for part in obx[3][0]]
                said.append((who, str(obx[18][0][0]), when, _vital(codes), value))
    return sorted(said)


# -- what the exports say, read by hand


def _rounded(number: Fraction, decimals: int) -> str:
    places = Decimal(1).scaleb(-decimals)
    exact = Decimal(number.numerator) / Decimal(number.denominator)
    return str(exact.quantize(places, rounding=ROUND_HALF_EVEN))


def _fahrenheit(text: str) -> str:
    return _rounded((Fraction(text) - 32) * 5 / 9, 1) + " Cel"


def _millimetres_of_mercury(text: str) -> str:
    """From kPa; NIST SP 811 (2008), table B.8: 1 mmHg = 133.3224 Pa."""
    return _rounded(Fraction(text) * 1000 / Fraction("133.3224"), 0) + " mm[Hg]"


def _clinic() -> list[Said]:
    text = refresh.export_of("clinic-wide").read_text("ascii")
    said: list[Said] = []
    for row in csv.DictReader(text.splitlines()[3:]):
        taken = datetime.strptime(row["Taken"], "%m/%d/%Y %I:%M %p").replace(tzinfo=ZoneInfo("America/Chicago"))
        stamp = taken.isoformat(timespec="seconds")
        values = {
            "pulse by oximeter": f"{row['Pulse']} /min",
            "temperature": _fahrenheit(row["Temp"]),
            "breaths": f"{row['Resp']} /min",
        }
        if row["Sys"] != "ERR CUFF":
            values |= {"systolic": f"{row['Sys']} mm[Hg]", "diastolic": f"{row['Dia']} mm[Hg]"}
            values["mean"] = f"{row['MAP']} mm[Hg]"
        if row["SpO2"] != "--":
            values["spo2"] = f"{row['SpO2']} %"
        if row["Weight"]:
            # 1 lb = 0.453 592 37 kg exactly, 1 in = 2.54 cm exactly (NIST SP 811).
            values["weight"] = _rounded(Fraction(row["Weight"]) * Fraction("0.45359237"), 1) + " kg"
        if row["Height"]:
            feet, inches = row["Height"].rstrip('"').split("'")
            values["height"] = _rounded((int(feet) * 12 + int(inches)) * Fraction("2.54"), 1) + " cm"
        if row["Pain"]:
            values["pain"] = f"{row['Pain']} {{score}}"
        said += [(row["Patient No"], row["Monitor"], stamp, vital, value) for vital, value in values.items()]
    return sorted(said)


def _homecare() -> list[Said]:
    lines = refresh.export_of("homecare-long").read_text("cp1252").splitlines()
    said: list[Said] = []
    for row in csv.DictReader(lines[2:-1], delimiter=";"):
        taken = datetime.fromisoformat(f"{row['Date']} {row['Heure']}").replace(tzinfo=ZoneInfo("Europe/Paris"))
        number = row["Valeur"].replace(",", ".")
        value = {
            "TA sys": ("systolic", _millimetres_of_mercury),
            "TA dia": ("diastolic", _millimetres_of_mercury),
            "TA moy": ("mean", _millimetres_of_mercury),
            "Pouls": ("pulse", lambda text: f"{text} /min"),
            "SpO2": ("spo2", lambda text: f"{text} %"),
            "T° axil": ("temperature", lambda text: f"{text} Cel"),
            "FR": ("breaths", lambda text: f"{text} /min"),
            "Poids": ("weight", lambda text: f"{text} kg"),
            "Glycémie": ("glucose", lambda text: f"{text} mmol/L"),
        }[row["Mesure"]]
        if number != "non fait":
            stamp = taken.isoformat(timespec="seconds")
            said.append((row["Dossier"], row["Appareil"], stamp, value[0], value[1](number)))
    return sorted(said)


_ALERT, _VOICE = "248234008", "300202002"
"""SNOMED CT: mentally alert; responds to voice. From memory."""

WARD = """
# line time           device patient  sys dia mean cuff ox  spo2 degF   breaths kg    cm   bmi  avpu
5   2026-10-31T21:10-05 W2-A FH000812 120 80  93   72   71  97   98.6   16      71.4  170  24.7 A
7   2026-10-31T21:16-05 W2-A FH000812 120 80  93   72   71  97   98.6   16      .     .    .    A
8   2026-10-31T21:25-05 W2-B FH000777 128 84  99   80   81  96   .      18      .     .    .    A
9   2026-10-31T21:40-05 W2-B FH000777 131 86  102  81   80  96   98.9   18      .     .    .    A
11  2026-10-31T21:52-05 W2-A FH000812 118 76  90   66   66  98   98.1   14      .     .    .    A
22  2026-11-01T06:02-06 W2-A FH000812 .   .   .    74   73  97   98.2   15      .     .    .    A
23  2026-11-01T06:10-06 W2-A FH000812 .   .   .    74   73  97   98.2   15      .     .    .    A
24  2026-11-01T06:20-06 W2-A FH000812 124 118 121  74   73  97   98.2   15      .     .    .    A
25  2026-11-01T06:25-06 W2-A FH000812 130 80  81   74   73  97   98.2   15      .     .    .    A
26  2026-11-01T06:31-06 W2-A FH000812 126 82  98   74   118 97   98.2   15      .     .    .    A
27  2026-11-01T06:40-06 W2-A FH000812 126 82  98   .    .   68   <95.0  15      .     .    .    A
28  2026-11-01T06:48-06 W2-B FH000777 .   .   .    .    .   .    98.3   15      .     .    .    A
29  2026-11-01T06:55-06 W2-B FH000777 127 83  99   77   76  .    98.3   .       71.4  170  31.0 V
30  2026-11-01T07:02-06 W2-B FH000777 127 83  .    77   76  96   .      15      .     .    .    .
31  2026-11-01T07:10-06 W2-B FH000901 70  40  50   141  140 96   98.3   44      3.412 51   .    A
32  2026-11-01T07:15-06 W2-B FH000901 71  41  51   141  140 96   98.3   44      .     .    .    A
33  2026-11-01T07:20-06 W2-A FH000812 127 83  99   77   76  96   98.3   15      .     .    .    A
34  2026-11-01T07:25-06 W2-A FH000812 127 83  99   77   76  96   98.3   15      .     .    .    A
40  2026-11-01T07:45-06 W2-A FH000812 127 83  99   77   76  96   98.3   15      .     .    .    A
42  2026-11-01T07:55-06 W2-B FH000777 129 81  97   79   78  97   98.0   15      .     .    .    A
43  2026-11-01T08:00-06 W2-B FH000777 .   .   .    79   78  97   98.0   .       .     .    .    A
"""
"""What may be recorded of the ward list, written down by a reader of the file; a point is a value held or not there."""

WARD_HELD = {
    6: "repeat-in-batch",
    8: "probable-unit-mix-up",
    10: "same-identity-other-content",
    12: "association-none",
    13: "patient-malformed",
    14: "time-ambiguous",
    15: "time-in-dst-gap",
    16: "time-impossible",
    17: "time-in-future",
    18: "time-clock-default",
    19: "time-missing",
    20: "header-repeated",
    22: "pressure-order",
    23: "pressure-order",
    24: "pulse-pressure-narrow",
    25: "mean-out-of-place",
    26: "pulse-disagreement",
    27: "sentinel-number",
    28: "absent-declared",
    29: "undeclared-token",
    30: "number-malformed",
    32: "undeclared-category",
    36: "row-ragged",
    37: "row-ragged",
    38: "line-undecodable",
    39: "line-has-nul",
    40: "nul-padding",
    41: "row-quote-open",
    43: "outside-hold-limits",
    44: "set-has-no-values",
    46: "row-truncated",
}
"""The trouble in each line of the ward list, by the same reader."""


def _ward() -> list[Said]:
    said: list[Said] = []
    for line in WARD.strip().splitlines()[1:]:
        _, time, device, patient, *cells = line.split()
        stamp = f"{time[:16]}:00{time[16:]}:00"
        names = ["systolic", "diastolic", "mean", "pulse by cuff", "pulse by oximeter", "spo2", "temperature"]
        names += ["breaths", "weight", "height", "bmi", "avpu"]
        for vital, cell in zip(names, cells, strict=True):
            if cell == ".":
                continue
            if vital == "temperature":
                value = cell[: cell.startswith("<")] + _fahrenheit(cell.lstrip("<"))
            elif vital == "avpu":
                value = {"A": _ALERT, "V": _VOICE}[cell]
            else:
                units = {"spo2": "%", "weight": "kg", "height": "cm", "bmi": "kg/m2"}
                pressure = vital in ("systolic", "diastolic", "mean")
                value = f"{cell} {'mm[Hg]' if pressure else units.get(vital, '/min')}"
            said.append((patient, device, stamp, vital, value))
    return sorted(said)


BY_HAND = {"clinic-wide": _clinic, "homecare-long": _homecare, "ward-messy": _ward}


@pytest.mark.parametrize("name", BY_HAND)
def test_observations_say_what_the_export_says(name: str) -> None:
    by_hand = BY_HAND[name]()
    assert len(by_hand) > 50
    assert said_by_fhir(name) == by_hand


@pytest.mark.parametrize("name", BY_HAND)
def test_messages_say_what_the_export_says(name: str) -> None:
    assert said_by_oru(name) == BY_HAND[name]()


def test_trouble_on_the_ward_is_found_where_it_is() -> None:
    rows = csv.DictReader(refresh.expected("ward-messy")["findings.csv"].decode().splitlines())
    found: dict[int, set[str]] = {}
    for row in rows:
        found.setdefault(int(row["line"]), set()).add(row["rule"])
    assert set(found) == set(WARD_HELD)
    for line, rule in WARD_HELD.items():
        assert rule in found[line], line


def test_an_original_keeps_its_comparator() -> None:
    """A note on the original value says what the export said, limit sign and all."""
    (low,) = [each for each in _observations("ward-messy") if each.get("valueQuantity", {}).get("comparator")]
    assert any("<95.0" in note["text"] for note in low["note"])


@pytest.mark.parametrize("name", BY_HAND)
def test_names_and_places_are_invented(name: str) -> None:
    """Identifiers follow the invented patterns, and every URI is under example.org (RFC 2606) or a standard."""
    mapping = (refresh.DEMO / name / "mapping.toml").read_text("utf-8")
    uris = [word.strip('",') for word in mapping.split() if "://" in word]
    assert uris
    assert all(".example.org/" in uri for uri in uris)
