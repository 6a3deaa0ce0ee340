"""The site file: every mistake at its line, and no secret in any message."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from gateway.cli.main import main
from gateway.errors import SiteError
from gateway.nightly.site import check_site, load_site
from tests.nightly.night_kit import make_site

GOOD = """name = "Example"
ledger = "ledger.sqlite"
results = "results"

[[feeds]]
name = "ward"
place = "in"
mapping = "ward.toml"
targets = ["ehr"]

[[targets]]
kind = "fhir"
name = "ehr"
owner = "integration team"
url = "https://fhir.example.org/r4"
auth = { method = "bearer", secret_env = "EHR_TOKEN" }
"""


def faults(tmp_path: Path, text: str) -> list[str]:
    path = tmp_path / "site.toml"
    path.write_text(text)
    with pytest.raises(SiteError) as caught:
        load_site(path)
    return str(caught.value).splitlines()


def test_a_good_file(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(GOOD)
    loaded = load_site(path)
    assert loaded.targets_of(loaded.site.feeds[0]) == [("ehr", "fhir")]
    assert loaded.owners() == {"ehr": "integration team"}
    # Paths count from the file, wherever the program was started.
    assert loaded.ledger() == str(tmp_path / "ledger.sqlite")
    assert loaded.site.feeds[0].place == str(tmp_path / "in")


MLLP = """
[[targets]]
kind = "mllp"
name = "lab"
owner = "interface team"
host = "lab.example.org"
port = 2575
"""
FOLDER = """
[[targets]]
kind = "folder"
name = "share"
owner = "interface team"
path = "share"
takes = "oru"
"""


def test_what_a_target_makes_of_answers(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(GOOD + MLLP + FOLDER)
    senders: list[Any] = [*load_site(path).senders()]
    assert [(each.park_after, each.corrections) for each in senders] == [
        (5, "changed"), (5, "changed"), (0, "changed")
    ]  # fmt: skip
    own = 'answers = { AR = "park", "AE:207" = "later" }\npark_after = 2\ncorrections = "whole"\n'
    web = 'park_after = 0\nanswers.422 = "later"\nanswers."400:value" = "later"\n'
    path.write_text(GOOD + web + MLLP + own + FOLDER + 'corrections = "whole"\n')
    loaded = load_site(path)
    senders = [*loaded.senders()]
    assert [(each.park_after, each.corrections) for each in senders] == [
        (0, "changed"), (2, "whole"), (0, "whole")
    ]  # fmt: skip
    assert [getattr(each, "answers", None) for each in loaded.site.targets] == [
        {"422": "later", "400:value": "later"}, {"AR": "park", "AE:207": "later"}, None
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "text", "words"),
    [
        ("mllp", 'answers = { AA = "park" }', "allowed is AE, AR, CE or CR, alone or with a condition"),
        ("mllp", '# on a line of its own\nanswers."AR:999" = "park"', "such as AR:204"),
        ("mllp", 'answers = { 422 = "park" }', "allowed is AE, AR, CE or CR"),
        ("mllp", 'answers = { AR = "drop" }', "Known: park, later"),
        ("mllp", 'answers = { AR = "delivered" }', "Known: park, later"),
        ("mllp", "answers = 3", "key targets item 2.answers"),
        ("mllp", "park_after = -1", "it must be at least 0. park_after is:"),
        ("mllp", "park_after = true", "key targets item 2.park_after"),
        ("mllp", 'corrections = "all"', "Known: changed, whole"),
        ("fhir", 'answers = { AR = "park" }', "allowed is an HTTP status from 300 to 599"),
        ("fhir", 'answers = { "422:luck" = "park" }', "such as 422:not-found"),
        ("fhir", 'corrections = "whole"', "there is no such key"),
        ("folder", "park_after = 3", "there is no such key"),
        ("folder", 'answers = { AR = "park" }', "there is no such key"),
        ("folder", 'corrections = "all"', "Known: changed, whole"),
    ],
)
def test_a_mistake_about_answers_is_told_at_its_line(tmp_path: Path, kind: str, text: str, words: str) -> None:
    good = GOOD + {"fhir": "", "mllp": MLLP, "folder": FOLDER}[kind]
    told = faults(tmp_path, good + text + "\n")
    assert len(told) == 1
    assert f"site.toml, line {len((good + text).splitlines())}, " in told[0]
    assert words in told[0]


def test_corrections_mean_nothing_to_a_folder_of_fhir(tmp_path: Path) -> None:
    text = GOOD + FOLDER.replace('"oru"', '"fhir"') + 'corrections = "whole"\n'
    [told] = faults(tmp_path, text)
    assert f"line {len(text.splitlines())}, " in told
    assert "it has no effect on FHIR" in told


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ('name = "Example"', 'nam = "Example"', 1, "there is no such key"),
        ('place = "in"', "", 5, "the key place is missing"),
        ('place = "in"', 'place = "ftp://x/y"', 7, "exports cannot be taken from there"),
        ('place = "in"', 'place = "sftp://x/y"', 7, "the login is missing"),
        ('place = "in"', 'place = "in"\nsftp = { user = "u", known_hosts = "k", key_file = "f" }', 8, "is not sftp://"),
        ('place = "in"', 'place = "in"\ncomplete = { by = "luck" }', 8, "Known: stable, marker, rename"),
        ('targets = ["ehr"]', 'targets = ["her"]', 9, "Write ehr, if that is what was meant"),
        ('targets = ["ehr"]', 'targets = ["ehr"]\nrecords = "oru"', 9, "it takes FHIR"),
        ('targets = ["ehr"]', 'targets = ["ehr"]\nbundle = "ndjson"', 10, "takes transactions"),
        ('kind = "fhir"', 'kind = "fire"', 11, "Known: fhir, folder, mllp"),
        ('owner = "integration team"', "", 11, "the key owner is missing"),
        ("https://fhir", "http://fhir", 11, "plain http"),
        ('results = "results"', "results = 3", 3, "key results"),
        ("[[feeds]]", "[[feeds]", 5, "TOML cannot be read here"),
        ('ledger = "ledger.sqlite"', 'ledger = "postgresql://a:hunter2@db/x"', 2, "must not hold a password"),
        ("", 'metrics = "m.txt"\n', 1, ".prom"),
    ],
)
def test_a_mistake_is_told_at_its_line(tmp_path: Path, old: str, new: str, line: int, words: str) -> None:
    told = faults(tmp_path, GOOD.replace(old, new, 1) if old else new + GOOD)
    assert len(told) == 1
    assert f"site.toml, line {line}" in told[0]
    assert words in told[0]
    assert "hunter2" not in told[0]


def test_all_mistakes_at_once_in_the_order_of_the_file(tmp_path: Path) -> None:
    told = faults(tmp_path, GOOD.replace("results =", "result =").replace('kind = "fhir"', 'kind = "x"'))
    assert [words.split(",")[1].strip() for words in told] == ["line 3", "line 11"]


def test_a_secret_in_the_wrong_place_is_not_shown(tmp_path: Path) -> None:
    for new in ('secret_env = "hunter 2"', 'secret = "hunter 2"', 'secret_file = ["hunter 2"]', 'token = "hunter 2"'):
        told = " ".join(faults(tmp_path, GOOD.replace('secret_env = "EHR_TOKEN"', new)))
        assert "hunter" not in told


def test_names_and_places_are_used_once(tmp_path: Path) -> None:
    feed = GOOD[GOOD.index("[[feeds]]") : GOOD.index("[[targets]]")]
    told = faults(tmp_path, GOOD.replace(feed, feed + feed))
    assert [words for words in told if "this name stands there twice" in words]
    assert [words for words in told if "takes its exports from there, too" in words]


def test_check_looks_at_what_the_file_names(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = make_site(tmp_path)
    assert main(["nightly", str(path), "--check"]) == 0
    assert "can be used" in capsys.readouterr().out
    (tmp_path / "clinic").rmdir()
    (tmp_path / "sent").rmdir()
    assert main(["nightly", str(path), "--check"]) == 2
    told = capsys.readouterr().err.splitlines()
    assert len(told) == 2
    assert "key feeds item 1.place: there is no such folder" in told[0]
    assert "key targets item 1" in told[1]
    assert not (tmp_path / "results").exists()


def test_check_tells_mistakes_of_a_mapping_and_missing_secrets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("EHR_TOKEN", raising=False)
    (tmp_path / "in").mkdir()
    (tmp_path / "ward.toml").write_text("title = 3\n")
    path = tmp_path / "site.toml"
    path.write_text(GOOD)
    with pytest.raises(SiteError) as caught:
        check_site(load_site(path))
    told = str(caught.value).splitlines()
    assert any("key feeds item 1.mapping: ward.toml, line 1, key title" in words for words in told)
    assert any("line 11" in words and "environment variable named by" in words for words in told)


def test_the_password_of_the_ledger_comes_from_its_file(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("p@ss/word\n")
    path = tmp_path / "site.toml"
    address = 'ledger = "postgresql://gateway@db/ledger"\nledger_password_file = "secret"'
    path.write_text(GOOD.replace('ledger = "ledger.sqlite"', address))
    loaded = load_site(path)
    assert loaded.ledger() == "postgresql://gateway:p%40ss%2Fword@db/ledger"
    assert "word" not in repr(loaded).replace("password", "")
    (tmp_path / "secret").unlink()
    with pytest.raises(SiteError, match="ledger_password_file"):
        loaded.ledger()
