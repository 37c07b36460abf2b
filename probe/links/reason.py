"""What a statement rests on, so that a person can check it by hand."""

import msgspec


class Reason(msgspec.Struct, frozen=True):
    """The register, file or log line a verdict rests on, what stood there, and what it means."""

    source: str
    value: str
    meaning: str
