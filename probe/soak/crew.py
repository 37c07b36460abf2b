"""All that is at work in a soak: linkprobe's own loads, and the site's own command."""

import os
import signal
import subprocess
import tempfile
import threading
from collections.abc import Callable, Sequence

import msgspec

from probe.loads.processes import Workers
from probe.loads.results import Mismatch, Pass
from probe.loads.site_command import started
from probe.soak.journal import LoadEnded
from probe.soak.setup import Setup

_OUTPUT_TAIL = 4000
_GRACE_S = 5.0


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
            self._process = started(self._command, self._output)
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
    """All of a soak."""

    def __init__(self, setup: Setup, elapsed: Callable[[], float]) -> None:
        self._lock = threading.Lock()
        self._reported: list[Pass | Mismatch] = []
        self._elapsed = elapsed
        places = {
            address: link.place_id
            for link in setup.links
            for address in (link.component.functions if link.component else ())
        }
        self._workers = Workers(
            setup.loads,
            places,
            setup.options,
            self._take,
            planned_s=setup.planned_s,
        )
        self._command = CommandAtWork(setup.command, elapsed) if setup.command else None
        self._ends: list[LoadEnded] | None = None

    def prepare(self, given_up: Callable[[], bool]) -> None:
        """Start the processes of the loads, and wait until each is ready, or the person gives it up."""
        self._workers.prepare(given_up)

    def start(self) -> None:
        """Set all to work."""
        self._workers.go()
        if self._command is not None:
            self._command.start()

    @property
    def ended(self) -> bool:
        """The command is over; without one, all loads that there were."""
        if self._command is not None:
            return self._command.ended
        members = self._workers.members
        return bool(members) and all(member.ended for member in members)

    def stop(self) -> list[LoadEnded]:
        """End all, and tell how each ended; once they have, the same again."""
        if self._ends is None:
            loads = self._workers.stop()
            ends = [LoadEnded(t=self._elapsed(), load=member.name, failure=failure) for member, failure in loads]
            self._ends = [*ends, *([] if self._command is None else [self._command.stop()])]
        return self._ends

    def reported(self) -> list[Pass | Mismatch]:
        """What was reported since the last call."""
        with self._lock:
            taken, self._reported = self._reported, []
        return taken

    def _take(self, entry: Pass | Mismatch) -> None:
        """Keep a report, with the time of the soak at which it came."""
        with self._lock:
            self._reported.append(msgspec.structs.replace(entry, t=self._elapsed()))
