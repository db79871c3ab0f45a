"""tickspin: what speed a small sensored brushless motor reaches with a given firmware, and what stops it."""
