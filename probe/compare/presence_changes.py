"""How who is in a place can change: gone, come, moved, replaced; a function or a port of it gone or come."""

import msgspec

from probe.compare.rank import Rank
from probe.compare.removal import Removal
from probe.counted import counted


class Gone(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="gone"):
    """A component that was there is not any more. `below` is what was wired below it and went with it."""

    place: str
    component: str
    identity: str
    removal: Removal
    with_port: bool = False
    below: tuple[str, ...] = ()

    kind = "gone"

    @property
    def rank(self) -> Rank:
        """What somebody asked for is no trouble."""
        return Rank.NEUTRAL if self.removal.asked_for else Rank.WORSE

    @property
    def urgent(self) -> bool:
        """A component that went by itself cannot wait."""
        return not self.removal.asked_for

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        port = ", and so is its port" if self.with_port else ""
        below = f", with {counted(len(self.below), 'place')} below it" if self.below else ""
        return f"{self.component} is gone{self.removal.words}{port}{below}"

    @property
    def evidence(self) -> str:
        """What was there, and how it is known to have gone."""
        below = f"; below it: {', '.join(self.below)}" if self.below else ""
        return f"component before: {self.identity}; after: none{self.removal.source}{below}"


class Came(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="came"):
    """A component is there that was not before."""

    place: str
    component: str
    identity: str
    below: tuple[str, ...] = ()

    kind = "come"
    rank = Rank.BETTER
    urgent = False

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        below = f", with {counted(len(self.below), 'place')} below it" if self.below else ""
        return f"{self.component} is there that was not before{below}"

    @property
    def evidence(self) -> str:
        """What is there now."""
        return f"component before: none; after: {self.identity}"


class Moved(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="moved"):
    """A component, known by its serial number, is in another place."""

    place: str
    source: str
    component: str
    serial: str

    kind = "moved"
    rank = Rank.NEUTRAL
    urgent = False

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        return f"{self.component} moved here from {self.source}"

    @property
    def evidence(self) -> str:
        """What it is known by."""
        return f"Device Serial Number {self.serial}"


class MayHaveMoved(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="may have moved"):
    """A component is new in its place and may be the one that another place lost: its serial number was not read."""

    place: str
    source: str
    component: str
    before_identity: str
    after_identity: str

    kind = "may have moved"
    rank = Rank.NEUTRAL
    urgent = False
    undecided = True

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        return f"{self.component} is there that was not before; it may be the one that was in {self.source}"

    @property
    def evidence(self) -> str:
        """What was read of the two, which is too little."""
        return (
            f"component lost: {self.before_identity}; component here: {self.after_identity}; a serial number not read"
        )


class Replaced(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="replaced"):
    """Another component is in the place."""

    place: str
    before: str
    after: str
    before_identity: str
    after_identity: str

    kind = "replaced"
    rank = Rank.NEUTRAL
    urgent = False

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        return f"{self.before} was replaced by {self.after}"

    @property
    def evidence(self) -> str:
        """What each is known by."""
        return f"component before: {self.before_identity}; after: {self.after_identity}"


class PortChanged(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="port"):
    """A port without anything in it is gone, or is there that was not before."""

    place: str
    there: bool

    kind = "port"
    evidence = "list of functions"

    @property
    def rank(self) -> Rank:
        """A port does not go by itself."""
        return Rank.BETTER if self.there else Rank.WORSE

    @property
    def urgent(self) -> bool:
        """As above."""
        return not self.there

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        return "a port is there that was not before" if self.there else "the port is gone"


class FunctionChanged(msgspec.Struct, frozen=True, kw_only=True, tag_field="change", tag="function"):
    """One function of a component that is still there is gone, or is there that was not before."""

    place: str
    component: str
    function: str
    there: bool

    kind = "function"
    evidence = "list of functions"

    @property
    def rank(self) -> Rank:
        """More functions may be what somebody set."""
        return Rank.NEUTRAL if self.there else Rank.WORSE

    @property
    def urgent(self) -> bool:
        """A function that went cannot wait."""
        return not self.there

    @property
    def sentence(self) -> str:
        """As a person reads it."""
        what = "is there that was not before" if self.there else "is gone, while others of its component are there"
        return f"function {self.function} of {self.component} {what}"


PresenceChange = Gone | Came | Moved | MayHaveMoved | Replaced | PortChanged | FunctionChanged
