"""A bench of hardware around one Program: scripted Hall edges, a timer that the handlers' own cycles
advance."""
