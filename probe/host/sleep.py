"""Who sleeps, and what must then not be read. Asked of the kernel's memory alone, before anything else.

Reading a register resumes every port above, and a function in the deepest sleep itself (drivers/pci/pci.c,
`pci_config_pm_runtime_get`), and a driver that is asked wakes its device. A copy has nobody to wake.
"""

from collections.abc import Mapping

from probe import kernel_spellings as kernel
from probe.address import Address
from probe.host.files import DEVICES, POWER, RUNTIME
from probe.host.source import Source


class Sleep:
    """The power states of a source's functions, each asked once."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self._asleep: dict[str, bool] = {}

    def stirs_registers(self, path: str, attributes: Mapping[str, str]) -> bool:
        """Whether reading a register of the function at `path`, whose power state is known, would wake one."""
        deepest = attributes.get(kernel.POWER_STATE) == kernel.DEEPEST_SLEEP
        return self._source.live and (deepest or self.above(path))

    def stirs_driver(self, path: str, attributes: Mapping[str, str]) -> bool:
        """Whether asking its driver would wake one."""
        return self._source.live and (kernel.sleeps(attributes) or self.above(path))

    def above(self, path: str) -> bool:
        """Whether a function sleeps on whose link, or on whose port's, the one at `path` hangs; True if unknown."""
        steps = path.split("/")
        return path.startswith(DEVICES) or any(
            self._sleeps("/".join(steps[: end + 1]))
            for end in range(len(steps) - 1)
            if Address.find(steps[end]) is not None
        )

    def _sleeps(self, path: str) -> bool:
        found = self._asleep.get(path)
        if found is None:
            read = self._source.texts(path, (*RUNTIME, *POWER))
            states = {name: content for name, content in read.items() if isinstance(content, str)}
            found = self._asleep[path] = kernel.sleeps(states)
        return found
