"""A run that was cut off between its commit and the moving of its folder is completed by the next opening."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from gateway.ledger import Ledger, Recovered, open_ledger
from tests.ledger.ledger_kit import a_set, begin

FILES = {"fhir/1-0001.json": b'{"a":1}\n' * 500, "fhir/1-0002.json": b"[]", "oru/1-0001.hl7": b"MSH|\r"}


@pytest.fixture
def stage(tmp_path: Path) -> Path:
    return tmp_path / "out" / ".night.unfinished-abc"


@pytest.fixture
def target(tmp_path: Path) -> Path:
    return tmp_path / "out" / "night"


def cut_off(place: str, stage: Path, target: Path) -> tuple[int, str]:
    """A run whose process ends right after `prepare`."""
    with open_ledger(place) as ledger:
        run, export_id = begin(ledger)
        for name, data in {**FILES, ".run": f"{run.token}\n".encode()}.items():
            (stage / name).parent.mkdir(parents=True, exist_ok=True)
            (stage / name).write_bytes(data)
            if name != ".run":
                run.add_content(name, data)
        (stage / ".lock").touch()
        run.add_sets(export_id, [a_set(1)])
        run.prepare(stage, target, "{}")
    return run.id, run.token


def check(place: str, expected: Recovered, token: str, more: tuple[str, ...] = ()) -> None:
    with open_ledger(place) as ledger:
        assert ledger.recovered == (expected,)
        assert [past.state for past in ledger.runs()] == ["done"]
        assert ledger.runs()[0].target == expected.target
        assert len(list(ledger.sets())) == 1
    folder = Path(expected.target)
    inside = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert inside == {*FILES, ".run", *more}
    assert {name: (folder / name).read_bytes() for name in FILES} == FILES
    assert (folder / ".run").read_text() == token + "\n"
    with open_ledger(place) as ledger:
        assert ledger.recovered == ()


def test_stage_is_moved(place: str, stage: Path, target: Path) -> None:
    run, token = cut_off(place, stage, target)
    (stage / "report.json").write_text("{}")
    check(place, Recovered(run, str(target), "moved", ""), token, ("report.json",))
    assert [path.name for path in target.parent.iterdir()] == ["night"]


def test_result_in_place_is_left_alone(place: str, stage: Path, target: Path) -> None:
    run, token = cut_off(place, stage, target)
    (stage / ".lock").unlink()
    stage.rename(target)
    inode = target.stat().st_ino
    check(place, Recovered(run, str(target), "in place", ""), token)
    assert target.stat().st_ino == inode


def test_what_a_recovery_left_that_was_cut_off_itself_is_used_or_cleared_away(
    place: str, stage: Path, target: Path
) -> None:
    """The folder it had made again, and not yet moved; and one beside a result that is in place already."""
    run, token = cut_off(place, stage, target)
    again = stage.with_name(".night.unfinished-again")
    shutil.copytree(stage, again)
    shutil.rmtree(stage)
    (again / "oru" / "1-0001.hl7").unlink()  # whatever it lacks is made again
    check(place, Recovered(run, str(target), "moved", ""), token)
    assert [path.name for path in target.parent.iterdir()] == ["night"]


def test_a_second_folder_of_a_result_in_place_is_cleared_away(place: str, stage: Path, target: Path) -> None:
    run, token = cut_off(place, stage, target)
    (stage / ".lock").unlink()
    shutil.copytree(stage, stage.with_name(".night.unfinished-again"))
    (foreign := stage.with_name(".night.unfinished-foreign")).mkdir()
    (foreign / ".run").write_text("of-another-run\n")
    stage.rename(target)
    check(place, Recovered(run, str(target), "in place", ""), token)
    assert sorted(path.name for path in target.parent.iterdir()) == [".night.unfinished-foreign", "night"]


def test_lost_folder_is_made_again(place: str, stage: Path, target: Path) -> None:
    run, token = cut_off(place, stage, target)
    shutil.rmtree(stage.parent)
    check(place, Recovered(run, str(target), "made again", ""), token)
    assert target.stat().st_mode & 0o777 == 0o700


@pytest.mark.parametrize("damage", [lambda path: path.unlink(), lambda path: path.write_bytes(b"cut")])
def test_damaged_stage_is_made_whole(place: str, stage: Path, target: Path, damage: Callable[[Path], object]) -> None:
    run, token = cut_off(place, stage, target)
    damage(stage / "fhir" / "1-0001.json")
    check(place, Recovered(run, str(target), "moved", ""), token)


def test_earlier_result_is_replaced(place: str, stage: Path, target: Path) -> None:
    target.mkdir(parents=True)
    (target / "report.json").write_text("{}")
    run, token = cut_off(place, stage, target)
    check(place, Recovered(run, str(target), "moved", ""), token)
    assert [path.name for path in target.parent.iterdir()] == ["night"]


def test_earlier_result_that_was_set_aside_goes(place: str, stage: Path, target: Path) -> None:
    target.mkdir(parents=True)
    (target / "report.json").write_text("{}")
    run, token = cut_off(place, stage, target)
    aside = target.parent / ".night.earlier-xyz"
    aside.mkdir()
    target.rename(aside / "result")
    other = target.parent / ".night.earlier-other" / "result"
    other.mkdir(parents=True)
    (other / "keep").touch()
    check(place, Recovered(run, str(target), "moved", ""), token)
    assert sorted(path.name for path in target.parent.iterdir()) == [".night.earlier-other", "night"]


def test_folder_of_somebody_else_is_never_touched(place: str, stage: Path, target: Path) -> None:
    run, token = cut_off(place, stage, target)
    target.mkdir()
    (target / "report.json").write_text("theirs")
    check(place, Recovered(run, f"{target}.run-{run}", "moved", ""), token)
    assert [path.name for path in target.iterdir()] == ["report.json"]


def test_what_cannot_be_completed_is_told_and_tried_again(place: str, stage: Path, target: Path) -> None:
    run, token = cut_off(place, stage, target)
    shutil.rmtree(target.parent)
    target.parent.write_text("a file in the way")
    for _ in range(2):
        with open_ledger(place) as ledger:
            (told,) = ledger.recovered
            assert (told.run, told.how) == (run, "")
            assert told.problem
            assert [past.state for past in ledger.runs()] == ["written"]
    target.parent.unlink()
    check(place, Recovered(run, str(target), "made again", ""), token)


def test_recovery_that_is_cut_off_itself_is_done_again(
    place: str, stage: Path, target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run, token = cut_off(place, stage, target)
    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            open_ledger(place)
    check(place, Recovered(run, str(target), "moved", ""), token)


def test_reader_recovers_nothing(place: str, stage: Path, target: Path) -> None:
    cut_off(place, stage, target)
    with open_ledger(place, readonly=True) as ledger:
        assert ledger.recovered == ()
        assert [past.state for past in ledger.runs()] == ["written"]
    assert stage.exists()


def test_name_that_leads_out_of_the_folder_is_not_written(ledger: Ledger, place: str, tmp_path: Path) -> None:
    run, _ = begin(ledger)
    run.add_content("../../outside", b"x")
    run.prepare(tmp_path / "none", tmp_path / "a" / "b", "{}")
    ledger.close()
    with open_ledger(place) as again:
        assert again.recovered[0].problem
    assert not (tmp_path / "outside").exists()
