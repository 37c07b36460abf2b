"""The process of one load, started and ended by a soak, never by a person.

Its job comes on standard input, its reports go to what was standard output. It ends with the process that started it:
the kernel kills it then (PR_SET_PDEATHSIG, prctl(2)), and its input ends.
"""

import os
import signal
import sys
import threading
import traceback

import msgspec

from probe.exceptions import LinkprobeError
from probe.loads.catalogue import make
from probe.loads.interface import Context, Steps, phases_of, shared_clock
from probe.loads.messages import Failed, Go, Job, Ready, Report
from probe.loads.placement import stay_near

_TIME_TO_END_S = 40
_ENCODER = msgspec.json.Encoder()


class Wire:
    """The two ends of the talk with the soak; what libraries print goes where errors go."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._out = os.dup(sys.stdout.fileno())
        os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
        self._go: Go | None = None
        self._said = threading.Event()
        self.stop = threading.Event()
        self.job = msgspec.json.decode(sys.stdin.buffer.readline(), type=Job)

    def listen(self) -> None:
        """Hear until the input ends; then the load is to stop, and is killed if it does not."""
        for line in sys.stdin.buffer:
            self._go = msgspec.json.decode(line, type=Go)
            self._said.set()
        self.stop.set()
        self._said.set()
        signal.alarm(_TIME_TO_END_S)

    def report(self, message: Report) -> None:
        """Say something; a soak that no longer listens wants no more."""
        with self._lock:
            try:
                os.write(self._out, _ENCODER.encode(message) + b"\n")
            except BrokenPipeError:
                self.stop.set()

    def begin(self) -> float | None:
        """Say that all is prepared, and wait for the others; when it begins, None where it is over already."""
        self.report(Ready())
        self._said.wait()
        return None if self._go is None or self.stop.is_set() else self._go.begin_s


def main() -> None:
    """Do the job, and say how it failed if it did."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a person's Ctrl-C is the soak's to answer
    wire = Wire()
    try:
        _work(wire)
    except (OSError, LinkprobeError) as error:
        wire.report(Failed(str(error)))
    except Exception as error:  # noqa: BLE001 - a load may be a site's own; the soak tells what it raised
        traceback.print_exc()
        wire.report(Failed(f"{type(error).__name__}: {error}"))


def _work(wire: Wire) -> None:
    job = wire.job
    stay_near(job.target.node)  # before the first allocation, and before other threads, which inherit it
    threading.Thread(target=wire.listen, daemon=True).start()
    load = make(job.load)
    works_in = phases_of(load, job.target)
    steps = Steps(schedule=job.schedule, works_in=works_in, begin=wire.begin)
    context = Context(
        load.name, job.place_id, job.options, wire.stop, wire.report, shared_clock, steps, job.peer_place_id
    )
    if not works_in and wire.begin() is None:
        return
    try:
        load.run(job.target, context)
    finally:
        context.close()


if __name__ == "__main__":
    main()
