"""The loader: files that cannot be read, what it returns, the shipped mappings, the schema."""

from __future__ import annotations

import hashlib
import pickle
import re
import tomllib
from decimal import Decimal
from pathlib import Path

import jsonschema
import pytest

from gateway import vocabulary
from gateway.errors import MappingError
from gateway.mapping import columns, load, ready, schema

SMALL = """\
title = "Small"
version = "1"
form = "delimited"
namespace = "urn:uuid:0c4d3c55-6f0f-4c0c-9b0c-1f2e3d4c5b6a"

[delimited]
layout = "wide"

[time]
columns = ["When"]
formats = ["%Y-%m-%dT%H:%M:%S%z"]
zone = "offset-in-text"

[patient]
column = "Who"
pattern = "any"
system = "https://hospital.example/mrn"

[vitals.heart_rate]
column = "HR"
unit = "bpm"
"""


def refusal(source: Path | str) -> MappingError:
    with pytest.raises(MappingError) as caught:
        load(source)
    error = caught.value
    return error.problems[0] if error.problems else error


def test_file_and_text_give_the_same_mapping(tmp_path: Path) -> None:
    file = tmp_path / "small.toml"
    file.write_bytes(SMALL.encode())
    loaded = load(file)
    assert loaded.mapping == load(SMALL).mapping == load(str(file)).mapping
    assert loaded.path == str(file)
    assert loaded.sha256 == hashlib.sha256(SMALL.encode()).hexdigest()
    assert loaded.where(("vitals", "heart_rate", "unit")) == "small.toml, line 21, key vitals.heart_rate.unit"


@pytest.mark.parametrize("text", ["\ufeff" + SMALL, SMALL.replace("\n", "\r\n")], ids=["mark", "crlf"])
def test_what_editors_add_is_no_mistake(tmp_path: Path, text: str) -> None:
    file = tmp_path / "small.toml"
    file.write_bytes(text.encode())
    loaded = load(file)
    assert loaded.mapping == load(SMALL).mapping
    assert loaded.line_of(("time", "zone")) == 12


def test_loaded_mapping_travels_to_another_process() -> None:
    loaded = load(SMALL)
    copy = pickle.loads(pickle.dumps(loaded))
    assert copy == loaded
    assert copy.line_of(("patient", "column")) == loaded.line_of(("patient", "column")) == 15


def test_line_of_a_key_that_is_not_there_is_its_table() -> None:
    loaded = load(SMALL)
    assert loaded.line_of(("time", "ambiguous")) == loaded.line_of(("time",)) == 9
    assert loaded.line_of(("output", "status")) == 1


def test_numbers_stay_exact() -> None:
    loaded = load(SMALL + "\n[plausibility.limits.adult]\nheart_rate = { hold = [20, 250.10] }\n")
    assert str(loaded.mapping.plausibility.limits["adult"]["heart_rate"].hold) == "(Decimal('20'), Decimal('250.10'))"


def test_columns_in_the_order_of_the_model() -> None:
    assert columns(load(SMALL).mapping) == ("When", "Who", "HR")


def test_missing_file_names_the_shipped_mappings(tmp_path: Path) -> None:
    error = refusal(tmp_path / "nowhere.toml")
    assert error.where == str(tmp_path / "nowhere.toml")
    assert "wide-example.toml" in error.todo


def test_folder(tmp_path: Path) -> None:
    assert "folder" in refusal(tmp_path).what


def test_path_that_is_none() -> None:
    assert refusal("small\0.toml").what.startswith("the file cannot be read")
    assert refusal("").what


def test_other_encoding_is_told_at_its_line(tmp_path: Path) -> None:
    file = tmp_path / "old.toml"
    file.write_bytes(SMALL.replace("Who", "Gerät").encode("cp1252"))
    error = refusal(file)
    assert error.where == "old.toml, line 15"
    assert "UTF-8" in error.todo


def test_export_in_place_of_a_mapping(tmp_path: Path) -> None:
    file = tmp_path / "night.csv"
    file.write_text("Date;Time;NIBP\n14.03.2026;09:30;120/80\n")
    assert refusal(file).where == "night.csv, line 1"
    file.write_bytes(b"a = 1\nPK\x03\x04 junk")
    assert refusal(file).where == "night.csv, line 2"
    file.write_bytes(b"# " + b"x" * 2_000_000)
    assert "larger than a mapping" in refusal(file).what


def test_deep_nesting_is_an_error_and_no_crash() -> None:
    assert refusal("a = " + "[" * 5000 + "]" * 5000 + "\n").what


@pytest.mark.parametrize("name", sorted(ready()))
def test_shipped_mapping_passes_every_check(name: str) -> None:
    loaded = load(ready()[name])
    assert loaded.mapping.title.startswith("Example")


def test_shipped_mappings_between_them_show_every_table() -> None:
    text = "\n".join(path.read_text("utf-8") for path in ready().values())
    for table in schema()["properties"]:
        assert re.search(rf"^\[?{table}\b", text, re.MULTILINE), table


def test_shipped_mappings_read_every_column_of_their_own_sample() -> None:
    for path in ready().values():
        lines = path.read_text("utf-8").splitlines()
        loaded = load(path)
        if loaded.mapping.delimited is None:
            continue
        delimiter = loaded.mapping.delimited.delimiter
        sample = [line.removeprefix("#     ") for line in lines if line.startswith("#     ") and delimiter in line]
        header, *rows = [line.split(delimiter) for line in sample if "gateway check" not in line]
        assert set(columns(loaded.mapping)) <= set(header), path.name
        assert rows
        assert {len(row) for row in rows} == {len(header)}, path.name


def test_schema_is_a_schema_and_the_shipped_mappings_fit_it() -> None:
    made = schema()
    jsonschema.Draft202012Validator.check_schema(made)
    for path in ready().values():
        jsonschema.validate(tomllib.loads(path.read_text("utf-8")), made)


@pytest.mark.parametrize(
    ("old", "new"),
    [('unit = "bpm"', 'unti = "bpm"'), ("[vitals.heart_rate]", "[vitals.HR]"), ('layout = "wide"', 'layout = "tall"')],
)
def test_schema_refuses_what_the_model_refuses(old: str, new: str) -> None:
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(tomllib.loads(SMALL.replace(old, new)), schema())


def test_schema_offers_every_vital() -> None:
    assert schema()["properties"]["vitals"]["propertyNames"]["enum"] == list(vocabulary.vitals())


@pytest.mark.parametrize("zone", ["UTC", "Europe/Berlin", "America/Argentina/Buenos_Aires", "+05:30", "-03:30"])
def test_zones_that_are_places_or_offsets(zone: str) -> None:
    text = SMALL.replace("offset-in-text", zone).replace("%S%z", "%S")
    assert load(text).mapping.time.zone == zone


@pytest.mark.parametrize(
    "format_text",
    ["%d.%m.%y %H:%M", "%d %b %Y %I:%M:%S.%f %p", "%Y-%j", "%A %d %B %Y", "%Y%m%d%H%M%S", "%H:%M %d%%%m%%%Y"],
)
def test_formats_that_hold_a_date(format_text: str) -> None:
    text = SMALL.replace("offset-in-text", "Asia/Tokyo").replace("%Y-%m-%dT%H:%M:%S%z", format_text)
    assert load(text).mapping.time.formats == [format_text]


def test_several_formats_of_one_order_are_fine() -> None:
    text = SMALL.replace("offset-in-text", "Asia/Tokyo").replace(
        '"%Y-%m-%dT%H:%M:%S%z"', '"%d.%m.%Y %H:%M", "%d.%m.%y %H:%M", "%d.%m.%Y"'
    )
    assert len(load(text).mapping.time.formats) == 3


def test_every_unit_of_the_vocabulary_can_be_mapped() -> None:
    for vital in vocabulary.vitals().values():
        if vital.kind == "coded":
            continue
        for unit in vocabulary.units().values():
            if unit.dimension != vital.dimension:
                continue
            for text in (unit.ucum, *unit.spellings):
                quoted = "'''" + text + "'''" if "'" not in text else f'"{text}"'
                body = SMALL.replace("heart_rate", vital.key).replace('unit = "bpm"', f"unit = {quoted}")
                assert load(body).mapping.vitals[vital.key].unit == text


def test_limit_type_of_the_model_is_decimal() -> None:
    limits = load(SMALL + "[plausibility.limits.child]\nheart_rate = { flag = [1, 2] }\n").mapping.plausibility.limits
    assert limits["child"]["heart_rate"].flag == (Decimal(1), Decimal(2))


@pytest.mark.parametrize("text", ["{0} = 1\n", "[{0}]\nb = 1\n", "a = " + "[" * 400 + "]" * 400 + "\n"])
def test_a_key_of_thousands_of_parts_is_refused(text: str) -> None:
    with pytest.raises(MappingError, match="too deep inside each other"):
        load(text.format(".".join(["a"] * 3000)) + 'title = "x"\n')
