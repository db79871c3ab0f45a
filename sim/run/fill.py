"""A record from named values."""

from typing import Any

import numpy as np

from sim.plant.records import Record


def record(dtype: "np.dtype[Any]", values: dict[str, Any]) -> Record:
    """One record with every field named in `values`, zeros elsewhere."""
    array = np.zeros(1, dtype)
    for name, value in values.items():
        array[0][name] = value
    return array[0]
