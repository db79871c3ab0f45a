"""An option of one value is given once: otherwise the last would count in silence."""

from typing import Any

from typer.core import TyperCommand

from targets import Fault, InputError


class OnceCommand(TyperCommand):
    """A command that refuses an option of one value given twice; those that can be repeated are lists."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Check the words, then read them as any command does."""
        _, _, order = self.make_parser(ctx).parse_args(args=list(args))
        for option in order:
            takes_one = not getattr(option, "multiple", True) and not getattr(option, "is_flag", False)
            if takes_one and order.count(option) > 1:
                found = f"it {order.count(option)} times"
                raise InputError([Fault(option.opts[0], "must be given once", found, "leave one out")])
        return super().parse_args(ctx, args)
