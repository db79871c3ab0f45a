"""The microcontroller around a Program: timers, capture, compare, PWM, interrupts, all in whole clock
cycles."""
