"""An eye as a diamond of characters: as wide as the timing margin, as high as the voltage margin.

Each character has four quarters that are inside or outside; where the screen knows no block characters, ASCII.
"""

from probe.render.eyes import Eye

COLUMNS, ROWS = 8, 5
BLOCKS = " \u2598\u259d\u2580\u2596\u258c\u259e\u259b\u2597\u259a\u2590\u259c\u2584\u2599\u259f\u2588"
"""By the quarters that are inside: upper left 1, upper right 2, lower left 4, lower right 8."""
PLAIN = "".join("#" if inside.bit_count() > 1 else ":" if inside else " " for inside in range(16))
_UNKNOWN = "?"
_THIN = 0.5
"""Half a quarter: what is shut is still a point, and what has no height a line."""


def diamond(eye: Eye, characters: str) -> list[str]:
    """The rows of a drawing. A way that was not measured is a question mark: neither shut nor open."""
    rows = [[characters[_inside(eye, column, row)] for column in range(COLUMNS)] for row in range(ROWS)]
    for share, column, row in (
        (eye.left, 0, ROWS // 2), (eye.right, COLUMNS - 1, ROWS // 2),
        (0.0 if eye.flat else eye.up, COLUMNS // 2, 0), (0.0 if eye.flat else eye.down, COLUMNS // 2, ROWS - 1),
    ):  # fmt: skip
        if share is None:
            rows[row][column] = _UNKNOWN
    return ["".join(row) for row in rows]


def _inside(eye: Eye, column: int, row: int) -> int:
    """Which quarters of a character lie within the reach, one bit each."""
    found = 0
    for quarter in range(4):
        x, y = 2 * column + quarter % 2 + 0.5 - COLUMNS, 2 * row + quarter // 2 + 0.5 - ROWS
        across, along = (eye.right if x > 0 else eye.left), (eye.down if y > 0 else eye.up)
        width, height = _reach(across, COLUMNS), _reach(0.0 if eye.flat else along, ROWS)
        if width and height and abs(x) / width + abs(y) / height <= 1.0 + _THIN / max(width, height):
            found += 2**quarter
    return found


def _reach(share: float | None, half: int) -> float:
    """A reach in quarters, none where it was not measured."""
    return 0.0 if share is None else max(2 * _THIN, share * half)
