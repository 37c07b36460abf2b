"""Loads at work: our own in threads, and the site's own command in a process of its own."""

import os
import signal
import subprocess
import tempfile
import threading
from collections.abc import Callable, Sequence

from probe.exceptions import LinkprobeError
from probe.loads.interface import Context, Load, Target
from probe.loads.results import Mismatch, Pass
from probe.soak.journal import LoadEnded
from probe.soak.setup import Setup

_OUTPUT_TAIL = 4000
_GRACE_S = 5.0


class LoadAtWork:
    """One load on one target."""

    def __init__(self, load: Load, target: Target, context: Context, clock: Callable[[], float]) -> None:
        self.name = context.load
        self._load = load
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
            self._load.run(self._target, self._context)
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


class CommandAtWork:
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


class Crew:
    """All loads of a soak."""

    def __init__(self, setup: Setup, elapsed: Callable[[], float]) -> None:
        self._told = threading.Event()
        self._lock = threading.Lock()
        self._reported: list[Pass | Mismatch] = []
        places = {
            address: link.place_id
            for link in setup.links
            for address in (link.component.functions if link.component else ())
        }
        self._members: list[LoadAtWork | CommandAtWork] = [
            LoadAtWork(
                load,
                target,
                Context(
                    load.name, places.get(target.address or "", ""), setup.options, self._told, self._take, elapsed
                ),
                elapsed,
            )
            for load, target in setup.loads
        ]
        if setup.command:
            self._members.append(CommandAtWork(setup.command, elapsed))

    def start(self) -> None:
        """Set all to work."""
        for member in self._members:
            member.start()

    @property
    def ended(self) -> bool:
        """The command is over; without one, all loads that there were."""
        commands = [member for member in self._members if isinstance(member, CommandAtWork)]
        waited_for = commands or self._members
        return bool(waited_for) and all(member.ended for member in waited_for)

    def stop(self) -> list[LoadEnded]:
        """End all, and tell how each ended."""
        self._told.set()
        return [member.stop() for member in self._members]

    def reported(self) -> list[Pass | Mismatch]:
        """What was reported since the last call."""
        with self._lock:
            taken, self._reported = self._reported, []
        return taken

    def _take(self, entry: Pass | Mismatch) -> None:
        with self._lock:
            self._reported.append(entry)
