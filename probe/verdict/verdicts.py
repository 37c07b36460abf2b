"""The verdicts that a link can have: what each means, and what follows from it. Everything else asks this table.

The sentence by which a screen tells one is made in probe/audit/verdict_headline.py.
"""

from enum import StrEnum

import msgspec


class Verdict(StrEnum):
    """The verdict of a link, exactly one of these."""

    FULL = "full"
    LIMITED = "limited"
    DOWNTRAINED = "downtrained"
    CAPPED = "capped"
    RESTING = "resting"
    EMPTY = "empty"
    UNJUDGED = "unjudged"

    @property
    def meaning(self) -> str:
        """What it says of a link, in words."""
        return _ABOUT[self].meaning

    @property
    def rank(self) -> int:
        """Its place among the verdicts, the worst first, from 0."""
        return WORST_FIRST.index(self)

    @property
    def below_capability(self) -> bool:
        """The link was kept from what both ends can do: the findings of an audit."""
        return _ABOUT[self].below_capability

    @property
    def strict(self) -> bool:
        """A finding too where an audit is told to be strict."""
        return _ABOUT[self].strict


class _About(msgspec.Struct, frozen=True):
    meaning: str
    below_capability: bool = False
    strict: bool = False


_ABOUT: dict[Verdict, _About] = {
    Verdict.DOWNTRAINED: _About("trained below what both ends can do: speed, width or both", below_capability=True),
    Verdict.CAPPED: _About("speed held down by a Target Link Speed below what both ends can do", below_capability=True),
    Verdict.UNJUDGED: _About("too little could be read to say; the reason names what was missing", strict=True),
    Verdict.RESTING: _About(
        "slower now for a power-saving reason that the evidence shows; judge again under load", strict=True
    ),
    Verdict.LIMITED: _About(
        "runs at the best both ends can do, but the component could do more in a better slot", strict=True
    ),
    Verdict.FULL: _About("runs at the best both ends can do"),
    Verdict.EMPTY: _About("a port with nothing attached"),
}

WORST_FIRST: tuple[Verdict, ...] = tuple(_ABOUT)
BELOW_CAPABILITY = frozenset(word for word in Verdict if word.below_capability)
