"""The rule by which a compare value is ahead of a wrapping count, or has been passed."""

from controllers.jit import kernel


@kernel
def ticks_behind(tick: int, value: int, timer_mask: int) -> int:
    """How many ticks ago the count was `value`: 0 or more where it is that now or has passed it, below 0
    where it will be that in so many ticks.

    Passed means: less than half the timer's range ago, as in any comparison of wrapping counts (RFC 1982,
    section 3.2); firmware must not schedule further ahead than that.
    """
    behind = (tick - value) & timer_mask
    return behind if behind <= timer_mask >> 1 else behind - timer_mask - 1
