"""A number with its noun, as a person reads it."""


def counted(count: int, what: str, several: str = "") -> str:
    """A number with its noun in the singular or plural; `several` is a plural that does not end in s."""
    return f"{count} {what if count == 1 else several or what + 's'}"
