"""From when errors count: links train anew as a load begins, and what they count then says nothing of the link."""

from probe.soak.journal import Baseline, Sample
from probe.soak.setup import Setup

_PATIENCE_S = 10.0


class Settling:
    """Waits for the links to reach working speed under load, or for the time given to that to be over."""

    def __init__(self, setup: Setup) -> None:
        self._possible = {link.place_id: (link.possible.speed_gts, link.possible.width) for link in setup.links}
        self._aspm = {link.place_id: link.aspm for link in setup.links}
        self._patience_s = min(_PATIENCE_S, (setup.planned_s or _PATIENCE_S) / 4)
        self._loaded = bool(setup.loads or setup.command)
        self.over_t: float | None = None

    def take(self, sample: Sample) -> Baseline | None:
        """The baseline, once, as soon as this sample shows that errors count from now on."""
        if self.over_t is not None:
            return None
        ready = all(
            (sample.links[place].speed_gts, sample.links[place].width) == best for place, best in self._possible.items()
        )
        if not ready and self._loaded and sample.t < self._patience_s:
            return None
        self.over_t = sample.t
        return Baseline(sample.t, self._aspm)
