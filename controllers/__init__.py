"""Control laws: the dialect they are written in, its compiler, its machine and what it costs."""

from controllers.binding import Binding as Binding
from controllers.bounds import Bounds as Bounds
from controllers.bounds import best_paths as best_paths
from controllers.bounds import describe as describe
from controllers.bounds import find_bounds as find_bounds
from controllers.bounds import torn_accesses as torn_accesses
from controllers.bounds import worst_paths as worst_paths
from controllers.catalogue import describe_law as describe_law
from controllers.catalogue import describe_laws as describe_laws
from controllers.catalogue import law_names as law_names
from controllers.catalogue import law_path as law_path
from controllers.catalogue import starting_law as starting_law
from controllers.cost import LinkedProgram as LinkedProgram
from controllers.cost import link as link
from controllers.lower import compile_law as compile_law
from controllers.program import Program as Program
