"""Migrations and tables say the same; old ledgers are brought up to date, newer ones are left alone."""

from __future__ import annotations

import sqlite3
from importlib.resources import files
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from gateway.ledger import Ledger, LedgerError, open_ledger
from gateway.ledger.tables import APPLICATION_ID, METADATA, REVISIONS, VERSION_TABLE
from tests.ledger.ledger_kit import a_set, begin, finish
from tests.ledger.test_ledger_audit import statement


def test_migrations_make_the_tables(ledger: Ledger) -> None:
    with ledger._reading() as connection:
        # What SQLite gives back of a default does not compare with what was asked for.
        defaults = connection.dialect.name == "postgresql"
        options = {"version_table": VERSION_TABLE, "compare_type": True, "compare_server_default": defaults}
        context = MigrationContext.configure(connection, opts=options)
        assert compare_metadata(context, METADATA) == []


def test_program_knows_every_step() -> None:
    config = Config()
    config.set_main_option("script_location", str(files("gateway.ledger") / "migrations"))
    steps = [script.revision for script in ScriptDirectory.from_config(config).walk_revisions()]
    assert tuple(reversed(steps)) == REVISIONS


def test_ledger_opens_again(place: str, tmp_path: Path) -> None:
    with open_ledger(place) as ledger:
        run, export_id = begin(ledger)
        run.add_sets(export_id, [a_set(1)])
        finish(run, tmp_path)
    with open_ledger(place, create=False) as ledger:
        assert len(list(ledger.sets())) == 1


def test_ledger_without_tables_is_brought_up_to_date(place: str) -> None:
    """A ledger that was begun and never got its tables: only the table of steps is there, and it is empty."""
    if not place.startswith("postgresql"):
        Path(place).touch()
        statement(place, f"PRAGMA application_id = {APPLICATION_ID}")
    statement(place, f"CREATE TABLE {VERSION_TABLE} (version_num VARCHAR(32) NOT NULL PRIMARY KEY)")
    with open_ledger(place) as ledger:
        assert ledger.runs() == []


def test_newer_ledger_is_left_alone(place: str) -> None:
    open_ledger(place).close()
    statement(place, f"UPDATE {VERSION_TABLE} SET version_num = '9999'")
    for readonly in (False, True):
        with pytest.raises(LedgerError, match="newer version"):
            open_ledger(place, readonly=readonly)
    statement(place, f"UPDATE {VERSION_TABLE} SET version_num = '{REVISIONS[-1]}'")
    open_ledger(place).close()


def test_older_ledger_cannot_be_read_only(place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    open_ledger(place).close()
    monkeypatch.setattr("gateway.ledger.store.REVISIONS", (*REVISIONS, "9999"))
    with pytest.raises(LedgerError, match="older version"):
        open_ledger(place, readonly=True)


def test_nothing_is_made_where_nothing_is_wanted(place: str) -> None:
    for options in ({"create": False}, {"readonly": True}):
        with pytest.raises(LedgerError, match="There is no ledger"):
            open_ledger(place, **options)
    if not place.startswith("postgresql"):
        assert not Path(place).exists()


def test_file_is_for_its_owner_alone(tmp_path: Path) -> None:
    path = tmp_path / "ward.ledger"
    with open_ledger(path) as ledger:
        begin(ledger)[0].abandon()
        modes = {file.name: oct(file.stat().st_mode & 0o777) for file in tmp_path.iterdir()}
        assert set(modes.values()) == {"0o600"}, modes
        assert len(modes) >= 3
    with sqlite3.connect(path) as file:
        assert file.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    file.close()


def test_an_empty_database_is_not_made_a_ledger_where_none_is_wanted(place: str) -> None:
    """An empty file, or an empty schema, that exists already: no tables are put into it."""
    if not place.startswith("postgresql"):
        Path(place).touch()
    for options in ({"create": False}, {"readonly": True}):
        with pytest.raises(LedgerError, match="There is no ledger"):
            open_ledger(place, **options)
    with open_ledger(place) as ledger:
        assert ledger.runs() == []
