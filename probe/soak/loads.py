"""Loads at work: exercisers in threads, and the site's own command in a process of its own."""

import os
import signal
import subprocess
import tempfile
import threading
from collections.abc import Callable, Sequence

from probe.exceptions import LinkprobeError
from probe.loads.interface import Context, Exerciser, Target
from probe.soak.journal import LoadEnded

_OUTPUT_TAIL = 4000
_GRACE_S = 5.0


class ExerciserLoad:
    """One exerciser on one target."""

    def __init__(self, exerciser: Exerciser, target: Target, context: Context, clock: Callable[[], float]) -> None:
        self.name = context.load
        self._exerciser = exerciser
        self._target = target
        self._context = context
        self._clock = clock
        self._failure: str | None = None
        self._thread = threading.Thread(target=self._work, name=self.name, daemon=True)

    def start(self) -> None:
        """Set it to work."""
        self._thread.start()

    def _work(self) -> None:
        try:
            self._exerciser.run(self._target, self._context)
        except (OSError, LinkprobeError) as error:
            self._failure = f"{self._target.label}: {error}"

    @property
    def ended(self) -> bool:
        """It stopped, by itself or because it was told to."""
        return not self._thread.is_alive()

    def stop(self) -> LoadEnded:
        """Tell it to stop, wait for it, and give its end."""
        self._context.stop.set()
        self._thread.join(_GRACE_S)
        failure = self._failure
        if failure is None and self._thread.is_alive():
            failure = f"{self._target.label}: did not stop within {_GRACE_S:g} s; a read or write of it hangs"
        return LoadEnded(t=self._clock(), load=self.name, failure=failure)


class CommandLoad:
    """The site's own command; its output's end is kept, and its whole process group is ended with it."""

    def __init__(self, command: Sequence[str], clock: Callable[[], float]) -> None:
        self.name = f"-- {' '.join(command)}"
        self._command = list(command)
        self._clock = clock
        self._output = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the load
        self._process: subprocess.Popen[bytes] | None = None
        self._failure: str | None = None

    def start(self) -> None:
        """Start the command."""
        try:
            self._process = subprocess.Popen(  # noqa: S603 - what the person asked for
                self._command,
                stdin=subprocess.DEVNULL,
                stdout=self._output,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )
        except OSError as error:
            self._failure = f"cannot be started ({error.strerror})"

    @property
    def ended(self) -> bool:
        """It ended, or never began."""
        return self._process is None or self._process.poll() is not None

    def stop(self) -> LoadEnded:
        """End it if it still runs, and give its status and the end of its output."""
        told_to_stop = False
        if self._process is not None and self._process.poll() is None:
            told_to_stop = True
            self._signal(signal.SIGTERM)
            try:
                self._process.wait(_GRACE_S)
            except subprocess.TimeoutExpired:
                self._signal(signal.SIGKILL)
                self._process.wait()
        status = None if self._process is None else self._process.returncode
        size = self._output.seek(0, os.SEEK_END)
        self._output.seek(max(0, size - _OUTPUT_TAIL))
        tail = self._output.read().decode("utf-8", "replace")
        self._output.close()
        return LoadEnded(
            t=self._clock(), load=self.name, status=None if told_to_stop else status, failure=self._failure, output=tail
        )

    def _signal(self, number: int) -> None:
        if self._process is not None:
            try:
                os.killpg(self._process.pid, number)
            except ProcessLookupError:
                return


Load = ExerciserLoad | CommandLoad
