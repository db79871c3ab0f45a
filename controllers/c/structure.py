"""Blocks with jumps -> nested statements.

Jumps go forward only, so the blocks form an acyclic graph in the order of their pc. A block with one way in
is nested where it is branched to; one with several stands after the block that dominates it, and is fallen
into. A `goto` is left only where a jump leaves more than one level at once (after N. Ramsey, Beyond Relooper,
ICFP 2022, restricted to graphs without loops).
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from controllers.c.conditions import Condition, Junction
from controllers.c.statements import Block, If, Item, Jump, Label

END = None
"""Where control goes on after the last statement: out of the handler."""


def join_conditions(blocks: Sequence[Block]) -> list[Block]:
    """Make one block of two where the second only decides about the same jump: && and ||."""
    by_first = {block.first: block for block in blocks}
    ways = Counter(target for block in blocks for target in block.targets)
    for first in sorted(by_first, reverse=True):
        block = by_first.get(first)
        while block is not None and block.condition is not None:
            block = _joined_once(block, by_first, ways)
    return [by_first[first] for first in sorted(by_first)]


def _joined_once(block: Block, by_first: dict[int, Block], ways: Counter[int]) -> Block | None:
    """`block` joined with the next one into `by_first`; None where that is not possible."""
    assert block.condition is not None
    for second, other, is_taken in ((block.after, block.taken, False), (block.taken, block.after, True)):
        inner = by_first.get(second) if second is not None else None
        if inner is None or inner.statements or inner.condition is None or ways[inner.first] > 1:
            continue
        if other is None or other not in inner.targets or inner.taken == inner.after:
            continue
        leaves = block.condition.negated() if is_taken else block.condition  # goes to `other`
        agrees = inner.condition if inner.taken == other else inner.condition.negated()
        rest = inner.after if inner.taken == other else inner.taken
        both: Condition = Junction(is_and=False, first=leaves, second=agrees)
        result = replace(block, condition=both, taken=other, after=rest)
        ways[other] -= 1
        del by_first[inner.first]
        by_first[block.first] = result
        return result
    return None


def nest(blocks: Sequence[Block]) -> list[Item]:
    """The body of a handler."""
    return _Nest(blocks).body()


class _Nest:
    def __init__(self, blocks: Sequence[Block]) -> None:
        self._blocks = {block.first: block for block in blocks}
        self._entry = blocks[0].first
        self._dominators = self._find_dominators()
        self._dominated: dict[int, list[int]] = {}
        for block, dominator in sorted(self._dominators.items()):
            if block != dominator:
                self._dominated.setdefault(dominator, []).append(block)
        self._labels: dict[int, str] = {}

    def body(self) -> list[Item]:
        """All of it; labels that nothing jumps to are left out."""
        items = self._tree(self._entry, END)
        if items and items[-1] == Jump(None):
            items.pop()
        return _filtered(items, set(_labels_used(items)))

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

    def _joins_of(self, first: int) -> list[int]:
        """The joins that a block dominates, which stand after it."""
        return [b for b in self._dominated.get(first, []) if self._is_join(b)]

    def _is_join(self, first: int) -> bool:
        return self._ways.get(first, 0) > 1 and not self._blocks[first].is_end

    def _tree(self, first: int, follow: int | None) -> list[Item]:
        """The block, then the joins that it dominates, each fallen into from what stands before. A loop along
        the handler, not a recursion: a law may unroll thousands of conditions."""
        items: list[Item] = []
        here: int | None = first
        while here is not None:
            joins = self._joins_of(here)
            more, rest = self._own(self._blocks[here], joins[0] if joins else follow)
            items += more
            if rest is not None and joins:
                items += self._tree(rest, joins[0])
            for join, end in pairwise(joins):
                items += [Label(self._label(join)), *self._tree(join, end)]
            if joins:
                items.append(Label(self._label(joins[-1])))
                rest = joins[-1]
            here = rest
        return items

    def _own(self, block: Block, follow: int | None) -> tuple[list[Item], int | None]:
        """A block up to `follow`; the second is the block to go on with, None where that is all."""
        items: list[Item] = list(block.statements)
        if block.condition is None:
            if block.after is None and block.is_return:
                return [*items, Jump(None)], None
            return self._rest(items, block.after, follow)
        ends = [(block.after, block.condition.negated()), (block.taken, block.condition)]
        if block.taken is not None and block.after is not None and block.taken < block.after:
            ends.reverse()  # what comes first in the law stands under its `if`
        (first, condition), (second, _) = ends
        then = self._way(first, follow)
        if _leaves(then):
            return self._rest([*items, If(condition, block.line, then, [])], second, follow)
        return [*items, *_branch(condition, block.line, then, self._way(second, follow))], None

    def _rest(
        self, items: list[Item], target: int | None, follow: int | None
    ) -> tuple[list[Item], int | None]:
        """Control goes on from the end of the items to `target`."""
        is_nested = target is not None and target != follow
        if target is not None and is_nested and not self._blocks[target].is_end and not self._is_join(target):
            return items, target
        return items + self._way(target, follow), None

    def _way(self, target: int | None, follow: int | None) -> list[Item]:
        """Control goes to `target`; nothing is written where it gets there by itself."""
        if target is None or self._blocks[target].is_end:
            is_written = follow is not END or (target is not None and self._blocks[target].is_return)
            return [Jump(None)] if is_written else []
        if target == follow:
            return []
        if self._is_join(target):
            return [Jump(self._label(target))]
        return self._tree(target, follow)

    def _label(self, first: int) -> str:
        return self._labels.setdefault(first, f"join_{first}")


def _branch(condition: Condition, line: int, then: list[Item], otherwise: list[Item]) -> list[Item]:
    """`if`, with as little nesting as the arms allow. It is kept where both are empty: the condition may read
    the hardware."""
    if not then and otherwise:
        condition, then, otherwise = condition.negated(), otherwise, then
    if otherwise and _leaves(otherwise):
        return [If(condition.negated(), line, otherwise, []), *then]
    return [If(condition, line, then, otherwise)]


def _leaves(items: list[Item]) -> bool:
    """Whether control never gets past the last of the items."""
    return bool(items) and isinstance(items[-1], Jump)


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
