"""What a target is: the checked, frozen records that a data file becomes (`sections` and prices)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from targets.sections import (
    Clock,
    Compiler,
    CostRow,
    Count,
    Frame,
    Interrupt,
    Memory,
    PositiveCount,
    Record,
    StepTimer,
    Text,
    Timer,
)


class Routine(Record):
    """A library routine: its flash, and the deepest it goes on the stack with what it calls [bytes]."""

    bytes: PositiveCount
    stack_bytes: Count


class CostGroup(BaseModel):
    """A table of cost rows that share one source; every key but `source` is a row."""

    model_config = ConfigDict(frozen=True, strict=True, extra="allow")
    __pydantic_extra__: dict[str, CostRow] = Field(init=False)
    source: Text

    @property
    def rows(self) -> Mapping[str, CostRow]:
        """Cost key -> row."""
        return self.__pydantic_extra__


class Routines(BaseModel):
    """Library routines, in flash once each however often called; every key but `source` is one of them."""

    model_config = ConfigDict(frozen=True, strict=True, extra="allow")
    __pydantic_extra__: dict[str, Routine] = Field(init=False)
    source: Text

    @property
    def by_name(self) -> Mapping[str, Routine]:
        """Routine name -> routine."""
        return self.__pydantic_extra__


class TargetHead(Record):
    """The keys that a data file and a Target have in common."""

    name: Text
    title: Text
    core: Text
    floating_point_unit: Literal["none", "f32", "f64"]
    price_USD: Annotated[float, Field(ge=0, allow_inf_nan=False)]  # indicative, in a large order
    exact_arithmetic: bool  # true for the ideal machine only: arithmetic is bound to f64
    clock: Clock
    memory: Memory
    step_timer: StepTimer
    pwm: Timer
    interrupt: Interrupt
    frame: Frame
    compiler: Compiler | None = None


class TargetFile(TargetHead):
    """A data file as written: cycles are instruction cycles, costs stand in groups with a source each."""

    core_source: Text
    price_source: Annotated[str, Field(pattern=r"^(indicative|definition)\b")]
    costs: dict[str, CostGroup]
    routines: Routines


class Cost(Record):
    """Price of one operation: CPU clock cycles, flash bytes in line, and the routine it calls, if any."""

    cycles_min: int
    cycles_typical: int
    cycles_max: int
    flash_bytes: int
    routine: str | None = None


class Target(TargetHead):
    """A microcontroller class: what it has and what each operation costs it. Cycles are CPU clock cycles.

    wait_states: of the flash, that the prices hold; 0 but in what `targets.wait_states.at_clock` gives.
    """

    costs: Mapping[str, Cost]  # one entry for each of COST_KEYS
    routines: Mapping[str, Routine]  # by name; in flash once per program
    wait_states: Count = 0
    sources: Mapping[str, str]  # group of numbers ("clock", "costs.division", ...) -> where they come from
