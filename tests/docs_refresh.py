"""Sections of the documents that are made from the program: tables of keys, vitals, limits, rules and options, output.

    python -m tests.docs_refresh            write what is out of date
    python -m tests.docs_refresh --check    name it, change nothing, exit with 1 when there is any

The documents are README.md, DEVELOPERS.md and all pages below docs/. A section stands between `<!-- made: NAME -->` and
`<!-- end: NAME -->`; several pages may show the same one. The man page is made as a whole. `tests/test_docs.py` fails
when something is out of date. Commands shown with their output are run here, in a folder of their own, with the export
and the change to the mapping that the tutorial itself shows: what a reader copies is what was run.
"""

from __future__ import annotations

import csv
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
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any, get_type_hints

import typer

from gateway import checks, vocabulary
from gateway.cli import main as cli
from gateway.identity import forms as association_files
from gateway.inspection.bands import LEGEND, picture
from gateway.mapping import forms, loader
from gateway.report.model import CAUTIONS
from gateway.version import VERSION
from gateway.vocabulary.tables import AGES

REPOSITORY = Path(__file__).resolve().parents[1]
DOCS = REPOSITORY / "docs"
TUTORIAL = DOCS / "tutorial" / "first-mapping.md"
MAN = DOCS / "man" / "gateway.1"
OPENAPI = DOCS / "reference" / "openapi.json"
CATEGORIES = ("neonate", "infant", "child", "adult", "unknown")

# The tables of a mapping file in the order in which people write them: heading, name in the schema ("" is the file
# itself), and a line about the table.
TABLES = (
    ("Top of the file", "", "These keys stand before the first `[table]`."),
    *((f"`[{form}]`", table.__name__, "") for form, table in forms.tables().items()),
    ("`[delimited.only]`", "Only", "Which rows are meant, where an export holds rows of other kinds as well."),
    ("`[delimited.sheet]`", "Sheet", "For exports that are spreadsheets (.xlsx, .xls, .ods)."),
    ("`[framed.length]`", "Length", "For frames that begin with the length of their text."),
    ("`[framed.stuffing]`", "Stuffing", "For frames in which bytes that look like marks are escaped."),
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
    (
        "`[patient.crosswalk]`",
        "PatientCrosswalk",
        "For exports without an identifier; the file is given as `--associations`. See "
        "[associations](../how-to/associations.md).",
    ),
    ("`[device]`", "Device", "All optional."),
    ("`[operator]`, `[location]`, `[encounter]`", "Identified", "The same keys in each; all optional."),
    ("`[category]`", "PatientCategory", "Patient category. It chooses the limits."),
    ("`[category.born]`", "Born", "The birth date: finer limits for infants and children."),
    ("`[category.age]`", "Years", "The age, where there is no birth date."),
    (
        "`[mode]`, `[cuff]`, `[position]`",
        "Qualifier",
        "What else there is to know of the blood pressures: how the measurement was started, cuff size, body position. "
        "The keys are in a [table of their own](vitals.md). A text that is not named is left out, and told.",
    ),
    ("`[vitals.KEY]`", "VitalSource", "One table for each vital. KEY is a key from the [table of vitals](vitals.md)."),
    ("`site = { ... }` of a vital", "Site", ""),
    ("`method = { ... }` of a vital", "Method", ""),
    ("`quality = { ... }` of a vital", "Quality", ""),
    (
        "`[absent]`, and `absent = { ... }` of a vital",
        "Absent",
        'Each key is a token: `"LEAK" = { reason = "error" }`.',
    ),
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
        rows = []
        for parameter in command.params:
            option = parameter.opts[0] if parameter.param_type_name == "option" else ""
            taken = _taken(command, parameter)
            default = parameter.default
            default = default.value if isinstance(default, enum.Enum) else default
            stated = "required" if parameter.required else "" if default in (None, False) else _code(str(default))
            rows.append((_code(f"{option} {taken}".strip()), stated, parameter.help))
        summary = (inspect.getdoc(command.callback) or "").split("\n")[0]
        parts.append(f"`gateway {name}`: {summary}\n\n" + _table(("argument or option", "default", "meaning"), rows))
    return "\n\n".join(parts)


def _taken(command: Any, parameter: Any) -> str:
    """What stands behind an option, or for an argument: its choices, or the word of its help."""
    kind = get_type_hints(command.callback).get(parameter.name)
    choices = [each.value for each in kind] if inspect.isclass(kind) and issubclass(kind, enum.Enum) else []
    return "|".join(choices) or ("" if kind is bool else str(parameter.metavar or ""))


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
        parts.append("\n\n".join(part for part in (f"## {heading}", words, text) if part))
    reasons = _codes(_reasons())
    parts.append(f"A reason is one of FHIR's data-absent-reason codes: {reasons}.")
    return "\n\n".join(parts)


# Meaning of the keys of a site file that the models do not describe themselves.
SITE_WORDS = {
    "name": "name of its own, shown in reports and logs",
    "feeds": "one `[[feeds]]` for each place where exports appear",
    "targets": "one `[[targets]]` for each receiver",
    "complete": "when a file may be taken: one of the tables that follow",
    "kind": "what kind of target it is",
    "by": "how completeness is told",
    "user": "name of the account",
    "auth": "who we are: one of the tables that follow",
    "tls": "encryption: the table that follows",
    "method": "how the gateway shows who it is",
    "username": "name of the account",
    "client_id": "name under which the token server knows the gateway",
    "token_url": "address of the token server",
    "scope": "what is asked for",
    "algorithm": "how the assertion is signed",
    "longest_pause": "longest pause between two attempts, in seconds",
    "connect_timeout": "seconds to wait for the connection",
}


def site_keys() -> str:
    """Every key of a site file, table by table as they stand inside each other, from the schema of its model."""
    from gateway.nightly import site

    made = site.Site.model_json_schema()
    return "\n\n".join(_keys_below("Top of the file", made, made["$defs"]))


def _keys_below(heading: str, table: dict[str, Any], tables: dict[str, Any]) -> list[str]:
    """A table of keys, then those of the tables that may stand in it."""
    rows, parts = [], []
    for key, rule in table["properties"].items():
        meaning = rule.get("description") or SITE_WORDS[key]
        rows.append((_code(key), _values(rule), _default(key, rule, table), meaning))
        for name in dict.fromkeys(re.findall(r"#/\$defs/(\w+)", json.dumps(rule))):
            inner = tables[name]
            if "properties" not in inner:
                continue
            said = (
                (f"{kind} = {_toml(each['const'])}") for kind, each in inner["properties"].items() if "const" in each
            )
            told = next(said, "")
            if rule.get("type") == "array":
                place = f"`[[{key}]]`" + (f" with `{told}`" if told else "")
            else:
                place = f"`{key} = {{ {told + ', ' if told else ''}... }}` of {heading}"
            parts += _keys_below(place, inner, tables)
    return [f"## {heading}\n\n" + _table(("key", "value", "default", "meaning"), rows), *parts]


def service_keys() -> str:
    """Every setting of the service, from its model."""
    from gateway.service import settings

    parts = []
    for heading, model in (("", settings.Settings), ("#### `[[tokens]]`", settings.Token)):
        words = _attributes(model)
        made = model.model_json_schema()
        rows = [
            (_code(key), _values(rule), _default(key, rule, made), words[key])
            for key, rule in made["properties"].items()
        ]
        parts.append("\n\n".join(filter(None, (heading, _table(("key", "value", "default", "meaning"), rows)))))
    return "\n\n".join(parts)


def _attributes(model: type[Any]) -> dict[str, str]:
    """What the docstring of a class says of each of its attributes."""
    told = inspect.cleandoc(model.__doc__ or "").partition("Attributes:\n")[2]
    found = re.findall(r"^    (\w+): (.*(?:\n {6,}.*)*)", told, re.M)
    return {key: " ".join(words.split()).rstrip(".") for key, words in found}


def report_format() -> str:
    """The parts of report.json, from its schema."""
    from gateway import report

    made = report.schema()
    tables = {"The report": made} | {name: each for name, each in made["$defs"].items() if "properties" in each}
    parts = []
    for name, table in tables.items():
        rows = [(_code(key), _kind(rule), rule.get("description", "")) for key, rule in table["properties"].items()]
        words = "" if table is made else str(table.get("description", ""))
        parts.append("\n\n".join(filter(None, (f"### {name}", words, _table(("key", "value", "meaning"), rows)))))
    return "\n\n".join(parts)


def findings_format() -> str:
    """The columns of findings.csv."""
    from gateway.report.findings import COLUMNS

    safe = "Cells are written so that a spreadsheet runs none of them."
    return f"The first line names the columns: {_codes(COLUMNS)}. {safe}"


def _kind(rule: dict[str, Any]) -> str:
    """The type that a JSON Schema states, in words; names of other tables as they are."""
    if "anyOf" in rule:
        return " or ".join(dict.fromkeys(_kind(each) for each in rule["anyOf"]))
    if "$ref" in rule:
        return str(rule["$ref"]).rpartition("/")[2]
    if "const" in rule or "enum" in rule:
        return _codes(json.dumps(each) for each in rule.get("enum", [rule.get("const")]))
    kind = rule.get("type", "any")
    if kind == "array":
        return f"list of {_kind(rule['items'])}" if "items" in rule else "list"
    if kind == "object":
        inner = rule.get("additionalProperties")
        return f"object of {_kind(inner)}" if isinstance(inner, dict) else "object"
    return f"{kind} ({rule['format']})" if "format" in rule else str(kind)


@cache
def _openapi() -> dict[str, Any]:
    from gateway.service.app import create_app
    from gateway.service.settings import Settings

    return create_app(Settings()).openapi()


def http_interface() -> str:
    """Every path of the service with what it takes and answers, and every schema, from the OpenAPI description."""
    made = _openapi()
    parts = []
    problems: dict[str, str] = {}
    for path, methods in made["paths"].items():
        for method, told in methods.items():
            text = " ".join((told.get("description") or "").split())
            body = told.get("requestBody", {}).get("content", {})
            takes = [f"`{kind}`: {_schema_link(each)}" for kind, each in body.items()]
            lines = [f"### `{method.upper()} {path}`", f"{told['summary']}. {text}".strip()]
            if takes:
                lines.append("Takes " + "; ".join(takes) + ".")
            if told.get("parameters"):
                rows = [
                    (
                        _code(each["name"]),
                        each["in"],
                        _kind(each["schema"]),
                        " ".join(each.get("description", "").split()),
                    )
                    for each in told["parameters"]
                ]
                lines.append(_table(("parameter", "in", "value", "meaning"), rows))
            answers_made: list[tuple[str, str, str]] = []
            faults = []
            for status, answer in told["responses"].items():
                if int(status) >= 400:
                    faults.append(_code(status))
                    problems[status] = " ".join(answer["description"].split())
                    continue
                forms = answer.get("content", {})
                shown_forms = ", ".join(
                    f"`{kind}`" + (f" {link}" if (link := _schema_link(each)) else "") for kind, each in forms.items()
                )
                answers_made.append((_code(status), " ".join(answer["description"].split()), shown_forms))
            lines.append(_table(("status", "meaning", "form"), answers_made))
            if faults:
                lines.append(f"Problems: {', '.join(faults)}.")
            parts.append("\n\n".join(lines))
    told_of = _table(("status", "meaning"), [(_code(status), words) for status, words in sorted(problems.items())])
    parts += ["## Problems", "Each is answered with problem details (RFC 9457), a [Problem](#problem).", told_of]
    parts.append("## Schemas")
    for name, table in made["components"]["schemas"].items():
        rows = [
            (_code(key), _kind(rule), "yes" if key in table.get("required", ()) else "",
             " ".join(rule.get("description", "").split()))
            for key, rule in table.get("properties", {}).items()
        ]  # fmt: skip
        words = " ".join(table.get("description", "").split())
        parts.append(
            "\n\n".join(filter(None, (f"### {name}", words, _table(("key", "value", "required", "meaning"), rows))))
        )
    return "\n\n".join(["## Paths", *parts])


def _schema_link(content: dict[str, Any]) -> str:
    name = str(content.get("schema", {}).get("$ref", "")).rpartition("/")[2]
    return f"[{name}](#{name.lower()})" if name else ""


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
    if "oneOf" in rule:
        return "table"
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
        items = rule["items"]
        if "$ref" in items or "oneOf" in items:
            return "tables"
        if "enum" in items:
            return f"list of {_codes(map(_toml, items['enum']))}"
        bounds = f", {rule['minItems']} to {rule['maxItems']}" if "minItems" in rule and "maxItems" in rule else ""
        return f"list of texts{bounds}"
    if kind == "object":
        inner = rule["additionalProperties"]
        return "tables" if "$ref" in inner or inner.get("type") == "object" else f"table: text = {_values(inner)}"
    if kind in ("integer", "number"):
        return _range(rule)
    if kind == "boolean":
        return "`true`, `false`"
    if rule.get("format") == "path":
        return "path"
    return "one character" if rule.get("maxLength") == 1 else "text"


def _range(rule: dict[str, Any]) -> str:
    """The numbers that a key may have, in words."""
    above = f"more than {rule['exclusiveMinimum']:g}" if "exclusiveMinimum" in rule else ""
    low, high = rule.get("minimum"), rule.get("maximum")
    if low is not None and high is not None:
        return f"{low} to {high}"
    parts = [above, f"{low} or more" if low is not None else "", f"at most {high}" if high is not None else ""]
    return ", ".join(filter(None, parts)) or ("whole number" if rule["type"] == "integer" else "number")


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
            asked = qualifier.coding.code if qualifier.coding else "text"
            rows.append((_code(qualifier.key), asked, _code(answer.key), answer.title, code))
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
    finer = []
    for vital in vocabulary.vitals().values():
        whole = [vocabulary.limits("proposal", part.partition(":")[0], vital.key) for part in AGES]
        parts = [vocabulary.limits("proposal", part, vital.key) for part in AGES]
        if parts != whole:
            finer.append((_code(vital.key), *[band(found.flag) if found else "" for found in parts]))
    titles = ("infant to 3 months", "infant from 3 months", "child to 3 years", "child from 4 years")
    return "\n\n".join(
        (
            _table(("vital", "unit", "band", *CATEGORIES), rows),
            "Finer `flag` limits where the export states a birth date or an age (`[category.born]`, `[category.age]`), "
            "just inside the worst sub-score of the Bedside PEWS candidate table (Crit Care 2009, read second hand); "
            "they tell what is unusual, and are no score:",
            _table(("vital", *titles), finer),
        )
    )


def bands() -> str:
    """A picture of the limits of every vital."""
    parts = []
    for vital in vocabulary.vitals().values():
        if lines := picture(vital.key):
            parts.append("\n".join([vital.key, *lines]))
    return "```text\n" + "\n\n".join([*parts, LEGEND]) + "\n```"


def rules() -> str:
    """Every rule."""
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
    """Do what the tutorial says, with the texts it shows."""
    text = TUTORIAL.read_text(encoding="utf-8")
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
        received = ("--received", "2025-03-14T12:00:00-04:00")
        made["preview"] = _run(folder, "check", "my-monitor.toml", "first-export.csv", *received)
        head, middle, tail = original.partition("[absent]\n")
        assert middle, "the shipped mapping has no table [absent]"
        mapping.write_text(f"{head}{middle}{addition}{tail}", encoding="utf-8")
        made["mended"] = _run(folder, "check", "my-monitor.toml", "first-export.csv", *received)
        words = (
            "convert",
            "first-export.csv",
            "--mapping",
            "my-monitor.toml",
            "--out",
            "result",
            "--as",
            "both",
            *received,
        )
        made["converted"] = _run(folder, *words)
        files = sorted(path.relative_to(folder).as_posix() for path in (folder / "result").rglob("*") if path.is_file())
        made["files"] = "\n".join(files)
        made["row"] = _row(folder)
    return made


def _row(folder: Path) -> str:
    """The first row of the tutorial's export beside what became of it: cell, Observation, OBX."""
    mapping = loader.load(folder / "my-monitor.toml").mapping
    assert mapping.delimited is not None
    rows = csv.reader((folder / "first-export.csv").open(encoding="utf-8"), delimiter=mapping.delimited.delimiter)
    row = dict(zip(next(rows), next(rows), strict=True))
    (bundle,) = (folder / "result" / "fhir").glob("*.bundle.json")
    observed: dict[str, str] = {}
    for entry in json.loads(bundle.read_text(encoding="utf-8"), parse_float=str)["entry"]:
        resource = entry["resource"]
        for part in (resource, *resource.get("component", ())):
            if "valueQuantity" in part or "valueCodeableConcept" in part:
                quantity = part.get("valueQuantity")
                value = f"{quantity['value']} {quantity['code']}" if quantity else part["valueCodeableConcept"]["text"]
                for coding in part["code"]["coding"]:
                    observed.setdefault(coding["code"], value)
    (batch,) = (folder / "result" / "oru").glob("*.hl7")
    message = batch.read_bytes().decode("utf-8").partition("\rMSH")[2]  # a text file would lose the carriage returns
    segments = {}
    for line in message.partition("\rMSH")[0].split("\r"):
        fields = line.split("|")
        if fields[0] == "OBX":
            code = fields[3].partition("^")[0]
            numbered = ((3, code), (5, fields[5]), (6, fields[6].partition("^")[0]))
            segments[code] = " ".join(f"OBX-{number} `{field}`" for number, field in numbered if field)
    cells = []
    for key, source in mapping.vitals.items():
        vital = vocabulary.vitals()[key]
        codes = [coding.code for coding in vital.codings]
        found = next((each for each in codes if each in segments), None)
        if found is not None and source.column in row and row[source.column]:
            value = next(observed[each] for each in codes if each in observed)
            cells.append((f"{source.column}: `{row[source.column]}`", f"{vital.title} `{value}`", segments[found]))
    assert cells, "no cell of the row has become a record"
    return _table(("in the export", "in FHIR R4", "in HL7 v2"), cells)


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


def first_export() -> str:
    """The export of the tutorial."""
    return _block(next(shown("csv", TUTORIAL.read_text(encoding="utf-8"))), "text")


def row() -> str:
    """One row of an export beside its records."""
    return _walk()["row"]


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
past_days = "any"  # for this page, which grows old

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


def association_forms() -> str:
    """The forms in which associations may be written, by the endings of their files."""
    return _table(
        ("file", "what it holds"),
        ((", ".join(f"`{each}`" for each in form.endings), form.holds) for form in association_files.forms().values()),
    )


SECTIONS: dict[str, Callable[[], str]] = {
    "bands": bands,
    "association forms": association_forms,
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
    "first export": first_export,
    "one row": row,
    "options": options,
    "exit statuses": exit_statuses,
    "mapping keys": mapping_keys,
    "site keys": site_keys,
    "service keys": service_keys,
    "answers": answers,
    "report format": report_format,
    "findings format": findings_format,
    "http": http_interface,
    "vitals": vitals,
    "qualifiers": qualifiers,
    "limits": limits,
    "rules": rules,
}


# -- the man page


def man_page() -> str:
    """The man page, from the commands themselves (roff as man(7) describes it)."""
    known: Any = typer.main.get_command(cli.app)
    lines = [
        r".\" Made by python -m tests.docs_refresh; do not edit.",
        f'.TH GATEWAY 1 "" "gateway {VERSION}" "Spot-check gateway"',
        ".SH NAME",
        "gateway \\- spot-check vital signs into FHIR and HL7 v2 records",
        ".SH SYNOPSIS",
        ".B gateway",
        r"\fICOMMAND\fR [\fIARGUMENTS\fR]",
        ".SH DESCRIPTION",
        _roff(str(known.help)),
        ".SH COMMANDS",
    ]
    for name, command in known.commands.items():
        lines += [f".SS gateway {_roff(name)}", _roff(" ".join((inspect.getdoc(command.callback) or "").split()))]
        for parameter in command.params:
            label = ", ".join(parameter.opts) if parameter.param_type_name == "option" else ""
            words = [
                rf"\f{font}{_roff(text)}\fR" for font, text in (("B", label), ("I", _taken(command, parameter))) if text
            ]
            lines += [".TP", " ".join(words)]
            lines.append(_roff(" ".join(str(parameter.help or "").split())))
    lines.append(".SH EXIT STATUS")
    for number, words in re.findall(r"^ +(\d+) +(.+)$", cli.EXIT_STATUS, re.M):
        lines += [".TP", number, _roff(words)]
    lines += [".SH CAUTIONS", *(line for words in CAUTIONS for line in (".PP", _roff(words)))]
    lines += [".SH SEE ALSO", _roff("gateway help lists the pages of the documentation.")]
    return "\n".join(lines) + "\n"


def _roff(text: str) -> str:
    """Text for a man page, a sentence that begins with a dot or a quote made safe."""
    safe = text.replace("\\", "\\e").replace("-", "\\-")
    wrapped = textwrap.wrap(safe, 100, break_long_words=False, break_on_hyphens=False)
    return "\n".join(("\\&" if line[:1] in ".'" else "") + line for line in wrapped)


def openapi_document() -> str:
    """The description of the HTTP interface, for programs and for the viewer of the site."""
    return json.dumps(_openapi(), indent=1, ensure_ascii=False) + "\n"


def pages() -> list[Path]:
    """Every document, the README first."""
    return [REPOSITORY / "README.md", REPOSITORY / "DEVELOPERS.md", *sorted(DOCS.rglob("*.md"))]


def marks(text: str) -> list[str]:
    """The names of the made sections of a page."""
    return re.findall(r"^<!-- made: (.+?) -->$", text, re.M)


def refreshed(text: str, name: str) -> str:
    """A page with one section made anew.

    Raises:
        ValueError: the page has no such section, or has it twice.
    """
    start, end = f"<!-- made: {name} -->\n", f"<!-- end: {name} -->"
    if text.count(start) != 1 or text.count(end) != 1:
        raise ValueError(f"the page must have the section {name!r} once, between its two marks")
    before, rest = text.split(start)
    return f"{before}{start}\n{SECTIONS[name]()}\n\n{end}{rest.split(end)[1]}"


def main(words: Sequence[str]) -> int:
    """Refresh every document, or with `--check` only say what is out of date."""
    stale = []
    for path in pages():
        before = text = path.read_text(encoding="utf-8")
        for name in marks(text):
            after = refreshed(text, name)
            if after != text:
                stale.append(f"{path.relative_to(REPOSITORY)}: {name}")
            text = after
        if text != before and "--check" not in words:
            path.write_text(text, encoding="utf-8")
    for file, made in ((MAN, man_page()), (OPENAPI, openapi_document())):
        if not file.exists() or file.read_text(encoding="utf-8") != made:
            stale.append(str(file.relative_to(REPOSITORY)))
            if "--check" not in words:
                file.parent.mkdir(exist_ok=True)
                file.write_text(made, encoding="utf-8")
    print("\n".join(f"{each}: out of date" for each in stale) or "The documents are up to date.")
    return int(bool(stale) and "--check" in words)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
