"""Spin-ups under stress: how one is read, and the search on a law that cannot know of its rotor."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sim.design import Design, apply_overrides, load_design
from sim.processor.records import TRACE_COLUMNS
from sim.run.assemble import build_firmware
from sim.run.simulate import Recording, simulate
from sim.studies.law_design import design_of_law
from sim.studies.stress import STRESSES, overrides_of, read_spin, stress

AIR_SAMPLER = Path(__file__).resolve().parents[2] / "scenarios" / "air_sampler.toml"
LAWS = Path(__file__).resolve().parents[1] / "controllers" / "check" / "laws"
ROWS = 200
UP = np.minimum(np.linspace(0, 2000, ROWS), 1000.0)
FALL = np.where(np.arange(ROWS) < 150, UP, 100.0)
STAND = np.where(np.arange(ROWS) < 150, UP, 0.0)
BACK = np.where((np.arange(ROWS) > 150) & (np.arange(ROWS) < 175), 100.0, UP)
LOST_AT = np.where(np.arange(ROWS) < 145, 0.0, 30.0)
NONE_OPPOSED = np.zeros(ROWS)


def recording(speed_rpm: Any, opposed: Any, command_rpm: Any) -> Recording:
    """A recording of which only the traces matter."""
    trace = np.zeros((ROWS, len(TRACE_COLUMNS)))
    rows = {
        "t_s": np.arange(ROWS) * 0.005,
        "speed_rpm": speed_rpm,
        "opposed_steps": opposed,
        "command_rpm": command_rpm,
    }
    for name, values in rows.items():
        trace[:, TRACE_COLUMNS.index(name)] = values
    others: dict[str, Any] = dict.fromkeys(Recording.__dataclass_fields__)
    return Recording(**{**others, "trace": trace})


@pytest.mark.parametrize(
    ("speed", "opposed", "command", "at_speed", "lost", "back"),
    [
        (UP * 0.3, NONE_OPPOSED, 1000.0, False, False, False),
        (UP, NONE_OPPOSED, 1000.0, True, False, False),
        (FALL, LOST_AT, 1000.0, True, True, False),
        (BACK, LOST_AT, 1000.0, True, False, True),
        (FALL, NONE_OPPOSED, 1000.0, True, False, False),  # slow, but in step: a brake
        (STAND, NONE_OPPOSED, 1000.0, True, True, False),  # no step opposes the motion of what does not move
        (FALL, LOST_AT, np.where(np.arange(ROWS) < 140, 1000.0, 100.0), True, False, False),  # as told
    ],
    ids=["never at speed", "steady", "lost", "recovered", "braked", "standing", "commanded"],
)
def test_a_spin_up_is_read_from_its_speed_and_its_steps(
    speed: Any, opposed: Any, command: Any, at_speed: bool, lost: bool, back: bool
) -> None:
    spin = read_spin(recording(speed, opposed, command))
    assert (spin.at_speed, spin.is_lost, spin.fell and spin.is_back) == (at_speed, lost, back)


def design(law: str, speed_rpm: float = 800.0) -> Design:
    base = design_of_law(str(LAWS / law), prescaler=64)
    return apply_overrides(base, {"command.speed_rpm": speed_rpm, "require.speed_rpm": speed_rpm})


def test_no_stress_changes_nothing_but_the_length() -> None:
    changed = overrides_of(design("blind_ramp.py"), (0,) * len(STRESSES))
    assert set(changed) == {"command.duration_s", "require.within_s"}


def test_every_stress_makes_a_design_of_its_own_that_runs() -> None:
    base = design("steady.py")
    firmware = build_firmware(base)
    for number in range(len(STRESSES)):
        parts = tuple(100 * (n == number) for n in range(len(STRESSES)))
        changed = apply_overrides(base, overrides_of(base, parts))
        assert changed != apply_overrides(base, overrides_of(base, (0,) * len(STRESSES)))
        assert len(simulate(changed, firmware=firmware).trace) > 1000


def test_a_given_firmware_gives_the_same_run_as_one_that_is_built() -> None:
    base = design("steady.py")
    one, other = simulate(base), simulate(base, firmware=build_firmware(base))
    assert np.array_equal(one.trace, other.trace)


def test_a_blind_ramp_loses_synchronism_and_the_stress_shows_it_again() -> None:
    short = {"command.duration_s": 0.5, "require.within_s": 0.5}
    base = apply_overrides(design("blind_ramp.py"), short)
    firmware = build_firmware(base)
    found = stress(base, firmware, seed=1, share=0.2)
    assert not found.holds
    assert "did not come back" in found.found
    again = read_spin(simulate(apply_overrides(base, found.overrides)))
    assert again.is_lost
    assert again.low_s > 0.5  # as long again as the spin-up itself
    assert stress(base, firmware, seed=1, share=0.2) == found


def test_a_motor_that_is_low_at_the_end_is_lost_only_if_it_stays_so() -> None:
    late = recording(FALL, LOST_AT, 1000.0)
    spin = read_spin(late)
    assert (spin.is_lost, spin.lost_s, spin.low_s) == (True, pytest.approx(0.745), pytest.approx(0.25))
    assert read_spin(late, patience_s=0.2).is_lost
    assert not read_spin(late, patience_s=0.3).is_lost


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_law_that_gives_up_at_a_stall_is_found_on_the_motor_of_the_starter(seed: int) -> None:
    base = design_of_law(str(LAWS / "stays_down.py"), prescaler=64)
    found = stress(base, build_firmware(base), seed=seed, share=0.2)
    assert (found.holds, len(found.counterexample)) == (False, 1)
    assert found.stood > 0


@pytest.mark.parametrize("scenario", [None, *sorted(AIR_SAMPLER.parent.glob("*.toml"))])
def test_the_strongest_brake_stops_every_rotor_and_leaves_time_to_start_again(scenario: Path | None) -> None:
    base = design_of_law("duty_pi", prescaler=64) if scenario is None else load_design(scenario)
    parts = tuple(100 * (row.name == "brake") for row in STRESSES)
    changed = apply_overrides(base, overrides_of(base, parts))
    spin = read_spin(simulate(changed))
    assert (spin.at_speed, spin.stood) == (True, True)
    assert changed.load.torque_steps[-1].at_s < 0.7 * changed.command.duration_s


def test_overrides_hold_the_gains_that_were_fitted_before_the_stress() -> None:
    """With more inertia the fit would be another: the printed spin-up must be that of the same firmware."""
    base = design_of_law(str(LAWS / "stays_down.py"), prescaler=64)
    firmware = build_firmware(base)
    found = stress(base, firmware, seed=1, share=0.1)
    assert not found.holds
    assert [" of the brake that stops the rotor" in words for words in found.counterexample] == [True]
    again = apply_overrides(base, {**found.overrides, "load.added_inertia_kg_m2": 1e-6})
    gains = {f"firmware.parameters.{key}": value for key, value in firmware.program.fitted.items()}
    assert gains
    assert gains.items() <= found.overrides.items()
    assert np.array_equal(build_firmware(again).program.code, firmware.program.code)
    assert np.array_equal(build_firmware(again).program.ints, firmware.program.ints)


def test_a_law_that_follows_its_rotor_keeps_synchronism() -> None:
    base = design_of_law("duty_pi", target="m0", prescaler=64, scenario=AIR_SAMPLER)
    found = stress(base, build_firmware(base), seed=1, share=0.1)
    assert (found.holds, found.reason) == (True, "")
    assert found.spin_ups > 0
