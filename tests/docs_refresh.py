"""Sections of README.md that are made from the program: tables of keys, vitals, limits, rules and options, and output.

    python -m tests.docs_refresh            write the sections that are out of date
    python -m tests.docs_refresh --check    name them, change nothing, exit with 1 when there are any

A section stands between `<!-- made: NAME -->` and `<!-- end: NAME -->`. `tests/test_docs.py` fails when one is out of
date. Commands shown with their output are run here, in a folder of their own, with the export and the change to the
mapping that the README itself shows: what a reader copies is what was run.
"""

from __future__ import annotations

import enum
import http
import inspect
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any, get_type_hints

import typer

from gateway import checks, vocabulary
from gateway.entry import cli
from gateway.mapping import forms, loader
from gateway.report.model import CAUTIONS

REPOSITORY = Path(__file__).resolve().parents[1]
README = REPOSITORY / "README.md"
CATEGORIES = ("neonate", "infant", "child", "adult", "unknown")

# The tables of a mapping file in the order in which people write them: heading, name in the schema ("" is the file
# itself), and a line about the table.
TABLES = (
    ("Top of the file", "", "These keys stand before the first `[table]`."),
    *((f"`[{form}]`", table.__name__, "") for form, table in forms.tables().items()),
    ("`[[listing.records]]`, `[[framed.records]]`", "Record", "One table for each kind of line or record."),
    ("`[line]`", "Line", "How `gateway capture` sets the serial line."),
    ("`[memory]`", "Memory", ""),
    ("`[numbers]`", "Numbers", ""),
    ("`[time]`", "Time", ""),
    ("`[time.age]`", "Age", ""),
    ("`[time.clock]`", "Clock", ""),
    ("`[patient]`", "Patient", ""),
    ("`[patient.systems]`", "PatientSystems", "Where the export holds patients of several identifier systems."),
    ("`TEXT = { ... }` in `values` of `[patient.systems]`", "PatientSystem", ""),
    ("`[device]`", "Device", "All optional."),
    ("`[operator]`, `[location]`, `[encounter]`", "Identified", "The same keys in each; all optional."),
    ("`[category]`", "PatientCategory", "Patient category. It chooses the limits."),
    (
        "`[mode]`, `[cuff]`, `[position]`",
        "Qualifier",
        "What else there is to know of the blood pressures: how the measurement was started, cuff size, body position. "
        "The keys are in a [table of their own](#vitals). A text that is not named is left out, and told.",
    ),
    ("`[vitals.KEY]`", "VitalSource", "One table for each vital. KEY is a key from the [table of vitals](#vitals)."),
    ("`site = { ... }` of a vital", "Site", ""),
    ("`method = { ... }` of a vital", "Method", ""),
    ("`quality = { ... }` of a vital", "Quality", ""),
    ("`[absent]`, and `absent = { ... }` of a vital", "Absent", 'Each key is a token: `"E3" = { reason = "error" }`.'),
    ("`[plausibility]`", "Plausibility", ""),
    ("`[plausibility.limits.CATEGORY]`: `VITAL = { ... }`", "Band", ""),
    ("`[output]`", "Output", ""),
    ("`[output.fhir]`", "FhirOutput", ""),
    ("`[output.oru]`", "OruOutput", ""),
)  # fmt: skip

# Meaning of the keys that the model itself does not describe. A key that gets a description there must go from here.
WORDS = {
    ("", "title"): "name of the mapping, shown in the report and in Provenance",
    ("", "version"): "your own version of the mapping; raise it with every change",
    ("", "memory"): "see below",
    ("", "numbers"): "see below",
    ("", "time"): "see below",
    ("", "patient"): "see below",
    ("", "device"): "see below",
    ("", "operator"): "see below",
    ("", "location"): "see below",
    ("", "encounter"): "see below",
    ("", "category"): "see below",
    ("", "mode"): "see below",
    ("", "cuff"): "see below",
    ("", "position"): "see below",
    ("", "vitals"): "see below",
    ("", "plausibility"): "see below",
    ("", "output"): "see below",
    ("Delimited", "delimiter"): 'the character between cells; a tab is `"\\t"`',
    ("Line", "data_bits"): "bits of a character",
    ("Line", "parity"): "parity bit",
    ("Line", "stop_bits"): "stop bits",
    ("Numbers", "decimal"): "decimal mark",
    ("Numbers", "thousands"): "mark between groups of three digits; empty for none",
    ("Time", "ambiguous"): "a local time that happens twice when clocks go back: hold it, or take one of the two",
    ("Time", "nonexistent"): "a local time that is skipped when clocks go forward: hold it, or read it with the offset "
    "from before or after the change",
    ("Device", "column"): "the column that holds the identifier",
    ("Device", "fixed"): "one identifier for the whole export, instead of a column",
    ("Identified", "column"): "the column that holds the identifier",
    ("Identified", "fixed"): "one identifier for the whole export, instead of a column",
    ("PatientCategory", "column"): "the column that tells the category",
    ("PatientCategory", "fixed"): "one category for the whole export, or for rows where the column is empty",
    ("VitalSource", "comparators"): "as in `[numbers]`, for this vital alone",
    ("Site", "column"): "the column that tells the site",
    ("Method", "column"): "the column that tells the method",
    ("Quality", "column"): "the column that tells the quality",
    ("Age", "unit"): "unit of the age",
    ("Absent", "reason"): "why there is no value",
    ("Output", "status"): "`final` only where a clinician has accepted the readings before they come here",
    ("Output", "fhir"): "see below",
    ("Output", "oru"): "see below",
    ("FhirOutput", "profile"): "base vital-signs profiles of R4, or US Core",
    ("FhirOutput", "provenance"): "add a Provenance with the hashes of export and mapping",
    ("OruOutput", "version"): "HL7 version, MSH-12",
    ("OruOutput", "sending_application"): "MSH-3, and the namespace of OBR-3",
    ("OruOutput", "sending_facility"): "MSH-4",
    ("OruOutput", "receiving_application"): "MSH-5",
    ("OruOutput", "receiving_facility"): "MSH-6",
    ("OruOutput", "processing"): "MSH-11: production, training, debugging",
    ("OruOutput", "orc"): "add an ORC segment before OBR",
    ("OruOutput", "patient_class"): "PV1-2, HL7 table 0004",
}


# -- Markdown


def _table(heading: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [heading, ["---"] * len(heading), *rows]
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in lines)


def _code(text: str) -> str:
    return f"`{text}`" if text else ""


def _codes(texts: Iterable[str]) -> str:
    return ", ".join(map(_code, texts))


def _block(text: str, language: str = "console") -> str:
    return f"```{language}\n{text.rstrip()}\n```"


def _toml(value: object) -> str:
    """A value as a mapping file states it."""
    if isinstance(value, str) and '"' in value:
        return f"'{value}'"
    return json.dumps(value, ensure_ascii=False)


# -- sections from data


def cautions() -> str:
    """The cautions of the report."""
    return "\n".join(f"* {words}" for words in CAUTIONS)


def exit_statuses() -> str:
    """What the exit status of `gateway convert` means."""
    rows = re.findall(r"^ +(\d+) +(.+)$", cli.EXIT_STATUS, re.M)
    return _table(("status", "meaning"), [(_code(number), words) for number, words in rows])


def options() -> str:
    """Every command with its arguments and options, from the functions of the command line."""
    parts = []
    known: Any = typer.main.get_command(cli.app)
    for name, command in known.commands.items():
        hints = get_type_hints(command.callback)
        rows = []
        for parameter in command.params:
            kind = hints.get(parameter.name)
            choices = [each.value for each in kind] if inspect.isclass(kind) and issubclass(kind, enum.Enum) else []
            option = parameter.opts[0] if parameter.param_type_name == "option" else ""
            taken = "|".join(choices) or ("" if kind is bool else str(parameter.metavar or ""))
            default = parameter.default
            default = default.value if isinstance(default, enum.Enum) else default
            stated = "required" if parameter.required else "" if default in (None, False) else _code(str(default))
            rows.append((_code(f"{option} {taken}".strip()), stated, parameter.help))
        summary = (inspect.getdoc(command.callback) or "").split("\n")[0]
        parts.append(f"`gateway {name}`: {summary}\n\n" + _table(("argument or option", "default", "meaning"), rows))
    return "\n\n".join(parts)


def mapping_keys() -> str:
    """Every key of a mapping file, from the JSON Schema that `gateway check --schema` prints."""
    made = loader.schema()
    parts = []
    for heading, name, words in TABLES:
        table = made["$defs"][name] if name else made
        rows = []
        for key, rule in table["properties"].items():
            if WORDS.get((name, key)) == "see below" and key not in table.get("required", ()):
                continue
            meaning = rule.get("description") or WORDS[name, key]
            rows.append((_code(key), _values(rule), _default(key, rule, table), meaning))
        text = _table(("key", "value", "default", "meaning"), rows)
        parts.append("\n\n".join(part for part in (f"#### {heading}", words, text) if part))
    reasons = _codes(_reasons())
    parts.append(f"A reason is one of FHIR's data-absent-reason codes: {reasons}.")
    return "\n\n".join(parts)


# Meaning of the keys of a site file that the models do not describe themselves.
SITE_WORDS = {
    "name": "name of its own, shown in reports and logs",
    "feeds": "one `[[feeds]]` for each place where exports appear",
    "targets": "one `[[targets]]` for each receiver",
    "complete": "when a file may be taken: see below",
    "kind": "what kind of target it is",
    "by": "how completeness is told",
    "user": "name of the account",
}


def site_keys() -> str:
    """Every key of a site file, from its models."""
    from gateway.delivery.base import kinds
    from gateway.nightly import site

    tables: tuple[tuple[str, type[Any]], ...] = (
        ("Top of the file", site.Site),
        ("`[[feeds]]`", site.Feed),
        ('`complete = { by = "stable" }` of a feed', site.Stable),
        ('`complete = { by = "marker" }` of a feed', site.Marker),
        ('`complete = { by = "rename" }` of a feed', site.Renamed),
        ("`[feeds.sftp]`", site.Sftp),
        ("`[feeds.s3]`", site.S3),
        *((f'`[[targets]]` with `kind = "{kind}"`', settings) for kind, settings in kinds().items()),
    )
    parts = []
    for heading, model in tables:
        rows = []
        for key, field in model.model_fields.items():
            plain = isinstance(field.default, str | int | float) and field.default != ""
            default = "required" if field.is_required() else _code(_toml(field.default)) if plain else ""
            rows.append((_code(key), default, field.description or SITE_WORDS[key]))
        parts.append(f"#### {heading}\n\n" + _table(("key", "default", "meaning"), rows))
    return "\n\n".join(parts)


def answers() -> str:
    """What is made of the answers of receivers, from the table of them."""
    from gateway.delivery import answers as known

    became = {"parked": "parked", "later": "sent again"}
    rows = []
    for condition in ("", *sorted(known.CONDITIONS - {"0"}, key=int)):
        pair = [known.acknowledged(code, [condition]) for code in ("AE", "AR")]
        verdicts = [became[each.verdict] for each in pair if each is not None]
        words = pair[0].words if condition and pair[0] is not None else "no condition is stated"
        rows.append((_code(condition) or "none", *verdicts, words))
    parts = [_table(("condition", "after AE and CE", "after AR and CR", "in words"), rows)]
    grouped: dict[tuple[str, str], list[str]] = {}
    for code in [int(each) for each in http.HTTPStatus if each >= 300]:
        found = known.status(code)
        said = became[found.verdict]
        if found.everyone:
            said += "; a fault of the endpoint" if not found.soon else "; not this message's fault"
        grouped.setdefault((said, found.words), []).append(_code(str(code)))
    rows = [(", ".join(codes), said, words) for (said, words), codes in grouped.items()]
    parts.append(_table(("status", "what becomes of it", "in words"), rows))
    passing = [kind for kind in known.ISSUES if known.answered(422, [kind]).verdict == "later"]
    parts.append(f"A refused content is sent again all the same when the issue type is {_codes(passing)}.")
    return "\n\n".join(parts)


def _reasons() -> list[str]:
    return list(loader.schema()["$defs"]["Absent"]["properties"]["reason"]["enum"])


def _default(key: str, rule: dict[str, Any], table: dict[str, Any]) -> str:
    if key in table.get("required", ()):
        return "required"
    default = rule.get("default")
    return "" if default in (None, "", [], {}) or isinstance(default, dict) else _code(_toml(default))


def _values(rule: dict[str, Any]) -> str:
    """The values a key may have, in words."""
    if "anyOf" in rule:
        texts = [_values(part) for part in rule["anyOf"] if part.get("type") != "null"]
        return " or ".join(dict.fromkeys(texts))
    if "$ref" in rule:
        return "table"
    if "const" in rule:
        return _code(_toml(rule["const"]))
    if "enum" in rule:
        return "a reason" if rule["enum"] == _reasons() else _codes(map(_toml, rule["enum"]))
    kind = rule.get("type")
    if kind == "array":
        if "prefixItems" in rule:
            return "`[low, high]`"
        bounds = f", {rule['minItems']} to {rule['maxItems']}" if "minItems" in rule and "maxItems" in rule else ""
        return f"list of texts{bounds}"
    if kind == "object":
        inner = rule["additionalProperties"]
        return "tables" if "$ref" in inner or inner.get("type") == "object" else f"table: text = {_values(inner)}"
    if kind == "integer":
        return f"{rule['minimum']} to {rule['maximum']}"
    if kind == "boolean":
        return "`true`, `false`"
    return "one character" if rule.get("maxLength") == 1 else "text"


def vitals() -> str:
    """What the gateway knows, from the vocabulary."""
    units: dict[str, list[str]] = {}
    for unit in vocabulary.units().values():
        units.setdefault(unit.dimension, []).append(unit.ucum)
    rows = []
    for vital in vocabulary.vitals().values():
        loinc = [coding.code for coding in vital.codings]
        if vital.codings_by_unit:
            loinc = [f"{codings[0].code} in {unit}" for unit, codings in vital.codings_by_unit.items()]
        read = units.get(vital.dimension, []) if vital.kind == "quantity" else []
        rows.append(
            (
                _code(vital.key),
                vital.title,
                ", ".join(loinc),
                vital.mdc.code if vital.mdc else "",
                _codes(vital.units) or f"answers {_codes(vital.answers)}",
                _codes(each for each in read if each not in vital.units),
                str(vital.decimals) if vital.kind == "quantity" else "",
                _codes(vital.sites),
                _codes(vital.methods),
            )
        )
    heading = ("key", "vital", "LOINC", "MDC", "units of the record", "also read", "decimals", "sites", "methods")
    return _table(heading, rows)


def qualifiers() -> str:
    """What may be said beside a blood pressure, from the vocabulary."""
    rows = []
    for qualifier in vocabulary.qualifiers().values():
        for answer in qualifier.answers.values():
            code = f"SNOMED CT {answer.coding.code}" if answer.coding else "text"
            rows.append((_code(qualifier.key), qualifier.coding.code, _code(answer.key), answer.title, code))
    return _table(("table", "LOINC", "key", "meaning", "in the record"), rows)


def limits() -> str:
    """The limits of the profile `proposal`."""

    def band(pair: tuple[Fraction, Fraction] | None) -> str:
        return "" if pair is None else " to ".join(f"{float(end):g}" for end in pair)

    rows = []
    for vital in vocabulary.vitals().values():
        by_category = {category: vocabulary.limits("proposal", category, vital.key) for category in CATEGORIES}
        for name in ("hold", "flag"):
            bands = [band(getattr(found, name)) if found else "" for found in by_category.values()]
            if any(bands):
                unit = next(found.unit for found in by_category.values() if found)
                rows.append((_code(vital.key), _code(unit), name, *bands))
    return _table(("vital", "unit", "band", *CATEGORIES), rows)


def rules() -> str:
    """Every rule, from the rule files."""
    rows = [
        (_code(rule.slug), rule.severity.value, rule.effect.value, "yes" if rule.adjustable else "", rule.title)
        for rule in checks.rules().values()
    ]
    return _table(("rule", "severity", "effect", "adjustable", "what was noticed"), rows)


# -- sections that are the output of commands


def _run(folder: Path, *words: str) -> str:
    """Run one command of the gateway; what a terminal would show, errors after output."""
    paths = [str(REPOSITORY), os.environ.get("PYTHONPATH", "")]
    done = subprocess.run(
        [sys.executable, "-m", "gateway", *words],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, paths)), "PYTHONIOENCODING": "utf-8"},
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=300,
        check=False,
    )
    return f"$ gateway {shlex.join(words)}\n{done.stdout}{done.stderr}"


def shown(language: str, text: str) -> Iterator[str]:
    """The fenced blocks of a language, in order."""
    for match in re.finditer(rf"^```{language}\n(.*?)^```$", text, re.M | re.S):
        yield match[1]


@cache
def _walk() -> dict[str, str]:
    """Do what "Convert an export of your own" in the README says, with the texts it shows."""
    text = README.read_text(encoding="utf-8")
    export = next(shown("csv", text))
    addition = next(shown("toml", text))
    with tempfile.TemporaryDirectory(prefix="walk-") as name:
        folder = Path(name)
        mapping = folder / "my-monitor.toml"
        shutil.copy(REPOSITORY / "mappings" / "wide-example.toml", mapping)
        (folder / "first-export.csv").write_text(export, encoding="utf-8")
        made = {"check": _run(folder, "check", "my-monitor.toml")}
        original = mapping.read_text(encoding="utf-8")
        wrong = re.sub(r'^zone = "[^"]+"', 'zone = "EST"', original, count=1, flags=re.M)
        mapping.write_text(wrong, encoding="utf-8")
        made["mistake"] = _run(folder, "check", "my-monitor.toml")
        mapping.write_text(original, encoding="utf-8")
        made["preview"] = _run(folder, "check", "my-monitor.toml", "first-export.csv")
        head, middle, tail = original.partition("[absent]\n")
        assert middle, "the shipped mapping has no table [absent]"
        mapping.write_text(f"{head}{middle}{addition}{tail}", encoding="utf-8")
        made["mended"] = _run(folder, "check", "my-monitor.toml", "first-export.csv")
        words = ("convert", "first-export.csv", "--mapping", "my-monitor.toml", "--out", "result", "--as", "both")
        made["converted"] = _run(folder, *words)
        files = sorted(path.relative_to(folder).as_posix() for path in (folder / "result").rglob("*") if path.is_file())
        made["files"] = "\n".join(files)
    return made


@cache
def _demo() -> str:
    with tempfile.TemporaryDirectory(prefix="demo-") as folder:
        return _run(Path(folder), "demo").partition("\n")[2]


def demo() -> str:
    """The first demo's part of what `./dev demo` prints."""
    parts = re.split(r"^(?=== )", _demo(), flags=re.M)
    return _block(parts[1], "text")


def demos() -> str:
    """The demo exports by name."""
    return "\n".join(f"* `{each.name}`: {each.title}" for each in cli._demos())


def check() -> str:
    """Output of the static check."""
    return _block(_walk()["check"])


def mistake() -> str:
    """What a mistake in a mapping looks like."""
    return _block(_walk()["mistake"])


def preview() -> str:
    """The dry run before the unknown token is declared."""
    return _block(_walk()["preview"])


def mended() -> str:
    """The end of the dry run after that: the last set."""
    command, _, rest = _walk()["mended"].partition("\n")
    last = re.split(r"^(?=line )", rest, flags=re.M)[-1]
    return _block(f"{command}\n...\n{last}")


def converted() -> str:
    """Output of the conversion."""
    return _block(_walk()["converted"])


def files() -> str:
    """Files of the conversion."""
    return _block(_walk()["files"], "text")


ROUND = """\
Taken,Monitor,Sys,Dia,Pulse,SpO2
2026-03-14 09:30,M1,121,79,64,97
2026-03-14 10:00,M1,135,88,58,95
2026-03-14 10:30,M1,133,86,60,96
"""
ROUND_MAPPING = """\
title = "Round without names"
version = "1"
form = "delimited"
namespace = "https://elmfield.example.org/spot-checks"

[delimited]
layout = "wide"

[time]
columns = ["Taken"]
formats = ["%Y-%m-%d %H:%M"]
zone = "America/Chicago"

[patient]
system = "https://elmfield.example.org/patients"

[device]
column = "Monitor"
system = "https://elmfield.example.org/monitors"

[category]
fixed = "adult"

[vitals.systolic]
column = "Sys"
unit = "mmHg"

[vitals.diastolic]
column = "Dia"
unit = "mmHg"

[vitals.pulse_oximeter]
column = "Pulse"
unit = "/min"

[vitals.spo2]
column = "SpO2"
unit = "%"
"""
TYPED = """\
device,patient,from,to,established,by
M1,EF-0107,2026-03-14T08:00:00-05:00,2026-03-14T12:00:00-05:00,typed,N. Ole
"""
SCANNED = """\
device,patient,from,to,established,by
M1,EF-0107,2026-03-14T08:00:00-05:00,2026-03-14T09:40:00-05:00,typed,N. Ole
M1,EF-0231,2026-03-14T09:40:00-05:00,2026-03-14T12:00:00-05:00,wristband scanned,N. Ole
"""
MOVE = (
    "move", "--ledger", "ward.ledger", "--device", "M1", "--from", "2026-03-14T09:00:00-05:00",
    "--associations", "scanned.csv", "--who", "N. Ole", "--why", "monitor was at bed 4", "--mapping", "round.toml",
)  # fmt: skip


@cache
def _recovery() -> dict[str, str]:
    """Records of a wrong patient, moved to the right one; times of today stand as those of the example."""
    with tempfile.TemporaryDirectory(prefix="recovery-") as name:
        folder = Path(name)
        for file, text in (
            ("round.toml", ROUND_MAPPING),
            ("round.csv", ROUND),
            ("typed.csv", TYPED),
            ("scanned.csv", SCANNED),
        ):
            (folder / file).write_text(text, encoding="utf-8")
        words = ("convert", "round.csv", "--mapping", "round.toml", "--out", "first", "--as", "both")
        given = ("--associations", "typed.csv", "--ledger", "ward.ledger")
        made = {"recorded": _run(folder, *words, *given)}
        made["repeated"] = _run(folder, *words[:5], "again", *words[6:], *given)
        made["foreseen"] = _run(folder, *MOVE, "--dry-run")
        made["recovered"] = _run(folder, *MOVE, "--out", "corrected")
        made["audited"] = _run(folder, "audit", "--ledger", "ward.ledger")
    return {key: re.sub(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC", "2026-03-15 07:30:00 UTC", text)
            for key, text in made.items()}  # fmt: skip


def _beginning(text: str, lines: int) -> str:
    kept = text.splitlines()[:lines]
    return _block("\n".join([*kept, "..."]))


def recovery_files() -> str:
    """The files of the worked example."""
    parts = (("round.toml", ROUND_MAPPING), ("round.csv", ROUND), ("typed.csv", TYPED), ("scanned.csv", SCANNED))
    return "\n\n".join(f"`{name}`:\n\n{_block(text, 'text')}" for name, text in parts)


def recovery() -> str:
    """The worked example: recorded, read again, and moved."""
    made = _recovery()
    parts = [_beginning(made["recorded"], 2), _beginning(made["repeated"], 2)]
    return "\n\n".join([*parts, *(_block(made[key]) for key in ("foreseen", "recovered", "audited"))])


SECTIONS: dict[str, Callable[[], str]] = {
    "cautions": cautions,
    "demos": demos,
    "demo": demo,
    "check": check,
    "mistake": mistake,
    "preview": preview,
    "mended": mended,
    "converted": converted,
    "files": files,
    "recovery files": recovery_files,
    "recovery": recovery,
    "options": options,
    "exit statuses": exit_statuses,
    "mapping keys": mapping_keys,
    "site keys": site_keys,
    "answers": answers,
    "vitals": vitals,
    "qualifiers": qualifiers,
    "limits": limits,
    "rules": rules,
}


def refreshed(text: str, name: str) -> str:
    """A page with one section made anew.

    Raises:
        ValueError: the page has no such section, or has it twice.
    """
    start, end = f"<!-- made: {name} -->\n", f"<!-- end: {name} -->"
    if text.count(start) != 1 or text.count(end) != 1:
        raise ValueError(f"{README.name} must have the section {name!r} once, between its two marks")
    before, rest = text.split(start)
    return f"{before}{start}\n{SECTIONS[name]()}\n\n{end}{rest.split(end)[1]}"


def main(words: Sequence[str]) -> int:
    """Refresh README.md, or with `--check` only say what is out of date."""
    before = text = README.read_text(encoding="utf-8")
    stale = []
    for name in SECTIONS:
        after = refreshed(text, name)
        if after != text:
            stale.append(name)
        text = after
    if text != before and "--check" not in words:
        README.write_text(text, encoding="utf-8")
    print(f"{README.name}: {', '.join(stale) + ' out of date' if stale else 'up to date'}")
    return int(bool(stale) and "--check" in words)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
