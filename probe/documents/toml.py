"""TOML that a person wrote, as a value that is checked; what is wrong with it is said in one sentence."""

import re
import tomllib
from typing import TypeVar

import msgspec

from probe.exceptions import DocumentError

Value = TypeVar("Value", bound=msgspec.Struct)


_KINDS = {
    "int": "a whole number", "float": "a number", "str": "a text", "bool": "true or false", "array": "a list",
    "object": "a table", "date": "a date", "time": "a time", "datetime": "a date and time",
}  # fmt: skip
_EXPECTED = re.compile(r"Expected `(\w+)(?: \| \w+)*`, got `(\w+)`")
_BOUND = re.compile(r"Expected `(\w+)` ([<>]=? \S+?)(?:\.0)?")
_UNKNOWN = re.compile(r"Object contains unknown field `(.*)`")


def in_words(error: msgspec.ValidationError) -> str:
    """Where a value of a file is wrong, and how, for the person who wrote it: tables of a list are counted from 1."""
    told, _, place = str(error).partition(" - at `$")
    steps = place.rstrip("`").lstrip(".").replace(".", ", ")
    where = re.sub(r"\[(\d+)\]", lambda found: f" {int(found[1]) + 1}", steps)
    if wrong := _EXPECTED.fullmatch(told):
        wanted, found = (_KINDS.get(word, word) for word in wrong.groups())
        told = f"{wanted} is expected, and {found} stands there"
    elif bound := _BOUND.fullmatch(told):
        told = f"{_KINDS.get(bound[1], bound[1])} {bound[2]} is expected"
    elif unknown := _UNKNOWN.fullmatch(told):
        told = f"{unknown[1]} is nothing that can be set"
    return f"{where}: {told}" if where else told


def from_toml(data: bytes | str, name: str, kind: type[Value], remedy: str) -> Value:
    """A value of one kind from a TOML text. Raises DocumentError, which names what is wrong and where."""
    try:
        text = data.decode() if isinstance(data, bytes) else data
        return msgspec.convert(tomllib.loads(text), kind)
    except msgspec.ValidationError as error:
        raise DocumentError(f"has a setting that is wrong ({in_words(error)})", where=name, remedy=remedy) from error
    except RecursionError as error:
        raise DocumentError("is nested too deeply", where=name, remedy=remedy) from error
    except ValueError as error:  # not TOML, not UTF-8, or a number longer than Python takes
        raise DocumentError(f"is not TOML ({error})", where=name, remedy=remedy) from error
