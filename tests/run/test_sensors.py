"""Hall sensors in whole runs: what the processor gets to see."""

import math
from pathlib import Path

import pytest

from sim.design import Design, Override, apply_overrides, load_design
from sim.plant.records import Record
from sim.run import simulate as simulating
from sim.run.metrics import measure
from sim.run.plant_records import plant_state
from sim.run.simulate import simulate
from sim.studies.suspects import suspects
from targets import InputError
from targets.loader import DATA_FOLDER

NOISY: dict[str, Override] = {"hall.jitter_s": 2e-5, "hall.delay_s": 5e-6, "hall.glitches_per_s": 20.0}


@pytest.fixture(scope="module")
def blower() -> Design:
    changes: dict[str, Override] = {
        "firmware.law": "duty_pi", "firmware.target": "m4f", "command.speed_rpm": 15000.0,
        "require.speed_rpm": 15000.0, "command.duration_s": 1.0, "require.within_s": 1.0,
    }  # fmt: skip
    return apply_overrides(load_design("scenarios/air_sampler.toml"), changes)


def test_the_same_seed_gives_the_same_bits_and_another_seed_others(blower: Design) -> None:
    noisy = apply_overrides(blower, NOISY)
    first, second = simulate(noisy), simulate(noisy)
    assert first.trace.tobytes() == second.trace.tobytes()
    other = simulate(apply_overrides(noisy, {"numerics.seed": 2}))
    assert first.trace.tobytes() != other.trace.tobytes()
    quiet, reseeded = simulate(blower), simulate(apply_overrides(blower, {"numerics.seed": 2}))
    assert quiet.trace.tobytes() == reseeded.trace.tobytes()


def test_glitches_are_edges_for_the_capture(blower: Design) -> None:
    # A rotor that stands makes no edge of its own; each false pulse rises once.
    held: dict[str, Override] = {"load.rotor": "locked", "hall.glitches_per_s": 200.0}
    recording = simulate(apply_overrides(blower, held))
    glitches = int(recording.state["glitches"])
    assert 100 < glitches < 300
    assert abs(int(recording.counters["hall_edges"]) - glitches) <= 1


@pytest.mark.parametrize(
    ("sensors", "edges", "per_turn"), [(1, "rising", 1), (1, "both", 2), (3, "rising", 3), (3, "both", 6)]
)
def test_the_capture_takes_the_edges_it_is_set_to(
    monkeypatch: pytest.MonkeyPatch, blower: Design, sensors: int, edges: str, per_turn: int
) -> None:
    def set_off(p: Record, start_angle_deg: float, seed: int) -> Record:
        s = plant_state(p, start_angle_deg, seed)
        s["omega_rad_s"] = 500.0
        return s

    monkeypatch.setattr(simulating, "plant_state", set_off)
    heavy: dict[str, Override] = {
        "motor.inertia_kg_m2": 0.1, "hall.sensors": sensors, "hall.edges": edges,
        "firmware.law": "open_ramp",  # takes no notice of the sensors, so any number will do
    }  # fmt: skip
    recording = simulate(apply_overrides(blower, heavy))
    turns = 500.0 * 2 / (2.0 * math.pi)
    # It starts and ends between two edges.
    assert int(recording.counters["hall_edges"]) == pytest.approx(per_turn * turns, abs=1.0)


@pytest.mark.parametrize("start_deg", [10.0, 130.0, 250.0, 340.0])
def test_with_three_sensors_the_start_is_not_blind(blower: Design, start_deg: float) -> None:
    changes: dict[str, Override] = {
        "firmware.law": "duty_pi_three", "hall.sensors": 3, "hall.edges": "both", "hall.jitter_s": 1e-6,
        "motor.start_angle_deg": start_deg, "command.duration_s": 3.0,
    }  # fmt: skip
    metrics = measure(simulate(apply_overrides(blower, changes)))
    assert metrics.opposed_steps == 0
    assert metrics.settled_rpm > 0.9 * 15000.0  # after a second; how it settles is the law's business


def test_a_slow_sensor_makes_the_steps_late(blower: Design) -> None:
    quick = measure(simulate(blower)).settled_angle_error_deg
    delay_s = 1e-4
    slow = measure(simulate(apply_overrides(blower, {"hall.delay_s": delay_s})))
    # The lag of an edge at this speed, in electrical degrees.
    lag_deg = delay_s * slow.settled_rpm / 60.0 * 2.0 * 360.0
    assert slow.settled_angle_error_deg - quick == pytest.approx(lag_deg, rel=0.1)


def test_a_perfect_sensor_is_on_the_list_of_suspects(blower: Design) -> None:
    noisy = apply_overrides(blower, {**NOISY, "hall.pole_width_error_deg": 6.0})
    suspect = next(s for s in suspects(noisy) if s.variant.name == "hall")
    hall = apply_overrides(noisy, suspect.variant.overrides).hall
    assert hall.model_dump(exclude={"hysteresis_deg", "sensors", "edges", "glitch_time_s"}) == {
        "placement_error_deg": 0.0, "second_error_deg": 0.0, "third_error_deg": 0.0,
        "pole_width_error_deg": 0.0, "delay_s": 0.0, "jitter_s": 0.0, "glitches_per_s": 0.0,
    }  # fmt: skip


# (changes, place, part of the rule)
WRONG_SENSORS = [
    (
        {"firmware.law": "duty_pi_three"},
        "hall.sensors",
        "must be 3, which the law duty_pi_three is written for",
    ),
    ({"firmware.law": "duty_pi_three", "hall.sensors": 3}, "hall.edges", 'must be "both"'),
    (
        {"hall.sensors": 3, "hall.edges": "both"},
        "hall.sensors",
        "must be 1, which the law duty_pi is written for",
    ),
]


@pytest.mark.parametrize(("changes", "place", "rule"), WRONG_SENSORS)
def test_a_law_written_for_other_sensors_is_refused_with_the_remedy(
    blower: Design, changes: dict[str, Override], place: str, rule: str
) -> None:
    with pytest.raises(InputError) as refused:
        simulate(apply_overrides(blower, changes))
    (fault,) = refused.value.faults
    assert fault.place == place
    assert rule in fault.rule
    assert fault.remedy.startswith("set hall.")


def test_with_three_sensors_the_law_that_is_held_against_it_reads_three() -> None:
    three = apply_overrides(
        load_design("scenarios/air_sampler.toml"), {"hall.sensors": 3, "hall.edges": "both"}
    )
    suspect = next(s for s in suspects(three) if s.variant.name == "law")
    assert suspect.variant.overrides["firmware.law"] == "duty_pi_three"


def test_without_hardware_capture_the_latency_shifts_the_steps(blower: Design) -> None:
    """duty_pi times each step from the captured edge: one that is read in the handler makes all of them later
    by the time it took to get there, and the speed is held all the same."""
    by_hardware = measure(simulate(blower))
    by_software = measure(simulate(apply_overrides(blower, {"firmware.capture": "software"})))
    assert by_software.settled_rpm == pytest.approx(by_hardware.settled_rpm, rel=0.01)
    assert by_software.settled_angle_error_deg > by_hardware.settled_angle_error_deg


def test_a_target_without_capture_asks_for_software(blower: Design, tmp_path: Path) -> None:
    text = (DATA_FOLDER / "m4f.toml").read_text(encoding="utf-8")
    own = tmp_path / "own.toml"
    own.write_text(text.replace('name = "m4f"', 'name = "own"').replace("capture = true", "capture = false"))
    with pytest.raises(InputError, match=r'firmware.capture: must be "software": .* "own" has no capture'):
        apply_overrides(blower, {"firmware.target": str(own)})
    assert simulate(apply_overrides(blower, {"firmware.target": str(own), "firmware.capture": "software"}))
