"""What a protocol asks of the hardware, a step at a time: read, write, wait, tell the time.

A protocol is a generator of steps that gets each answer sent in. It opens nothing and looks at no clock, so one driver
runs it on hardware and another on a model with a clock of its own. A write that cannot be made is raised into the
protocol as CannotWrite.
"""

import errno
import os
from collections.abc import Generator
from typing import Self, TypeVar

import msgspec

Result = TypeVar("Result")
_WORDS = {errno.EPERM: "the kernel does not permit it (lockdown, or a right that is missing)"}


class Read(msgspec.Struct, frozen=True):
    """Read `size` bytes (1, 2 or 4) of a function's configuration space, little-endian; the answer is the number.

    All ones answer for a function that is gone; None where it could not be read at all.
    """

    address: str
    offset: int
    size: int


class Write(msgspec.Struct, frozen=True):
    """Write `size` bytes (1 or 2) of a function's configuration space; the answer is None.

    `mask` names the bits that the protocol means to change: the driver refuses any that the whitelist does not have.
    Bits outside of it stay as they are.
    """

    address: str
    offset: int
    size: int
    value: int
    mask: int


class Keep(msgspec.Struct, frozen=True):
    """Keep the bits of the mask, which others, such as the kernel, may change on behalf of this run; answered by None.

    They are put back at the end as if the protocol had written them.
    """

    address: str
    offset: int
    size: int
    mask: int


class Wait(msgspec.Struct, frozen=True):
    """Let `seconds` pass; the answer is None."""

    seconds: float


class Now(msgspec.Struct, frozen=True):
    """Tell the time; the answer is seconds of a clock that never goes back."""


class ReadFile(msgspec.Struct, frozen=True):
    """Read a small file below /sys, `path` being relative to it; the answer is its text, None where it has none."""

    path: str


class Traced(msgspec.Struct, frozen=True):
    """Ask how many events of a port's link the kernel traced since it was first asked; None where it traces none."""

    port: str


class Begin(msgspec.Struct, frozen=True):
    """Begin to write `text` to a file below /sys; the answer is None at once, for the kernel may take a minute."""

    path: str
    text: str


class Finished(msgspec.Struct, frozen=True):
    """Ask after a write that was begun; the answer is None while it runs, then 0, or the errno of its failure."""

    path: str


class CannotWrite(Exception):
    """A write that was not made, and why; raised into the protocol that asked for it."""

    def __init__(self, where: str, why: str) -> None:
        super().__init__(f"{where} cannot be written: {why}")
        self.where = where
        self.why = why

    @classmethod
    def by_errno(cls, where: str, number: int) -> Self:
        """The same with the system's word for an error number."""
        return cls(where, _WORDS.get(number) or os.strerror(number))


class Stopped(BaseException):
    """A signal asked the run to stop; all is put back before the program ends. Its argument is the signal's name."""


Step = Read | Write | Keep | Wait | Now | ReadFile | Traced | Begin | Finished
Answer = int | float | str | None
Protocol = Generator[Step, Answer, Result]
