"""Scenarios in volume: seeded, from the bounds of a Space, weighted toward what breaks firmware.

hypothesis takes one to three milliseconds to draw an example, a scenario takes 0.03 to play. The volume is
therefore drawn here, and what is found is handed to hypothesis, which shrinks it and tries examples of its
own. Weights: our own choice, by trial on laws with known mistakes.
"""

import random
from typing import Final

from controllers.check.bench.records import COMMAND, EDGES, POKE
from controllers.check.space import MOST_EDGES, TOP_RPM, Choices, Space
from controllers.kinds import MACHINE_KINDS
from controllers.program import SLOT_CONST, Program

_Row = tuple[int, int, int, int]
MOST_KEPT: Final = 400
STEPS: Final = 6
USUAL_EDGES: Final = 24


def constants(program: Program) -> tuple[int, ...]:
    """Whole numbers that stand in the program, their neighbours, their sixfold (a step time makes a turn of
    that), and the period of each taken as a speed: comparisons and corners hide there."""
    slots = range(len(program.ints))
    held = {
        int(program.ints[slot])
        for slot in slots
        if program.slot_class[slot] == SLOT_CONST and not MACHINE_KINDS[program.slot_kinds[slot]].is_float
    }
    rpm_ticks = 60.0 * program.binding.tick_Hz / program.binding.pole_pairs
    held |= {STEPS * value for value in held} | {int(rpm_ticks / value) for value in held if value > 0}
    return tuple(sorted({value + near for value in held for near in (-1, 0, 1) if value + near >= 0}))


class Drawer:
    """Draws choices for one Space; what was `keep`t is varied more often than not."""

    def __init__(self, space: Space, seed: int) -> None:
        self._space = space
        self._random = random.Random(seed)
        self._constants = constants(space.program)
        self._kept: list[Choices] = []

    def keep(self, choices: Choices) -> None:
        """These did something that none before them did."""
        self._kept.append(choices)
        if len(self._kept) > MOST_KEPT:
            self._kept.pop(self._random.randrange(MOST_KEPT))

    def draw(self) -> Choices:
        """The next choices."""
        if self._kept and self._random.random() < 0.4:
            return self._varied(self._random.choice(self._kept))
        start, rows = self._start(), []
        last = self._ticks(0)
        for _ in range(self._random.randint(min(1, self._space.most_events), self._space.most_events)):
            rows.append(self._row(last))
            last = rows[-1][1]
        return start, self._rpm(last), tuple(rows)

    def _start(self) -> int:
        top, draw = self._space.most_start, self._random
        if draw.random() < 0.5:
            return 0
        return draw.randint(0, top) if draw.random() < 0.5 else max(0, top - self._log_uniform(top))

    def _log_uniform(self, top: int) -> int:
        """0..top, every power of two as likely as the next one."""
        return min(top, self._random.getrandbits(max(1, self._random.randint(0, max(top, 1).bit_length()))))

    def _ticks(self, last: int) -> int:
        draw, space = self._random, self._space
        way = draw.random()
        if way < 0.3 and last:
            ticks = int(last * draw.uniform(0.5, 1.5))
        elif way < 0.45:
            ticks = draw.choice(self._constants)
        elif way < 0.7:
            ticks = draw.randint(space.shortest_ticks, space.longest_ticks)
        else:
            ticks = self._log_uniform(space.longest_ticks)
        return min(max(ticks, space.shortest_ticks), space.longest_ticks)

    def _rpm(self, last: int) -> int:
        """A command: any, one of the program's numbers, or near the speed of the last interval."""
        draw = self._random
        way = draw.random()
        if way < 0.4:
            return draw.randint(0, TOP_RPM)
        if way < 0.6:
            return min(draw.choice(self._constants), TOP_RPM)
        if way < 0.7:
            return draw.choice((0, 1, TOP_RPM))
        return min(int(self._space.rpm_ticks / max(last, 1)) + draw.randint(-2, 2) & TOP_RPM, TOP_RPM)

    def _row(self, last: int) -> _Row:
        draw = self._random
        number = 0 if draw.random() < 0.5 else draw.randrange(len(self._space.kinds))
        kind = self._space.kinds[number]
        ticks = self._ticks(last)
        if kind == COMMAND:
            return number, ticks, self._rpm(last), 0
        if kind == POKE:
            return (number, ticks, *self._poke())
        if kind == EDGES and draw.random() < 0.6:
            bend = draw.choice((-1, 1)) * self._log_uniform(self._space.most_change)
            return number, ticks, self._count(), bend if draw.random() < 0.85 else 0
        return number, ticks, 1, 0

    def _count(self) -> int:
        """Edges in a row, seldom very many."""
        return self._random.randint(2, MOST_EDGES if self._random.random() < 0.03 else USUAL_EDGES)

    def _poke(self) -> tuple[int, int]:
        """A static and a value: an end of its range, a small number, or any."""
        draw = self._random
        number = draw.randrange(len(self._space.statics))
        _, _, low, high = self._space.statics[number]
        way = draw.random()
        if way < 0.3:
            value = draw.choice((low, low + 1, high - 1, high))
        elif way < 0.7:
            value = self._log_uniform(high) * draw.choice((1, -1 if low else 1))
        else:
            value = draw.randint(low, high)
        return number, value

    def _varied(self, choices: Choices) -> Choices:
        """One thing changed: an event more, less, twice, or another number in one; start and command too."""
        draw = self._random
        start, command, rows = choices
        changed = list(rows)
        way, place = draw.random(), draw.randrange(len(rows)) if rows else 0
        if self._space.most_events and (not rows or (way < 0.25 and len(rows) < self._space.most_events)):
            changed.insert(place + 1, self._row(rows[place][1] if rows else 0))
        elif way < 0.4:
            del changed[place : place + 1]
        elif way < 0.5 and len(rows) < self._space.most_events:
            changed.insert(place, rows[place])
        elif rows:
            changed[place] = self._changed(rows[place])
        if draw.random() < 0.15:
            command = self._rpm(changed[-1][1] if changed else 0)
        return (self._start() if draw.random() < 0.1 else start), command, tuple(changed)

    def _changed(self, row: _Row) -> _Row:
        draw = self._random
        number, ticks, count, change = row
        if draw.random() < 0.7:
            near = ticks + draw.choice((-1, 1)) * self._log_uniform(max(ticks, 2))
            wanted = near if draw.random() < 0.7 else self._ticks(ticks)
            ticks = min(max(wanted, self._space.shortest_ticks), self._space.longest_ticks)
        elif self._space.kinds[number] == EDGES:
            count = self._count()
        else:
            number, ticks, count, change = self._row(ticks)
        return number, ticks, count, change
