"""Source text of a law -> description of the law, with positions. Nothing of the file is executed."""

from controllers.parse.law import parse_law

__all__ = ["parse_law"]
