"""Runs a protocol: carries out its steps on a machine, one by one, and keeps the old value of all that is written.

May live here: what every machine has in common. May not: opening files, which `writing.py` does; a clock; sequences.
"""

import errno
from typing import Protocol as Interface

from probe.active.journal import Acted, Began, Entry, KeptFile, KeptRegister
from probe.active.permitted import Scope, file_at, register_at
from probe.active.steps import (
    Answer,
    Begin,
    CannotWrite,
    Finished,
    Keep,
    Now,
    Protocol,
    Read,
    ReadFile,
    Result,
    Step,
    Traced,
    Wait,
    Write,
)
from probe.registers.bits import all_ones, merged, outside


class Machine(Interface):
    """What steps are carried out on: real files, or a model with a clock of its own."""

    def read(self, address: str, offset: int, size: int) -> int | None:
        """Bytes of configuration space as a number; None where they cannot be read."""

    def write(self, address: str, offset: int, size: int, value: int, mask: int) -> None:
        """Write bytes of configuration space, in which the mask names what may differ. Raises OSError."""

    def read_file(self, path: str) -> str | None:
        """The text of a small file below /sys."""

    def traced(self, port: str) -> int | None:
        """How many events of the port's link the kernel traced since it was first asked."""

    def begin(self, path: str, text: str) -> None:
        """Begin to write a file below /sys. Raises OSError where it cannot be opened."""

    def finished(self, path: str) -> int | None:
        """None while a write that was begun runs, then 0 or an errno."""

    def wait(self, seconds: float) -> None:
        """Let time pass."""

    def now(self) -> float:
        """Seconds of a clock that never goes back."""


class Keeper(Interface):
    """What old values are kept in; a Journal is one."""

    def keep(self, *entries: Entry) -> None:
        """Have the entries where a crash does not lose them. Raises OSError."""

    def entries(self) -> tuple[Entry, ...]:
        """All that was kept so far."""


class Driver:
    """Drives protocols on one machine, within one scope, keeping old values in one journal."""

    def __init__(self, machine: Machine, scope: Scope, keeper: Keeper) -> None:
        self._machine = machine
        self._scope = scope
        self._keeper = keeper
        self._kept: dict[tuple[str, int, int], int] = {}
        self._kept_files: set[str] = set()
        for entry in keeper.entries():
            self._remember(entry)

    def run(self, protocol: Protocol[Result]) -> Result:
        """The result of a protocol. Whatever the protocol raises comes out."""
        answer: Answer = None
        try:
            step = next(protocol)
            while True:
                try:
                    answer = self._carry_out(step)
                except CannotWrite as refused:
                    step = protocol.throw(refused)
                else:
                    step = protocol.send(answer)
        except StopIteration as stop:
            result: Result = stop.value
            return result

    def _carry_out(self, step: Step) -> Answer:
        match step:
            case Read(address=address, offset=offset, size=size):
                return self._machine.read(address, offset, size)
            case Write():
                self._write(step)
            case Keep():
                self._keep_bits(step)
            case Wait(seconds=seconds):
                self._machine.wait(seconds)
            case Now():
                return self._machine.now()
            case ReadFile(path=path):
                return self._machine.read_file(path)
            case Traced(port=port):
                return self._machine.traced(port)
            case Begin():
                self._begin(step)
            case Finished(path=path):
                return self._machine.finished(path)
        return None

    def _write(self, step: Write) -> None:
        register_at(self._scope, step.address, step.offset, step.size, step.mask)
        where = f"offset {step.offset:03x}h of {step.address}"
        current = self._machine.read(step.address, step.offset, step.size)
        if current is None or current == all_ones(step.size):
            raise CannotWrite(where, "nothing answers there")
        value = merged(current, step.value, step.mask)
        try:
            self._keep_register(step.address, step.offset, step.size, step.mask, current)
            self._machine.write(step.address, step.offset, step.size, value, step.mask)
        except OSError as error:
            raise CannotWrite.by_errno(where, error.errno or errno.EIO) from error

    def _keep_bits(self, step: Keep) -> None:
        register_at(self._scope, step.address, step.offset, step.size, step.mask)
        current = self._machine.read(step.address, step.offset, step.size)
        if current is None or current == all_ones(step.size):
            return
        try:
            self._keep_register(step.address, step.offset, step.size, step.mask, current)
        except OSError as error:
            raise CannotWrite.by_errno("the journal", error.errno or errno.EIO) from error

    def _begin(self, step: Begin) -> None:
        row = file_at(self._scope, step.path, step.text)
        where = f"/sys/{step.path}"
        try:
            if row.act:
                self._keep(Acted(path=step.path, text=step.text))
            elif step.path not in self._kept_files:
                old = self._machine.read_file(step.path)
                if old is None:
                    raise CannotWrite(where, "what stands there cannot be read")
                self._keep(KeptFile(path=step.path, old=old))
            self._machine.begin(step.path, step.text)
        except OSError as error:
            raise CannotWrite.by_errno(where, error.errno or errno.EIO) from error

    def _keep_register(self, address: str, offset: int, size: int, mask: int, current: int) -> None:
        new = outside(mask, self._kept.get((address, offset, size), 0))
        if new:
            self._keep(KeptRegister(address=address, offset=offset, size=size, mask=new, old=current))

    def _keep(self, entry: Entry) -> None:
        self._keeper.keep(entry)
        self._remember(entry)

    def _remember(self, entry: Entry) -> None:
        match entry:
            case KeptRegister(address=address, offset=offset, size=size, mask=mask):
                key = (address, offset, size)
                self._kept[key] = self._kept.get(key, 0) | mask
            case KeptFile(path=path):
                self._kept_files.add(path)
            case Began() | Acted():
                pass
