"""What a run is told as: causes with their numbers, on a small motor that turns in every way."""

import pytest

from sim.design import Design, Override, apply_overrides, design_from_dict, load_design
from sim.run.simulate import simulate
from sim.run.torques import rest_torque_Nm, stall_torque_Nm
from sim.studies.answer import Result, answer
from sim.studies.outcome import overshoot_reason, told_rpm
from sim.views.text import run_text

MOTOR = {
    "name": "pcb", "summary": "six volts, four pole pairs",
    "motor": {
        "pole_pairs": 4, "phase_resistance_ohm": 2.0, "phase_inductance_H": 20e-6, "ke_V_s_per_rad": 1.2e-3,
        "inertia_kg_m2": 4e-7, "coulomb_Nm": 8e-6, "viscous_Nm_s_per_rad": 2e-9,
    },
    "drive": {"supply_V": 6.0, "switch_on_resistance_ohm": 0.1, "pwm_Hz": 20000.0},
    "load": {"fan_torque_Nm": 3e-4, "fan_speed_rpm": 10000.0},
    "firmware": {"law": "duty_pi", "arithmetic": "i32", "target": "m0", "prescaler": 64},
    "command": {"speed_rpm": 15000.0, "duration_s": 3.0},
    "require": {"speed_rpm": 14500.0, "within_s": 2.0},
}  # fmt: skip
BATTERY: dict[str, Override] = {
    "drive.supply_resistance_ohm": 0.5, "drive.battery_fade_V_per_As": 0.5, "command.speed_rpm": 20000.0,
    "require.speed_rpm": 17000.0,
}  # fmt: skip


@pytest.fixture(scope="module")
def motor() -> Design:
    return design_from_dict(MOTOR, "test")


def told(design: Design, changes: dict[str, Override]) -> Result:
    return answer(apply_overrides(design, changes))


# changes, what limits, and phrases of the explanation
CASES: dict[str, tuple[dict[str, Override], str, list[str]]] = {
    "a fast clock": (
        {"firmware.clock_error_percent": 5.0},
        "clock",
        ["It runs 5.0 % above the command of 15,000 rpm.", "off by +5 %", "an oscillator that is not off"],
    ),
    "nothing brakes": (
        {
            "motor.coulomb_Nm": 0.0,
            "load.fan_torque_Nm": None,
            "load.fan_speed_rpm": None,
            "command.speed_rpm": None,
            "command.steps": [{"at_s": 0.0, "speed_rpm": 15000.0}, {"at_s": 2.0, "speed_rpm": 10000.0}],
            "require.speed_rpm": 10000.0,
        },
        "overshoot",
        ["above the command of 10,000 rpm", "It coasts: the duty is at its lowest"],
    ),
    "locked": ({"load.rotor": "locked"}, "locked", ['load.rotor = "locked"']),
    "too little torque": (
        {"motor.ke_V_s_per_rad": 1e-7},
        "stall",
        # 2 ke V / R = 2e-7 * 6 / 4.2
        ["from standstill: at rest the motor has 0.286 uNm at full duty, friction and load take 8 uNm"],
    ),
    "a load that the duty of the start cannot move": (
        {"load.constant_torque_Nm": 8e-4, "firmware.parameters.start_duty": 0.1},
        "start",
        [
            "gives the duty start_duty = 0.1, and never gets away from standstill",
            "With full duty at the start it",
        ],
    ),
    "a load beyond the stall torque": (
        {"load.constant_torque_Nm": 8e-3},
        "stall",
        # 2 ke V / R = 2.4e-3 * 6 / 4.2
        ["at rest the motor has 3.43 mNm at full duty, friction and load take 8.01 mNm"],
    ),
    "a brake beyond the stall torque": (
        {"load.torque_steps": [{"at_s": 0.0, "torque_Nm": 0.0}, {"at_s": 2.0, "torque_Nm": 9e-3}]},
        "stall",
        ["then falls back to 0 rpm", "The load stalls it: at rest the motor has 3.43 mNm at full duty"],
    ),
    "a battery that fades": (
        {**BATTERY, "command.duration_s": 20.0},
        "supply",
        ["still falling by", "The battery has given", "With a battery that does not fade"],
    ),
    "slow coils": (
        {"motor.phase_inductance_H": 2e-3},
        "load",
        # L/R = 2 mH / 2.1 ohm
        ["the current takes L/R = 952 us to rise, and a step lasts"],
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_the_cause_is_named_with_its_numbers(motor: Design, name: str) -> None:
    changes, limited_by, phrases = CASES[name]
    result = told(motor, changes)
    assert result.diagnosis.limited_by == limited_by
    for phrase in phrases:
        assert phrase in result.explanation


def test_a_speed_on_its_command_is_told_as_settled(motor: Design) -> None:
    explanation = told(motor, {}).explanation
    assert "It settles at 15," in explanation
    assert "still" not in explanation
    assert "above the command" not in explanation


def test_a_change_with_which_the_required_speed_is_reached_and_lost_says_so(motor: Design) -> None:
    steps = [{"at_s": 1.5, "supply_percent": 60.0}]
    text = run_text(told(motor, {"drive.supply_steps": steps}))
    rows = {line.split("  ")[1]: line for line in text.splitlines() if "required speed after" in line}
    assert not rows["a supply that keeps its voltage"].endswith("not held")
    assert rows["a quarter more supply voltage"].endswith("s, not held")


def test_a_speed_that_was_lost_for_a_while_is_told(motor: Design) -> None:
    def told_with(percent: float) -> str:
        steps = [{"at_s": 1.5, "supply_percent": percent}, {"at_s": 1.6, "supply_percent": 100.0}]
        return told(motor, {"drive.supply_steps": steps}).explanation

    assert "In between it falls to 12,4" in told_with(40.0)
    assert "rpm, at 1.60 s. It does what it is told" in told_with(40.0)
    assert "In between" not in told_with(80.0)  # the duty makes up for it


def test_a_speed_that_is_commanded_down_and_up_again_was_not_lost(motor: Design) -> None:
    steps = [{"at_s": at_s, "speed_rpm": rpm} for at_s, rpm in ((0.0, 15e3), (1.0, 8e3), (1.6, 15e3))]
    changes: dict[str, Override] = {"command.speed_rpm": None, "command.steps": steps}
    explanation = told(motor, changes).explanation
    assert "reached after 0.4" in explanation
    assert "In between" not in explanation
    dip = [{"at_s": 1.5, "supply_percent": 40.0}, {"at_s": 1.6, "supply_percent": 100.0}]
    later = [
        {"at_s": 0.0, "speed_rpm": 15e3},
        {"at_s": 2.0, "speed_rpm": 8e3},
        {"at_s": 2.3, "speed_rpm": 15e3},
    ]
    both = told(motor, {**changes, "command.steps": later, "drive.supply_steps": dip}).explanation
    assert "In between it falls to 12,4" in both  # before the speed was commanded down


def test_the_current_beside_the_ceiling_is_that_of_the_speed_at_the_end(motor: Design) -> None:
    result = told(motor, {"command.speed_rpm": 30000.0, "require.speed_rpm": 30000.0})
    metrics = result.metrics
    at = f"{metrics.settled_rms_phase_A:.2f} A rms per phase at the end, at {metrics.settled_rpm:,.0f} rpm)"
    assert at in result.explanation


def test_a_law_that_lost_the_rotor_is_no_standstill_and_what_does_not_fit_is_told() -> None:
    lost = told(load_design("scenarios/air_sampler.toml"), {"firmware.law": "open_ramp"})
    assert "never gets away" not in lost.explanation
    assert (
        lost.diagnosis.limited_by == "several"
    )  # of two rotors that have parted from their steps one is faster
    assert any(gain.has_parted for gain in lost.diagnosis.gains)
    assert "With the law duty_pi" in lost.explanation
    assert "but it needs" in lost.explanation
    text = run_text(lost)
    assert "best first, after them what does not fit" in text
    assert "required speed never reached, rotor and steps part" in text
    assert "-1 rpm" not in text


@pytest.mark.parametrize("arithmetic", ["i16", "q15.16"])
def test_a_law_that_lost_the_rotor_is_to_blame_in_every_arithmetic(arithmetic: str) -> None:
    changes: dict[str, Override] = {"firmware.law": "free_trim", "firmware.arithmetic": arithmetic}
    result = told(load_design("scenarios/air_sampler.toml"), changes)
    assert result.diagnosis.limited_by == "law"


def test_a_rocking_rotor_has_no_speed() -> None:
    assert [told_rpm(speed) for speed in (-1.2, -0.3, 0.4, 1234.5, -400.0)] == [
        "0",
        "0",
        "0",
        "1,234",
        "-400",
    ]


def test_a_run_that_ends_in_the_overshoot_is_told_so(motor: Design) -> None:
    gains = {"kp_duty_per_rpm": 1e-4, "ki_duty_per_rpm_s": 1e-3}
    short: dict[str, Override] = {"command.duration_s": 0.6, "require.within_s": 0.42}
    recording = simulate(apply_overrides(motor, {**short, "firmware.parameters": gains}))
    assert overshoot_reason(recording).startswith("The run ends in the overshoot")


def test_torques_at_rest_are_those_of_the_loop(motor: Design) -> None:
    sticky = apply_overrides(motor, {"motor.stiction_Nm": 5e-5, "load.constant_torque_Nm": 1e-5})
    assert stall_torque_Nm(sticky) == pytest.approx(
        2.0 * 1.2e-3 * 6.0 / 4.2, rel=1e-9
    )  # exact, rounding only
    assert rest_torque_Nm(sticky) == pytest.approx(5e-5 + 1e-5, rel=1e-9)
