"""The report of a batch: counted once, told as JSON, HTML, FHIR OperationOutcome, CSV and text."""

from gateway.report.charts import Drawing
from gateway.report.files import write
from gateway.report.findings import FindingsWriter
from gateway.report.model import (
    CAUTIONS,
    BatchInfo,
    ClockInfo,
    ExportInfo,
    FileInfo,
    HoldsInfo,
    MappingInfo,
    Report,
    RuleInfo,
    WrittenFile,
    build,
    schema,
)
from gateway.report.outcome import operation_outcome
from gateway.report.text import print_text, text

__all__ = [
    "CAUTIONS",
    "BatchInfo",
    "ClockInfo",
    "Drawing",
    "ExportInfo",
    "FileInfo",
    "FindingsWriter",
    "HoldsInfo",
    "MappingInfo",
    "Report",
    "RuleInfo",
    "WrittenFile",
    "build",
    "operation_outcome",
    "print_text",
    "schema",
    "text",
    "write",
]
