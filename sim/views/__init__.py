"""Every way to look at a Result."""
