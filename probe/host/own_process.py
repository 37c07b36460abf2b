"""A further process of this program: as isolated as the one that starts it, and it does not outlive it."""

import ctypes
import os
import signal
import sys
from pathlib import Path

_START = (
    "import runpy, sys; sys.path[:] = sys.argv.pop(1).split('\\n'); "
    "runpy.run_module(sys.argv.pop(1), run_name='__main__')"
)
"""What is imported is found where the starter finds it, and nowhere else."""
_PR_SET_PDEATHSIG = 1
"""prctl(2), linux/prctl.h."""


def own_process(module: str, *arguments: str) -> list[str]:
    """The command that runs a module of this program."""
    path = "\n".join(place or str(Path.cwd()) for place in sys.path)
    return [sys.executable, "-I", "-S", "-c", _START, path, module, *arguments]


def end_with(parent: int) -> None:
    """Be killed when the process that started this one ends; it may have ended before that could be asked for."""
    ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:
        sys.exit(1)
