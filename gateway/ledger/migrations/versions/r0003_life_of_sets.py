"""Sets by the measurement they are of: printed times, chains, patients who became one, and the queue.

Until this step `epoch` was the time by the monitor's own clock, also where that clock was corrected. It becomes the
time that was recorded, read from the records themselves; what the clock printed goes into `wall`.
"""

from __future__ import annotations

import json
import re
import tomllib
import zlib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_SEGMENTS = re.compile(r"[\r\n]+")


def upgrade() -> None:
    """Add the columns, and fill them from what is there."""
    connection = op.get_bind()
    for table in ("sets", "set_history"):
        op.add_column(table, sa.Column("wall", sa.BigInteger(), server_default="0", nullable=False))
        op.add_column(table, sa.Column("chain", sa.LargeBinary(), nullable=True))
        op.add_column(table, sa.Column("how", sa.Text(), server_default="", nullable=False))
        op.add_column(table, sa.Column("changed_run", _ID, nullable=True))
        # Nobody asked for it: the records themselves are kept, each file with its hash.
        op.drop_column(table, "digest")
    _fill_times(connection)
    connection.execute(
        sa.text(
            "UPDATE sets SET changed_run = CASE WHEN state = 'retracted' THEN retracted_run ELSE run END"
            " WHERE state = 'retracted' OR revision > 1"
        )
    )
    op.drop_index("sets_by_device", "sets")
    op.create_index("sets_by_place", "sets", ["namespace", "device", "wall"])
    changed = sa.text("changed_run IS NOT NULL")
    op.create_index("sets_changed", "sets", ["changed_run"], sqlite_where=changed, postgresql_where=changed)
    op.add_column("holds", sa.Column("patient_system", sa.Text(), server_default="", nullable=False))
    op.add_column("holds", sa.Column("said", sa.Text(), server_default="", nullable=False))
    op.add_column("owners", sa.Column("stopped", sa.Text(), server_default="", nullable=False))
    op.add_column("owners", sa.Column("stopped_by", sa.Text(), server_default="", nullable=False))
    op.add_column("owners", sa.Column("stopped_at", sa.DateTime(timezone=True), nullable=True))
    op.create_table(
        "merged",
        sa.Column("system", sa.Text(), nullable=False),
        sa.Column("patient", sa.Text(), nullable=False),
        sa.Column("surviving_system", sa.Text(), nullable=False),
        sa.Column("surviving", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("system", "patient"),
    )
    for name in ("only", "without", "form"):
        op.add_column("outbox", sa.Column(name, sa.Text(), server_default="", nullable=False))
    op.add_column("outbox", sa.Column("reached", sa.Integer(), server_default="0", nullable=False))
    op.add_column("outbox", sa.Column("split", sa.Integer(), server_default="0", nullable=False))
    op.add_column("outbox", sa.Column("answered", sa.Integer(), server_default="0", nullable=False))
    op.drop_index("outbox_by_file", "outbox")
    op.create_index("outbox_by_file", "outbox", ["run", "name", "target", "part", "split"], unique=True)
    # What was tried and not answered may have arrived all the same.
    connection.execute(
        sa.text(
            "UPDATE outbox SET reached = 1"
            " WHERE state = 'delivered' OR (state = 'waiting' AND attempts > 0 AND code <> 'connection')"
        )
    )


def _fill_times(connection: sa.Connection) -> None:
    """The printed time of every set, and the recorded one where the monitor's clock was corrected."""
    texts = {row.sha256: row.text for row in connection.execute(sa.text("SELECT sha256, text FROM mappings"))}
    runs = connection.execute(sa.text("SELECT id, mapping_sha256 FROM runs ORDER BY id")).all()
    for run, sha256 in runs:
        # As plain TOML: a mapping of long ago need not pass the checks of today.
        time = tomllib.loads(texts[sha256]).get("time", {})
        zone = None if "age" in time else _zone(str(time.get("zone", "offset-in-text")))
        recorded = _recorded_times(connection, run) if "clock" in time else {}
        for table in ("sets", "set_history"):
            read = sa.text(f"SELECT identity, epoch FROM {table} WHERE run = :run")
            write = sa.text(
                f"UPDATE {table} SET wall = :wall, epoch = :epoch WHERE identity = :identity AND run = :run"
            )
            values = [
                {
                    "wall": epoch + _offset(zone, epoch),
                    "epoch": recorded.get(bytes(identity).hex(), epoch),
                    "identity": identity,
                    "run": run,
                }
                for identity, epoch in connection.execute(read, {"run": run}).all()
            ]
            if values:
                connection.execute(write, values)


def _zone(name: str) -> tzinfo | None:
    """The zone of a mapping; None where each text carries its own offset."""
    if name == "offset-in-text":
        return None
    fixed = re.fullmatch(r"([+-])(\d\d):(\d\d)", name)
    if fixed is None:
        return ZoneInfo(name)
    ahead = timedelta(hours=int(fixed[2]), minutes=int(fixed[3]))
    return timezone(ahead if fixed[1] == "+" else -ahead)


def _offset(zone: tzinfo | None, epoch: int) -> int:
    """Seconds by which wall clocks of the zone were ahead of UTC."""
    if zone is None:
        return 0
    offset = datetime.fromtimestamp(epoch, UTC).astimezone(zone).utcoffset()
    return int(offset.total_seconds()) if offset is not None else 0


def _recorded_times(connection: sa.Connection, run: int) -> dict[str, int]:
    """Identity of a set (32 hex digits) -> the time in its records, for the record files of a run."""
    found: dict[str, int] = {}
    files = connection.execute(sa.text("SELECT name, data FROM contents WHERE run = :run"), {"run": run})
    for name, packed in files:
        if name.startswith("fhir/"):
            found.update(_observed(zlib.decompress(packed).decode()))
        elif name.startswith("oru/"):
            found.update(_reported(zlib.decompress(packed).decode()))
    return found


def _observed(text: str) -> Iterator[tuple[str, int]]:
    parts = [json.loads(text)] if text.startswith('{"resourceType":"Bundle"') else map(json.loads, text.splitlines())
    resources: list[Any] = [entry["resource"] for part in parts for entry in part.get("entry", [{"resource": part}])]
    for resource in resources:
        value = (resource.get("identifier") or [{}])[0].get("value", "")
        when = resource.get("effectiveDateTime", "")
        if resource["resourceType"] == "Observation" and re.match(r"[0-9a-f]{32}\.", value) and "T" in when:
            yield value[:32], int(datetime.fromisoformat(when).timestamp())


def _reported(text: str) -> Iterator[tuple[str, int]]:
    for segment in _SEGMENTS.split(text):
        fields = segment.split("|")
        if fields[0] == "OBR" and len(fields) > 7 and re.fullmatch(r"\d{12}(\d\d)?[+-]\d{4}", fields[7]):
            date, clock, offset = fields[7][:8], fields[7][8:-5].ljust(6, "0"), fields[7][-5:]
            yield fields[3].partition("^")[0], int(datetime.fromisoformat(f"{date}T{clock}{offset}").timestamp())
