"""A bit error ratio on a terminal."""

from rich.console import Console

from probe.counted import counted
from probe.errors.ratio import Ratio
from probe.render.units import duration


def render(document: Ratio, screen: Console) -> None:
    """Draw the ratio and the clean time."""
    percent = f"{document.confidence * 100:g} %"
    screen.print(f"{document.speed_gts:g} GT/s x{document.width}, one direction")
    screen.print(
        f"{duration(document.clean_s)} without an error show a ratio below {document.target:g} at {percent} confidence"
    )
    if document.errors is not None and document.bits is not None:
        screen.print(f"{counted(document.errors, 'error')} in {document.hours:g} h, {document.bits:.3e} bits")
        rows = (
            ("estimate", f"{document.estimate:.3e}"),
            (f"{percent} interval, exact", f"{document.low:.3e} to {document.high:.3e}"),
            (f"{percent} upper bound", f"{document.upper:.3e}"),
        )
        widest = max(len(name) for name, _ in rows)
        for name, value in rows:
            screen.print(f"{name:<{widest}}  {value}")
    screen.print(
        "\nThe ratio is what the specification aims at, and no acceptance limit: 1e-12 would let pass 1,843 errors an "
        "hour at 32 GT/s x16, while healthy links show none for days."
    )
