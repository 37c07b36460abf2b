"""What was read of one place of one machine, as values that can be held against the same of other machines.

A reading that was not made is absent; none stands for it.
"""

from collections.abc import Mapping

import msgspec


class Measure(msgspec.Struct, frozen=True, kw_only=True):
    """What is compared: its words on a screen, its unit, and whether only like components can be compared by it."""

    name: str
    title: str
    unit: str = ""
    of_like_components: bool = True


COMPONENT = Measure(name="component", title="what is there", of_like_components=False)
STATE = Measure(name="state", title="runs at")
ERRORS = Measure(name="errors", title="correctable errors since boot", unit="h")
LOADED_ERRORS = Measure(name="loaded_errors", title="correctable errors under load", unit="h")
CARRIED = Measure(name="carried", title="carried", unit="bytes/s")
SHORT_TRAININGS = Measure(name="short_trainings", title="short trainings", unit="trainings")
CLEAN_SPEED = Measure(name="clean_speed", title="fastest clean speed")
TIMING_MARGIN = Measure(name="timing_margin", title="least timing margin", unit="UI")
VOLTAGE_MARGIN = Measure(name="voltage_margin", title="least voltage margin", unit="V")
FIRMWARE = Measure(name="firmware", title="firmware", of_like_components=False)

MEASURES: tuple[Measure, ...] = (
    COMPONENT, STATE, ERRORS, LOADED_ERRORS, CARRIED, SHORT_TRAININGS, CLEAN_SPEED, TIMING_MARGIN, VOLTAGE_MARGIN,
    FIRMWARE,
)  # fmt: skip
"""In the order in which they are told."""


class Key(msgspec.Struct, frozen=True, order=True):
    """Which reading: the measure's name, and what it was made with: a receiver, a load, a way.

    Readings of two keys are never compared.
    """

    measure: str
    of: str = ""


class Word(msgspec.Struct, frozen=True, tag="word"):
    """One of several things that it can be; `shown` is what a person calls it."""

    value: str
    shown: str = ""

    @property
    def text(self) -> str:
        """As a person reads it."""
        return self.shown or self.value


class Number(msgspec.Struct, frozen=True, tag="number"):
    """A measured value, known to within `step`; the less the worse. `at` says where it was least."""

    value: float
    step: float = 0.0
    at: str = ""


class Count(msgspec.Struct, frozen=True, tag="count"):
    """Events among `of`: hours, or trials if `trials`. The more the worse."""

    count: int
    of: float
    trials: bool = False


Reading = Word | Number | Count


def take_later(before: dict[Key, Reading], later: Mapping[Key, Reading]) -> None:
    """Take what a later test says: it counts instead of what was read before, and counts of tests add up."""
    for key, reading in later.items():
        earlier = before.get(key)
        if isinstance(reading, Count) and isinstance(earlier, Count):
            before[key] = Count(earlier.count + reading.count, round(earlier.of + reading.of, 3), trials=reading.trials)
        else:
            before[key] = reading
