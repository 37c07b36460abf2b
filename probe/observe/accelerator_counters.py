"""What NVIDIA accelerators say of themselves, by NVML: the rate of their link, replays as a second witness, heat.

Optional: the extra `accelerator` brings `nvidia-ml-py`. Without it, or without a driver, there is nothing to read.
"""

import contextlib
import threading
import time
from typing import Any

from probe.observe.heat import Heat, plausible

Rates = dict[str, tuple[float, float]]
_KIB = 1024
_PAUSE_S = 0.5


class AcceleratorCounters:
    """The accelerators that NVML shows, by PCI address.

    NVML measures a rate by watching for 20 ms, so a thread of its own asks, and readers get the latest answer. Its byte
    counters are not used: seen on an H100, they wrap within a second under load.
    """

    def __init__(self) -> None:
        self._nvml: Any = None
        self._handles: dict[str, Any] = {}
        self._latest: Rates = {}
        self._heat: dict[str, Heat] = {}
        self._limits: dict[str, tuple[float | None, float | None]] = {}
        try:
            import pynvml  # noqa: PLC0415 - optional
        except ImportError:
            return
        try:
            pynvml.nvmlInit()
            for number in range(pynvml.nvmlDeviceGetCount()):
                handle = pynvml.nvmlDeviceGetHandleByIndex(number)
                self._handles[_address(pynvml.nvmlDeviceGetPciInfo(handle).busId)] = handle
        except pynvml.NVMLError:
            return
        self._nvml = pynvml
        self._limits = {address: self._limits_of(handle) for address, handle in self._handles.items()}
        if self._handles:
            threading.Thread(target=self._watch, daemon=True).start()

    def rates(self) -> Rates:
        """Bytes a second to the host and from it, by the latest answer."""
        return dict(self._latest)

    def heat(self) -> dict[str, Heat]:
        """Temperature by the latest answer, where it slows itself down, and where it shuts itself down."""
        return dict(self._heat)

    def _limits_of(self, handle: Any) -> tuple[float | None, float | None]:  # noqa: ANN401 - NVML's own
        nvml = self._nvml
        wanted = (nvml.NVML_TEMPERATURE_THRESHOLD_SLOWDOWN, nvml.NVML_TEMPERATURE_THRESHOLD_SHUTDOWN)
        found: list[float | None] = []
        for which in wanted:
            try:
                found.append(plausible(float(nvml.nvmlDeviceGetTemperatureThreshold(handle, which))))
            except nvml.NVMLError:
                found.append(None)
        return found[0], found[1]

    def replays(self) -> dict[str, int]:
        """Packets replayed since the driver was loaded, where the accelerator counts them."""
        found = {}
        for address, handle in self._handles.items():
            with contextlib.suppress(self._nvml.NVMLError):
                found[address] = int(self._nvml.nvmlDeviceGetPcieReplayCounter(handle))
        return found

    def _watch(self) -> None:
        while True:
            for address, handle in self._handles.items():
                try:
                    sent, received = (
                        self._nvml.nvmlDeviceGetPcieThroughput(handle, which) * _KIB
                        for which in (self._nvml.NVML_PCIE_UTIL_TX_BYTES, self._nvml.NVML_PCIE_UTIL_RX_BYTES)
                    )
                except self._nvml.NVMLError:
                    return
                self._latest[address] = (float(sent), float(received))
                with contextlib.suppress(self._nvml.NVMLError):
                    shown = self._nvml.nvmlDeviceGetTemperature(handle, self._nvml.NVML_TEMPERATURE_GPU)
                    self._heat[address] = Heat("the accelerator (NVML)", float(shown), *self._limits[address])
            time.sleep(_PAUSE_S)


def joined_otherwise(one: str, other: str) -> bool | None:
    """Whether two accelerators reach each other by an interconnect of their own; None where NVML cannot be asked."""
    try:
        import pynvml  # noqa: PLC0415 - optional
    except ImportError:
        return None
    try:
        pynvml.nvmlInit()
        handles = (pynvml.nvmlDeviceGetHandleByPciBusId(address.encode()) for address in (one, other))
        status = pynvml.nvmlDeviceGetP2PStatus(*handles, pynvml.NVML_P2P_CAPS_INDEX_NVLINK)
    except pynvml.NVMLError:
        return None
    return bool(status == pynvml.NVML_P2P_STATUS_OK)


def _address(bus: str | bytes) -> str:
    text = (bus.decode() if isinstance(bus, bytes) else bus).lower()
    domain, _, place = text.partition(":")
    return f"{int(domain, 16):04x}:{place}"
