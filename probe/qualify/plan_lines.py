"""In which line of a TOML text something stands, by asking the TOML reader itself. Pure."""

import tomllib
from collections.abc import Iterable

Place = tuple[str | int, ...]
"""The way to a value: names of tables and keys, numbers in arrays from 0."""
_NOWHERE = object()


def lines_of(text: str, places: Iterable[Place]) -> dict[Place, int]:
    """The line, from 1, in which each of these begins; those that are nowhere are left out.

    A value begins after the longest beginning of the text that is whole TOML without it.
    """
    wanted = set(places)
    found: dict[Place, int] = {}
    lines = text.splitlines(keepends=True)
    begins: int | None = None
    for number, line in enumerate(lines, start=1):
        if not wanted:
            break
        if begins is None and (line.strip() or "#").startswith("#"):
            continue
        begins = begins or number
        try:
            whole = tomllib.loads("".join(lines[:number]))
        except tomllib.TOMLDecodeError:
            continue  # in the middle of a value of several lines
        there = {place for place in wanted if _holds(whole, place)}
        found.update(dict.fromkeys(there, begins))
        wanted -= there
        begins = None
    return found


def _holds(whole: object, place: Place) -> bool:
    for name in place:
        if isinstance(whole, dict):
            whole = whole.get(name, _NOWHERE)
        elif isinstance(whole, list) and isinstance(name, int):
            whole = whole[name] if name < len(whole) else _NOWHERE
        else:
            return False
    return whole is not _NOWHERE
