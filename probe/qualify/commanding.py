"""The site's own command as a step: its time, its status, and the end of what it printed.

May live here: running it in the plan's folder, and ending it with all that it started.
"""

import contextlib
import os
import signal
import subprocess
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import IO

from probe.loads.site_command import started
from probe.qualify.entries import Commanded
from probe.qualify.plan import CommandStep
from probe.qualify.signals import Asked

_OUTPUT_TAIL = 4000
_LOOK_S = 0.1
_GRACE_S = 5.0


def commanded(step: CommandStep, turn: int, folder: Path, asked: Asked) -> Commanded:
    """Run a command until it ends, its time is over, or somebody asks for the end."""
    begun = time.monotonic()
    with tempfile.TemporaryFile() as output:
        try:
            process = started(located(step.run, folder), output, folder)
        except OSError as error:
            return Commanded(turn=turn, seconds=0.0, failure=f"it cannot be started ({error.strerror})")
        failure = None
        while process.poll() is None:
            if time.monotonic() - begun > step.minutes * 60.0:
                failure = f"it was not over after {step.minutes:g} minutes, and was ended"
            elif asked.by is not None:
                failure = f"it was ended by {asked.by.name}"
            if failure is not None:
                _end(process)
                break
            asked.wait(_LOOK_S)
        seconds = time.monotonic() - begun
        status = None if failure is not None else process.returncode
        return Commanded(turn=turn, seconds=seconds, status=status, failure=failure, output=_tail(output))


def located(run: Sequence[str], folder: Path) -> list[str]:
    """The words of a command, whose file is named from the plan's folder where it is named by a path."""
    first = run[0]
    return [str(folder / first) if os.sep in first else first, *run[1:]]


def _end(process: "subprocess.Popen[bytes]") -> None:
    for number in (signal.SIGTERM, signal.SIGKILL):
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, number)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(_GRACE_S)
            return


def _tail(output: IO[bytes]) -> str:
    size = output.seek(0, os.SEEK_END)
    output.seek(max(0, size - _OUTPUT_TAIL))
    return output.read().decode("utf-8", "replace")
