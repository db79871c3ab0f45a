"""The control laws that ship with tickspin: parsed by the compiler, never imported."""
