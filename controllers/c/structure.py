"""Blocks with jumps -> nested statements.

Jumps go forward only, so the blocks form an acyclic graph in the order of their pc. A block with one way in
is nested where it is branched to; one with several stands after the block that dominates it, and is fallen
into. A `goto` is left only where a jump leaves more than one level at once (after N. Ramsey, Beyond Relooper,
ICFP 2022, restricted to graphs without loops).
"""

from collections.abc import Sequence
from dataclasses import replace

from controllers.c.conditions import Condition, Junction
from controllers.c.statements import Block, If, Item, Jump, Label

END = None
"""Where control goes on after the last statement: out of the handler."""
GUARD_SIZE = 3
"""An arm that ends in a return stands alone, without an else, where the other one has at least so many
statements."""


def join_conditions(blocks: Sequence[Block]) -> list[Block]:
    """Make one block of two where the second only decides about the same jump: && and ||."""
    by_first = {block.first: block for block in blocks}
    for first in sorted(by_first, reverse=True):
        block = by_first.get(first)
        while block is not None and block.condition is not None:
            block = _joined_once(block, by_first)
    return [by_first[first] for first in sorted(by_first)]


def _joined_once(block: Block, by_first: dict[int, Block]) -> Block | None:
    """`block` joined with the next one into `by_first`; None where that is not possible."""
    assert block.condition is not None
    for second, other, is_taken in ((block.after, block.taken, False), (block.taken, block.after, True)):
        inner = by_first.get(second) if second is not None else None
        if (
            inner is None
            or inner.statements
            or inner.condition is None
            or _ways_in(by_first, inner.first) > 1
        ):
            continue
        if other not in (inner.taken, inner.after) or inner.taken == inner.after:
            continue
        leaves = block.condition.negated() if is_taken else block.condition  # goes to `other`
        agrees = inner.condition if inner.taken == other else inner.condition.negated()
        rest = inner.after if inner.taken == other else inner.taken
        both: Condition = Junction(is_and=False, first=leaves, second=agrees)
        result = replace(block, condition=both, taken=other, after=rest)
        del by_first[inner.first]
        by_first[block.first] = result
        return result
    return None


def _ways_in(by_first: dict[int, Block], first: int) -> int:
    return sum(block.targets.count(first) for block in by_first.values())


def nest(blocks: Sequence[Block]) -> list[Item]:
    """The body of a handler."""
    return _Nest(blocks).body()


class _Nest:
    def __init__(self, blocks: Sequence[Block]) -> None:
        self._blocks = {block.first: block for block in blocks}
        self._entry = blocks[0].first
        self._dominators = self._find_dominators()
        self._labels: dict[int, str] = {}

    def body(self) -> list[Item]:
        """All of it; labels that nothing jumps to are left out."""
        items = self._tree(self._entry, END)
        return self._without_unused(items)

    def _find_dominators(self) -> dict[int, int]:
        """Immediate dominators; every predecessor has a smaller pc, so one pass suffices (Cooper, Harvey and
        Kennedy, A Simple, Fast Dominance Algorithm, 2001)."""
        dominators = {self._entry: self._entry}
        before: dict[int, list[int]] = {}
        for first in sorted(self._blocks):
            for one in before.get(first, []):
                known = dominators.get(first)
                dominators[first] = one if known is None else self._common(dominators, known, one)
            for target in self._blocks[first].targets:
                before.setdefault(target, []).append(first)
        self._ways = {target: len(sources) for target, sources in before.items()}
        return dominators

    @staticmethod
    def _common(dominators: dict[int, int], one: int, other: int) -> int:
        while one != other:
            if one > other:
                one = dominators[one]
            else:
                other = dominators[other]
        return one

    def _is_join(self, first: int) -> bool:
        return self._ways.get(first, 0) > 1 and not self._blocks[first].is_return

    def _tree(self, first: int, follow: int | None) -> list[Item]:
        """The block, then the joins that it dominates, each fallen into from what stands before."""
        joins = [b for b, d in self._dominators.items() if d == first and b != first and self._is_join(b)]
        ends = [*sorted(joins), follow]
        items = self._own(self._blocks[first], ends[0])
        for join, end in zip(sorted(joins), ends[1:], strict=True):
            items.append(Label(self._label(join)))
            items.extend(self._tree(join, end))
        return items

    def _own(self, block: Block, follow: int | None) -> list[Item]:
        items: list[Item] = list(block.statements)
        if block.condition is None:
            return items + self._way(block.after, follow)
        # the code after the jump is what the law has under its `if`
        then, otherwise = self._way(block.after, follow), self._way(block.taken, follow)
        if follow is END and block.after is not None and self._blocks[block.after].is_return:
            then = [Jump(None)]
        return items + _branch(block.condition.negated(), block.line, then, otherwise, follow is END)

    def _way(self, target: int | None, follow: int | None) -> list[Item]:
        """Control goes to `target`; nothing is written where it gets there by itself."""
        if target is None or self._blocks[target].is_return:
            return [] if follow is END else [Jump(None)]
        if target == follow:
            return []
        if self._is_join(target):
            return [Jump(self._label(target))]
        return self._tree(target, follow)

    def _label(self, first: int) -> str:
        return self._labels.setdefault(first, f"join_{first}")

    def _without_unused(self, items: list[Item]) -> list[Item]:
        used = set(_labels_used(items))
        return _filtered(items, used)


def _branch(
    condition: Condition, line: int, then: list[Item], otherwise: list[Item], is_last: bool
) -> list[Item]:
    """`if`, with as little nesting as the arms allow."""
    if not then and not otherwise:
        return []
    if not then:
        condition, then, otherwise = condition.negated(), otherwise, then
    if otherwise and _leaves(then):
        return [If(condition, line, then, []), *otherwise]
    if otherwise and _leaves(otherwise):
        return [If(condition.negated(), line, otherwise, []), *then]
    if otherwise and is_last and _size(otherwise) >= GUARD_SIZE:
        return [If(condition, line, [*then, Jump(None)], []), *otherwise]
    return [If(condition, line, then, otherwise)]


def _leaves(items: list[Item]) -> bool:
    """Whether control never gets past the last of the items."""
    return bool(items) and isinstance(items[-1], Jump)


def _size(items: list[Item]) -> int:
    return sum(1 + _size(i.then) + _size(i.otherwise) if isinstance(i, If) else 1 for i in items)


def _labels_used(items: list[Item]) -> list[str]:
    used: list[str] = []
    for item in items:
        if isinstance(item, Jump) and item.label:
            used.append(item.label)
        elif isinstance(item, If):
            used += _labels_used(item.then) + _labels_used(item.otherwise)
    return used


def _filtered(items: list[Item], used: set[str]) -> list[Item]:
    kept: list[Item] = []
    for item in items:
        if isinstance(item, If):
            item = If(item.condition, item.line, _filtered(item.then, used), _filtered(item.otherwise, used))
        if not isinstance(item, Label) or item.label in used:
            kept.append(item)
    return kept
