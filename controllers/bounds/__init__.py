"""Static analysis of a Program: worst paths, value ranges, verdicts per line, torn accesses."""

from controllers.bounds.analysis import Bounds as Bounds
from controllers.bounds.analysis import find_bounds as find_bounds
from controllers.bounds.analysis import rows as rows
from controllers.bounds.paths import Path as Path
from controllers.bounds.paths import best_paths as best_paths
from controllers.bounds.paths import worst_paths as worst_paths
from controllers.bounds.sharing import SharedAccess as SharedAccess
from controllers.bounds.sharing import torn_accesses as torn_accesses
from controllers.bounds.values import Value as Value
from controllers.bounds.variables import Variable as Variable
from controllers.bounds.verdicts import CHECKS as CHECKS
from controllers.bounds.verdicts import Verdict as Verdict
from controllers.bounds.verdicts import describe as describe
