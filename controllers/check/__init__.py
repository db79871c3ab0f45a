"""Property tests of control laws on a bench of hardware."""
