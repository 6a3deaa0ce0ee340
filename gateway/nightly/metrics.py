"""Figures of a run for Prometheus, as a file for the textfile collector of the node exporter."""

from __future__ import annotations

from pathlib import Path

from gateway.errors import OutputError
from gateway.nightly.model import RunReport


def write(report: RunReport, path: Path) -> None:
    """Write the file; it appears complete or not at all.

    Raises:
        OutputError: it cannot be written.
    """
    from prometheus_client import CollectorRegistry, Gauge, write_to_textfile

    registry = CollectorRegistry()

    def gauge(name: str, words: str, *labels: str) -> Gauge:
        return Gauge(f"gateway_nightly_{name}", words, labels, registry=registry)

    gauge("last_run_timestamp_seconds", "When the last run began.").set(report.started.timestamp())
    gauge("duration_seconds", "How long it took.").set((report.finished - report.started).total_seconds())
    gauge("status", "Its exit status: 0 clean, 1 attention, 2 unusable.").set(report.status)
    gauge("holds_open", "Sets that are held.").set(report.holds.open)
    gauge("holds_aged", "Sets held for longer than the site expects.").set(report.holds.aged)
    gauge("devices_missing", "Devices not seen for their usual interval.").set(len(report.missing))
    gauge("clocks_grown", "Clocks whose offset grew.").set(len(report.clocks))
    exports = gauge("feed_exports", "Exports of the last run, by what became of them.", "feed", "outcome")
    readings = gauge("feed_readings", "Readings of the last run, by outcome.", "feed", "outcome")
    unusual = gauge("feed_unusual", "Values of the last run outside what is usual, recorded or held.", "feed")
    failed = gauge("feed_failed", "1 when the feed could not be used.", "feed")
    silent = gauge("feed_silent", "1 when no export came for longer than the site expects.", "feed")
    latest = gauge("feed_last_export_timestamp_seconds", "When an export was last taken.", "feed")
    for feed in report.feeds:
        for outcome, count in (("taken", feed.taken), ("aside", feed.aside), ("incomplete", feed.incomplete)):
            exports.labels(feed.name, outcome).set(count)
        for outcome in ("recorded", "held", "repeat", "absent", "unreadable"):
            readings.labels(feed.name, outcome).set(feed.readings.get(outcome, 0))
        unusual.labels(feed.name).set(feed.unusual)
        failed.labels(feed.name).set(feed.state == "failed")
        silent.labels(feed.name).set(feed.silent)
        if feed.last_export is not None:
            latest.labels(feed.name).set(feed.last_export.timestamp())
    outbox = gauge("outbox_items", "Messages in the outbox, by state.", "target", "state")
    delivered = gauge("delivered", "Messages delivered by the last run.", "target")
    stopped = gauge("target_stopped", "1 when a person has stopped the target.", "target")
    blocked = gauge("outbox_blocked", "Messages that wait for another of the same measurement.", "target")
    for target in report.targets:
        for state in ("waiting", "parked", "superseded", "cancelled", "skipped"):
            outbox.labels(target.name, state).set(target.items.get(state, 0))
        stopped.labels(target.name).set(target.stopped == "stopped")
        blocked.labels(target.name).set(target.blocked)
        delivered.labels(target.name).set(target.delivered)
    try:
        write_to_textfile(str(path), registry)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise OutputError(
            f"the metrics cannot be written: {reason}", where=str(path), todo="Check the folder"
        ) from None
