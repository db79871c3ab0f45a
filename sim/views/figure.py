"""One figure of a run: speed, step time and duty over the whole run, and a close-up of the last electrical
turns."""

from pathlib import Path
from typing import Any

import matplotlib

matplotlib.use("Agg")  # a file is wanted, whatever screen there is

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.axes import Axes

from controllers.program import HANDLERS
from sim.plant.records import WINDOW_COLUMNS
from sim.processor.records import TRACE_COLUMNS
from sim.run.simulate import Recording
from sim.studies.answer import CAUTION, Result

INK, QUIET, SIGNAL, WARN = "#1d2b2a", "#8a9a97", "#0b6e5f", "#b4472d"
PHASES = ("#5b3a8e", "#c08a1e", "#2f7fb5")
HANDLER_COLOURS = {1: "#c08a1e", 2: "#0b6e5f", 3: "#5b3a8e"}
FULL_PERCENT = 100.0
_MS = 1e3


def draw_run(result: Result, window: Recording, path: Path) -> None:
    """Draw `result` into a PNG file.

    Args:
        result: the run.
        window: the same run with its close-up recorded (`sim.studies.answer.close_up`).
        path: file to write.
    """
    with plt.rc_context({"font.size": 9, "axes.edgecolor": QUIET, "axes.labelcolor": INK, "text.color": INK}):
        figure, axes = plt.subplots(
            6, 1, figsize=(11, 14), layout="constrained", height_ratios=(3, 2, 1, 2.4, 2.4, 1.8)
        )
        for ax in axes[1:3]:
            ax.sharex(axes[0])
        for ax in axes[4:]:
            ax.sharex(axes[3])
        _speed(axes[0], result)
        _step_time(axes[1], result)
        _duty(axes[2], result)
        _currents(axes[3], window)
        _voltages(axes[4], window)
        _logic(axes[5], window)
        for ax in axes:
            ax.spines[["top", "right"]].set_visible(False)
            ax.grid(True, color="#e6ebea", linewidth=0.6)
            ax.set_axisbelow(True)
        figure.suptitle(_title(result), x=0.01, ha="left", fontsize=12, fontweight="bold")
        figure.supxlabel(CAUTION, fontsize=7, color=QUIET)
        figure.savefig(path, dpi=110, format="png")
        plt.close(figure)


def _title(result: Result) -> str:
    design, firmware = result.design, result.recording.firmware
    word = "met" if result.met else "not met"
    return (
        f"{design.title or design.name}: {design.firmware.law} in {firmware.program.arithmetic} on "
        f"{firmware.target.name}\n{result.metrics.settled_rpm:,.0f} rpm at the end; requirement {word}; "
        f"limited by: {result.diagnosis.limited_by}"
    )


def _trace(result: Result, name: str) -> Any:
    return result.recording.trace[:, TRACE_COLUMNS.index(name)]


def _window(recording: Recording, name: str) -> Any:
    return recording.window[:, WINDOW_COLUMNS.index(name)]


def _legend_above(ax: Axes) -> None:
    """A legend that hides no curve."""
    ax.legend(loc="lower right", bbox_to_anchor=(1.0, 0.97), frameon=False, ncols=4)


def _speed(ax: Axes, result: Result) -> None:
    """Speed against the command, the requirement as a corner to get into, the torque ceiling where it is
    near."""
    require, t_s, speed = result.design.require, _trace(result, "t_s"), _trace(result, "speed_rpm")
    command = _trace(result, "command_rpm")
    ax.plot(t_s, speed, color=SIGNAL, linewidth=1.3, label="speed")
    ax.step(t_s, command, where="post", color=INK, linewidth=1.0, linestyle=(0, (5, 2)), label="command")
    enough = require.lowest_rpm
    ax.plot(
        [0.0, require.within_s, require.within_s], [enough, enough, 0.0], color=WARN, linewidth=1.0,
        label=f"required: {require.speed_rpm:,.0f} rpm by {require.within_s:g} s",
    )  # fmt: skip
    ax.yaxis.set_major_formatter(lambda value, _: f"{value:,.0f}")
    top = 1.15 * max(speed.max(), command.max(), require.speed_rpm)
    torque = result.ceilings_rpm["torque"]
    if torque < top:
        ax.axhline(torque, color=QUIET, linewidth=0.9, linestyle=":", label="torque used up (closed form)")
    ax.set(ylabel="speed [rpm]", ylim=(min(0.0, 1.1 * speed.min()), top))
    ax.set_xlim(0.0, t_s[-1])
    ax.legend(loc="lower right", frameon=False, ncols=4)


def _step_time(ax: Axes, result: Result) -> None:
    """Step time as the timer made it, and how far from its place the rotor found the steps."""
    t_s = _trace(result, "t_s")
    ax.plot(t_s, _trace(result, "step_time_ticks"), color=SIGNAL, linewidth=1.0)
    ticks = _trace(result, "step_time_ticks")
    tick_us = result.recording.firmware.tick_s * 1e6
    ax.set(ylabel=f"step time [ticks of {tick_us:.3g} us]")
    if ticks.max() > 0:
        ax.set_ylim(0, 1.3 * np.percentile(ticks, 97))
    error = ax.twinx()
    error.plot(t_s, _trace(result, "angle_error_deg"), color=WARN, linewidth=0.5, alpha=0.6)
    error.set_ylabel("steps behind the rotor by [el. deg]", color=WARN)
    error.set_ylim(-180, 180)
    error.set_yticks([-120, -60, 0, 60, 120])
    error.spines[["top"]].set_visible(False)


def _duty(ax: Axes, result: Result) -> None:
    """The duty as a filled band, darker where it is at its end and the law has no more to give."""
    t_s, percent = _trace(result, "t_s"), 100.0 * _trace(result, "duty")
    band: dict[str, Any] = {"step": "post", "color": SIGNAL, "linewidth": 0.0}
    ax.fill_between(t_s, percent, alpha=0.2, **band)
    if (percent >= FULL_PERCENT).any():
        ax.fill_between(t_s, percent, where=percent >= FULL_PERCENT, alpha=0.5, label="full", **band)
        _legend_above(ax)
    ax.step(t_s, percent, where="post", color=SIGNAL, linewidth=1.0)
    ax.set(ylabel="duty [%]", xlabel="time [s]", ylim=(0.0, 108.0), yticks=[0, 50, 100])


def _currents(ax: Axes, window: Recording) -> None:
    for phase, colour in zip("abc", PHASES, strict=True):
        ax.plot(
            _window(window, "t_s") * _MS,
            _window(window, f"i_{phase}_A"),
            color=colour,
            linewidth=1.0,
            label=phase,
        )
    where = "terminal" if window.design.motor.connection == "delta" else "phase"
    ax.set(ylabel=f"{where} current [A]")
    ax.set_title("close-up: the last electrical turns", loc="left", fontsize=10)
    _legend_above(ax)


def _voltages(ax: Axes, window: Recording) -> None:
    """Terminal voltage of phase A: driven high, driven low, and floating, where its back-EMF shows."""
    t_ms, volts = _window(window, "t_s") * _MS, _window(window, "v_a_V")
    step = _window(window, "step")
    floating = np.isin(step, (2, 5, 6))
    ax.plot(t_ms, volts, color=QUIET, linewidth=0.8, label="phase a, driven")
    ax.plot(
        t_ms, np.where(floating, volts, np.nan), color=PHASES[0], linewidth=1.3, label="phase a, floating"
    )
    ax.set(ylabel="terminal voltage [V]")
    _legend_above(ax)


def _logic(ax: Axes, window: Recording) -> None:
    """Hall level, step, and when the processor was busy with which handler."""
    t_ms = _window(window, "t_s") * _MS
    hall = _window(window, "hall").astype(int)
    for sensor in range(window.design.hall.sensors):
        level = (hall >> sensor) & 1
        top = 3.2 + 0.08 * sensor
        ax.plot(
            t_ms, top + 0.7 * level, color=(INK, *PHASES[1:])[sensor], linewidth=1.0, drawstyle="steps-post"
        )
    ax.plot(t_ms, 1.6 + 0.2 * _window(window, "step"), color=SIGNAL, linewidth=1.0, drawstyle="steps-post")
    busy = _window(window, "busy")
    for handler, colour in HANDLER_COLOURS.items():
        if not (busy == handler).any():
            continue
        ax.fill_between(
            t_ms,
            0.3,
            1.1,
            where=busy == handler,
            step="post",
            color=colour,
            linewidth=0.8,
            label=HANDLERS[handler],
        )
    ax.set(
        xlabel="time [ms]", ylim=(0, 4.6), yticks=[0.7, 2.1, 3.5], yticklabels=["busy", "step 0..5", "Hall"]
    )
    ax.ticklabel_format(axis="x", useOffset=False)  # the time of the run, not what it is beyond a number
    if len(t_ms):
        ax.set_xlim(t_ms[0], t_ms[-1])
    _legend_above(ax)
