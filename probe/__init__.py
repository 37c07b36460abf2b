"""linkprobe: which speed and width every PCIe link of a Linux machine trained to, and why."""

__version__ = "0.1.0"
