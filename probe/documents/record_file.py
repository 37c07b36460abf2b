"""The file of a record, by which a page or a screen says what it was made of."""

from hashlib import sha256
from typing import Self

import msgspec


class RecordFile(msgspec.Struct, frozen=True):
    """Its name without the directory, and the SHA-256 (FIPS 180-4) of its bytes in hexadecimal."""

    name: str
    sha256: str

    @classmethod
    def of(cls, name: str, data: bytes) -> Self:
        """The file of this name with these bytes."""
        return cls(name, sha256(data).hexdigest())
