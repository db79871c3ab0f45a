"""Motor, bridge, Hall sensor and load: what the physics does between two cycles of the processor."""
