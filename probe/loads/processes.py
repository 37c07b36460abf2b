"""Loads at work, each in a process of its own: none holds another up, and none outlives the soak."""

import os
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence

import msgspec

from probe.host.own_process import own_process
from probe.host.processes import waits_in_the_kernel
from probe.loads.interface import Load, Options, Target, phases_of, shared_clock
from probe.loads.messages import Failed, Go, Job, Ready, Report
from probe.loads.phases import Schedule
from probe.loads.results import Mismatch, Pass

_PREPARES_S = 60.0
_GRACE_S, _SLOW_S = 5.0, 30.0
_BEGINS_IN_S = 0.1
_LOOKS_EVERY_S = 0.05
_ENCODER = msgspec.json.Encoder()
_DECODER: msgspec.json.Decoder[Report] = msgspec.json.Decoder(Report)
Reporting = Callable[[Pass | Mismatch], None]


class LoadProcess:
    """One load on one target."""

    def __init__(self, job: Job, report: Reporting) -> None:
        self.name = job.load
        self.target = job.target
        self._job = job
        self._report = report
        self._errors = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the load
        self._process: subprocess.Popen[bytes] | None = None
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._failure: str | None = None
        self.ready = False

    def start(self) -> None:
        """Start the process, which then prepares itself."""
        try:
            self._process = subprocess.Popen(  # noqa: S603 - this program itself
                own_process("probe.loads.worker"),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._errors,
                process_group=0,
            )
        except OSError as error:
            self._failure = f"cannot be started ({error.strerror})"
            return
        self._say(self._job)
        self._reader.start()

    def _say(self, message: Job | Go) -> None:
        if self._process is None or self._process.stdin is None or self._process.stdin.closed:
            return
        try:
            self._process.stdin.write(_ENCODER.encode(message) + b"\n")
            self._process.stdin.flush()
        except BrokenPipeError:
            return  # it has ended, and its end is told

    def _read(self) -> None:
        if self._process is None or self._process.stdout is None:
            return
        for line in self._process.stdout:
            message = _DECODER.decode(line)
            match message:
                case Ready():
                    self.ready = True
                case Failed(why):
                    self._failure = why
                case _:
                    self._report(message)

    def go(self, begin_s: float) -> None:
        """Let the phases begin at this moment of the shared clock."""
        self._say(Go(begin_s))

    @property
    def ended(self) -> bool:
        """It stopped, by itself or because it was told to, or never began."""
        return self._process is None or self._process.poll() is not None

    def ask_to_stop(self) -> None:
        """Tell it to stop."""
        if self._process is not None and self._process.stdin is not None:
            try:
                self._process.stdin.close()
            except BrokenPipeError:
                return

    def failure_at_end(self, until: float) -> str | None:
        """Wait for its end until then (time.monotonic), or kill it; what went wrong, None where nothing did.

        One that waits in the kernel then hangs; one that does not is slow, as all are on a busy host: it has more time.
        """
        if self._process is None:
            return self._told(self._failure)
        status = self._status(until)
        if status is None and not waits_in_the_kernel(self._process.pid):
            status = self._status(until + _SLOW_S)
        if status is None:
            hangs = waits_in_the_kernel(self._process.pid)
            os.killpg(self._process.pid, signal.SIGKILL)
            return self._told(f"did not stop when it was told to{'; a read or write of it hangs' if hangs else ''}")
        self._reader.join(_GRACE_S)
        if status and self._failure is None:
            self._failure = _how_it_ended(status, self._last_line())
        self._close()
        return self._told(self._failure)

    def _status(self, until: float) -> int | None:
        """How it ended until then; None where it runs still."""
        try:
            return None if self._process is None else self._process.wait(max(until - time.monotonic(), 0.0))
        except subprocess.TimeoutExpired:
            return None

    def _close(self) -> None:
        self._errors.close()
        if self._process is not None and self._process.stdout is not None:
            self._process.stdout.close()

    def _told(self, failure: str | None) -> str | None:
        return None if failure is None else f"{self.target.label}: {failure}"

    def _last_line(self) -> str:
        self._errors.seek(0)
        lines = self._errors.read().decode("utf-8", "replace").strip().splitlines()
        return lines[-1] if lines else ""


def _how_it_ended(status: int, last_line: str) -> str:
    how = (
        f"its process was killed by {signal.Signals(-status).name}"
        if status < 0
        else f"its process ended with {status}"
    )
    return f"{how}: {last_line}" if last_line else how


class Workers:
    """All loads of a run, in step."""

    def __init__(
        self,
        loads: Iterable[tuple[Load, Target]],
        places: Mapping[str, str],
        options: Options,
        report: Reporting,
        *,
        planned_s: float | None = None,
    ) -> None:
        """Loads with their targets, and the id of the place of each function that they may load."""
        listed = list(loads)
        schedule = Schedule.of((name for pair in listed for name in phases_of(*pair)), planned_s)
        self.members: Sequence[LoadProcess] = [
            LoadProcess(
                Job(
                    load=load.name, target=target, place_id=places.get(target.address or "", ""),
                    peer_place_id=places.get(target.peer or ""), options=options, schedule=schedule,
                ),
                report,
            )
            for load, target in listed
        ]  # fmt: skip

    def prepare(self, given_up: Callable[[], bool] = lambda: False) -> None:
        """Start all, and wait until each is ready or has ended, or the person gives it up."""
        for member in self.members:
            member.start()
        until = time.monotonic() + _PREPARES_S
        while not given_up() and time.monotonic() < until:
            if all(member.ready or member.ended for member in self.members):
                return
            time.sleep(_LOOKS_EVERY_S)

    def go(self) -> None:
        """Let all begin, at the same moment."""
        begin = shared_clock() + _BEGINS_IN_S
        for member in self.members:
            member.go(begin)

    def stop(self) -> list[tuple[LoadProcess, str | None]]:
        """Tell all to stop, wait for them together, and give what went wrong with each."""
        for member in self.members:
            member.ask_to_stop()
        until = time.monotonic() + _GRACE_S
        return [(member, member.failure_at_end(until)) for member in self.members]
