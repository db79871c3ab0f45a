"""What a microcontroller can do and what each operation costs it: data files and their loader."""

from targets.cost_keys import COST_KEYS
from targets.errors import Fault, InputError, choice_remedy
from targets.loader import holds_target, is_target_file, load_target, target_names
from targets.schema import Cost, Target
from targets.starter import starting_target
from targets.wait_states import at_clock

__all__ = [
    "COST_KEYS",
    "Cost",
    "Fault",
    "InputError",
    "Target",
    "at_clock",
    "choice_remedy",
    "holds_target",
    "is_target_file",
    "load_target",
    "starting_target",
    "target_names",
]
