"""Work for a pool; a module of its own, so that the processes have little to import."""

from __future__ import annotations

import os
import signal
import time


def dies_at_two(number: int) -> int:
    """Takes its process down with it."""
    if number == 2:
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.02)
    return number


def fails_at_two(number: int) -> int:
    if number == 2:
        raise ZeroDivisionError("two")
    return number


def never_ends(number: int) -> int:
    os.write(1, f"{number}\n".encode())  # at once, so that another process never writes in between
    time.sleep(3600.0)
    return number


def its_number(number: int) -> int:
    return number


if __name__ == "__main__":
    from tractduct.portfolio.pool import Pool

    with Pool(2) as pool:
        list(pool.answers(never_ends, range(4), its_number))
