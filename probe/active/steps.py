"""What a protocol asks of the hardware, a step at a time: read, write, wait, tell the time.

A protocol is a generator of steps that gets each answer sent in. It opens nothing and looks at no clock, so one driver
runs it on hardware and another on a model with a clock of its own.
"""

from collections.abc import Generator
from typing import TypeVar

import msgspec

Result = TypeVar("Result")


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
    """

    address: str
    offset: int
    size: int
    value: int
    mask: int


class Wait(msgspec.Struct, frozen=True):
    """Let `seconds` pass; the answer is None."""

    seconds: float


class Now(msgspec.Struct, frozen=True):
    """Tell the time; the answer is seconds of a clock that never goes back."""


Step = Read | Write | Wait | Now
Answer = int | float | None
Protocol = Generator[Step, Answer, Result]
