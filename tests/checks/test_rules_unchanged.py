"""Every rule, field by field, as it was when each had a file of its own."""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path
from typing import Any

from gateway.checks import Rule, rules

GOLDEN = Path(__file__).parent / "golden" / "rules.json"


def _dumped(rule: Rule) -> dict[str, Any]:
    told = {field.name: getattr(rule, field.name) for field in fields(Rule)}
    told["vitals"] = list(rule.vitals)
    told["check"] = rule.check and f"{rule.check.__module__}.{rule.check.__qualname__}"
    return {key: value for key, value in told.items() if key != "slug"}


def test_rules_are_the_same_in_every_field() -> None:
    found = {slug: _dumped(rule) for slug, rule in rules().items()}
    assert json.loads(json.dumps(found)) == json.loads(GOLDEN.read_text(encoding="utf-8"))
    assert list(found) == list(json.loads(GOLDEN.read_text(encoding="utf-8")))
    for rule in rules().values():
        assert type(rule.severity).__name__ == "Severity"
        assert type(rule.effect).__name__ == "Effect"
        assert type(rule.vitals) is tuple
