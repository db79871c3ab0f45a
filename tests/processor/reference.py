"""The processor once more, cycle by cycle: at every cycle the count is compared and the flags are looked at.

Slow and plain; it shares no code with sim/processor and writes the same event log.
"""

from dataclasses import dataclass, field

from tests.processor.harness import IN_CYCLES, OUT_CYCLES, RET_CYCLES

Statement = tuple[str, int]
"""A word of `_SOURCE` and its number: a count ("compare"), counts from now ("ahead"), 0 where none belongs.
"""

_SOURCE = {
    "work": "self.x = self.x * self.x",
    "timer": "self.seen = hw.timer()",
    "captured": "self.seen = hw.captured()",
    "hall": "self.n = hw.hall()",
    "compare": "hw.set_compare({0})",
    "ahead": "hw.set_compare(wrap_add(hw.timer(), {0}))",
    "duty": "hw.set_duty({0})",
    "step": "hw.set_step({0})",
}
_READS = ("timer", "captured", "hall")
_ORDER = ("on_step_timer", "on_hall_edge", "on_control_tick")


def source(statements: list[Statement]) -> str:
    """The body of a handler in the dialect."""
    return "\n".join(_SOURCE[word].format(number) for word, number in statements) or "pass"


@dataclass(frozen=True)
class Setting:
    """A law, a processor, and a rotor with rising edges at `first_edge` + k `turn` cycles (turn 0: none)."""

    handlers: dict[str, list[Statement]]
    work_cycles: int
    entry_cycles: int
    exit_cycles: int
    poll_loop_cycles: int
    tick_cycles: int
    timer_mask: int
    pwm_count_cycles: int
    pwm_top: int
    control_cycles: int
    first_edge: float
    turn: float


@dataclass
class Reference:
    """State of the processor; `run` fills `log` and the counters."""

    setting: Setting
    log: list[str] = field(default_factory=list)
    missed_edges: int = 0
    missed_compares: int = 0
    overruns: int = 0
    busy_cycles: int = 0
    now: int = 0
    compare: int = -1  # -1: never written
    captured: int = 0
    duty: int = 0
    duty_now: int = 0
    is_on: bool = False
    pending: set[str] = field(default_factory=set)
    handler: str = "on_start"
    todo: list[tuple[int, str, int]] = field(default_factory=list)  # (cycles from here, what, number)
    ready: int = 0
    free: int = 0
    begun: int = 0
    last_read: int = 0

    def run(self, end_cycle: int) -> "Reference":
        """Pass the cycles before `end_cycle`, one by one."""
        self._begin("on_start", 0)
        for self.now in range(end_cycle):
            self._hall()
            self._timer()
            self._control()
            self._pwm()
            while self._processor():
                pass
        self.now = end_cycle  # the rotor turns up to here: the processor is still shown its edge
        self._hall()
        return self

    @property
    def count(self) -> int:
        return (self.now // self.setting.tick_cycles) & self.setting.timer_mask

    def _note(self, text: str) -> None:
        self.log.append(f"{self.now} {text}")

    def _raise(self, handler: str) -> None:
        if handler not in self.setting.handlers:
            return
        if handler in self.pending:
            self.missed_edges += handler == "on_hall_edge"
            self.overruns += handler != "on_hall_edge"
        self.pending.add(handler)

    def _is_high(self, cycle: int) -> bool:
        """Level of the sensor that a cycle sees: that of the rotor up to and including this cycle."""
        turn = self.setting.turn
        return turn > 0 and (cycle - self.setting.first_edge) % turn < turn / 2

    def _hall(self) -> None:
        before, after = self._is_high(self.now - 1), self._is_high(self.now)
        if self.now == 0 or before == after:
            return
        if after:
            self.captured = self.count
            self._raise("on_hall_edge")
        self._note(f"hall {'rise' if after else 'fall'} captured {self.captured}")

    def _timer(self) -> None:
        has_counted = self.now > 0 and self.now % self.setting.tick_cycles == 0
        if has_counted and self.count == self.compare:
            self._note(f"match count {self.count}")
            self._raise("on_step_timer")

    def _control(self) -> None:
        period = self.setting.control_cycles
        if period and self.now > 0 and self.now % period == 0:
            self._note("tick")
            self._raise("on_control_tick")

    def _pwm(self) -> None:
        phase = self.now % (self.setting.pwm_top * self.setting.pwm_count_cycles)
        if phase == 0:
            self.duty_now = self.duty
        is_on = phase < self.duty_now * self.setting.pwm_count_cycles
        if is_on != self.is_on:
            self.is_on = is_on
            self._note(f"pwm {'on' if is_on else 'off'}")

    def _begin(self, handler: str, entry_cycles: int) -> None:
        """The cycles until each port access and the return of a handler."""
        self.handler, self.begun, self.todo = handler, self.now, []
        waited = entry_cycles
        for word, number in self.setting.handlers[handler]:
            if word == "work":
                waited += self.setting.work_cycles
                continue
            if word in (*_READS, "ahead"):
                self.todo.append((waited + IN_CYCLES, "timer" if word == "ahead" else word, 0))
                waited = 0
            if word not in _READS:
                self.todo.append((waited + OUT_CYCLES, word, number))
                waited = 0
        self.todo.append((waited + RET_CYCLES, "return", 0))
        self.ready = self.now + self.todo[0][0]

    def _processor(self) -> bool:
        """Do the next thing that the processor does at this cycle; False when there is none."""
        if not self.handler:
            is_round = (self.now - self.free) % self.setting.poll_loop_cycles == 0
            if self.now < self.free or not is_round or not self.pending:
                return False
            handler = next(name for name in _ORDER if name in self.pending)
            self.pending.remove(handler)
            self._note(f"enter {handler}")
            self._begin(handler, self.setting.entry_cycles)
            return True
        if self.ready != self.now:
            return False
        _, word, number = self.todo.pop(0)
        self._access(word, number)
        if self.todo:
            self.ready = self.now + self.todo[0][0]
        return True

    def _access(self, word: str, number: int) -> None:
        if word == "return":
            self._note(f"leave {self.handler}")
            self.free = self.now + (0 if self.handler == "on_start" else self.setting.exit_cycles)
            self.busy_cycles += self.free - self.begun
            self.handler = ""
        elif word in _READS:
            values = {"timer": self.count, "captured": self.captured, "hall": int(self._is_high(self.now))}
            self.last_read = values[word]
            self._note(f"read {word} {values[word]}")
        elif word in ("compare", "ahead"):
            value = number if word == "compare" else (self.last_read + number) & 0xFFFF
            self.compare = value & self.setting.timer_mask
            # less than half the range ago: passed
            self.missed_compares += (
                self.count - self.compare
            ) & self.setting.timer_mask <= self.setting.timer_mask // 2
            self._note(f"write compare {value}")
        else:
            if word == "duty":
                self.duty = min(number, self.setting.pwm_top)
            self._note(f"write {word} {number}")
