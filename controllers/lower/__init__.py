"""Description of a law + binding -> Program."""

from controllers.lower.compile import compile_law

__all__ = ["compile_law"]
