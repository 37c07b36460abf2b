"""What the manual tells an administrator to type, taken out of it: what is tried is what stands there."""

from tests.packages.conftest import TOP


def lines_of(page: str, heading: str, number: int = 0, **names: str) -> str:
    """A block of code below a heading of a page, each NAME in it replaced. Raises where the page has no such block."""
    (source,) = (TOP / "packaging/man").glob(f"{page}.[1-9].scd.in")
    text = source.read_text()
    _, found, below = text.partition(f"\n## {heading}\n")
    assert found, f"{page} has no heading {heading}"
    block = below.partition("\n## ")[0].split("```\n")[2 * number + 1]
    for name, value in names.items():
        assert name in block, f"{heading} in {page} names no {name}"
        block = block.replace(name, value)
    return block
