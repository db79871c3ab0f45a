"""The event log: exact cycles of what the processor saw and did."""

from controllers.jit import kernel
from sim.plant.records import Record


@kernel
def note(k: Record, log: Record, kind: int, a: int, b: int) -> None:
    """Append a row of LOG_COLUMNS; a log without rows costs one comparison, a full one stops."""
    row = k.log_rows
    if row < log.shape[0]:
        log[row, 0] = k.now
        log[row, 1] = kind
        log[row, 2] = a
        log[row, 3] = b
        k.log_rows += 1
