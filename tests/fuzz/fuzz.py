"""Mutated exports and mutated mappings, in a bounded run: what breaks must break in words, and lose and invent nothing.

    ./dev fuzz [--exports N] [--mappings N] [--seed SEED] [--seconds SECONDS]

Each export is a demo, or a small export of a form of its own, that was spoilt: bytes changed, lines lost or doubled,
separators put in or taken out, cut off. Each mapping is one that works, spoilt in its lines and values. Of every
conversion is asked that

* it ends with records or with an error that says where, what and what to do, and never with a fault of the gateway;
* it ends in time;
* the reckoning adds up: each line and each reading has one place;
* no value stands in another vital than its column's. Every column of the exports for this has a last digit of its own
  behind the point, so that a value tells where it comes from; of these, the digits are not touched.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from unittest import mock

from gateway.conversion import convert
from gateway.conversion.options import load_mapping
from gateway.errors import GatewayError, MappingError
from gateway.report.model import Report
from tests.conversion.conversion_kit import COMMON, LOINC, REPOSITORY

SLOW = 20.0
"""Seconds of processor time; no export here needs a tenth of it."""

SENT = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
_COLOURS = {"systolic": "1", "diastolic": "2", "heart_rate": "3", "spo2": "4", "temperature": "5", "weight": "6"}
_UNITS = {
    "systolic": "mmHg",
    "diastolic": "mmHg",
    "heart_rate": "/min",
    "spo2": "%",
    "temperature": "Cel",
    "weight": "kg",
}
_COLUMNS = {
    "systolic": "Sys",
    "diastolic": "Dia",
    "heart_rate": "HR",
    "spo2": "SpO2",
    "temperature": "T",
    "weight": "W",
}


@dataclass(frozen=True)
class Base:
    """A mapping and an export that fit each other; `coloured`: its values tell their columns."""

    name: str
    mapping: str
    export: bytes
    coloured: bool = False


@dataclass
class Outcome:
    """What came of a run.

    Attributes:
        counts: how many conversions ended how.
        faults: what must not be, with how to make it again.
        slowest: seconds of the slowest one.
    """

    counts: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)
    slowest: float = 0.0


def bases() -> list[Base]:
    """The demos, and a small export of each form of delimited text."""
    found = []
    for folder in sorted((REPOSITORY / "fixtures" / "demo").iterdir()):
        exports = [path for path in sorted(folder.iterdir()) if path.suffix in (".csv", ".txt", ".cap")]
        mapping = (folder / "mapping.toml").read_text(encoding="utf-8")
        found.append(Base(folder.name, mapping, exports[0].read_bytes()[:6_000]))
    values = {
        "systolic": "121",
        "diastolic": "79",
        "heart_rate": "64",
        "spo2": "97",
        "temperature": "36",
        "weight": "70",
    }
    coloured = {vital: f"{text}.{_COLOURS[vital]}" for vital, text in values.items()}
    keys = [(f"2026-03-14 09:{at:02}", f"P-{at % 5:04}", f"M{at % 3}") for at in range(12)]
    wide_vitals = "".join(
        f'[vitals.{vital}]\ncolumn = "{_COLUMNS[vital]}"\nunit = "{unit}"\n' for vital, unit in _UNITS.items()
    )
    header = ["When", "Who", "On", *_COLUMNS.values()]
    for name, layout, between in (
        ("wide", "", ","), ("wide-trailing", "trailing_delimiter = true\n", ";"), ("wide-bars", "", "||"),
        ("wide-escape", "escape = '\\'\n", ","), ("wide-filled", 'filled = ["Who", "On"]\n', ","),
    ):  # fmt: skip
        rows = [header, *[[*key, *coloured.values()] for key in keys]]
        ending = between if "trailing" in layout else ""
        lines = [between.join(rows[0]), *[between.join(row) + ending for row in rows[1:]]]
        table = f'[delimited]\nlayout = "wide"\ndelimiter = "{between}"\n{layout}'
        found.append(Base(name, COMMON + table + wide_vitals, ("\n".join(lines) + "\n").encode(), coloured=True))
    long_vitals = "".join(
        f'[vitals.{vital}]\nlabels = ["{_COLUMNS[vital]}"]\nunits = ["{unit}"]\n' for vital, unit in _UNITS.items()
    )
    rows = [[*key, _COLUMNS[vital], text, _UNITS[vital]] for key in keys for vital, text in coloured.items()]
    for order in ("by-set", "any"):
        listed = rows if order == "by-set" else sorted(rows, key=lambda row: row[3])
        table = '[delimited]\nlayout = "long"\nlabel_column = "What"\nvalue_column = "Value"\nunit_column = "Unit"\n'
        text = "\n".join([",".join(["When", "Who", "On", "What", "Value", "Unit"]), *map(",".join, listed)]) + "\n"
        found.append(
            Base(f"long-{order}", f'{COMMON}{table}order = "{order}"\n{long_vitals}', text.encode(), coloured=True)
        )
    # Not coloured: where the text between a name and the next value is gone, the object says something else.
    objects = [
        {"When": when, "Who": who, "On": on, "results": [{"code": _COLUMNS[vital], "value": text}
                                                         for vital, text in coloured.items()]}
        for when, who, on in keys
    ]  # fmt: skip
    table = '[delimited]\nlayout = "long"\nrows = "json"\n'
    table += 'label_column = "/results/-/code"\nvalue_column = "/results/-/value"\n'
    with_units = "".join(
        f'[vitals.{vital}]\nlabels = ["{_COLUMNS[vital]}"]\nunit = "{unit}"\n' for vital, unit in _UNITS.items()
    )
    mapping = COMMON + table + with_units
    for name in ("When", "Who", "On"):
        mapping = mapping.replace(f'"{name}"', f'"/{name}"')
    text = "".join(f"{json.dumps(each)}\n" for each in objects)
    found.append(Base("json", mapping, text.encode()))
    return found


_PIECES = [
    b",", b";", b'"', b"\t", b"|", b"\n", b"\r\n", b"\r", b"\\", b" ", b"\x00", b"\xff", b"\xef\xbb\xbf", b"\x1f",
    b"--", b"\xc3\xa9", b"\x02", b"\x03", b"NaN", b"1e9", b'""', b"'",
]  # fmt: skip
_STRUCTURE = [b",", b";", b'"', b"||", b"|", b"\n", b"\r\n", b"\\", b" ", b'""', b"\t"]


def compensated(before: bytes, after: bytes) -> bool:
    """Whether one delimiter was put into a row and another one taken out of it.

    Such a row has its own number of cells and says something else: no reader can see that.
    """
    between = max((b",", b";", b"||"), key=before.split(b"\n")[0].count)
    plain = {line.translate(None, _MARKS): line for line in before.split(b"\n")}
    for line in after.split(b"\n"):
        whole = plain.get(line.translate(None, _MARKS))
        if whole is None or not whole.strip() or line.count(between) != whole.count(between):
            continue
        pairs = zip(line.split(between), whole.split(between), strict=True)
        if any(one.translate(None, _MARKS) != other.translate(None, _MARKS) for one, other in pairs):
            return True
    return False


_MARKS = b',;"|\\ \t\r'


def spoilt(chance: random.Random, data: bytes, *, digits: bool) -> bytes:
    """An export with some things done to it; with `digits` to any byte, else to what stands between the cells."""
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(data) + 1)
        lines = data.split(b"\n")
        row = chance.randrange(len(lines))
        match chance.randrange(10 if digits else 7):
            case 0:
                data = data[:at] + chance.choice(_PIECES if digits else _STRUCTURE) + data[at:]
            case 1:
                marks = [place for place, byte in enumerate(data) if byte in b',;"|\n\\']
                if marks:
                    place = chance.choice(marks)
                    data = data[:place] + chance.choice(_STRUCTURE) + data[place + chance.randint(0, 1) :]
            case 2:
                del lines[row]
                data = b"\n".join(lines)
            case 3:
                lines.insert(chance.randrange(len(lines) + 1), lines[row])
                data = b"\n".join(lines)
            case 4:
                other = chance.randrange(len(lines))
                lines[row], lines[other] = lines[other], lines[row]
                data = b"\n".join(lines)
            case 5:
                cells = lines[row].split(b",")
                if digits and row == 0:  # a header that names other columns than it stands above is believed
                    chance.shuffle(cells)
                else:
                    cells.insert(chance.randrange(len(cells) + 1), b"")
                lines[row] = b",".join(cells)
                data = b"\n".join(lines)
            case 6 if digits or b"\n" in data:
                data = data[:at] if digits else data[: data.rfind(b"\n", 0, at) + 1]
            case 7:
                data = data[:at] + bytes([chance.randrange(256)]) + data[at + 1 :]
            case 8:
                data = data[:at] + data[at : at + chance.randint(1, 200)] * chance.randint(2, 30) + data[at:]
            case 9:
                data = data[:at] + data[at + chance.randint(1, 60) :]
    return data[:60_000]


_VALUES = ['""', "0", "-1", "true", "[]", "{}", '"any"', '"x"', "1e9", "[1]", '[""]', '"\\u0000"', "'(a+)+'",
           "2026-01-01", '"é"', "99999999999999999999", '["a", "a"]', "nan", '"%Y"', '"Europe/Berlin"',
           "'(?P<a>'"]  # fmt: skip


def spoilt_mapping(chance: random.Random, text: str) -> str:
    """A mapping with some things done to it."""
    for _ in range(chance.randint(1, 4)):
        lines = text.split("\n")
        row = chance.randrange(len(lines))
        keyed = [at for at, line in enumerate(lines) if "=" in line]
        match chance.randrange(8):
            case 0:
                del lines[row]
            case 1:
                lines.insert(row, lines[chance.randrange(len(lines))])
            case 2 if keyed:
                at = chance.choice(keyed)
                lines[at] = f"{lines[at].partition('=')[0]}= {chance.choice(_VALUES)}"
            case 3 if keyed:
                one, other = chance.choice(keyed), chance.choice(keyed)
                key, _, value = lines[one].partition("=")
                lines[one] = f"{key}={lines[other].partition('=')[2] or value}"
            case 4:
                line = lines[row]
                at = chance.randrange(len(line) + 1)
                lines[row] = (
                    line[:at] + chance.choice(["'", '"', "[", "]", ".", "=", "\\", "é", "\x00", "#", "x"]) + line[at:]
                )
            case 5 if keyed:
                at = chance.choice(keyed)
                key, _, value = lines[at].partition("=")
                lines[at] = f"{key.strip()}{chance.choice(['s', '_x', '.x', ''])} ={value}"
            case 6:
                lines.insert(row, f"[{chance.choice(['vitals.x', 'time.x', 'extra', 'patient', 'output.fhir', ''])}]")
            case _:
                lines[row] = lines[row][: chance.randrange(len(lines[row]) + 1)]
        text = "\n".join(lines)
    return text


def converted(base: Base, mapping: str, export: bytes, folder: Path) -> Report:
    """Convert in a folder that is empty."""
    (folder / "mapping.toml").write_text(mapping, encoding="utf-8", newline="")
    (folder / "export").write_bytes(export)
    sent = SENT if 'anchor = "given"' in mapping or 'reference = "given"' in mapping else None
    return convert(
        [folder / "export"],
        folder / "mapping.toml",
        folder / "out",
        as_="both",
        bundle="ndjson",
        verify="full",
        sent=sent,
    ).report


def wrong_with(report: Report, out: Path, *, coloured: bool) -> Iterator[str]:
    """What must not be in a result."""
    reckoning = report.reckoning
    if not reckoning.lines.adds_up:
        yield f"{reckoning.lines.read} lines were read and {reckoning.lines.total} have a place"
    if not reckoning.readings.adds_up:
        yield "the readings do not add up"
    for file in (out / "fhir").glob("*.ndjson") if coloured else ():
        for line in file.read_text(encoding="utf-8").splitlines():
            record = json.loads(line, parse_float=str, parse_int=str)
            for part in (record, *record.get("component", ())):
                if record["resourceType"] != "Observation" or "valueQuantity" not in part:
                    continue
                vital = next((LOINC[each["code"]] for each in part["code"]["coding"] if each["code"] in LOINC), None)
                value = part["valueQuantity"]["value"]
                if vital is not None and not value.endswith(f".{_COLOURS[vital]}"):
                    yield f"{vital} is {value}, which stands in another column"


def once(outcome: Outcome, base: Base, mapping: str, export: bytes, *, coloured: bool, again: str) -> None:
    """One conversion, judged."""
    begun = time.process_time()
    with tempfile.TemporaryDirectory(prefix="fuzz-") as name:
        folder = Path(name)
        try:
            report = converted(base, mapping, export, folder)
        except GatewayError as error:
            outcome.counts[type(error).__name__] += 1
            if "fault of the gateway" in f"{error}" or not (error.what and error.todo):
                outcome.faults.append(f"{again}: {error!r}")
        except Exception:  # noqa: BLE001 (whatever it is, it is a fault)
            outcome.counts["traceback"] += 1
            outcome.faults.append(f"{again}:\n{traceback.format_exc(limit=-4)}")
        else:
            outcome.counts["converted"] += 1
            outcome.faults += [f"{again}: {what}" for what in wrong_with(report, folder / "out", coloured=coloured)]
    took = time.process_time() - begun
    outcome.slowest = max(outcome.slowest, took)
    if took > SLOW:
        outcome.faults.append(f"{again}: it took {took:.1f} s")


@contextmanager
def without_pages() -> Iterator[None]:
    """Reports have no page and no pictures, which take far longer than a small conversion."""
    with (
        mock.patch("gateway.report.page.html", return_value=""),
        mock.patch("gateway.report.Drawing", nullcontext),
    ):
        yield


def fuzz(exports: int, mappings: int, seed: int, until: Callable[[], bool] = lambda: False) -> tuple[Outcome, Outcome]:
    """Spoil exports, then mappings.

    Args:
        exports: how many exports.
        mappings: how many mappings.
        seed: the same seed spoils the same.
        until: asked before each; when it says so, the run ends.

    Returns:
        What came of the exports, and of the mappings.
    """
    known = bases()
    of_exports, of_mappings = Outcome(), Outcome()
    with without_pages():
        for number in range(exports):
            if until():
                break
            chance = random.Random(f"{seed}-export-{number}")
            base = known[number % len(known)]
            structural = base.coloured and chance.random() < 0.7
            export = spoilt(chance, base.export, digits=not structural)
            again = f"export {number} of seed {seed} ({base.name})"
            judged = structural and not compensated(base.export, export)
            once(of_exports, base, base.mapping, export, coloured=judged, again=again)
        for number in range(mappings):
            if until():
                break
            chance = random.Random(f"{seed}-mapping-{number}")
            base = known[number % len(known)]
            text = spoilt_mapping(chance, base.mapping)
            again = f"mapping {number} of seed {seed} ({base.name})"
            try:
                load_mapping(text + "\n")
            except MappingError as error:
                of_mappings.counts["refused"] += 1
                if not error.problems and "line" not in (error.where or ""):
                    of_mappings.faults.append(f"{again}: no line is named: {error}")
                of_mappings.faults += [
                    f"{again}: it does not say what to do: {each}"
                    for each in error.problems
                    if not (each.what and each.todo)
                ]
            except Exception:  # noqa: BLE001 (whatever it is, it is a fault)
                of_mappings.counts["traceback"] += 1
                of_mappings.faults.append(f"{again}:\n{traceback.format_exc(limit=-4)}")
            else:
                once(of_mappings, base, text, base.export, coloured=False, again=again)
    return of_exports, of_mappings


def main(words: Sequence[str]) -> int:
    """The command; 0 when nothing was found."""
    parser = argparse.ArgumentParser(prog="./dev fuzz", description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--exports", type=int, default=10_000)
    parser.add_argument("--mappings", type=int, default=2_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=3_600, help="end after so long, whatever is left")
    asked = parser.parse_args(words)
    begun = time.monotonic()
    outcomes = fuzz(asked.exports, asked.mappings, asked.seed, lambda: time.monotonic() - begun > asked.seconds)
    for what, outcome in zip(("exports", "mappings"), outcomes, strict=True):
        ends = ", ".join(f"{count:,} {end}" for end, count in sorted(outcome.counts.items()))
        print(f"{what}: {ends}; the slowest took {outcome.slowest:.2f} s; {len(outcome.faults)} faults")
        for fault in outcome.faults[:20]:
            print(fault)
    return int(any(outcome.faults for outcome in outcomes))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
