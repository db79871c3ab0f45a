"""A clock that is off: what goes with it, what does not, and when the answer says so."""

import pytest

from sim.design import Design, apply_overrides, load_design
from sim.run.assemble import build_firmware, processor_parameters
from sim.run.metrics import measure
from sim.run.simulate import simulate
from sim.studies.answer import answer

ERRORS_PERCENT = (-2.0, 2.0)
# Damped, so that the rotor does not ring about the steps, which begin at 250 rpm.
RAMP = {
    "motor.viscous_Nm_s_per_rad": 2e-6,
    "firmware.law": "open_ramp",
    "firmware.parameters": {"start_step_s": 0.02, "trim_s": 2e-4, "start_duty": 0.3},
    "command.speed_rpm": 280.0,
    "command.duration_s": 4.0,
    "require.speed_rpm": 280.0,
}
PI = {"firmware.law": "duty_pi", "command.duration_s": 10.0}


@pytest.fixture(scope="module")
def blower() -> Design:
    return apply_overrides(
        load_design("scenarios/air_sampler.toml"), {"firmware.target": "m0", "firmware.prescaler": 64}
    )


def settled_rpm(design: Design, error_percent: float) -> float:
    changed = apply_overrides(design, {"firmware.clock_error_percent": error_percent})
    return measure(simulate(changed)).settled_rpm


@pytest.mark.parametrize("error_percent", ERRORS_PERCENT)
def test_an_open_ramp_goes_with_the_clock(blower: Design, error_percent: float) -> None:
    """n = 10 / (p T), and T is a fixed number of ticks. 0.1 %: the mean over the last tenth of the run begins
    and ends within a step (1 of 22), while the speed varies by some percent over one."""
    design = apply_overrides(blower, RAMP)
    assert settled_rpm(design, 0.0) == pytest.approx(280.0, rel=1e-3)
    assert settled_rpm(design, error_percent) == pytest.approx(
        280.0 * (1.0 + error_percent / 100.0), rel=1e-3
    )


@pytest.mark.parametrize("error_percent", ERRORS_PERCENT)
def test_a_held_speed_goes_with_the_clock_that_measures_it(blower: Design, error_percent: float) -> None:
    """0.1 %: one tick is 0.3 rpm of 3,000, and the integral part of the law comes to rest within some."""
    design = apply_overrides(blower, {**PI, "command.speed_rpm": 3000.0, "require.speed_rpm": 3000.0})
    ratio = settled_rpm(design, error_percent) / settled_rpm(design, 0.0)
    assert ratio == pytest.approx(1.0 + error_percent / 100.0, rel=1e-3)


@pytest.mark.parametrize("error_percent", ERRORS_PERCENT)
def test_a_law_that_follows_the_edges_at_full_voltage_does_not_care(
    blower: Design, error_percent: float
) -> None:
    """0.05 %: its steps come a little earlier or later after the edge, since handlers take as many cycles."""
    design = apply_overrides(blower, {**PI, "command.speed_rpm": 65_000.0, "require.speed_rpm": 22_000.0})
    assert settled_rpm(design, error_percent) == pytest.approx(settled_rpm(design, 0.0), rel=5e-4)


def test_the_firmware_is_built_for_the_clock_it_believes_in(blower: Design) -> None:
    true, off = (
        build_firmware(apply_overrides(blower, {**RAMP, "firmware.clock_error_percent": error}))
        for error in (0.0, 5.0)
    )
    assert off.program.binding == true.program.binding
    assert off.program.ints.tolist() == true.program.ints.tolist()
    assert (off.nominal_Hz, off.clock_Hz) == (48e6, 48e6 * 1.05)
    assert off.tick_s == pytest.approx(true.tick_s / 1.05, rel=1e-15)
    assert true.clock_Hz == true.nominal_Hz


@pytest.mark.parametrize("error_percent", [0.0, 5.0])
def test_the_control_tick_is_a_count_of_the_nominal_clock(blower: Design, error_percent: float) -> None:
    """5 ms at 48 MHz, whatever the clock really does; the end of the run is a time, and goes with it."""
    changes = {**PI, "firmware.control_period_s": 0.005, "firmware.clock_error_percent": error_percent}
    design = apply_overrides(blower, changes)  # type: ignore[arg-type]
    c = processor_parameters(design, build_firmware(design))
    assert c["control_cycles"] == 240_000
    assert c["end_cycle"] == 480_000_000 * (100 + error_percent) / 100


@pytest.mark.parametrize(
    ("changes", "says_so"),
    [
        (RAMP, True),  # nothing but the clock times it
        (RAMP | {"firmware.target": "avr5", "firmware.prescaler": 64}, False),  # a resonator: 0.5 %
        (RAMP | {"require.tolerance_percent": 2.5}, False),  # 2 % of m0 are allowed
        (PI | {"command.speed_rpm": 3000.0, "require.speed_rpm": 3000.0}, True),  # held by the clock
        (PI | {"command.speed_rpm": 65_000.0, "require.speed_rpm": 22_000.0}, False),  # the supply decides
    ],
)
def test_the_answer_says_when_the_oscillator_alone_breaks_the_requirement(
    blower: Design, changes: dict[str, object], says_so: bool
) -> None:
    design = apply_overrides(blower, {"require.tolerance_percent": 1.0, **changes})  # type: ignore[dict-item]
    assert answer(design).clock_moves_speed is says_so
