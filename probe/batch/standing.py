"""Where one reading stands among its like: which are unlike the rest, and whether there are enough to call one odd.

Who is odd asks what is usual. Where `alike` of `known` machines agree, what they agree on is taken as usual for the
model if so many would agree with a chance of 5 % at most were only every second machine of it so: the sign test, exact
(Conover, Practical Nonparametric Statistics, 3rd edition, 3.4, from memory). One unlike seven is odd; one unlike three
stands apart, and three are too few to say more; two unlike two are a split, and nobody is odd. Not read is never odd.
"""

from collections import Counter
from collections.abc import Sequence
from enum import StrEnum
from itertools import count as count_up
from math import comb

import msgspec

from probe.batch.rates import events_at_least, trials_at_least
from probe.batch.readings import Count, Number, Reading, Word
from probe.compare.outlying import MOST_SCORE, middle_of

ERROR_SHARE = 0.05


class Standing(StrEnum):
    """How a reading stands among its like."""

    ODD = "odd"
    APART = "apart"
    SPLIT = "split"
    USUAL = "usual"
    ALONE = "alone"
    UNKNOWN = "not read"


WORST_FIRST = (Standing.ODD, Standing.APART, Standing.SPLIT, Standing.USUAL, Standing.ALONE, Standing.UNKNOWN)
"""The order in which the standing of a cell is told by those of its readings."""
UNLIKE = frozenset({Standing.ODD, Standing.APART})


class Compared(msgspec.Struct, frozen=True, kw_only=True):
    """Readings of one place held against each other: where each stands, in their order.

    `alike` of `known` agree on `usual`; `needed` is how many more like them it takes to call the others odd, 0 where
    enough agree, None where no number would.
    """

    standings: tuple[Standing, ...]
    usual: Reading | None = None
    alike: int = 0
    known: int = 0
    needed: int | None = None


def compared(readings: Sequence[Reading | None]) -> Compared:
    """Where each of these readings of one kind stands; None is one that was not made."""
    known = [reading for reading in readings if reading is not None]
    if not known:
        return Compared(standings=tuple(Standing.UNKNOWN for _ in readings))
    if len(known) == 1:
        standings = tuple(Standing.UNKNOWN if reading is None else Standing.ALONE for reading in readings)
        return Compared(standings=standings, known=1)
    unlike, usual = _unlike(known)
    alike = len(known) - sum(unlike)
    word, needed = _called(alike, len(known))
    told = iter(unlike)
    split = word is Standing.SPLIT
    standings = tuple(
        Standing.UNKNOWN if reading is None else word if next(told) or split else Standing.USUAL for reading in readings
    )
    return Compared(standings=standings, usual=None if split else usual, alike=alike, known=len(known), needed=needed)


def surely_usual(alike: int, known: int) -> bool:
    """Whether so many of so many agree that most machines of the model surely do."""
    as_many = sum(comb(known, count) for count in range(alike, known + 1))
    return float(as_many) <= ERROR_SHARE * float(2**known)


def fewest_for_odd() -> int:
    """The least number of machines of which one that is unlike all others is odd."""
    return next(known for known in count_up(2) if surely_usual(known - 1, known))


def _called(alike: int, known: int) -> tuple[Standing, int | None]:
    """What those that are unlike the rest are called, and how many more of the rest it takes to call them odd."""
    unlike = known - alike
    if not unlike:
        return Standing.USUAL, None
    if alike <= unlike:
        return Standing.SPLIT, None
    more = next(more for more in count_up() if surely_usual(alike + more, known + more))
    return (Standing.APART, more) if more else (Standing.ODD, 0)


def _unlike(known: Sequence[Reading]) -> tuple[list[bool], Reading | None]:
    words = [reading for reading in known if isinstance(reading, Word)]
    numbers = [reading for reading in known if isinstance(reading, Number)]
    counts = [reading for reading in known if isinstance(reading, Count)]
    if len(words) == len(known):
        return _unlike_words(words)
    if len(numbers) == len(known):
        return _low_numbers(numbers)
    if len(counts) == len(known):
        return _high_counts(counts)
    raise TypeError("readings of several kinds under one key")


def _unlike_words(words: Sequence[Word]) -> tuple[list[bool], Reading | None]:
    """Those that are not the commonest; where several are as common, all but none of them is usual."""
    counted = Counter(word.value for word in words)
    common = min(counted, key=lambda value: (-counted[value], value))
    usual = min((word for word in words if word.value == common), key=lambda word: word.shown)
    return [word.value != common for word in words], usual


def _low_numbers(numbers: Sequence[Number]) -> tuple[list[bool], Reading | None]:
    """Those that lie far below the middle."""
    middle = middle_of([number.value for number in numbers])
    unlike = [middle.score(number.value, number.step) < -MOST_SCORE for number in numbers]
    return unlike, Number(middle.median, max(number.step for number in numbers))


def _high_counts(counts: Sequence[Count]) -> tuple[list[bool], Reading | None]:
    """Those that are more than their share, by an exact test, and far above the middle too.

    Errors come in bursts, so that a sure difference is not yet a large one; but where half of the counts are surely
    more than the rest, nothing is usual. A count is known to within one event.
    """
    surely = _more_than_their_share(counts)
    rates = middle_of([count.count / count.of for count in counts if count.of] or [0.0])
    if 2 * sum(surely) >= len(counts):
        return surely, None
    unlike = [
        more and rates.score(count.count / count.of, 1 / count.of) > MOST_SCORE
        for more, count in zip(surely, counts, strict=True)
    ]
    usual = [count for count, found in zip(counts, unlike, strict=True) if not found]
    events, of = sum(count.count for count in usual), sum(count.of for count in usual)
    return unlike, Count(events, round(of, 3), trials=any(count.trials for count in usual))


def _more_than_their_share(counts: Sequence[Count]) -> list[bool]:
    """Found round by round, each held against all that are left, so that the largest does not hide the second."""
    found = [False for _ in counts]
    while True:
        rest = [count for count, known in zip(counts, found, strict=True) if not known]
        more = [known or _is_more(count, rest) for count, known in zip(counts, found, strict=True)]
        if more == found:
            return found
        found = more


def _is_more(count: Count, rest: Sequence[Count]) -> bool:
    """By the exact test of two rates, with Bonferroni's correction for so many tests."""
    events, of = sum(item.count for item in rest), sum(item.of for item in rest)
    if not count.of or count.of >= of or not count.count:
        return False
    if count.trials:
        chance = trials_at_least(count.count, round(count.of), events, round(of))
    else:
        chance = events_at_least(count.count, events, count.of / of)
    return chance <= ERROR_SHARE / len(rest)
