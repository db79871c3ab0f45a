"""A law that hears of over-current trips, in a closed loop with the motor: its duty backs off."""

import math
from pathlib import Path

import pytest

from sim.design import Design, Override, apply_overrides, load_design
from sim.run.metrics import column, measure
from sim.run.simulate import Recording, simulate

LAW = '''
from controllers.dialect import Law, hw, u16, var


class Shy(Law):
    """Holds one step; the duty falls by a quarter at every tick after a trip and grows by 8 counts else."""

    duty = var(u16, 0)

    def on_start(self) -> None:
        self.duty = hw.duty_top
        hw.set_duty(self.duty)
        hw.set_step(0)

    def on_control_tick(self) -> None:
        if hw.tripped() == 1:
            self.duty -= self.duty >> 2
        elif self.duty < hw.duty_top:
            self.duty += 8
        hw.set_duty(self.duty)
'''
DEAF = LAW.replace("hw.tripped() == 1", "hw.hall() == 8")
TRIP_A = 0.8


@pytest.fixture
def jammed() -> Design:
    changes: dict[str, Override] = {
        "firmware.target": "m0", "firmware.parameters": {}, "firmware.control_period_s": 1e-3,
        "drive.over_current_trip_A": TRIP_A, "load.rotor": "locked", "command.duration_s": 0.5,
        "require.within_s": 0.5,
    }  # fmt: skip
    return apply_overrides(load_design("scenarios/air_sampler.toml"), changes)


def ran(design: Design, folder: Path, text: str) -> Recording:
    path = folder / "shy.py"
    path.write_text(text, encoding="utf-8")
    return simulate(apply_overrides(design, {"firmware.law": str(path)}))


def test_the_duty_backs_off_until_the_comparator_is_quiet(jammed: Design, tmp_path: Path) -> None:
    deaf, shy = ran(jammed, tmp_path, DEAF), ran(jammed, tmp_path, LAW)
    # 20 kHz: without the port every period trips, with it those of the ticks that probe the limit
    assert measure(deaf).over_current_trips >= 0.99 * 20_000 * 0.5
    assert 0 < measure(shy).over_current_trips < 0.1 * measure(deaf).over_current_trips
    for recording in (deaf, shy):
        assert measure(recording).peak_phase_A == pytest.approx(TRIP_A, rel=1e-9)


def test_the_duty_stays_just_below_what_makes_the_limit(jammed: Design, tmp_path: Path) -> None:
    """A sawtooth between the duty that trips and three quarters of it, after the first ticks.

    The on-time that trips is -L / R ln(1 - 0.8 R / 5), with R of two phases and two switches; the current is
    gone by the next period. One step of the law is 8 of 2,400 counts. The lower duty acts from the next
    period, so the one under way may trip once more after the flag was read: a quarter less, or that twice.
    """
    recording = ran(jammed, tmp_path, LAW)
    duty = column(recording, "duty")[500:]
    ohm, henry = 2.0 * (1.75 + 0.1), 25e-6
    tripping = -henry / ohm * math.log(1.0 - TRIP_A * ohm / 5.0) * 20e3
    step = 8.0 / recording.firmware.pwm_top
    assert tripping <= duty.max() <= tripping + 1.01 * step
    assert 0.75**2 * tripping - step / 100 <= duty.min() <= 0.75 * (tripping + step)
