"""The mapping bench without a browser: looks, what changed, mistakes at their line, saving, sign-off."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from gateway.cli.main import main
from gateway.errors import MappingError
from gateway.inspection.samples import look
from gateway.mapping.signing import record_of, sign, signed
from tests.conversion.conversion_kit import DEMO, WIDE
from tests.service.service_kit import EXPORT, client_of

SHA = "0" * 64


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("site")


@pytest.fixture(scope="module")
def client(site: Path) -> Iterator[TestClient]:
    with client_of(mappings=site) as client:
        yield client


@pytest.fixture
def bench(client: TestClient) -> str:
    parts = {"sample": ("a.csv", EXPORT), "mapping": ("m.toml", WIDE)}
    answer = client.post("/bench", files=parts, follow_redirects=False)
    assert answer.status_code == 303
    return answer.headers["Location"]


# -- looking


@pytest.mark.parametrize(
    ("demo", "export"),
    [
        ("clinic-wide", "clinic-2026-03-14.csv"),
        ("homecare-long", "tournee-2026-03.csv"),
        ("ward-listing", "ward-3-0640.txt"),
        ("bedside-framed", "bedside-3.cap"),
    ],
)
def test_every_value_of_a_record_leads_to_its_cell(demo: str, export: str) -> None:
    """The cell that a value points to holds the text of which the reading was made."""
    looked = look(DEMO / demo / "mapping.toml", DEMO / demo / export, 50)
    linked = 0
    for each in looked.sets:
        cells = {cell.place: cell for row in each.rows for cell in row}
        by_value: dict[str, set[str]] = {}
        for reading in each.readings:
            assert reading.places, reading.vital
            assert reading.text.strip() in cells[reading.places[0]].text
            by_value.setdefault(reading.value, set()).add(reading.places[0])
        for record in each.fhir:
            for line in record:
                number = re.fullmatch(r'\s*"value": (-?[\d.]+),?', line.text)
                if number is not None:
                    assert line.place in by_value[number[1]]
                    linked += 1
        for line in each.oru:
            fields = line.text.split("|")
            if fields[0] == "OBX" and fields[2] == "NM" and line.place:
                assert line.place in by_value[fields[5]]
            if fields[0] == "PID":
                assert fields[3].split("^")[0] in cells[line.place].text
    assert linked > 20


def test_a_look_tells_hashes_and_findings(tmp_path: Path) -> None:
    (tmp_path / "m.toml").write_text(WIDE)
    (tmp_path / "a.csv").write_text(EXPORT)
    looked = look(tmp_path / "m.toml", tmp_path / "a.csv", 2)
    assert [each.line for each in looked.sets] == [2, 3]
    assert looked.lines == 4
    assert [each.rule for each in looked.sets[1].findings] == ["patient-missing"]
    assert looked.sets[1].fhir == []


# -- the page


def test_the_bench_shows_cells_readings_and_records(client: TestClient, bench: str) -> None:
    page = client.get(bench).text
    assert '<td id="c2-4">121</td>' in page
    assert 'href="#c2-4"' in page
    assert "LOINC 8480-6" in page
    assert "OBX|1|NM|" in page
    assert "patient-missing" in page


@pytest.mark.parametrize(("where", "part"), [("/bench", "sample"), ("/conversions", "exports")])
def test_associations_of_no_known_form_are_refused(client: TestClient, where: str, part: str) -> None:
    parts = {part: ("a.csv", EXPORT), "mapping": ("m.toml", WIDE), "associations": ("who.xml", "<who/>")}
    answer = client.post(where, files=parts, follow_redirects=False)
    assert answer.status_code == 422
    assert "the associations are not in .csv, .json, .ndjson, .hl7, .tsv or .txt" in answer.text
    offered = client.get(where if part == "exports" else "/bench").text
    assert 'accept=".csv,.json,.ndjson,.hl7,.tsv,.txt"' in offered


def test_what_changed_is_marked(client: TestClient, bench: str) -> None:
    page = client.post(bench, data={"mapping": WIDE.replace('unit = "kg"', 'unit = "[lb_av]"')}).text
    assert "was 71.4 kg (recorded)" in page
    assert "Lines of the mapping that changed" in page
    page = client.post(bench, data={"mapping": WIDE.replace("\n", "\r\n"), "typing": "yes"}).text
    assert "was 32.39 kg (" in page


def test_mistakes_stand_at_their_line_and_text_is_escaped(client: TestClient, bench: str) -> None:
    text = WIDE.replace('zone = "America/Chicago"', 'zone = "<b>Nowhere</b>"')
    line = text.split("\n").index('zone = "<b>Nowhere</b>"') + 1
    page = client.post(bench, data={"mapping": text}).text
    assert f'data-line="{line}">Line {line}</a>' in page
    assert "<b>Nowhere" not in page
    assert "Sign off</button>" not in page


def test_a_bench_of_someone_else_or_none(client: TestClient) -> None:
    assert client.get("/bench/" + "x" * 22).status_code == 404


def test_a_bench_is_removed_with_its_sample(client: TestClient, bench: str) -> None:
    folder = client.app.state.folder / "benches" / bench.rsplit("/", 1)[-1]  # type: ignore[attr-defined]
    assert (folder / "sample").read_text() == EXPORT
    client.post(f"{bench}/drop")
    assert not folder.exists()
    assert client.get(bench).status_code == 404


def _hash(page: str) -> str:
    found = re.search(r'name="mapping_sha256" value="(\w+)"', page)
    assert found is not None
    return found[1]


def test_from_a_sample_to_a_signed_mapping(client: TestClient, bench: str, site: Path) -> None:
    form = {"name": "ward-9", "signer": "N. Ole", "role": "nurse", "agreed": "yes"}
    old = _hash(client.get(bench).text)
    page = client.post(bench, data={"mapping": WIDE + "\n# mine\r\n"}).text
    assert client.post(f"{bench}/sign", data={**form, "mapping_sha256": old}).status_code == 409
    form["mapping_sha256"] = _hash(page)
    assert client.post(f"{bench}/sign", data={**form, "agreed": ""}).status_code == 422
    assert client.post(f"{bench}/sign", data={**form, "name": "../x"}).status_code == 422
    assert not list(site.glob("ward-9*"))
    page = client.post(f"{bench}/sign", data=form).text
    assert "Signed off by N. Ole, nurse" in page
    found = signed(site / "ward-9.toml")
    assert (found.name, found.role, found.mapping_sha256) == ("N. Ole", "nurse", form["mapping_sha256"])
    assert client.get(f"{bench}/signed.json").json()["sample_sha256"] == found.sample_sha256
    assert client.get(f"{bench}/mapping.toml").content == (site / "ward-9.toml").read_bytes()
    client.post(bench, data={"mapping": WIDE})
    assert client.post(f"{bench}/save", data={"name": "ward-9"}).status_code == 409
    assert "Signed off by" not in client.post(f"{bench}/save", data={"name": "ward-9", "replace": "yes"}).text
    with pytest.raises(MappingError, match="changed since"):
        signed(site / "ward-9.toml")


# -- sign-off


def test_a_sign_off_holds_for_the_bytes_it_was_given_for(tmp_path: Path) -> None:
    mapping = tmp_path / "m.toml"
    mapping.write_text(WIDE)
    with pytest.raises(MappingError, match="not signed off"):
        signed(mapping)
    made = sign(mapping, SHA, " N.  Ole ", "nurse")
    assert signed(mapping) == made
    assert made.name == "N. Ole"
    mapping.write_text(WIDE + "#")
    with pytest.raises(MappingError, match="changed since"):
        signed(mapping)
    assert main(["check", "--signed", str(mapping)]) == 2
    sign(mapping, SHA, "N. Ole", "nurse")
    assert main(["check", "--signed", str(mapping)]) == 0
    record_of(mapping).write_text("{}")
    with pytest.raises(MappingError, match="no sign-off"):
        signed(mapping)


@pytest.mark.parametrize(("name", "role"), [("", "nurse"), (" ", "nurse"), ("N. Ole", ""), ("x" * 300, "nurse")])
def test_nobody_signs_without_name_and_role(tmp_path: Path, name: str, role: str) -> None:
    mapping = tmp_path / "m.toml"
    mapping.write_text(WIDE)
    with pytest.raises(MappingError):
        sign(mapping, SHA, name, role)
    assert not record_of(mapping).exists()


def test_a_sign_off_is_plain_json(tmp_path: Path) -> None:
    mapping = tmp_path / "m.toml"
    mapping.write_text(WIDE)
    sign(mapping, SHA, "N. Ole", "nurse", account="night")
    told = json.loads(record_of(mapping).read_text())
    assert set(told) == {
        "name", "role", "signed", "mapping_sha256", "sample_sha256", "gateway", "statement", "account",
    }  # fmt: skip
