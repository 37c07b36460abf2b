"""The verdict of a link: the words, what each means, and what follows from it."""

from enum import StrEnum


class Verdict(StrEnum):
    """The verdict of a link, exactly one of these."""

    FULL = "full"
    LIMITED = "limited"
    DOWNTRAINED = "downtrained"
    CAPPED = "capped"
    RESTING = "resting"
    EMPTY = "empty"
    UNJUDGED = "unjudged"
