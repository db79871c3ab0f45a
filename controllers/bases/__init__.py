"""Classes that control laws derive from. Like laws they are parsed, never executed."""
