"""What each error means and where it usually comes from, in a sentence, and which way it points.

Pointing: a receiver reports what it failed to receive, so the other end's sending is suspect; a transmitter whose
replay ran out points at its own sending; a transaction error says nothing of the lanes. Causes are common practice, no
published source, where no other is named.
"""

from enum import StrEnum

import msgspec


class Pointing(StrEnum):
    """Which sending of the link an error makes suspect, seen from the end that reports it."""

    OTHER_END = "other end"
    OWN_END = "own end"
    NEITHER = "neither"


class ErrorKind(msgspec.Struct, frozen=True):
    """One error of the specification."""

    meaning: str
    causes: str
    pointing: Pointing = Pointing.NEITHER


_SIGNAL = "dirty or half-seated edge, riser, cable or retimer, or a marginal lane"
_FAR, _OWN = Pointing.OTHER_END, Pointing.OWN_END

ERROR_KINDS: dict[str, ErrorKind] = {
    "Receiver Error": ErrorKind("the receiver could not make sense of symbols on the wire", _SIGNAL, _FAR),
    "Bad TLP": ErrorKind(
        "a packet arrived with a wrong check sum or sequence number and was asked for again", _SIGNAL, _FAR
    ),
    "Bad DLLP": ErrorKind("a link management packet arrived damaged and was dropped", _SIGNAL, _FAR),
    "REPLAY_NUM Rollover": ErrorKind(
        "a packet was sent four times without an acknowledgement, and the link was retrained", _SIGNAL, _OWN
    ),
    "Replay Timer Timeout": ErrorKind(
        "no acknowledgement came in time, and the packets were sent again",
        f"{_SIGNAL}, or a power state left too slowly",
        _OWN,
    ),
    "Advisory Non-Fatal Error": ErrorKind(
        "an uncorrectable error of a kind that its receiver could live with",
        "probing at start-up, or software at fault",
    ),
    "Corrected Internal Error": ErrorKind("the component repaired an error inside itself", "memory of the component"),
    "Header Log Overflow": ErrorKind("more errors came than headers could be kept of", "a flood of other errors"),
    "Undefined": ErrorKind("bit 0, once Training Error, has no meaning any more", "old hardware"),
    "Data Link Protocol Error": ErrorKind("the link layers of the two ends lost step", _SIGNAL, _FAR),
    "Surprise Down Error": ErrorKind(
        "the link went down without notice", "the card was pulled, lost its power, or was reset", _FAR
    ),
    "Poisoned TLP Received": ErrorKind(
        "data arrived that its sender had marked as bad", "memory or cache of the sender, upstream of the link"
    ),
    "Flow Control Protocol Error": ErrorKind(
        "the credits of the two ends do not add up", "a design or firmware fault", _FAR
    ),
    "Completion Timeout": ErrorKind(
        "a request was never answered", "a component that hangs, was removed, or sleeps; look at its neighbours too"
    ),
    "Completer Abort": ErrorKind("a component refused a request as against its rules", "driver or firmware"),
    "Unexpected Completion": ErrorKind("an answer came that nobody had asked for", "wrong routing, or a late answer"),
    "Receiver Overflow": ErrorKind("more data came than was allowed for", "a design or firmware fault", _FAR),
    "Malformed TLP": ErrorKind("a packet broke the format rules", "payload sizes that disagree, or firmware"),
    "ECRC Error": ErrorKind(
        "the end to end check sum of a packet was wrong", "a switch or retimer on the path damages data"
    ),
    "Unsupported Request Error": ErrorKind(
        "a request was of a kind, or to an address, that the component does not serve",
        "probing at start-up, driver, firmware",
    ),
    "ACS Violation": ErrorKind("a request broke the isolation rules", "driver, firmware or guest software"),
    "Uncorrectable Internal Error": ErrorKind("the component failed inside", "the component itself, or its power"),
    "MC Blocked TLP": ErrorKind("a multicast packet was blocked", "software settings"),
    "AtomicOp Egress Blocked": ErrorKind("an atomic operation was blocked on its way", "settings of ports on the path"),
    "TLP Prefix Blocked Error": ErrorKind(
        "a packet with a prefix was blocked on its way", "settings of ports on the path"
    ),
    "Poisoned TLP Egress Blocked": ErrorKind(
        "data marked as bad was stopped at the port", "memory or cache of the sender"
    ),
    "DMWr Request Egress Blocked": ErrorKind(
        "a deferrable write was blocked on its way", "settings of ports on the path"
    ),
    "IDE Check Failed": ErrorKind("an encrypted packet failed its check", "keys out of step, or damage on the path"),
    "Misrouted IDE TLP": ErrorKind("an encrypted packet came to the wrong place", "settings of the encrypted stream"),
    "PCRC Check Failed": ErrorKind("the check sum under encryption was wrong", "damage on the path"),
    "TLP Translation Egress Blocked": ErrorKind(
        "a translated packet was blocked on its way", "settings of ports on the path"
    ),
}

UNKNOWN = ErrorKind("an error that this program does not know, carried as the kernel names it", "unknown")

DATA_INTEGRITY = frozenset({"Poisoned TLP Received", "ECRC Error", "Poisoned TLP Egress Blocked"})


def kind_of(name: str) -> ErrorKind:
    """What is known of an error by its name."""
    return ERROR_KINDS.get(name, UNKNOWN)
