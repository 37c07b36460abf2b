"""What is known of a machine beside the verdicts of its links."""

import msgspec


class Observation(msgspec.Struct, frozen=True):
    """Something about the machine that belongs to no single link's verdict."""

    subject: str
    meaning: str
