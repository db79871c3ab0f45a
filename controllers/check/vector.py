"""One call of a handler as a C test vector: statics before, values read, values written, statics after."""

from collections.abc import Iterable, Mapping

Pairs = Iterable[tuple[str, int]]


def c_vector(
    handler: str,
    before: Mapping[str, int | float],
    inputs: Pairs,
    outputs: Pairs,
    after: Mapping[str, int | float],
) -> str:
    """C99 text of a vector: set the statics, answer the reads in this order, call the handler, compare the
    writes and the statics. Statics are in stored form."""
    rows = [
        f"/* {handler} */",
        "{",
        f'    .handler = "{handler}",',
        _members("before", before.items()),
        _members("reads", inputs),
        _members("writes", outputs),
        _members("after", after.items()),
        "},",
    ]
    return "\n".join(rows)


def _members(name: str, pairs: Iterable[tuple[str, int | float]]) -> str:
    inside = ", ".join(f'{{"{key}", {value!r}}}' for key, value in pairs)
    return f"    .{name} = {{{inside}{', ' if inside else ''}{{0}}}},"
