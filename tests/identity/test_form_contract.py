"""What every form of associations keeps to. A new form is tested here by existing: its `example()` is the material."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.errors import GatewayError, InputError
from gateway.identity import Association, load_associations
from gateway.identity.forms import Form, discover, endings, forms, usual_endings
from gateway.identity.reading import Issuers
from gateway.service.api import conversions
from gateway.service.app import create_app
from gateway.service.settings import Settings

REPOSITORY = Path(__file__).resolve().parents[2]
BEGIN = int(datetime(2026, 3, 14, 14, 30, tzinfo=UTC).timestamp())
SAID = Association("W2-A", "INVENTED-7", BEGIN * 10**6, (BEGIN + 30 * 60) * 10**6, "")


@pytest.fixture(params=forms())
def form(request: pytest.FixtureRequest) -> type[Form]:
    return forms()[request.param]


def test_the_example_says_what_each_says(form: type[Form]) -> None:
    assert form.read(form.example(), "it", Issuers(None)) == [SAID]


def test_it_is_known_by_each_ending(form: type[Form], tmp_path: Path) -> None:
    assert form.endings
    for ending in (*form.endings, form.endings[0].upper()):
        file = tmp_path / f"associations{ending}"
        file.write_text(form.example(), encoding="utf-8")
        assert load_associations(file).find("W2-A", BEGIN, 1).patient == "INVENTED-7"


def test_it_is_known_by_its_text(form: type[Form], tmp_path: Path) -> None:
    file = tmp_path / "associations.of-the-ward"
    file.write_text("\ufeff" + form.example(), encoding="utf-8")
    # JSON and lines of JSON begin alike; an example of one line is both.
    assert load_associations(file).find("W2-A", BEGIN, 1).patient == "INVENTED-7"


def test_what_it_begins_with_is_its_example_s_and_no_other_s(form: type[Form]) -> None:
    if form.begins:
        assert form.example().startswith(form.begins)
    for other in forms().values():
        if other.begins and other.begins != form.begins:
            assert not form.example().startswith(other.begins)


def test_one_form_has_no_beginning() -> None:
    """It is what a file is that looks like nothing in particular."""
    assert len([form for form in forms().values() if not form.begins]) == 1


def test_it_is_offered_and_documented(form: type[Form]) -> None:
    page = (REPOSITORY / "docs" / "how-to" / "associations.md").read_text(encoding="utf-8")
    assert form.name
    assert form.holds in page
    assert all(f"`{ending}`" in page for ending in form.endings)
    described = create_app(Settings()).openapi()["components"]["schemas"]
    (body,) = (schema for name, schema in described.items() if "associations_form" in schema.get("properties", {}))
    assert form.endings[0][1:] in body["properties"]["associations_form"]["enum"]
    assert form.endings[0] in usual_endings()


@given(data=st.data())
def test_what_is_broken_is_refused_without_its_contents(data: st.DataObject) -> None:
    """Cut, doubled or changed at any place: an error with a place and what to do, or an answer, and never a name."""
    form = data.draw(st.sampled_from(sorted(forms().values(), key=lambda each: each.name)))
    text = form.example()
    at, to = sorted((data.draw(st.integers(0, len(text))), data.draw(st.integers(0, len(text)))))
    put = data.draw(st.sampled_from(["", '"', "\n", "\x00", "|", "{", "€", text[at:to] * 2]))
    said: InputError | None = None
    try:
        form.read(text[:at] + put + text[to:], "it", Issuers(None))
    except InputError as error:
        said = error
    if said is not None:
        assert "INVENTED" not in str(said)
        assert said.where.startswith("it")
        assert said.todo


MADE = """
class FORM:
    name, endings, begins, holds = "lines", (".lines",), ("#",), "lines"

    @staticmethod
    def read(text, where, issuers):
        return []

    @staticmethod
    def example():
        return "#"
"""


@pytest.mark.parametrize(
    ("module", "said"),
    [
        (MADE, ""),
        (MADE.replace("read", "parse"), "lacks read in its FORM"),
        (MADE.replace("example", "sample"), "lacks example in its FORM"),
        (MADE.replace("name, endings, begins, holds", "name, endings, begins, words"), "lacks holds in its FORM"),
        (MADE.replace("FORM", "Form"), "defines no class named FORM"),
        ("import nothing_like_this", "cannot be imported"),
    ],
)
def test_a_form_that_is_half_done_stops_the_program(
    module: str, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    package = tmp_path / f"made_{abs(hash((module, str(tmp_path))))}"
    package.mkdir()
    (package / "__init__.py").write_text("")
    (package / "lines.py").write_text(module)
    monkeypatch.setattr(sys, "path", [str(tmp_path), *sys.path])
    if not said:
        assert list(discover(package.name)) == ["lines"]
        return
    with pytest.raises(GatewayError, match=said):
        discover(package.name)


def test_two_forms_of_one_ending_stop_the_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package = tmp_path / "made_twice"
    package.mkdir()
    (package / "__init__.py").write_text("")
    for name in ("first", "second"):
        (package / f"{name}.py").write_text(MADE)
    monkeypatch.setattr(sys, "path", [str(tmp_path), *sys.path])
    with pytest.raises(GatewayError, match=r"takes the ending \.lines of first"):
        discover(package.name)


def test_the_interface_and_the_files_use_the_same_words() -> None:
    assert get_args(conversions.AssociationsForm) == tuple(each[1:] for each in usual_endings())
    assert set(usual_endings()) <= set(endings())
