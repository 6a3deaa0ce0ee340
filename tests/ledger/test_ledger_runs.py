"""What a run adds, and what can be asked afterwards."""

from __future__ import annotations

import zlib
from datetime import timedelta
from pathlib import Path

import pytest

from gateway.ledger import KnownSet, Ledger, LedgerError, SetFilter, SetRow, Sighting, open_ledger
from tests.ledger.ledger_kit import SHA, STARTED, a_hold, a_set, begin, finish, identity, info


def test_known_set_is_a_set_row_and_more() -> None:
    assert KnownSet._fields[: len(SetRow._fields)] == SetRow._fields


def test_set_comes_back_as_it_was_recorded(ledger: Ledger, place: str, tmp_path: Path) -> None:
    odd = a_set(7, device='MON "7", Straße\t', sequence="", patient="007", epoch=-5, readings="", oru="oru/1-0001.hl7")
    run, export_id = begin(ledger)
    run.add_sets(export_id, [odd, a_set(8)])
    finish(run, tmp_path)
    known = ledger.find(odd.identity)
    assert known is not None
    assert known[: len(odd)] == odd
    assert known[len(odd) :] == (export_id, SHA, run.id, STARTED, "recorded", 1)
    assert ledger.find(identity(9)) is None
    with open_ledger(place, readonly=True) as reader:
        assert reader.find(odd.identity) == known


def test_nothing_is_visible_before_the_run_is_prepared(ledger: Ledger, tmp_path: Path) -> None:
    run, export_id = begin(ledger)
    run.add_sets(export_id, [a_set(1)])
    assert ledger.find(identity(1)) is None
    assert ledger.runs() == []
    finish(run, tmp_path)
    assert ledger.find(identity(1)) is not None
    assert [past.state for past in ledger.runs()] == ["done"]


def test_run_knows_what_it_added_itself(ledger: Ledger, tmp_path: Path) -> None:
    run, export_id = begin(ledger)
    run.add_sets(export_id, [a_set(number) for number in range(1000)])
    assert run.known([]) == {}
    assert set(run.known([identity(number) for number in range(990, 1010)])) == set(map(identity, range(990, 1000)))
    finish(run, tmp_path)
    later, _ = begin(ledger)
    assert later.known([identity(3)])[identity(3)].run == run.id
    later.abandon()


def test_error_takes_the_whole_run_back(ledger: Ledger, tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError), ledger.run(info()) as run:  # noqa: PT012
        export_id, known = run.export(SHA, 1, 1, "delimited")
        assert not known
        run.add_sets(export_id, [a_set(1)])
        run.add_content("fhir/1-0001.json", b"{}" * 100)
        run.add_holds(export_id, [a_hold(3)])
        1 / 0  # noqa: B018
    assert (ledger.runs(), ledger.exports(), list(ledger.sets()), ledger.holds()) == ([], [], [], [])
    run, _ = begin(ledger)
    finish(run, tmp_path)
    assert len(ledger.runs()) == 1


def test_run_that_failed_cannot_be_prepared(ledger: Ledger, tmp_path: Path) -> None:
    run, export_id = begin(ledger)
    run.add_sets(export_id, [a_set(1)])
    with pytest.raises(LedgerError) as told:
        run.add_sets(export_id, [a_set(2), a_set(1, patient="4711")])
    assert "4711" not in str(told.value)
    with pytest.raises(LedgerError, match="The run has ended"):
        run.prepare(tmp_path / "stage", tmp_path / "target", "{}")
    run.abandon()
    assert ledger.runs() == []


def test_one_run_at_a_time(ledger: Ledger) -> None:
    run, _ = begin(ledger)
    with pytest.raises(LedgerError, match="A run is open already"):
        ledger.run(info())
    run.abandon()
    run.abandon()
    ledger.run(info()).abandon()


def test_export_is_known_from_the_second_run_on(ledger: Ledger, tmp_path: Path) -> None:
    run, export_id = begin(ledger)
    assert run.export(SHA, 1000, 100, "delimited") == (export_id, False)
    finish(run, tmp_path)
    later = ledger.run(info(started=STARTED + timedelta(days=1)))
    assert later.export(SHA, 1000, 100, "delimited") == (export_id, True)
    other, known = later.export("77" * 32, 5, 1, "framed")
    assert (other != export_id, known) == (True, False)
    finish(later, tmp_path)
    seen = [(export.id, export.sha256, export.first_run, export.first_seen) for export in ledger.exports()]
    assert seen == [(export_id, SHA, run.id, STARTED), (other, "77" * 32, later.id, STARTED + timedelta(days=1))]


def test_newest_sets_of_a_device_come_first(ledger: Ledger, tmp_path: Path) -> None:
    run, export_id = begin(ledger)
    run.add_sets(export_id, [a_set(number) for number in range(30)])
    newest = [known.identity for known in run.latest("MON-01", 3)]
    assert newest == [identity(28), identity(25), identity(22)]
    assert run.latest("MON-09", 3) == []
    run.abandon()


def test_revision_keeps_what_stood_before(ledger: Ledger, tmp_path: Path) -> None:
    run, export_id = begin(ledger)
    run.add_sets(export_id, [a_set(1), a_set(2)])
    finish(run, tmp_path)
    later, export_id = begin(ledger, started=STARTED + timedelta(hours=1))
    assert later.revise_set(export_id, a_set(1, status="corrected", readings="pulse=61 /min")) == 2
    with pytest.raises(LedgerError, match="does not know"):
        later.revise_set(export_id, a_set(99))
    later.abandon()
    later, export_id = begin(ledger, started=STARTED + timedelta(hours=1))
    assert later.revise_set(export_id, a_set(1, status="corrected", readings="pulse=61 /min")) == 2
    finish(later, tmp_path)
    known = ledger.find(identity(1))
    assert known is not None
    assert (known.status, known.readings, known.revision, known.run) == ("corrected", "pulse=61 /min", 2, later.id)
    assert known.recorded_at == STARTED + timedelta(hours=1)
    (before,) = ledger.history(identity(1))
    assert before[: len(SetRow._fields)] == a_set(1)
    assert (before.revision, before.run, before.recorded_at) == (1, run.id, STARTED)
    assert ledger.history(identity(2)) == []


def test_retracted_set_stays_known_and_can_be_recorded_again(ledger: Ledger, tmp_path: Path) -> None:
    run, export_id = begin(ledger)
    run.add_sets(export_id, [a_set(number) for number in range(5)])
    finish(run, tmp_path)
    later, export_id = begin(ledger)
    assert later.retract([identity(1), identity(3), identity(77)], "entered-in-error") == 2
    assert later.retract([identity(1)], "entered-in-error") == 0
    assert later.known([identity(1)])[identity(1)].state == "retracted"
    finish(later, tmp_path)
    assert [known.line for known in ledger.sets()] == [2, 4, 6]
    assert [known.line for known in ledger.sets(SetFilter(state="retracted"))] == [3, 5]
    last, export_id = begin(ledger)
    assert last.revise_set(export_id, a_set(1)) == 2
    finish(last, tmp_path)
    known = ledger.find(identity(1))
    assert known is not None
    assert (known.state, known.revision) == ("recorded", 2)
    assert [before.state for before in ledger.history(identity(1))] == ["retracted"]


def test_sets_are_found_by_every_field(ledger: Ledger, tmp_path: Path) -> None:
    run, export_id = begin(ledger)
    run.add_sets(export_id, [a_set(number) for number in range(20)])
    finish(run, tmp_path)
    other = {"mapping_sha256": "cd" * 32, "mapping_version": "2.0", "mapping_title": "Theatre"}
    later, export_id = begin(ledger, **other)
    later.add_sets(export_id, [a_set(number) for number in range(20, 30)])
    finish(later, tmp_path)

    def numbers(**fields: object) -> list[int]:
        return [known.line - 2 for known in ledger.sets(SetFilter(**fields))]  # type: ignore[arg-type]

    assert numbers() == list(range(30))
    assert numbers(run=run.id) == list(range(20))
    assert numbers(device="MON-01", since=1_770_000_000 + 60 * 4, until=1_770_000_000 + 60 * 10) == [4, 7]
    assert numbers(patient="000003", patient_system="urn:example:patients") == [3, 8, 13, 18, 23, 28]
    assert numbers(patient="000003", patient_system="urn:example:others") == []
    for name, value in other.items():
        assert numbers(**{name: value}) == list(range(20, 30))
    assert numbers(identities=[identity(25), identity(2), identity(2), identity(99)]) == [2, 25]
    assert numbers(identities=[]) == []


def test_sets_come_in_order_of_time_whatever_the_number_asked_for(
    ledger: Ledger, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run, export_id = begin(ledger)
    run.add_sets(export_id, [a_set(number, epoch=1000 - number // 2) for number in range(500)])
    finish(run, tmp_path)
    everything = [(known.epoch, known.identity) for known in ledger.sets()]
    assert everything == sorted(everything)
    assert len(everything) == 500
    monkeypatch.setattr("gateway.ledger.reading.sliced.__defaults__", (7,))
    some = [identity(number) for number in range(100, 400)]
    found = [(known.epoch, known.identity) for known in ledger.sets(SetFilter(identities=some))]
    assert found == sorted(found)
    assert {found_identity for _, found_identity in found} == set(some)


def test_sets_can_be_retracted_while_they_are_streamed(ledger: Ledger, tmp_path: Path) -> None:
    run, export_id = begin(ledger)
    run.add_sets(export_id, [a_set(number) for number in range(1200)])
    finish(run, tmp_path)
    later, _ = begin(ledger)
    streamed = sum(later.retract([known.identity], "entered-in-error") for known in ledger.sets())
    assert streamed == 1200
    finish(later, tmp_path)
    assert list(ledger.sets()) == []


def test_line_tells_what_became_of_it(ledger: Ledger, tmp_path: Path) -> None:
    run, export_id = begin(ledger)
    run.add_sets(export_id, [a_set(1)])
    run.add_holds(export_id, [a_hold(9)])
    run.add_sightings(export_id, [Sighting(40, identity(1)), Sighting(41, identity(1))])
    run.add_sightings(export_id, [Sighting(40, identity(1))])
    finish(run, tmp_path)
    at = ledger.at_line(SHA, 3)
    assert [known.identity for known in at.sets] == [identity(1)]
    assert (at.holds, at.sightings) == ([], [])
    assert [hold.line for hold in ledger.at_line(SHA, 9).holds] == [9]
    assert ledger.at_line(SHA, 40).sightings == [Sighting(40, identity(1))]
    assert ledger.at_line("00" * 32, 3) == ([], [], [])


def test_contents_and_blocks_come_back_as_they_were(ledger: Ledger, tmp_path: Path) -> None:
    files = {f"fhir/1-{number:04}.json": bytes([number]) * 100_000 for number in range(20)}
    run, export_id = begin(ledger)
    for name, data in files.items():
        run.add_content(name, data)
    packed = zlib.compress(b"line\n" * 1000)
    run.add_block(export_id, 3, packed)
    run.add_block(export_id, 3, b"something else")
    finish(run, tmp_path)
    assert ledger.contents(run.id) == sorted(files)
    assert {name: ledger.content(run.id, name) for name in files} == files
    assert ledger.block(export_id, 3)[:4] == (export_id, SHA, 3, packed)
    assert ledger.mapping_text("ab" * 32) == "title = 'Ward'\n"
    for missing in (
        lambda: ledger.content(run.id, "fhir/none.json"),
        lambda: ledger.block(export_id, 4),
        lambda: ledger.mapping_text("00"),
    ):
        with pytest.raises(LedgerError, match="holds no"):
            missing()


def test_run_is_remembered_with_all_it_was_made_with(ledger: Ledger, tmp_path: Path) -> None:
    run = ledger.run(info(options='{"as":"both"}', associations_sha256="ee" * 32))
    run.prepare(tmp_path / "stage", tmp_path / "result", '{"sets":0}')
    (past,) = ledger.runs()
    assert (past.state, past.token, past.finished) == ("written", run.token, None)
    run.finish()
    (past,) = ledger.runs()
    assert past.written is not None
    assert past.finished is not None
    assert past.written <= past.finished
    assert (past.state, past.options, past.associations_sha256) == ("done", '{"as":"both"}', "ee" * 32)
    assert (past.started, past.stage, past.target) == (STARTED, str(tmp_path / "stage"), str(tmp_path / "result"))
    assert (past.namespace, past.mapping_title, past.counts) == ("urn:example:ward", "Ward monitors", '{"sets":0}')


def test_finish_needs_prepare(ledger: Ledger) -> None:
    run, _ = begin(ledger)
    with pytest.raises(LedgerError, match="not prepared"):
        run.finish()
    run.abandon()


def test_reader_writes_nothing(ledger: Ledger, place: str) -> None:
    with open_ledger(place, readonly=True) as reader, pytest.raises(LedgerError, match="opened for reading"):
        reader.run(info())


def test_a_ledger_that_is_closed_takes_its_open_run_back(place: str) -> None:
    ledger = open_ledger(place)
    run, export_id = begin(ledger)
    run.add_sets(export_id, [a_set(1)])
    ledger.close()
    assert not run.is_open
    with pytest.raises(LedgerError, match="The run has ended"):
        run.add_sets(export_id, [a_set(2)])
    with open_ledger(place) as again:
        assert again.runs() == []
        assert list(again.sets()) == []
        begin(again)[0].abandon()


def test_reading_leaves_nothing_beside_the_file(tmp_path: Path) -> None:
    where = tmp_path / "a.ledger"
    with open_ledger(where) as ledger:
        run, _ = begin(ledger)
        finish(run, tmp_path)
    before, files = where.read_bytes(), sorted(path.name for path in tmp_path.iterdir())
    with open_ledger(where, readonly=True) as ledger:
        assert len(ledger.runs()) == 1
        with pytest.raises(LedgerError):
            ledger.add_audit("nobody", "look", "", "a reader writes nothing", {})
    assert sorted(path.name for path in tmp_path.iterdir()) == files
    assert where.read_bytes() == before


def test_when_exports_were_last_read_into_each_folder(tmp_path: Path) -> None:
    with open_ledger(tmp_path / "a.ledger") as ledger:
        first, _ = begin(ledger)
        finish(first, tmp_path)
        without = ledger.run(info())
        finish(without, tmp_path)
        assert ledger.last_reading() == {str(tmp_path / f"result-{first.id}"): STARTED}
