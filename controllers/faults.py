"""What the machine counts: results that C leaves open, or that no law means. Defined results, see
`machine`."""

from typing import Final

OVERFLOW: Final = 0
ZERO_DIVISION: Final = 1
CONVERSION: Final = 2
INDEX: Final = 3
FAULT_NAMES: Final = ("overflow", "division by zero", "conversion out of range", "index out of range")
