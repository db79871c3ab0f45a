"""Questions that take several runs: what holds a design back, and what a change would give."""
