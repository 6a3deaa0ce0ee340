"""Benchmark of the main job: one wide CSV to FHIR NDJSON and to HL7 v2, against the plain way and the floor.

    ./dev bench [--rows N] [--smoke]

Everything is on: checks, findings, verification, report. Each figure is measured in a process of its own, in the
same run, so that ratios hold on a noisy machine; the data are invented and made from a fixed seed.

* the plain way: the csv module, one fhir.resources object for each Observation with the same content (or one hl7apy
  message for each row), on 1,000 rows;
* the floor: reading the bytes of the CSV and writing as many bytes as the conversion wrote;
* the ledger: without one, into a new one, and the same export again, one after the other in one process.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import json
import os
import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

HERE = Path(__file__).resolve()
PLAIN_ROWS = 1_000
MAPPING = """\
title = "Benchmark export"
version = "1"
form = "delimited"
namespace = "https://bench.example.org/readings"
[delimited]
layout = "wide"
[time]
columns = ["taken"]
formats = ["%Y-%m-%d %H:%M:%S"]
zone = "America/Phoenix"
past_days = "any"
[patient]
column = "patient"
pattern = "any"
system = "https://bench.example.org/patients"
authority = "BENCH"
[device]
column = "device"
system = "https://bench.example.org/devices"
[operator]
column = "operator"
system = "https://bench.example.org/staff"
[category]
fixed = "adult"
[vitals.systolic]
column = "sys"
unit = "mm[Hg]"
[vitals.diastolic]
column = "dia"
unit = "mm[Hg]"
[vitals.mean_pressure]
column = "map"
unit = "mm[Hg]"
[vitals.heart_rate]
column = "hr"
unit = "/min"
[vitals.spo2]
column = "spo2"
unit = "%"
[vitals.temperature]
column = "temp"
unit = "[degF]"
[vitals.respiratory_rate]
column = "rr"
unit = "/min"
[absent]
"---" = "not-performed"
"NOSIG" = "error"
[output]
status = "final"
"""
HEADER = ["taken", "patient", "device", "operator", "sys", "dia", "map", "hr", "spo2", "temp", "rr"]


def write_export(path: Path, rows: int) -> None:
    """An invented export: 40 monitors, 12,000 patients, a set every half minute; one set in twenty misses a value."""
    chance = random.Random(20260314)
    start = datetime(2020, 1, 5, 6, 0, 0)  # noqa: DTZ001 - the clock of the export has no zone
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(HEADER)
        for row in range(rows):
            systolic = chance.randint(95, 165)
            diastolic = systolic - chance.randint(30, 55)
            mean = diastolic + round((systolic - diastolic) * chance.uniform(0.33, 0.48))
            values = [
                str(systolic), str(diastolic), str(mean), str(chance.randint(52, 112)), str(chance.randint(91, 100)),
                f"{chance.uniform(96.5, 101.0):.1f}", str(chance.randint(10, 26)),
            ]  # fmt: skip
            if chance.random() < 0.05:
                values[chance.randrange(3, 7)] = chance.choice(["---", "NOSIG", ""])
            taken = start + timedelta(seconds=30 * row)
            writer.writerow(
                [f"{taken:%Y-%m-%d %H:%M:%S}", f"P{chance.randrange(12_000):06d}", f"MON-{row % 40:02d}",
                 f"N{row % 25:03d}", *values]
            )  # fmt: skip


def gateway_run(folder: Path, as_: str, workers: int) -> dict[str, float]:
    """The conversion with everything on, in this process (and its workers)."""
    from gateway.conversion import convert

    begun = time.perf_counter()
    batch = convert(
        [folder / "export.csv"], folder / "mapping.toml", folder / "out", as_=as_, bundle="ndjson",
        workers=workers, replace=True,
    )  # fmt: skip
    seconds = time.perf_counter() - begun
    records = batch.report.records
    written = sum(path.stat().st_size for path in (folder / "out").rglob("*") if path.is_file())
    return {
        "seconds": seconds,
        "observations": records.get("Observation", 0),
        "messages": records.get("ORU message", 0),
        "bytes": written,
        "peak": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "peak_worker": resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024,
    }


def ledger_run(folder: Path, as_: str, url: str) -> dict[str, float]:
    """The same conversion without a ledger, into a new ledger, and once more with it, all in this process.

    Args:
        folder: where export and mapping are.
        as_: "fhir" or "oru".
        url: a PostgreSQL database with an empty schema, "" for an SQLite file.
    """
    from gateway.conversion import convert

    place = url or str(folder / f"{as_}.ledger")
    small = folder / "small.csv"
    with (folder / "export.csv").open(encoding="utf-8") as whole:
        small.write_text("".join(line for _, line in zip(range(500), whole, strict=False)), encoding="utf-8")

    def timed(export: Path, name: str, ledger: str | None) -> tuple[float, float]:
        begun, worked = time.perf_counter(), time.process_time()
        convert([export], folder / "mapping.toml", folder / f"{as_}-{name}", as_=as_, bundle="ndjson", ledger=ledger)
        return time.perf_counter() - begun, time.process_time() - worked

    # What is loaded and built once is no part of the comparison.
    timed(small, "first", str(folder / f"{as_}-first.ledger"))
    without, cpu_without = timed(folder / "export.csv", "without", None)
    adding, cpu_adding = timed(folder / "export.csv", "adding", place)
    again, _ = timed(folder / "export.csv", "again", place)
    size = 0 if url else Path(place).stat().st_size
    return {
        "without": without, "adding": adding, "again": again, "cpu_without": cpu_without, "cpu_adding": cpu_adding,
        "bytes": size, "peak": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }  # fmt: skip


def _rows(folder: Path) -> list[dict[str, str]]:
    with (folder / "export.csv").open(newline="", encoding="utf-8") as file:
        return [row for _, row in zip(range(PLAIN_ROWS), csv.DictReader(file), strict=False)]


def _when(text: str) -> datetime:
    return datetime.strptime(text, "%Y-%m-%d %H:%M:%S").replace(tzinfo=ZoneInfo("America/Phoenix"))


def _numbers(row: dict[str, str]) -> dict[str, Decimal]:
    numbers = {}
    for name in HEADER[4:]:
        if row[name] not in ("", "---", "NOSIG"):
            numbers[name] = Decimal(row[name])
    if "temp" in numbers:
        numbers["temp"] = ((numbers["temp"] - 32) * 5 / 9).quantize(Decimal("0.1"))
    return numbers


def plain_fhir(folder: Path) -> dict[str, float]:
    """One fhir.resources object for each Observation, with the content of the gateway's own records.

    The codes, profiles and units come from the gateway's output for the same export, so that both ways write the same
    elements; everything of a row is read, converted and put in here.
    """
    from fhir.resources.R4B.observation import Observation

    shapes: dict[str, dict[str, Any]] = {}
    for path in sorted((folder / "out" / "fhir").glob("*.observations.ndjson")):
        with path.open(encoding="utf-8") as lines:
            for line in lines:
                record = json.loads(line)
                kind = record["id"][33:]
                if kind not in shapes or len(record.get("component", "")) > len(shapes[kind].get("component", "")):
                    shapes[kind] = record
                if len(shapes) == 5 and len(shapes["blood-pressure"]["component"]) == 3:
                    break
    single = {"heart-rate": "hr", "spo2": "spo2", "temperature": "temp", "respiratory-rate": "rr"}
    begun = time.perf_counter()
    count = 0
    with (folder / "plain.ndjson").open("w", encoding="utf-8") as out:
        for row in _rows(folder):
            numbers = _numbers(row)
            when = _when(row["taken"])
            digest = hashlib.sha256(f"{row['device']}|{row['patient']}|{row['taken']}".encode()).hexdigest()[:32]

            def observation(kind: str, **content: Any) -> str:
                shape = shapes[kind]
                key = shape["identifier"][0]["value"][33:]
                common = {
                    "id": f"{digest}-{kind}",  # noqa: B023 - called at once
                    "meta": shape["meta"],
                    "identifier": [{"system": shape["identifier"][0]["system"], "value": f"{digest}.{key}"}],  # noqa: B023
                    "status": "final",
                    "category": shape["category"],
                    "code": shape["code"],
                    "subject": {
                        "type": "Patient",
                        "identifier": {"system": "https://bench.example.org/patients", "value": row["patient"]},  # noqa: B023
                    },
                    "effectiveDateTime": when,  # noqa: B023
                    "performer": [
                        {"identifier": {"system": "https://bench.example.org/staff", "value": row["operator"]}}  # noqa: B023
                    ],
                    "device": {"reference": f"Device/{row['device']}"},  # noqa: B023
                }
                return Observation(**(common | content)).model_dump_json()

            parts = []
            for name, part in zip(("sys", "dia", "map"), shapes["blood-pressure"]["component"], strict=True):
                if name in numbers:
                    quantity = part["valueQuantity"] | {"value": numbers[name]}
                    parts.append({"code": part["code"], "valueQuantity": quantity})
            if parts:
                out.write(observation("blood-pressure", component=parts) + "\n")
                count += 1
            for kind, name in single.items():
                if name in numbers:
                    quantity = shapes[kind]["valueQuantity"] | {"value": numbers[name]}
                    out.write(observation(kind, valueQuantity=quantity) + "\n")
                    count += 1
    return {"seconds": time.perf_counter() - begun, "observations": count, "rows": PLAIN_ROWS}


def plain_oru(folder: Path) -> dict[str, float]:
    """One hl7apy message for each row."""
    from hl7apy.core import Message

    codes = {
        "sys": ("8480-6", "mm[Hg]"), "dia": ("8462-4", "mm[Hg]"), "map": ("8478-0", "mm[Hg]"), "hr": ("8867-4", "/min"),
        "spo2": ("2708-6", "%"), "temp": ("8310-5", "Cel"), "rr": ("9279-1", "/min"),
    }  # fmt: skip
    begun = time.perf_counter()
    rows = _rows(folder)
    with (folder / "plain.hl7").open("w", encoding="utf-8") as out:
        for number, row in enumerate(rows):
            when = _when(row["taken"]).strftime("%Y%m%d%H%M%S%z")
            message = Message("ORU_R01", version="2.5.1")
            message.msh.msh_7 = when
            message.msh.msh_9 = "ORU^R01^ORU_R01"
            message.msh.msh_10 = str(number)
            message.msh.msh_11 = "P"
            result = message.add_group("ORU_R01_PATIENT_RESULT")
            patient = result.add_group("ORU_R01_PATIENT")
            patient.add_segment("PID")
            patient.pid.pid_3 = row["patient"]
            patient.pid.pid_5 = "^^^^^^U"
            order = result.add_group("ORU_R01_ORDER_OBSERVATION")
            order.add_segment("OBR")
            order.obr.obr_4 = "85353-1^Vital signs^LN"
            order.obr.obr_7 = when
            order.obr.obr_25 = "F"
            for position, (key, value) in enumerate(_numbers(row).items(), start=1):
                group = order.add_group("ORU_R01_OBSERVATION")
                group.add_segment("OBX")
                group.obx.obx_1 = str(position)
                group.obx.obx_2 = "NM"
                group.obx.obx_3 = f"{codes[key][0]}^{key}^LN"
                group.obx.obx_4 = str(position)
                group.obx.obx_5 = str(value)
                group.obx.obx_6 = f"{codes[key][1]}^{codes[key][1]}^UCUM"
                group.obx.obx_11 = "F"
                group.obx.obx_14 = when
                group.obx.obx_18 = row["device"]
            out.write(message.to_er7() + "\r")
    return {"seconds": time.perf_counter() - begun, "rows": len(rows)}


def floor(folder: Path, size: int) -> dict[str, float]:
    """Read the bytes of the export, write `size` bytes."""
    piece = b"x" * (1 << 20)
    begun = time.perf_counter()
    with (folder / "export.csv").open("rb") as file:
        while file.read(1 << 20):
            pass
    with (folder / "floor").open("wb") as out:
        for _ in range(size // len(piece)):
            out.write(piece)
        out.write(piece[: size % len(piece)])
    return {"seconds": time.perf_counter() - begun}


def spin() -> float:
    """Seconds for a fixed piece of plain work."""
    begun = time.perf_counter()
    counts: dict[int, int] = {}
    for number in range(4_000_000):
        counts[number % 997] = number
    return time.perf_counter() - begun


def ceiling() -> float:
    """How many times the work of one process two processes do on this machine, whatever the program."""
    with ProcessPoolExecutor(2) as pool:
        list(pool.map(_spin, range(2)))
        alone = min(spin() for _ in range(3))
        together = min(max(pool.map(_spin, range(2))) for _ in range(3))
    return 2 * alone / together


def _spin(_: int) -> float:
    return spin()


def _apart(*arguments: str) -> dict[str, float]:
    """Run one measurement in a process of its own."""
    done = subprocess.run(
        [sys.executable, str(HERE), *arguments],
        check=True,
        stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONHASHSEED": "0"},
    )
    figures: dict[str, float] = json.loads(done.stdout)
    return figures


def main() -> int:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=200_000)
    parser.add_argument("--smoke", action="store_true", help="a few thousand rows: that everything runs, not how fast")
    parser.add_argument("--ledger", metavar="URL", default="", help="a PostgreSQL database with an empty schema")
    parser.add_argument("--only", nargs="+", help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.only:
        kind, folder, *rest = chosen.only
        runs: dict[str, Callable[[], dict[str, float]]] = {
            "gateway": lambda: gateway_run(Path(folder), rest[0], int(rest[1])),
            "ledger": lambda: ledger_run(Path(folder), rest[0], rest[1] if len(rest) > 1 else ""),
            "plain-fhir": lambda: plain_fhir(Path(folder)),
            "plain-oru": lambda: plain_oru(Path(folder)),
            "floor": lambda: floor(Path(folder), int(rest[0])),
        }
        print(json.dumps(runs[kind]()))
        return 0
    rows = 3_000 if chosen.smoke else chosen.rows
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        write_export(Path(folder) / "export.csv", rows)
        (Path(folder) / "mapping.toml").write_text(MAPPING, encoding="utf-8")
        print(f"two busy processes do {ceiling():.2f} times the work of one on this machine")
        print(f"{rows:,} rows, {(Path(folder) / 'export.csv').stat().st_size / 1e6:,.1f} MB\n")
        for as_, title, plain_name in (("fhir", "FHIR NDJSON", "plain-fhir"), ("oru", "HL7 v2 ORU", "plain-oru")):
            one = _apart("--only", "gateway", folder, as_, "1")
            two = _apart("--only", "gateway", folder, as_, "2")
            plain = _apart("--only", plain_name, folder)
            bottom = _apart("--only", "floor", folder, str(int(one["bytes"])))
            speed = rows / one["seconds"]
            unit = one["observations"] / one["seconds"]
            ratio = speed / (plain["rows"] / plain["seconds"])
            print(title)
            print(f"  one process    {one['seconds']:8.2f} s  {speed:10,.0f} rows/s" + (
                f"  {unit:10,.0f} Observations/s" if unit else ""))  # fmt: skip
            print(f"  peak memory    {one['peak']:8.0f} MiB")
            print(f"  two workers    {two['seconds']:8.2f} s  {one['seconds'] / two['seconds']:10.2f} times one process"
                  f"  peak {two['peak']:.0f} MiB, worker {two['peak_worker']:.0f} MiB")  # fmt: skip
            print(
                f"  the plain way  {plain['rows'] / plain['seconds']:8,.0f} rows/s;"
                f" the gateway is {ratio:.0f} times as fast"
            )
            print(f"  the floor      {bottom['seconds']:8.2f} s for {one['bytes'] / 1e6:,.0f} MB; the gateway takes "
                  f"{one['seconds'] / bottom['seconds']:.1f} times as long\n")  # fmt: skip
            if (one["observations"] or one["messages"]) == 0:
                print("no records were written", file=sys.stderr)
                return 1
        print("The ledger, FHIR NDJSON, one process" + (" and PostgreSQL" if chosen.ledger else " and an SQLite file"))
        kept = _apart("--only", "ledger", folder, "fhir", *filter(None, [chosen.ledger]))
        cost = kept["adding"] - kept["without"]
        print(f"  without        {kept['without']:8.2f} s  ({kept['cpu_without']:.2f} s of processor)")
        print(f"  adding         {kept['adding']:8.2f} s  ({kept['cpu_adding']:.2f} s of processor):"
              f" {cost / kept['without']:.2f} times the conversion more")  # fmt: skip
        print(f"  all repeats    {kept['again']:8.2f} s")
        print(f"  peak memory    {kept['peak']:8.0f} MiB; ledger {kept['bytes'] / 1e6:,.0f} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
