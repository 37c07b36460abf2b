"""What a soak is made of, as a person asks for it."""

from collections.abc import Sequence

import msgspec

from probe.audit.document import LinkDocument
from probe.audit.snapshot import Snapshot
from probe.errors.limits import Limit
from probe.exceptions import InputError
from probe.loads.interface import Load, Options, Target

_WORDS = ("fatal", "link-down", "rate")


class Stops(msgspec.Struct, frozen=True, kw_only=True):
    """What ends a soak early."""

    fatal: bool = False
    link_down: bool = False
    rate: bool = False
    temperature_c: float | None = None

    @classmethod
    def parse(cls, words: Sequence[str]) -> "Stops":
        """Read `fatal`, `link-down`, `rate`, `temperature=85`. Raises InputError."""
        temperature = None
        for word in words:
            name, _, value = word.partition("=")
            if name == "temperature" and value.replace(".", "", 1).isdecimal():
                temperature = float(value)
            elif word not in _WORDS:
                known = ", ".join((*_WORDS, "temperature=85"))
                raise InputError("no such condition", where=f"--stop-on {word}", remedy=f"choose among {known}")
        return cls(
            fatal="fatal" in words, link_down="link-down" in words, rate="rate" in words, temperature_c=temperature
        )

    @property
    def names(self) -> tuple[str, ...]:
        """Those that are set, by field name."""
        return tuple(name for name in ("fatal", "link_down", "rate") if getattr(self, name))

    @property
    def words(self) -> tuple[str, ...]:
        """Those that are set, as a person writes them."""
        heat = () if self.temperature_c is None else (f"temperature={self.temperature_c:g}",)
        return (*(name.replace("_", "-") for name in self.names), *heat)


class Setup(msgspec.Struct, frozen=True, kw_only=True):
    """All that a soak is made of. `planned_s` is None where a command's end ends it.

    `at_least` is the least share of its ceiling that each way of a link has to carry; None where none was asked for.
    """

    sys: str
    snapshot: Snapshot
    links: tuple[LinkDocument, ...]
    loads: tuple[tuple[Load, Target], ...] = ()
    command: tuple[str, ...] = ()
    options: Options = Options()
    planned_s: float | None = None
    interval_s: float = 1.0
    stops: Stops = Stops()
    correctable: Limit = Limit(6, 2.0)
    at_least: float | None = None
    live: bool = True
    covers: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()
    accepts: tuple[str, ...] = ()
