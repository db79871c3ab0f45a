"""The processor once more, cycle by cycle: at every cycle the count is compared and the flags are looked at.

Slow and plain; it shares no code with sim/processor and writes the same event log. Every instruction is done
at its last cycle; an interrupt stops the clock of the code below it. Cycles are booked one by one on whoever
has the processor.
"""

from collections import Counter
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
    "more": "self.n = wrap_add(self.n, {0})",
    "less": "self.n = wrap_sub(self.n, {0})",
    "show": "hw.set_duty(u16(self.n))",
    "mask": "with hw.masked():\n    self.x = self.x * self.x",
}
_READS = ("timer", "captured", "hall")
_ORDER = ("on_step_timer", "on_hall_edge", "on_control_tick")
_OVER = {
    "interrupt": {name: {"main_loop"} for name in _ORDER},
    "nested": {
        "on_step_timer": {"main_loop", "on_control_tick", "on_hall_edge"},
        "on_hall_edge": {"main_loop", "on_control_tick"},
        "on_control_tick": {"main_loop"},
    },
    "polled": {name: set[str]() for name in _ORDER},
}
"""Structure -> handler -> what it interrupts."""

Instruction = tuple[int, str, int]
"""Cycles, what is done at the end of them, number."""


def source(statements: list[Statement]) -> str:
    """The body of a handler in the dialect."""
    return "\n".join(_SOURCE[word].format(number) for word, number in statements) or "pass"


@dataclass(frozen=True)
class Setting:
    """A law, a processor, and a rotor with rising edges at `first_edge` + k `turn` cycles (turn 0: none)."""

    handlers: dict[str, list[Statement]]
    structure: str
    work_cycles: int
    add_cycles: int
    entry_cycles: int
    exit_cycles: int
    tail_chain_cycles: int
    poll_loop_cycles: int
    loop_cycles: int
    tick_cycles: int
    timer_mask: int
    pwm_count_cycles: int
    pwm_top: int
    control_cycles: int
    first_edge: float
    turn: float


@dataclass
class Frame:
    """A handler that has been taken: what it has still to do, and the cycle at which the next of it is done.

    `used`: cycles it has had the processor; `since`: when its flag rose (main loop: its round began).
    """

    handler: str
    todo: list[Instruction]
    ready: int
    since: int
    used: int = 0
    loaded: int = 0


@dataclass
class Reference:
    """State of the processor; `run` fills `log` and the counters."""

    setting: Setting
    log: list[str] = field(default_factory=list)
    missed_edges: int = 0
    missed_compares: int = 0
    overruns: int = 0
    busy_cycles: int = 0
    main_cycles: int = 0
    runs: Counter[str] = field(default_factory=Counter)
    worst_cycles: Counter[str] = field(default_factory=Counter)
    worst_response: Counter[str] = field(default_factory=Counter)
    now: int = 0
    compare: int = -1  # -1: never written
    captured: int = 0
    duty: int = 0
    duty_now: int = 0
    is_on: bool = False
    n: int = 0
    is_masked: bool = False
    pending: dict[str, int] = field(default_factory=dict)  # handler -> cycle at which its flag rose
    stack: list[Frame] = field(default_factory=list)
    free: int = 0  # end of the entry or exit sequence
    given_back: int = 0  # end of the exit sequence: its cycles are booked already
    exited: int = 0  # end of a handler's exit sequence
    handler_cycles: list[int] = field(default_factory=lambda: [0])  # at n: those before cycle n
    is_chained: bool = False
    unserved: list[str] = field(default_factory=list)  # polling with a body: flags still to be tested
    begun: int = 0  # and when its round began
    used: int = 0  # and what it has used of it

    def run(self, end_cycle: int) -> "Reference":
        """Pass the cycles before `end_cycle`, one by one."""
        self.unserved = list(_ORDER)
        if self._has_main and not self._polls:
            self.stack.append(self._frame("main_loop", 0, 0))
        self.stack.append(self._frame("on_start", 0, 0))
        for self.now in range(end_cycle):
            self._hall()
            self._timer()
            self._control()
            self._pwm()
            while self._processor():
                pass
            self._book_cycle()
        self.now = end_cycle  # the rotor turns up to here: the processor is still shown its edge
        self._hall()
        return self

    @property
    def count(self) -> int:
        return (self.now // self.setting.tick_cycles) & self.setting.timer_mask

    @property
    def _has_main(self) -> bool:
        return "main_loop" in self.setting.handlers

    @property
    def _polls(self) -> bool:
        """A polling loop with a body of its own."""
        return self._has_main and self.setting.structure == "polled"

    def _note(self, text: str) -> None:
        self.log.append(f"{self.now} {text}")

    def _raise(self, handler: str) -> None:
        if handler not in self.setting.handlers:
            return
        if handler in self.pending:
            self.missed_edges += handler == "on_hall_edge"
            self.overruns += handler != "on_hall_edge"
        self.pending.setdefault(handler, self.now)

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

    def _frame(self, handler: str, entry_cycles: int, since: int) -> Frame:
        """A handler about to begin."""
        todo: list[Instruction] = []
        for word, number in self.setting.handlers[handler]:
            todo += self._instructions(word, number)
        jump_cycles = self.setting.loop_cycles if handler == "main_loop" and not self._polls else 0
        todo.append((RET_CYCLES + jump_cycles, "return", 0))
        return Frame(handler, todo, self.now + entry_cycles + todo[0][0], since)

    def _instructions(self, word: str, number: int) -> list[Instruction]:
        """What a statement is compiled to."""
        work: Instruction = (self.setting.work_cycles, "work", 0)
        if word == "work":
            return [work]
        if word in ("more", "less"):
            return [(self.setting.add_cycles, word, number)]
        if word == "show":
            return [(0, "load", 0), (OUT_CYCLES, "show", 0)]
        if word == "mask":
            return [(OUT_CYCLES, "mask", 1), work, (OUT_CYCLES, "mask", 0)]
        if word in _READS:
            return [(IN_CYCLES, word, 0)]
        write: Instruction = (OUT_CYCLES, word, number)
        if word == "ahead":
            return [(IN_CYCLES, "timer", 0), (self.setting.add_cycles, "add", 0), write]
        return [write]

    def _book_cycle(self) -> None:
        """Whose is the cycle that begins now? Nobody's who gave it back."""
        is_handlers = self.now < self.exited or any(frame.handler != "main_loop" for frame in self.stack)
        self.handler_cycles.append(self.handler_cycles[-1] + is_handlers)
        if self.now < self.given_back:
            return
        if self.stack:
            self.stack[-1].used += 1
        else:
            self.used += 1

    def _processor(self) -> bool:
        """Do the next thing that the processor does at this cycle; False when there is none."""
        if self.stack and self.stack[-1].ready == self.now:
            frame = self.stack[-1]
            _, word, number = frame.todo.pop(0)
            if word == "return":
                self._return()
            else:
                self._execute(frame, word, number)
                frame.ready = self.now + frame.todo[0][0]
            return True
        return self.now >= self.free and self._take()

    def _waiting(self) -> list[str]:
        """Pending handlers that may be taken, the first one first."""
        if self.is_masked:
            return []
        below = self.stack[-1].handler if self.stack else ""
        may = [name for name in self.unserved if not below or below in _OVER[self.setting.structure][name]]
        return [name for name in may if name in self.pending]

    def _take(self) -> bool:
        """Take a pending handler, or begin the body of a polling loop that has tested all flags."""
        setting, waiting = self.setting, self._waiting()
        is_round = bool(self.stack) or self._polls or (self.now - self.free) % setting.poll_loop_cycles == 0
        if waiting and is_round:
            self._enter(waiting[0], setting.tail_chain_cycles if self.is_chained else setting.entry_cycles)
            return True
        if self._polls and not self.stack:
            self.stack.append(self._frame("main_loop", 0, self.begun))
            return True
        return False

    def _enter(self, handler: str, entry_cycles: int) -> None:
        over = ""
        if self.stack:
            over = f" over {self.stack[-1].handler}"
            self.stack[-1].ready -= self.now  # what is left of its instruction
        if self._polls:
            self.unserved = self.unserved[self.unserved.index(handler) + 1 :]
        self._note(f"enter {handler}{over}")
        self.stack.append(self._frame(handler, entry_cycles, self.pending.pop(handler)))
        self.free, self.is_chained = self.now + entry_cycles, False

    def _return(self) -> None:
        """The topmost frame is done."""
        frame = self.stack.pop()
        if frame.handler == "main_loop":
            self._end_round(frame)
            return
        self._note(f"leave {frame.handler}")
        is_start = frame.handler == "on_start"
        self.is_chained = bool(self._waiting()) and self.setting.tail_chain_cycles > 0 and not is_start
        exit_cycles = 0 if is_start or self.is_chained else self.setting.exit_cycles
        self.free = self.given_back = self.exited = self.now + exit_cycles
        self.busy_cycles += frame.used + exit_cycles
        self._book(frame.handler, frame.used + exit_cycles, self.free - frame.since)
        if self.stack:
            self.stack[-1].ready += self.free
        if is_start:
            self.used, self.begun = 0, self.now
            for main in self.stack:
                main.since = self.now

    def _end_round(self, frame: Frame) -> None:
        """The main loop begins anew; a polling one tests its flags first."""
        if self._polls:
            self.free = self.given_back = self.now + self.setting.loop_cycles
            own, begun = self.used + frame.used + self.setting.loop_cycles, self.begun
            self.used, self.begun, self.unserved = 0, self.free, list(_ORDER)
            self._book("main_loop", own, self.free - begun)
        else:
            own, begun = frame.used, frame.since
            self.stack.append(self._frame("main_loop", 0, self.now))
            self._book("main_loop", own, self.now - begun)
        self.main_cycles += own

    def _book(self, handler: str, own: int, response: int) -> None:
        self.runs[handler] += 1
        self.worst_cycles[handler] = max(self.worst_cycles[handler], own)
        self.worst_response[handler] = max(self.worst_response[handler], response)

    def _execute(self, frame: Frame, word: str, number: int) -> None:
        """Do an instruction at its last cycle."""
        if word == "more":
            self.n = (self.n + number) % 256
        elif word == "less":
            self.n = (self.n - number) % 256
        elif word == "load":
            frame.loaded = self.n
        elif word in _READS:
            values = {"timer": self.count, "captured": self.captured, "hall": int(self._is_high(self.now))}
            self._note(f"read {word} {values[word]}")
            frame.loaded = values[word]
            if word == "hall":
                self.n = values[word]
        elif word not in ("work", "add"):
            self._write(word, frame.loaded if word == "show" else number, frame.loaded)

    def _write(self, word: str, number: int, loaded: int) -> None:
        """Write a port."""
        if word in ("compare", "ahead"):
            value = number if word == "compare" else (loaded + number) & 0xFFFF
            self.compare = value & self.setting.timer_mask
            # less than half the range ago: passed
            self.missed_compares += (
                self.count - self.compare
            ) & self.setting.timer_mask <= self.setting.timer_mask // 2
            self._note(f"write compare {value}")
            return
        if word in ("duty", "show"):
            self.duty = min(number, self.setting.pwm_top)
        elif word == "mask":
            self.is_masked = number == 1
        name = {"show": "duty", "mask": "masked"}.get(word, word)
        self._note(f"write {name} {number}")
