"""A further process of this program: as isolated as the one that starts it, and it does not outlive it."""

import ctypes
import os
import signal
import sys
from pathlib import Path

_START = (
    "import ctypes, os, runpy, sys; ctypes.CDLL(None).prctl(1, 9); "
    "os.getppid() == int(sys.argv.pop(1)) or sys.exit(1); "
    "sys.path[:] = sys.argv.pop(1).split('\\n'); runpy.run_module(sys.argv.pop(1), run_name='__main__')"
)
"""First of all it is to be killed when its starter ends (PR_SET_PDEATHSIG, SIGKILL), which may have ended already.

What is imported is found where the starter finds it, and nowhere else.
"""
_PR_SET_PDEATHSIG = 1
"""prctl(2), linux/prctl.h."""


def own_process(module: str, *arguments: str) -> list[str]:
    """The command that runs a module of this program, for the process that asks. It is killed when that one ends."""
    path = "\n".join(place or str(Path.cwd()) for place in sys.path)
    return [sys.executable, "-I", "-S", "-c", _START, str(os.getpid()), path, module, *arguments]


def told_at_end_of_starter(number: signal.Signals) -> None:
    """Get this signal when the process that started this one ends, in the place of being killed."""
    ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, number)
