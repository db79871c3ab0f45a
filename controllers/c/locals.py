"""Where the local variables of a handler are declared: as late and as far inside as they can be."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from controllers.c.statements import Assign, Declaration, If, Item, Output

Variables = Mapping[int, tuple[str, str]]
"""Web -> C type and name of the local variable."""


def declared(items: Sequence[Item], variables: Variables) -> list[Item]:
    """The items with every variable declared in the innermost block that holds all its uses: by its first
    assignment where that stands in the block itself."""
    places: dict[int, list[int]] = {}
    for position, item in enumerate(items):
        for web in webs_in(item) & variables.keys():
            places.setdefault(web, []).append(position)
    inside = {
        web for web, found in places.items() if len(found) == 1 and _is_in_one_arm(items[found[0]], web)
    }
    result: list[Item] = []
    for position, item in enumerate(items):
        begins = sorted(web for web, found in places.items() if web not in inside and found[0] == position)
        deeper = {web: variables[web] for web in inside if places[web] == [position]}
        result += _begin(item, {web: variables[web] for web in begins}, deeper)
    return result


def webs_in(item: Item) -> set[int]:
    """Local variables that an item, or anything inside it, writes or reads."""
    if isinstance(item, If):
        inner = (webs_in(part) for part in (*item.then, *item.otherwise))
        return _webs(item).union(*inner)
    return _webs(item)


def _webs(item: Item) -> set[int]:
    if not isinstance(item, If | Assign | Output):
        return set()
    read = {number for word, number in item.reads if word == "web"}
    return read | {item.web} if isinstance(item, Assign) and item.web is not None else read


def _is_in_one_arm(item: Item, web: int) -> bool:
    """Whether a variable is used in one arm of an `if` and nowhere else."""
    if not isinstance(item, If) or web in _webs(item):
        return False
    return sum(any(web in webs_in(part) for part in arm) for arm in (item.then, item.otherwise)) == 1


def _begin(item: Item, variables: Variables, deeper: Variables) -> list[Item]:
    """An item behind the declarations of the variables that are used from here on."""
    result: list[Item] = []
    for web, (c_type, name) in variables.items():
        if isinstance(item, Assign) and item.web == web and ("web", web) not in item.reads:
            item = replace(item, type=c_type)
        else:
            result.append(Declaration(c_type, name))
    if isinstance(item, If):
        item = If(item.condition, item.line, declared(item.then, deeper), declared(item.otherwise, deeper))
    return [*result, item]
