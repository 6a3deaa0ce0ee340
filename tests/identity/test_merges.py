"""Lists of merged identifiers as files: every mistake at its place, nothing of the contents in an error."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.errors import InputError
from gateway.identity import Issuers, Merge, load_merges, settled
from gateway.identity.reading import Issuer

OWN = "https://kit.example.org/patients"
HEADER = "MSH|^~\\&|ADT|CLINIC|GATEWAY|CLINIC|20260315080000-0500||ADT^A40^ADT_A39|1|P|2.5.1"


def issuers(*known: Issuer) -> Issuers:
    made = Issuers(None)
    made.patients = known or (Issuer(OWN, "HOME", "MR"),)
    return made


def read(tmp_path: Path, text: str, name: str = "list.csv") -> list[Merge]:
    path = tmp_path / name
    path.write_text(text, newline="")
    return load_merges(path, issuers())[0]


def test_csv(tmp_path: Path) -> None:
    made = read(tmp_path, f"surviving;old;old_system\r\nB2; A1 ;{OWN}\r\n\r\nB3;A3;\r\n")
    assert made == [
        Merge((OWN, "A1"), (OWN, "B2"), "line 2"),
        Merge((OWN, "A3"), (OWN, "B3"), "line 4"),
    ]


def test_messages(tmp_path: Path) -> None:
    segments = [HEADER, "PID|||B2^^^HOME^MR", "MRG|A1^^^HOME^MR", "PID|||B4^^^HOME^MR", "PV1||I", "MRG|A4^^^HOME^MR",
                HEADER, "PID|||B3", "MRG|A3"]  # fmt: skip
    made = read(tmp_path, "\r".join(segments), "list.hl7")
    assert [(merge.old[1], merge.surviving[1], merge.place) for merge in made] == [
        ("A1", "B2", "message 1 (line 1)"),
        ("A4", "B4", "message 1 (line 1)"),
        ("A3", "B3", "message 2 (line 7)"),
    ]


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("old,new\nSECRET1,B2\n", "has no column surviving"),
        ("old,surviving\nSECRET1\n", "line 2: it has 1 cells and needs 2"),
        ("old,surviving\nSECRET1,\n", "line 2: surviving is empty"),
        ("old,surviving\n,SECRET1\n", "line 2: old is empty"),
        ("old,surviving\nSECRET1,SECRET1\n", "line 2: the old identifier is the surviving one"),
        ("old,surviving,old_system\nSECRET1,B2,urn:x\n", "line 2: no identifier of the old patient is of a system"),
        ('old,surviving\nA1,B2\n"SECRET1,B2\n', "line 3: a quote is not closed"),
        ("old,surviving,old\nA1,B2,A1\n", "names the column old twice"),
        (HEADER.replace("A40", "A08") + "\rPID|||SECRET1^^^HOME^MR", "MSH-9 is not ADT^A40"),
        (HEADER + "\rPID|||SECRET1^^^HOME^MR", "a PID has no MRG"),
        (HEADER + "\rMRG|SECRET1^^^HOME^MR\rPID|||B2^^^HOME^MR", "an MRG stands before its PID"),
        (HEADER, "there is no MRG"),
        (HEADER + "\rPID|||B2^^^HOME^MR\rMRG|SECRET1^^^OTHER^MR", "no identifier of the patient is of a system"),
        (HEADER + "\rPID|||B2^^^HOME^MR\rMRG|", "the patient has no identifier"),
        (HEADER.replace("2.5.1", "2.5.1||||||8859/1") + "\rPID|||B2\rMRG|SECRET1", "MSH-18 names other characters"),
        ("PID|||SECRET1\r" + HEADER, "a segment stands before the first MSH"),
    ],
)
def test_mistakes(tmp_path: Path, text: str, what: str) -> None:
    name = "list.hl7" if "MSH" in text else "list.csv"
    with pytest.raises(InputError) as refused:
        read(tmp_path, text, name)
    told = str(refused.value).replace(str(tmp_path), "")
    assert what in told
    assert "SECRET1" not in told


def test_every_mistake_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError) as refused:
        read(tmp_path, "old,surviving\n,B2\nA1,B2\nA3,\n")
    assert "line 2: old is empty; line 4: surviving is empty" in str(refused.value)


def test_json_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is CSV or HL7 v2"):
        read(tmp_path, "{}", "list.json")


class TestSettled:
    def merges(self, *pairs: tuple[str, str]) -> list[Merge]:
        return [Merge(("", old), ("", new), f"line {n}") for n, (old, new) in enumerate(pairs, 2)]

    def test_the_same_twice(self) -> None:
        assert settled(self.merges(("a", "b"), ("a", "b")), {}, "list") == {("", "a"): ("", "b")}

    @pytest.mark.parametrize(
        ("pairs", "what"),
        [
            ([("a", "b"), ("b", "a")], "the merges go in a circle"),
            ([("a", "b"), ("b", "c"), ("c", "a")], "the merges go in a circle"),
            ([("a", "b"), ("a", "c")], "line 2 and line 3: one identifier is merged into 2 patients"),
        ],
    )
    def test_what_cannot_be(self, pairs: list[tuple[str, str]], what: str) -> None:
        with pytest.raises(InputError, match=what):
            settled(self.merges(*pairs), {}, "list")

    def test_a_long_chain(self) -> None:
        pairs = [(str(n), str(n + 1)) for n in range(20_000)]
        assert set(settled(self.merges(*pairs), {}, "list").values()) == {("", "20000")}

    @given(st.lists(st.tuples(st.sampled_from("abcdef"), st.sampled_from("abcdef")).filter(lambda p: p[0] != p[1]),
                    max_size=12))  # fmt: skip
    def test_taken_at_once_or_one_by_one(self, pairs: list[tuple[str, str]]) -> None:
        """However a list is cut, the same survive; and nobody who survives is an old one."""
        known: dict[tuple[str, str], tuple[str, str]] = {}
        try:
            for pair in pairs:
                known = settled(self.merges(pair), known, "list")
        except InputError:
            return
        assert not set(known.values()) & set(known)
        assert {old for old, _ in pairs} == {old for _, old in known}
        # Told one by one, two may be a third's already before they are called each other's: then there is no circle.
        try:
            at_once = settled(self.merges(*pairs), {}, "list")
        except InputError:
            return
        assert at_once == known
