"""What every kind of target keeps to. A new kind is tested here by existing: its `example()` is the material."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, cast, get_args

import pytest
from pydantic import BaseModel, ValidationError

from gateway.delivery.base import Receipt, Settings, Takes, Target, Verdict, discover, kinds
from gateway.discovery import members
from gateway.errors import GatewayError, SiteError
from gateway.ledger.outbox import items_of
from gateway.nightly.site import check_site, load_site
from tests.delivery import delivery_kit, mllp_kit

SECRET = "hunter2-swordfish"
PATIENT = "INVENTED-7"


class Case:
    def __init__(self, kind: str, folder: Path) -> None:
        self.kind = kind
        self.model = cast(Any, kinds()[kind])
        self.example: dict[str, Any] = self.model.example(folder)
        self.settings: Settings = self.model.model_validate(self.example)

    def payload(self) -> bytes:
        """Something that the target takes."""
        return delivery_kit.bundle() if self.settings.takes == "fhir" else mllp_kit.message()


@pytest.fixture(params=kinds())
def case(request: pytest.FixtureRequest, tmp_path: Path) -> Case:
    folder = tmp_path / "share"
    folder.mkdir()
    return Case(request.param, folder)


# -- settings


def test_the_settings_say_what_they_are(case: Case) -> None:
    assert case.settings.kind == case.kind
    assert (case.settings.name, case.settings.owner) == (case.example["name"], case.example["owner"])
    assert case.settings.takes in get_args(Takes)


def test_the_settings_are_documented(case: Case) -> None:
    """The first line of the model and the words of its keys go into the documentation and into hints."""
    assert issubclass(case.model, BaseModel)
    assert case.model.__doc__
    without = [
        name
        for name, field in case.model.model_fields.items()
        if not field.description and name not in ("name", "kind")
    ]
    assert not without, f'kind "{case.kind}": these keys say nothing of themselves: {without}'


def test_the_settings_refuse_what_they_do_not_know(case: Case) -> None:
    for change in ({"colour": "red"}, {"name": "No Name"}, {"owner": ""}):
        with pytest.raises(ValidationError):
            case.model.model_validate(case.example | change)
    for key in ("kind", "name", "owner"):
        if key != "kind" or case.model.model_fields["kind"].is_required():
            with pytest.raises(ValidationError):
                case.model.model_validate({name: value for name, value in case.example.items() if name != key})


def test_what_it_takes_can_wait_in_the_outbox(case: Case) -> None:
    name, data = ("fhir/1.bundle.json", b"{}") if case.settings.takes == "fhir" else ("oru/1.hl7", case.payload())
    assert len(items_of(1, name, data, [("x", case.settings.takes)], None)) == 1


# -- the target


def test_the_target_has_its_whole_face(case: Case) -> None:
    target = case.settings.target()
    wanted = members(Target)
    assert {"name", "kind", "park_after", "corrections", "send", "check", "close"} < set(wanted)
    lacking = [name for name in wanted if not hasattr(target, name)]
    assert not lacking, f'the target of kind "{case.kind}" lacks {", ".join(lacking)}'
    assert target.name == case.settings.name
    assert target.kind == ("fhir" if case.settings.takes == "fhir" else "oru")
    assert target.park_after >= 0
    assert target.corrections in ("changed", "whole")
    target.close()


def test_an_example_has_nothing_wrong(case: Case) -> None:
    with case.settings.target() as target:
        assert target.check() == []


def test_nothing_is_parked_and_nonsense_is_never_tried_again(case: Case) -> None:
    with case.settings.target() as target:
        for data in (b"", b"\x00 neither FHIR nor HL7", b"{", b"MSH|"):
            receipt = target.send(data)
            assert receipt.code
            assert receipt.message
            # A target that does not look into what it hands on takes anything but nothing.
            if not data or receipt.verdict is not Verdict.DELIVERED:
                assert (receipt.verdict, receipt.reached) == (Verdict.PARKED, False), data


def test_a_receipt_is_an_answer_in_words_without_identifiers(case: Case) -> None:
    with case.settings.target() as target:
        first, second = target.send(case.payload()), target.send(case.payload())
    for receipt in (first, second):
        assert isinstance(receipt, Receipt)
        assert receipt.code
        assert receipt.message
        assert "\n" not in receipt.message
        assert PATIENT not in repr(receipt)
        assert not any(secret in repr(receipt) for secret in delivery_kit.SECRETS)
        # The receivers of the examples are folders that are there, or servers that are not.
        assert (receipt.verdict is Verdict.DELIVERED) or (receipt.verdict is Verdict.LATER and not receipt.reached)
    assert first.verdict is second.verdict


def test_closing_twice_is_closing(case: Case) -> None:
    target = case.settings.target()
    target.send(case.payload())
    target.close()
    target.close()


# -- in the site file


def table(values: Mapping[str, Any]) -> str:
    return "[[targets]]\n" + "".join(f"{key} = {json.dumps(value)}\n" for key, value in values.items())


def site(folder: Path, values: Mapping[str, Any]) -> Path:
    path = folder / "site.toml"
    path.write_text('name = "Example"\nledger = "l.sqlite"\nresults = "r"\n\n[[feeds]]\nname = "ward"\nplace = "in"\n'
                    f'mapping = "wide-example"\nrecords = "both"\ntargets = ["{values["name"]}"]\n\n'
                    + table(values))  # fmt: skip
    (folder / "in").mkdir(exist_ok=True)
    return path


def test_the_site_file_takes_it(case: Case, tmp_path: Path) -> None:
    loaded = load_site(site(tmp_path, case.example))
    assert loaded.targets_of(loaded.site.feeds[0]) == [(case.example["name"], case.settings.takes)]
    assert loaded.owners() == {case.example["name"]: case.example["owner"]}
    (made,) = loaded.senders()
    assert type(made) is type(case.settings.target())
    with pytest.raises(SiteError) as caught:
        check_site(loaded)
    assert [error.where for error in caught.value.problems] == ["site.toml, line 8, key feeds item 1.mapping"]


def test_a_mistake_in_its_table_is_told_at_its_line_without_what_stands_there(case: Case, tmp_path: Path) -> None:
    path = site(tmp_path, case.example | {"colour": SECRET})
    with pytest.raises(SiteError) as caught:
        load_site(path)
    (error,) = caught.value.problems
    assert f"line {len(path.read_text().splitlines())}, " in error.where
    assert "no such key" in error.what
    assert SECRET not in str(caught.value)


def test_a_kind_without_a_module_is_a_mistake_at_its_line(case: Case, tmp_path: Path) -> None:
    with pytest.raises(SiteError) as caught:
        load_site(site(tmp_path, case.example | {"kind": "pigeon"}))
    (error,) = caught.value.problems
    assert error.where.startswith("site.toml, line 12, key targets item 1")
    assert error.todo == f"Known: {', '.join(kinds())}"


# -- discovery

WHOLE = """
from typing import Literal
from pydantic import BaseModel
class S(BaseModel):
    kind: Literal["{kind}"]
    name: str
    owner: str
    takes: Literal["oru"] = "oru"
    def target(self): ...
    @staticmethod
    def example(folder): ...
TARGET = S
"""
BAD = WHOLE.format(kind="bad")


def without(member: str) -> str:
    return BAD.replace(f" {member}:", " other:").replace(f"def {member}", "def other")


def package(folder: Path, name: str, **modules: str) -> str:
    home = folder / name
    home.mkdir()
    for module, source in {"__init__": "", **modules}.items():
        (home / f"{module}.py").write_text(source)
    return name


def test_discovery_finds_whole_targets_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(tmp_path)
    name = package(
        tmp_path, "kinds_good", b=WHOLE.format(kind="one"), a=WHOLE.format(kind="two"), base="1 / 0", _own="1 / 0"
    )
    assert list(discover(name)) == ["one", "two"]


@pytest.mark.parametrize(
    ("name", "source", "says"),
    [
        ("kinds_raises", "import no_such_module_here", "cannot be imported .*no_such_module_here"),
        ("kinds_empty", "", "no class named TARGET"),
        *((f"kinds_lacks_{each}", without(each), f"lacks {each} in") for each in members(Settings)),
        ("kinds_any", BAD.replace('kind: Literal["bad"]', "kind: str"), "does not say its kind"),
        ("kinds_twice", WHOLE.format(kind="good"), "is of the kind good, and so is another"),
    ],
)  # fmt: skip
def test_a_broken_target_stops_them_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, source: str, says: str
) -> None:
    monkeypatch.syspath_prepend(tmp_path)
    package(tmp_path, name, a_good=WHOLE.format(kind="good"), bad=source)
    with pytest.raises(GatewayError, match=says) as caught:
        discover(name)
    assert f"{name}.bad" in caught.value.where
    assert caught.value.todo


def test_the_shipped_kinds() -> None:
    assert {"fhir", "folder", "mllp"} <= set(kinds())
