"""MicroPython's microsecond clock, which starts again at 0 now and then: compare by ticks_diff."""

import time

ticks_us = time.ticks_us  # type: ignore[attr-defined]
ticks_diff = time.ticks_diff  # type: ignore[attr-defined]  # (late, early)
ticks_add = time.ticks_add  # type: ignore[attr-defined]
sleep_us = time.sleep_us  # type: ignore[attr-defined]
