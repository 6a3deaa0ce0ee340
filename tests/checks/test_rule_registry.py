"""Every rule is documented, has its row or its file, and speaks in its own example."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import ClassVar

import pytest

from gateway import checks, vocabulary
from gateway.checks import Rule, discover, finding, joined, rules, table
from gateway.checks.base import COMMON_PRACTICE, PROPOSAL
from gateway.errors import VocabularyError
from gateway.mapping.model import Mapping
from gateway.model import Effect, Noticed, Outcome, Reading, Severity

_ALL = list(rules().values())
_FOLDER = Path(checks.__file__).parent / "rules"
_TABLE = _FOLDER.with_name("rules.toml")
_PART = re.compile(
    r"(?:(?P<category>\w+): )?(?P<vital>\w+) (?:(?P<answer>[a-z]\w*)"
    r"|(?P<number>-?[0-9.]+) (?P<unit>\S+)(?: of (?P<quality>\w+) quality)?)"
)
_NAMED_SOURCE = re.compile(
    r"https?://|PMID|doi|IANA tz database|Joint Commission|ISO \d|HL7 (FHIR|v2)|MIMIC-Extract|Open Med Inform"
)


def _named(rule: Rule) -> str:
    return rule.slug


def _example(rule: Rule) -> tuple[str, dict[str, Reading]]:
    """The readings of a rule's example, and the patient category."""
    readings, category = {}, "adult"
    for part in rule.example.split(", "):
        match = _PART.fullmatch(part)
        assert match, f"{rule.slug}: {part!r} is not of the form [category:] vital number unit [of ... quality]"
        category = match["category"] or category
        if answer := match["answer"]:
            readings[match["vital"]] = Reading(match["vital"], answer, Outcome.RECORDED, code=answer)
            continue
        value = Decimal(match["number"])
        readings[match["vital"]] = Reading(
            match["vital"], match["number"], Outcome.RECORDED, value=value, exact=Fraction(value), unit=match["unit"],
            source_value=value, source_unit=match["unit"], quality=match["quality"] or "",
        )  # fmt: skip
    return category, readings


def _mapping(**more: object) -> Mapping:
    return Mapping.model_validate(
        {
            "title": "Invented", "version": "1", "form": "delimited", "namespace": "https://example.org/spot",
            "delimited": {"layout": "wide"},
            "time": {"columns": ["t"], "formats": ["%Y-%m-%d"], "zone": "UTC"},
            "patient": {"column": "p", "system": "https://example.org/mrn"},
            "vitals": {"heart_rate": {"column": "hr", "unit": "/min"}},
            **more,
        }
    )  # fmt: skip


def test_a_rule_with_a_check_has_a_file_and_any_other_a_row() -> None:
    files = {path.stem for path in _FOLDER.glob("*.py")} - {"__init__"}
    assert {rule.slug.replace("-", "_") for rule in _ALL if rule.check} == files
    rows = re.findall(r"^\[(.+)\]$", _TABLE.read_text(encoding="utf-8"), re.M)
    assert [rule.slug for rule in _ALL if not rule.check] == rows
    assert list(rules()) == sorted(rules())
    assert all(slug == rule.slug for slug, rule in rules().items())


@pytest.mark.parametrize("rule", _ALL, ids=_named)
class TestEveryRule:
    def test_has_a_slug_of_words(self, rule: Rule) -> None:
        assert re.fullmatch(r"[a-z][a-z0-9]*(-[a-z][a-z0-9]*)+", rule.slug)

    def test_says_what_why_and_what_to_do(self, rule: Rule) -> None:
        assert 10 <= len(rule.title) <= 100
        assert 40 <= len(rule.why) <= 320
        assert len(rule.example) >= 10
        assert len(rule.todo) >= 7
        for text in (rule.title, rule.why, rule.example, rule.reference, rule.todo):
            assert text == text.strip()
            assert text.isprintable()
            assert "  " not in text
            assert text.isascii()
        assert rule.why.endswith(".")
        assert not rule.title.endswith(".")
        assert not rule.todo.endswith(".")

    def test_names_its_source_or_says_that_it_has_none(self, rule: Rule) -> None:
        without_source = COMMON_PRACTICE in rule.reference or PROPOSAL in rule.reference
        assert without_source or _NAMED_SOURCE.search(rule.reference)

    def test_has_a_severity_that_fits_its_effect(self, rule: Rule) -> None:
        fitting = {
            Effect.HOLD: {Severity.FATAL, Severity.ERROR},
            Effect.FLAG: {Severity.WARNING},
            Effect.NOTE: {Severity.WARNING, Severity.INFORMATION},
        }
        assert rule.severity in fitting[rule.effect]

    def test_looks_at_vitals_that_exist(self, rule: Rule) -> None:
        assert set(rule.vitals) <= set(vocabulary.vitals())
        if rule.subject == "set" and rule.check:
            assert len(rule.vitals) >= 2

    def test_is_adjustable_only_where_its_effect_is_looked_up(self, rule: Rule) -> None:
        # tests/conversion/test_qualifiers.py and test_one_patient.py
        elsewhere = {"undeclared-qualifier", "cuff-not-for-category", "patients-close-together"}
        assert not rule.adjustable or rule.check is not None or rule.slug in elsewhere


@pytest.mark.parametrize("rule", [rule for rule in _ALL if rule.check], ids=_named)
class TestEveryCheck:
    def test_has_a_docstring_in_its_file(self, rule: Rule) -> None:
        module = sys.modules[f"gateway.checks.rules.{rule.slug.replace('-', '_')}"]
        assert module.__doc__
        assert len(module.__doc__) > 20

    def test_speaks_in_its_example(self, rule: Rule) -> None:
        category, readings = _example(rule)
        mapping = _mapping()
        if rule.subject == "reading":
            (reading,) = readings.values()
            checked = checks.ReadingChecks(mapping).apply(reading, category)
            assert [noticed.rule for noticed in checked.noticed] == [rule.slug]
            assert (checked.outcome is Outcome.HELD) == (rule.effect is Effect.HOLD)
            assert checked.flagged == (rule.effect is Effect.FLAG)
        else:
            spoken = checks.SetChecks(mapping, readings)
            found = [noticed for other in spoken.rules if (noticed := spoken.apply(other, readings, category))]
            assert [noticed.rule for noticed in found] == [rule.slug]

    def test_leaves_the_value_alone(self, rule: Rule) -> None:
        category, readings = _example(rule)
        before = [(r.value, r.exact, r.unit, r.source_value, r.text) for r in readings.values()]
        if rule.subject == "reading":
            (reading,) = readings.values()
            after = checks.ReadingChecks(_mapping()).apply(reading, category)
            assert after is not reading
            assert (after.value, after.exact, after.unit, after.source_value, after.text) == before[0]
            assert reading.noticed == ()
        else:
            checks.SetChecks(_mapping(), readings).apply(rule, readings, category)
        assert [(r.value, r.exact, r.unit, r.source_value, r.text) for r in readings.values()] == before

    def test_says_so_in_a_sentence_with_its_numbers(self, rule: Rule) -> None:
        category, readings = _example(rule)
        assert rule.check is not None
        if rule.subject == "reading":
            (reading,) = readings.values()
            limits = checks.LimitsInForce(_mapping()).of(reading.vital, category, reading.unit)
            message = rule.check(reading, limits)
        else:
            limits_of = (
                [checks.LimitsInForce(_mapping()).of(rule.limits_of, category, "kg/m2")] if rule.limits_of else []
            )
            message = rule.check(readings, *limits_of)
        assert isinstance(message, str)
        assert re.search(r"\d", message)
        assert "Fraction" not in message
        assert "Decimal" not in message


def test_every_slug_a_stage_names_has_a_rule() -> None:
    named = re.compile(r"""Noticed\(\s*["']([a-z0-9-]+)["']""")
    package = Path(checks.__file__).parents[1]
    used = {slug for path in package.rglob("*.py") for slug in named.findall(path.read_text(encoding="utf-8"))}
    assert used
    assert used <= set(rules())


class TestDiscovery:
    @pytest.fixture
    def package(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
        folder = tmp_path / "invented_rules"
        folder.mkdir()
        (folder / "__init__.py").write_text('"""Rules made up for a test."""\n')
        monkeypatch.syspath_prepend(tmp_path)
        yield folder
        for name in [name for name in sys.modules if name.startswith("invented_rules")]:
            del sys.modules[name]

    @staticmethod
    def _write(folder: Path, name: str, slug: str, more: str = ", check=str") -> None:
        (folder / f"{name}.py").write_text(
            "from gateway.checks.base import Rule\nfrom gateway.model import Effect, Severity\n"
            f'RULE = Rule("{slug}", Severity.ERROR, Effect.HOLD, "line", "t", "w", "e", "r", "d"{more})\n'
        )

    def test_finds_a_new_file_by_its_being_there(self, package: Path) -> None:
        self._write(package, "tea_is_cold", "tea-is-cold")
        assert list(discover("invented_rules")) == ["tea-is-cold"]

    def test_refuses_a_file_of_another_name_than_its_rule(self, package: Path) -> None:
        self._write(package, "tea_is_cold", "tea-is-hot")
        with pytest.raises(VocabularyError, match="tea-is-hot"):
            discover("invented_rules")

    def test_refuses_a_file_without_a_check(self, package: Path) -> None:
        self._write(package, "tea_is_cold", "tea-is-cold", more="")
        with pytest.raises(VocabularyError, match=r"tea_is_cold: .*no check.*rules\.toml"):
            discover("invented_rules")

    @pytest.mark.parametrize("text", ["import nothing_of_this_name\n", "RULE = 3\n", "x = (\n", "rule = 1\n"])
    def test_fails_loudly_on_a_broken_file(self, package: Path, text: str) -> None:
        (package / "tea_is_cold.py").write_text(text)
        with pytest.raises(VocabularyError, match="tea_is_cold"):
            discover("invented_rules")


class TestTable:
    ROW: ClassVar = {
        "severity": '"error"', "effect": '"hold"', "subject": '"line"', "title": '"t"', "why": '"w"', "example": '"e"',
        "reference": '"r"', "todo": '"d"',
    }  # fmt: skip

    def _row(self, named: str = "tea-is-cold", without: str = "", **more: str) -> str:
        keys = {key: value for key, value in (self.ROW | more).items() if key != without}
        return f"[{named}]\n" + "".join(f"{key} = {value}\n" for key, value in keys.items())

    def test_makes_a_rule_of_each_row(self) -> None:
        text = self._row("tea-is-cold") + self._row(
            "tea-is-hot", adjustable="true", vitals='["spo2"]', about='"patient"', severity='"warning"'
        )
        plain = Rule("tea-is-cold", Severity.ERROR, Effect.HOLD, "line", "t", "w", "e", "r", "d")
        full = Rule(
            "tea-is-hot", Severity.WARNING, Effect.HOLD, "line", "t", "w", "e", "r", "d",
            adjustable=True, vitals=("spo2",), about="patient",
        )  # fmt: skip
        read = table.read(text)
        assert read == {"tea-is-cold": plain, "tea-is-hot": full}
        assert isinstance(read["tea-is-hot"].severity, Severity)
        assert isinstance(read["tea-is-hot"].effect, Effect)

    @pytest.mark.parametrize("key", list(ROW))
    def test_misses_a_key(self, key: str) -> None:
        with pytest.raises(VocabularyError, match=f'tea-is-cold: the key "{key}" is missing'):
            table.read(self._row(without=key))

    @pytest.mark.parametrize(
        ("key", "value", "said"),
        [
            ("reson", '"w"', 'no key "reson"'),
            ("slug", '"tea-is-hot"', 'no key "slug"'),
            ("check", '"str"', 'no key "check"'),
            ("rank", "3", 'no key "rank"'),
            ("severity", '"serious"', "'serious', not one of fatal, error, warning, information"),
            ("severity", '["error"]', "not one of fatal"),
            ("effect", '"off"', "'off', not one of hold, flag, note"),
            ("subject", '"cell"', "'cell', not one of line"),
            ("about", '"device"', "'device', not one of patient"),
            ("title", '""', '"title" is not a text'),
            ("why", "3", '"why" is not a text'),
            ("adjustable", '"yes"', '"adjustable" is neither'),
            ("vitals", '"spo2"', '"vitals" is not a list'),
            ("vitals", "[3]", '"vitals" is not a list'),
        ],
    )
    def test_refuses_a_key_that_cannot_be_used(self, key: str, value: str, said: str) -> None:
        with pytest.raises(VocabularyError, match=re.escape(said)) as caught:
            table.read(self._row(**{key: value}))
        assert "rules.toml, table tea-is-cold" in str(caught.value)

    def test_refuses_rows_out_of_order(self) -> None:
        with pytest.raises(VocabularyError, match=r'tea-is-cold: the table stands after "tea-is-hot"'):
            table.read(self._row("tea-is-hot") + self._row("tea-is-cold"))

    @pytest.mark.parametrize("text", ["[tea-is-cold\n", "[a]\n[a]\n"])
    def test_refuses_a_text_that_is_no_toml(self, text: str) -> None:
        with pytest.raises(VocabularyError, match=r"rules\.toml: the file cannot be read"):
            table.read(text)

    def test_refuses_a_key_outside_of_a_row(self) -> None:
        with pytest.raises(VocabularyError, match='"tea-is-cold" is not a table'):
            table.read('tea-is-cold = "yes"\n')

    def test_refuses_a_rule_that_has_a_file_as_well(self) -> None:
        rows = table.read(self._row("pressure-order"))
        with pytest.raises(VocabularyError, match="table pressure-order: the rule has a file as well"):
            joined(rows, {"pressure-order": rules()["pressure-order"]})


class TestFinding:
    def test_takes_severity_and_effect_from_the_rule(self) -> None:
        found = finding(Noticed("row-ragged", "9 cells, not 10"), export=2, line=7, column="c", vital="spo2", offset=99)
        assert (found.severity, found.effect) == (Severity.ERROR, Effect.HOLD)
        assert (found.export, found.line, found.column, found.vital, found.offset) == (2, 7, "c", "spo2", 99)
        assert found.message == "9 cells, not 10"

    @pytest.mark.parametrize(
        ("effect", "severity"),
        [(Effect.FLAG, Severity.WARNING), (Effect.NOTE, Severity.INFORMATION), (Effect.HOLD, Severity.ERROR)],
    )
    def test_follows_an_effect_the_mapping_chose(self, effect: Effect, severity: Severity) -> None:
        found = finding(Noticed("pressure-order", "m"), export=1, line=1, effect=effect)
        assert (found.effect, found.severity) == (effect, severity)

    def test_keeps_the_rules_own_severity_where_the_effect_is_its_own(self) -> None:
        found = finding(Noticed("export-empty", "m"), export=1, line=0, effect=Effect.NOTE)
        assert found.severity is Severity.WARNING

    def test_knows_no_rule_of_another_name(self) -> None:
        with pytest.raises(VocabularyError, match="no-such-rule"):
            finding(Noticed("no-such-rule", "m"), export=1, line=1)
