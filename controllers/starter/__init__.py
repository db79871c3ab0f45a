"""The control law that a user starts from: a file to copy, not a package to import from."""
