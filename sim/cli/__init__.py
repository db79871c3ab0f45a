"""The command `tickspin`."""

from sim.cli.main import main

__all__ = ["main"]
