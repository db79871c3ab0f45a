"""Control laws as C99: written from the Program, the same one that is executed, costed and bounded."""

from controllers.c.export import MARK as MARK
from controllers.c.export import export_law as export_law
from controllers.c.snippet import c_vector as c_vector
