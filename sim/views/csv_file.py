"""The decimated traces as comma-separated values."""

import csv
import io

from sim.processor.records import TRACE_COLUMNS
from sim.run.simulate import Recording


def trace_csv(recording: Recording) -> str:
    """Text of a CSV file: a header of TRACE_COLUMNS (names carry their units), a row per sample."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(TRACE_COLUMNS)
    for row in recording.trace:
        writer.writerow([f"{value:.9g}" for value in row])
    return text.getvalue()
