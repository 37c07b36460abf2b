"""The kernel's files of a modelled link: what they say now, and what a write to them does.

Only those that a test of a link reads or writes: runtime power, ASPM, resets, slot power, cooling, error counters. A
reset takes the least that the kernel waits (`pci_bridge_wait_for_secondary_bus`).
"""

import errno
from collections.abc import Callable

from fake_sysfs.hardware.link import Link
from fake_sysfs.hardware.space import LINK_CONTROL, LINK_CONTROL_2, POWER, Space

_WAKE_S = 0.020
_RESET_WAIT_S = 0.102
_SUBSTATES = ("l1_1_aspm", "l1_2_aspm", "l1_1_pcipm", "l1_2_pcipm")
_ASPM_BITS = {"l0s_aspm": 1, "l1_aspm": 2}


class EndFiles:
    """The files of one end: names below its directory, and what they say."""

    def __init__(self, end: Space, link: Link, now: Callable[[], float], files: dict[str, str]) -> None:
        self._end = end
        self._link = link
        self._now = now
        self.files = files
        self._awake_at: float | None = None

    def read(self, name: str) -> str | None:
        """The text of a file, without its end of line; None where there is none."""
        self._link.settle()
        self._settle()
        if name == "current_link_speed" and name in self.files:
            return f"{self._link.speed_gts:.1f} GT/s PCIe"
        if name == "current_link_width" and name in self.files:
            return str(self._link.width)
        if name.startswith("aer_dev_") and name in self.files and self._end is self._link.port:
            return _with_errors(self.files[name], self._link.pending_errors, name.removeprefix("aer_dev_"))
        return self.files.get(name)

    def write(self, name: str, text: str) -> tuple[int, float]:
        """Take a write; the errno that it ends in, 0 for none, and after how many seconds."""
        if name not in self.files:
            return errno.EACCES, 0.0
        if name == "power/control":
            return self._power(text)
        if name.startswith("link/"):
            return self._aspm(name.removeprefix("link/"), text)
        if name in {"reset_subordinate", "reset"}:
            return self._reset(name)
        if name == "reset_method":
            self.files[name] = text
            return 0, 0.0
        return errno.EACCES, 0.0

    def _settle(self) -> None:
        if self._awake_at is not None and self._now() >= self._awake_at:
            self._awake_at = None
            self.files["power/runtime_status"] = "active"
            base = self._end.at(POWER)
            if base is not None:
                self._end.change(base + 4, 2, 3, 0)

    def _power(self, text: str) -> tuple[int, float]:
        if text not in {"on", "auto"}:
            return errno.EINVAL, 0.0
        self.files["power/control"] = text
        if text == "on" and self.files.get("power/runtime_status") == "suspended":
            self._awake_at = self._now() + _WAKE_S
        return 0, 0.0

    def _aspm(self, name: str, text: str) -> tuple[int, float]:
        """As aspm.c does: L1 takes its substates with it and does not bring them back; a substate brings L1."""
        if text not in {"0", "1"}:
            return errno.EINVAL, 0.0
        self.files[f"link/{name}"] = text
        present = [item for item in _SUBSTATES if f"link/{item}" in self.files]
        if name == "l1_aspm" and text == "0":
            self.files.update({f"link/{item}": "0" for item in present})
        if name in _SUBSTATES and text == "1":
            self.files["link/l1_aspm"] = "1"
        bits = sum(bit for item, bit in _ASPM_BITS.items() if self.files.get(f"link/{item}") == "1")
        for end in (self._link.port, self._link.component):
            end.change(end.express + LINK_CONTROL, 2, 3, bits)
        return 0, 0.0

    def _reset(self, name: str) -> tuple[int, float]:
        if name == "reset" and self.files.get("reset_method", "bus").split(" ")[0] not in {"bus", "slot"}:
            return 0, _RESET_WAIT_S
        taken = self._link.retrain(down=True) + _RESET_WAIT_S
        return (0 if self._link.next_is_up else errno.ENOTTY), taken


def cool(link: Link, state: int, best: int) -> float:
    """A cooling device of a port at that state: so many speeds below the best; how long it takes."""
    link.port.change(link.port.express + LINK_CONTROL_2, 2, 0xF, max(1, best - state))
    return link.retrain()


def _with_errors(text: str, pending: dict[str, int], severity: str) -> str:
    """Counts of a file with those added that came meanwhile; `pending` has names as `nonfatal UnsupReq`."""
    rows = []
    fresh = {name.split(" ", 1)[1]: count for name, count in pending.items() if name.startswith(f"{severity} ")}
    for line in text.splitlines():
        name, _, count = line.rpartition(" ")
        extra = sum(fresh.values()) if name.startswith("TOTAL_ERR_") else fresh.get(name, 0)
        rows.append(f"{name} {int(count) + extra}")
    return "\n".join(rows)
