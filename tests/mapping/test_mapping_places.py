"""Where keys stand: checked against what tomllib reads, for texts of every kind TOML allows."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.mapping.places import Path, places

TEXT = """\
# comment with [brackets] and a = 1
title = "a # no comment"
'quoted key' = 'x = 1'
"esc\\u0041pe" = 1

[time]   # behind a header
columns = [
  "a",  # one
  # two
  "b", ["c",
  "d"],
]
note = '''
[not.a.table]
key = 1
'''
other = \"\"\"
quote \\\"\"\" inside
x = 2\"\"\"\"\"
when = 1979-05-27T07:32:00Z
a.b.c = true

[vitals.spo2.site]
column = "x"

[vitals]
mark = { one = 1, two = { three = [1, 2], "f o u r" = "}" }, five = '{' }

[[list]]
name = 1
[list.sub]
deep = 2
[[list]]
name = 3
[[list.inner]]
x = 1
[[list.inner]]
x = 2
"""


def paths_of(value: object, path: Path = ()) -> dict[Path, object]:
    found: dict[Path, object] = {path: value} if path else {}
    if isinstance(value, dict):
        for key, inner in value.items():
            found |= paths_of(inner, (*path, key))
    elif isinstance(value, list):
        for at, inner in enumerate(value):
            found |= paths_of(inner, (*path, at))
    return found


def test_every_key_of_a_hard_text_is_found() -> None:
    assert set(places(TEXT).lines) == set(paths_of(tomllib.loads(TEXT)))


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("title",), 2),
        (("quoted key",), 3),
        (("escApe",), 4),
        (("time",), 6),
        (("time", "columns"), 7),
        (("time", "columns", 1), 10),
        (("time", "columns", 2, 1), 11),
        (("time", "note"), 13),
        (("time", "other"), 17),
        (("time", "when"), 20),
        (("time", "a", "b", "c"), 21),
        (("vitals", "spo2", "site", "column"), 24),
        (("vitals",), 26),
        (("vitals", "mark", "two", "three", 1), 27),
        (("list", 0, "sub", "deep"), 32),
        (("list", 1, "name"), 34),
        (("list", 1, "inner", 1, "x"), 38),
        (("vitals", "spo2", "unit"), 23),
        (("nowhere",), 1),
    ],
)
def test_line(path: Path, line: int) -> None:
    assert places(TEXT).line_of(path) == line
    assert places(TEXT.replace("\n", "\r\n")).line_of(path) == line


KEYS = st.text(st.characters(blacklist_categories=["Cs", "Cc"]), max_size=5)
SCALARS = st.one_of(
    st.integers(-99, 99).map(str),
    st.booleans().map(lambda value: str(value).lower()),
    st.text("ab\"'\\#=[]{},. ", max_size=6).map(lambda text: quoted(text)),
    st.text('ab"\\#=[]{},. ', max_size=6).map(lambda text: f"'{text}'"),
    st.text("ab'\"\n#=[]{}, ", max_size=8).filter(lambda text: '"""' not in text and text[-1:] != '"').map(
        lambda text: f'"""{text}"""'
    ),
)  # fmt: skip
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: "[\n" + " , # x\n".join(items) + "\n]"),
        st.dictionaries(KEYS, inner.filter(lambda text: "\n" not in text), max_size=3).map(
            lambda table: "{ " + ", ".join(f"{quoted(key)} = {value}" for key, value in table.items()) + " }"
        ),
    ),
    max_leaves=6,
)


def quoted(key: str) -> str:
    return '"' + key.replace("\\", "\\\\").replace('"', '\\"') + '"'


@settings(max_examples=50, deadline=None)
@given(st.dictionaries(KEYS, st.dictionaries(KEYS, VALUES, max_size=4), max_size=4))
def test_every_key_of_any_text_is_found_at_its_line(tables: dict[str, dict[str, str]]) -> None:
    text = ""
    lines: dict[Path, int] = {}
    for name, table in tables.items():
        lines[(name,)] = text.count("\n") + 1
        text += f"[{quoted(name)}]\n"
        for key, value in table.items():
            lines[name, key] = text.count("\n") + 1
            text += f"{quoted(key)} = {value}\n"
    found = places(text)
    assert set(found.lines) == set(paths_of(tomllib.loads(text)))
    assert {path: found.line_of(path) for path in lines} == lines
