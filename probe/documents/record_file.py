"""The file of a record, by which a page or a screen says what it was made of."""

from hashlib import file_digest
from pathlib import Path
from typing import Self

import msgspec

from probe.documents.files import open_regular
from probe.exceptions import InputError


class RecordFile(msgspec.Struct, frozen=True):
    """Its name without the directory, and the SHA-256 (FIPS 180-4) of its bytes in hexadecimal."""

    name: str
    sha256: str

    @classmethod
    def at(cls, path: Path) -> Self:
        """The file of this name. Raises InputError where it cannot be read."""
        try:
            with open_regular(str(path)) as file:
                return cls(path.name, file_digest(file, "sha256").hexdigest())
        except OSError as error:
            raise InputError(f"cannot be read ({error.strerror})", where=str(path), remedy="check the name") from error
