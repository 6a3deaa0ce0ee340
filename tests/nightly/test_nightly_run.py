"""One run for all feeds: what is taken, what is told, and that one trouble stays one trouble."""

from __future__ import annotations

import fcntl
import itertools
import json
import os
import shutil
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from gateway.cli.main import main
from gateway.errors import SiteError
from gateway.ledger import open_ledger
from gateway.mapping.signing import sign
from gateway.nightly.run import nightly
from gateway.nightly.site import check_site, load_site
from gateway.records.output import TOKEN
from tests.nightly.night_kit import DEMO, LONG, REPOSITORY, WIDE, bring, latest, make_site, observations


def run(home: Path, *words: str) -> int:
    return main(["nightly", str(home / "site.toml"), *words])


def test_a_night_takes_converts_sends_and_tells(tmp_path: Path) -> None:
    make_site(tmp_path)
    bring(tmp_path)
    assert run(tmp_path) == 0
    report = latest(tmp_path)
    assert [(feed.name, feed.state, feed.taken) for feed in report.feeds] == [
        ("clinic", "done", 1),
        ("home", "done", 1),
    ]
    (target,) = report.targets
    assert target.delivered > 0
    assert (target.waiting, target.all_parked) == (0, 0)
    written = sum(feed.records["Observation"] for feed in report.feeds)
    assert len(observations(tmp_path)) == written > 0
    day = report.started.date().isoformat()
    assert (tmp_path / "clinic" / "done" / day / "night.csv").read_bytes() == (
        WIDE / "clinic-2026-03-14.csv"
    ).read_bytes()
    assert not list((tmp_path / "clinic").glob("*.csv"))
    for feed in report.feeds:
        for folder in feed.results:
            assert (tmp_path / "results" / folder / "report.json").is_file()
    page = (tmp_path / "results" / "latest.html").read_text()
    assert "Example clinic" in page
    assert "<script" not in page


def test_the_second_night_adds_nothing(tmp_path: Path) -> None:
    make_site(tmp_path)
    bring(tmp_path)
    run(tmp_path)
    before = observations(tmp_path)
    bring(tmp_path)
    run(tmp_path)
    report = latest(tmp_path)
    assert [feed.taken for feed in report.feeds] == [1, 1]
    assert sum(feed.readings["recorded"] for feed in report.feeds) == 0
    assert observations(tmp_path) == before
    day = report.started.date().isoformat()
    assert sorted(path.name for path in (tmp_path / "clinic" / "done" / day).iterdir()) == ["night-1.csv", "night.csv"]
    assert report.previous is not None
    assert report.holds.before == report.holds.open


def test_a_feed_that_fails_does_not_stop_the_others(tmp_path: Path) -> None:
    make_site(tmp_path)
    bring(tmp_path)
    shutil.rmtree(tmp_path / "clinic")
    assert run(tmp_path) == 1
    clinic, home = latest(tmp_path).feeds
    assert clinic.state == "failed"
    assert "no such folder" in clinic.problem
    assert home.state == "done"
    assert home.readings["recorded"] > 0
    assert latest(tmp_path).targets[0].delivered > 0


def test_no_feed_at_all_is_unusable(tmp_path: Path) -> None:
    make_site(tmp_path)
    for name in ("clinic", "home"):
        shutil.rmtree(tmp_path / name)
    assert run(tmp_path) == 2


def test_an_export_that_cannot_be_read_is_set_aside_with_the_reason(tmp_path: Path) -> None:
    make_site(tmp_path)
    bring(tmp_path)
    (tmp_path / "clinic" / "other.csv").write_text("Nothing;of;this\nis;known;here\n")
    assert run(tmp_path) == 1
    clinic = latest(tmp_path).feeds[0]
    assert (clinic.taken, clinic.aside) == (1, 1)
    day = latest(tmp_path).started.date().isoformat()
    aside = tmp_path / "clinic" / "aside" / day
    assert sorted(path.name for path in aside.iterdir()) == ["other.csv", "other.csv.why.json"]
    assert json.loads((aside / "other.csv.why.json").read_bytes())["what"]


def test_an_export_that_takes_too_long_is_set_aside_and_the_others_do_not_wait(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_site(tmp_path)
    bring(tmp_path)
    text = (tmp_path / "clinic" / "night.csv").read_text()
    (tmp_path / "clinic" / "endless.csv").write_text(text + text.splitlines(True)[-1] * 60_000)
    # Each look at the clock takes ten minutes: one block passes, and the many of the long export do not.
    clock = itertools.count(0.0, 600.0)
    monkeypatch.setattr("gateway.conversion.exports.monotonic", lambda: next(clock))
    assert run(tmp_path) == 1
    clinic = latest(tmp_path).feeds[0]
    assert (clinic.taken, clinic.aside) == (1, 1)
    (why,) = (tmp_path / "clinic" / "aside").glob("*/endless.csv.why.json")
    assert json.loads(why.read_bytes())["what"] == "It took longer than 1,800 seconds"


def test_a_mapping_that_cannot_be_used_sets_nothing_aside(tmp_path: Path) -> None:
    mapping = tmp_path / "broken.toml"
    mapping.write_text("title = 3\n")
    site = make_site(tmp_path)
    site.write_text(site.read_text().replace(str(WIDE / "mapping.toml"), str(mapping)))
    bring(tmp_path)
    assert run(tmp_path) == 1
    assert (tmp_path / "clinic" / "night.csv").is_file()
    assert latest(tmp_path).feeds[0].state == "failed"


def test_a_feed_can_require_that_its_mapping_is_signed_off(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_bytes((WIDE / "mapping.toml").read_bytes())
    site = make_site(tmp_path, clinic="signed = true")
    site.write_text(site.read_text().replace(str(WIDE / "mapping.toml"), "own.toml"))
    bring(tmp_path)
    with pytest.raises(SiteError, match="not signed off"):
        check_site(load_site(site))
    run(tmp_path)
    assert latest(tmp_path).feeds[0].state == "failed"
    assert (tmp_path / "clinic" / "night.csv").exists(), "the export is no fault of it"
    sign(own, "0" * 64, "N. Ole", "nurse")
    check_site(load_site(site))
    run(tmp_path)
    assert latest(tmp_path).feeds[0].state != "failed"
    assert not (tmp_path / "clinic" / "night.csv").exists()
    own.write_text(own.read_text() + "# changed\n")
    run(tmp_path)
    assert latest(tmp_path).feeds[0].state == "failed"


def test_a_second_copy_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    make_site(tmp_path)
    (tmp_path / "results").mkdir()
    with (tmp_path / "results" / ".nightly.lock").open("ab") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert run(tmp_path) == 3
    assert "another run of this site is under way" in capsys.readouterr().err


def test_silent_feeds_aged_holds_and_missing_devices(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import gateway.nightly.run as run_module

    messy = DEMO / "ward-messy"
    site = make_site(tmp_path, top="hold_days = 2", home_feed=f"associations = '{messy / 'associations.csv'}'")
    site.write_text(site.read_text().replace(str(LONG / "mapping.toml"), str(messy / "mapping.toml")))
    bring(tmp_path)
    for path in (tmp_path / "home").iterdir():
        path.write_bytes((messy / "ward-2.csv").read_bytes())
    assert run(tmp_path) == 1
    assert not any("silent" in change for change in latest(tmp_path).changes)

    class Later(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
            return datetime.now(UTC) + timedelta(days=3)

    monkeypatch.setattr(run_module, "datetime", Later)
    assert run(tmp_path) == 1
    report = latest(tmp_path)
    assert [feed.silent for feed in report.feeds] == [True, True]
    assert sum("is silent" in change for change in report.changes) == 2
    assert report.holds.aged == report.holds.open > 0
    assert any("have been open for" in change for change in report.changes)


def test_a_feed_is_not_silent_when_the_run_that_took_its_exports_was_cut_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed after the conversion, before it wrote its report; the next run sends what is left and takes nothing."""
    import gateway.nightly.run as run_module

    def stopped(night: object) -> None:
        raise KeyboardInterrupt

    make_site(tmp_path)
    bring(tmp_path)
    with monkeypatch.context() as cut:
        cut.setattr(run_module, "_after", stopped)
        assert run(tmp_path) == 130
    assert not (tmp_path / "results" / "latest.json").exists()
    assert run(tmp_path) in (0, 1)
    report = latest(tmp_path)
    assert report.targets[0].delivered > 0
    assert [(feed.taken, feed.silent) for feed in report.feeds] == [(0, False), (0, False)]
    assert all(feed.last_export is not None for feed in report.feeds)
    assert not any("silent" in change for change in report.changes)


def test_a_device_is_missed_after_twice_its_usual_interval(tmp_path: Path) -> None:
    header, row = "Time,Patient,Device,HR", "{day:%Y-%m-%d} 08:00,{number},M-{device},70"
    mapping = tmp_path / "small.toml"
    mapping.write_text(
        'title = "Small"\nversion = "1"\nform = "delimited"\nnamespace = "https://clinic.example/small"\n'
        '[delimited]\nlayout = "wide"\n[time]\ncolumns = ["Time"]\nformats = ["%Y-%m-%d %H:%M"]\nzone = "UTC"\n'
        'past_days = "any"\n'
        '[patient]\ncolumn = "Patient"\npattern = "any"\nsystem = "https://clinic.example/mrn"\n'
        '[device]\ncolumn = "Device"\n'
        'system = "https://clinic.example/device"\n[vitals.heart_rate]\ncolumn = "HR"\nunit = "/min"\n'
    )
    today = datetime.now(UTC)
    lines = [header]
    for device, ages in (("1", (9, 8, 7, 6, 5)), ("2", (4, 3, 2, 1)), ("3", (40, 30, 20, 10))):
        lines += [row.format(day=today - timedelta(days=age), number=1000 + age, device=device) for age in ages]
    site = make_site(tmp_path)
    site.write_text(site.read_text().replace(str(WIDE / "mapping.toml"), str(mapping)))
    (tmp_path / "clinic" / "a.csv").write_text("\n".join(lines) + "\n")
    run(tmp_path)
    report = latest(tmp_path)
    assert report.feeds[0].readings["recorded"] == 13, report.feeds[0]
    assert [(each.device, each.usual_days, each.days) for each in report.missing] == [("M-1", 1.0, 5)]


def test_a_clock_whose_offset_grew_is_told(tmp_path: Path) -> None:
    make_site(tmp_path)
    path = tmp_path / "results" / "latest.json"
    demo = DEMO / "ward-clock"
    site = tmp_path / "site.toml"
    export = demo / "ward-4-0640.txt"
    site.write_text(site.read_text().replace(str(LONG / "mapping.toml"), str(demo / "mapping.toml")))
    (tmp_path / "home" / export.name).write_bytes(export.read_bytes())
    run(tmp_path)
    offsets = latest(tmp_path).offsets
    device = next(name for name, offset in offsets.items() if abs(offset) > 120)
    known = json.loads(path.read_bytes())
    known["offsets"] = {device: 1}
    path.write_text(json.dumps(known))
    (tmp_path / "home" / f"again-{export.name}").write_bytes(export.read_bytes())
    run(tmp_path)
    assert [clock.device for clock in latest(tmp_path).clocks] == [device]


def test_what_is_over_is_removed_but_not_after_a_clock_jump(tmp_path: Path) -> None:
    make_site(tmp_path, top="keep_days = 5")
    bring(tmp_path)
    run(tmp_path)
    old = (datetime.now(UTC) - timedelta(days=9)).date().isoformat()
    for folder in (tmp_path / "clinic" / "done" / old, tmp_path / "results" / f"{old.replace('-', '')}T010203Z-clinic"):
        folder.mkdir()
        (folder / "x").write_text("x")
    path = tmp_path / "results" / "latest.json"
    known = json.loads(path.read_bytes())
    path.write_text(json.dumps(known | {"started": "2020-01-01T00:00:00Z"}))
    run(tmp_path)
    assert (tmp_path / "clinic" / "done" / old).is_dir()
    assert any("Nothing was removed" in problem for problem in latest(tmp_path).problems)
    run(tmp_path)
    assert not (tmp_path / "clinic" / "done" / old).exists()
    assert not (tmp_path / "results" / f"{old.replace('-', '')}T010203Z-clinic").exists()
    assert latest(tmp_path).removed == 2


def test_metrics_can_be_read_by_prometheus(tmp_path: Path) -> None:
    from prometheus_client.parser import text_string_to_metric_families

    make_site(tmp_path)
    bring(tmp_path)
    status = run(tmp_path)
    text = (tmp_path / "gateway.prom").read_text()
    found = {sample.name: sample for family in text_string_to_metric_families(text) for sample in family.samples}
    assert found["gateway_nightly_status"].value == status
    assert "gateway_nightly_outbox_items" in found


def test_logs_are_json_and_name_no_patient(tmp_path: Path) -> None:
    make_site(tmp_path)
    bring(tmp_path)
    secret_name = tmp_path / "clinic" / "CARSTAIRS-MRN-31007.csv"
    secret_name.write_text("a;b\n1;2\n")
    done = subprocess.run(
        [sys.executable, "-m", "gateway", "nightly", str(tmp_path / "site.toml")],
        capture_output=True, text=True, timeout=120, check=False, env={**os.environ, "PYTHONPATH": str(REPOSITORY)},
    )  # fmt: skip
    assert done.returncode == 1, done.stderr
    lines = [json.loads(line) for line in done.stderr.splitlines()]
    assert lines[0]["event"] == "run begins"
    assert {line["event"] for line in lines} >= {"feed ends", "target ends", "run ends", "export set aside"}
    identifiers = set()
    for path in (tmp_path / "sent").glob("*.json"):
        for entry in json.loads(path.read_bytes())["entry"]:
            subject = entry["resource"].get("subject", {}).get("identifier", {})
            identifiers.add(subject.get("value", ""))
    identifiers.discard("")
    assert identifiers
    said = done.stdout + done.stderr + (tmp_path / "gateway.prom").read_text()
    for text in (*identifiers, "CARSTAIRS", "31007"):
        assert text not in said
    assert "CARSTAIRS" not in (tmp_path / "results" / "latest.json").read_text()


def test_wait_for_stable_files_leaves_what_changes(tmp_path: Path) -> None:
    from gateway.nightly.run import nightly
    from gateway.nightly.site import load_site

    path = make_site(tmp_path)
    path.write_text(path.read_text().replace("seconds = 0", "seconds = 7"))
    bring(tmp_path)
    growing = tmp_path / "clinic" / "growing.csv"
    growing.write_text("x")
    waited = []

    def sleep(seconds: float) -> None:
        waited.append(seconds)
        growing.write_text("xx")

    report = nightly(load_site(path), sleep=sleep)
    assert waited == [7.0]
    assert (report.feeds[0].taken, report.feeds[0].incomplete) == (1, 1)
    assert growing.is_file()


def test_a_stopped_target_is_told(tmp_path: Path) -> None:
    site = load_site(make_site(tmp_path))
    bring(tmp_path)
    with open_ledger(site.ledger()) as ledger:
        ledger.stop_target("ehr", "N. Ole", "moved tonight")
    report = nightly(site, sleep=lambda _: None)
    (target,) = report.targets
    assert (target.stopped, target.delivered) == ("stopped", 0)
    assert target.items == {"waiting": target.waiting}
    assert report.status == 1
    assert any("Nothing is sent to ehr: Stopped by N. Ole" in change for change in report.changes)
    assert 'gateway_nightly_target_stopped{target="ehr"} 1.0' in (tmp_path / "gateway.prom").read_text()
    with open_ledger(site.ledger()) as ledger:
        ledger.resume_target("ehr", "N. Ole", "it is back")
    (target,) = nightly(site, sleep=lambda _: None).targets
    assert (target.stopped, target.waiting) == ("", 0)
    assert target.items == {"delivered": target.delivered}


def test_whatever_makes_a_night_red_is_said(tmp_path: Path) -> None:
    """Beside a status of 1 something stands that asks for a look, and beside 0 nothing does."""
    make_site(tmp_path)
    bring(tmp_path)
    (tmp_path / "clinic" / "bad.csv").write_bytes(b"\x00\x01")
    assert run(tmp_path) == 1
    assert latest(tmp_path).changes == ["1 export of feed clinic set aside: the reason stands beside each."]
    assert run(tmp_path) == 0
    assert latest(tmp_path).changes == []


def test_a_night_counts_what_it_released(tmp_path: Path) -> None:
    make_site(tmp_path)
    bring(tmp_path)
    text = (WIDE / "clinic-2026-03-14.csv").read_text()
    title, printed, _, head, first = text.split("\n")[:5]
    extreme = first.split(",")
    extreme[head.split(",").index("Pulse")] = "390"
    (tmp_path / "clinic" / "night.csv").write_text("\n".join([title, printed, "", head, ",".join(extreme), ""]))
    assert run(tmp_path) == 1
    report = latest(tmp_path)
    assert report.changes == [f"Feed clinic: 1 reading held back; see {report.feeds[0].results[0]}."]
    with open_ledger(tmp_path / "ledger.sqlite") as ledger:
        ids = [hold.id for hold in ledger.holds()]
        ledger.settle(ids, "confirm", "", "N. Ole", "seen on the monitor", at=datetime.now(UTC))
    assert run(tmp_path) == 0
    report = latest(tmp_path)
    assert (report.feeds[0].taken_up, report.feeds[0].released, report.feeds[0].released_readings) == (1, 1, 1)
    assert report.sentence == (
        "Everything went as usual. 0 exports taken, 0 readings recorded, 1 set taken up from holds, "
        "1 released with 1 reading recorded, 1 message delivered."
    )


def test_what_a_run_left_that_no_ledger_took_in_is_cleared_away(tmp_path: Path) -> None:
    """Killed between the last file and the ledger: nothing of it is recorded, and its exports are still to come."""
    make_site(tmp_path)
    for name, token in (("sealed", "of-no-run"), ("begun", None)):
        folder = tmp_path / "results" / f".20260314T000000Z-clinic.unfinished-{name}"
        folder.mkdir(parents=True)
        if token is not None:
            (folder / TOKEN).write_text(f"{token}\n")
    run(tmp_path)
    assert not list((tmp_path / "results").glob(".*.unfinished-*"))


def test_unusual_values_are_counted(tmp_path: Path) -> None:
    make_site(tmp_path)
    bring(tmp_path)
    export = tmp_path / "clinic" / "night.csv"
    lines = export.read_text().split("\n")
    start = next(at for at, line in enumerate(lines) if "SpO2" in line)
    at = next(at for at, name in enumerate(lines[start].split(",")) if name.startswith("SpO2"))
    for number in range(start + 1, len(lines)):
        cells = lines[number].split(",")
        if len(cells) > at and cells[at].isdecimal():
            lines[number] = ",".join([*cells[:at], "62", *cells[at + 1 :]])
    export.write_text("\n".join(lines))
    run(tmp_path)
    feed = next(feed for feed in latest(tmp_path).feeds if feed.name == "clinic")
    assert feed.unusual >= 10
    assert (
        f'gateway_nightly_feed_unusual{{feed="clinic"}} {float(feed.unusual)}'
        in (tmp_path / "gateway.prom").read_text()
    )
