"""TOML that a person wrote, as a value that is checked; what is wrong with it is said in one sentence."""

import tomllib
from typing import TypeVar

import msgspec

from probe.exceptions import DocumentError

Value = TypeVar("Value", bound=msgspec.Struct)


def from_toml(data: bytes | str, name: str, kind: type[Value], remedy: str) -> Value:
    """A value of one kind from a TOML text. Raises DocumentError, which names what is wrong and where."""
    try:
        text = data.decode() if isinstance(data, bytes) else data
        return msgspec.convert(tomllib.loads(text), kind)
    except msgspec.ValidationError as error:
        raise DocumentError(f"has a setting that is wrong ({error})", where=name, remedy=remedy) from error
    except RecursionError as error:
        raise DocumentError("is nested too deeply", where=name, remedy=remedy) from error
    except ValueError as error:  # not TOML, not UTF-8, or a number longer than Python takes
        raise DocumentError(f"is not TOML ({error})", where=name, remedy=remedy) from error
