"""Broken on purpose: the duty is divided before it is multiplied, so that whole numbers lose 31 counts."""

from controllers.dialect import Law, hw, number, u16


class Coarse(Law):
    """Set the duty in proportion to the command."""

    def on_start(self) -> None:
        hw.set_step(0)

    def on_control_tick(self) -> None:
        hw.set_duty(u16(min(number(hw.command_rpm()) / 512 * 32, number(hw.duty_top))))
