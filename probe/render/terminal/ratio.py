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
        screen.print(f"estimate             {document.estimate:.3e}")
        screen.print(f"{percent} interval, exact  {document.low:.3e} to {document.high:.3e}")
        screen.print(f"{percent} upper bound     {document.upper:.3e}")
    screen.print(
        "\nThe ratio is what the specification aims at, and no acceptance limit: 1e-12 would let pass 1,843 errors an "
        "hour at 32 GT/s x16, while healthy links show none for days."
    )
