"""python -m tractduct, and the command tractduct. What an interrupt does is settled before the rest is imported."""

from __future__ import annotations

import _thread
import gc
import os
import signal
import sys
import time

TYPE_CHECKING = False
if TYPE_CHECKING:
    from types import FrameType
    from typing import NoReturn

_AGAIN_S = 0.02
_THINGS = 200_000  # made before Python looks among them for what goes in circles; at its 700 that is 4 % of a study


def _stop(number: int, frame: FrameType | None) -> None:
    """Interrupt, but never in the middle of an import: libraries turn that into errors and tracebacks of their own.

    What the command line imports, it imports before it begins anything, so that there is nothing to clean up then.
    """
    asker = None
    while frame is not None:
        if frame.f_code.co_filename.startswith("<frozen importlib"):
            asker = frame.f_back
        frame = frame.f_back
    if asker is None:
        raise KeyboardInterrupt
    if asker.f_globals.get("__name__") in (__name__, "tractduct.cli"):
        os.write(2, b"Stopped; nothing was written.\n")
        os._exit(1)
    _thread.start_new_thread(_interrupt_again, ())


def _interrupt_again() -> None:
    time.sleep(_AGAIN_S)
    _thread.interrupt_main()


def run() -> NoReturn:
    """Run the command line and leave with its exit code."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # not where the shell has it ignored
        signal.signal(signal.SIGINT, _stop)
    gc.set_threshold(_THINGS)
    code = 1
    try:
        from tractduct.cli import main

        code = main()
    except KeyboardInterrupt:
        print("Stopped; nothing was written.", file=sys.stderr)
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # there is nothing left to stop
        gc.freeze()  # nor to find among what goes with the process
    sys.exit(code)


if __name__ == "__main__":
    run()
