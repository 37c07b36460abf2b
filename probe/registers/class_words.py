"""Class codes in words, for what no hardware database names.

Codes as kernel `include/linux/pci_ids.h`, PCI_CLASS_* and PCI_BASE_CLASS_* (from memory), which follow the PCI Code
and ID Assignment Specification; the words are those of its names, written out.
"""

from probe.registers.class_code import ClassCode

_BASES = {
    0x01: "storage controller", 0x02: "network controller", 0x03: "display controller", 0x04: "multimedia device",
    0x05: "memory controller", 0x06: "bridge", 0x07: "communication controller", 0x08: "system peripheral",
    0x09: "input device", 0x0A: "docking station", 0x0B: "processor", 0x0C: "serial bus controller",
    0x0D: "wireless controller", 0x0E: "intelligent I/O controller", 0x0F: "satellite communication controller",
    0x10: "encryption controller", 0x11: "signal processing controller", 0x12: "processing accelerator",
}  # fmt: skip
_KINDS = {
    (0x01, 0x00): "SCSI controller", (0x01, 0x01): "IDE controller", (0x01, 0x04): "RAID controller",
    (0x01, 0x06): "SATA controller", (0x01, 0x07): "SAS controller", (0x01, 0x08): "NVM controller",
    (0x02, 0x00): "Ethernet controller", (0x03, 0x00): "VGA controller", (0x03, 0x02): "3D controller",
    (0x04, 0x01): "audio device", (0x04, 0x03): "HD audio device", (0x05, 0x02): "CXL memory device",
    (0x06, 0x00): "host bridge", (0x06, 0x01): "ISA bridge", (0x06, 0x04): "PCI bridge",
    (0x07, 0x00): "serial controller", (0x0C, 0x03): "USB controller", (0x0C, 0x05): "SMBus controller",
}  # fmt: skip


def class_words(code: ClassCode) -> str | None:
    """What a class code means; None for one that is not in the list."""
    return _KINDS.get(code.kind) or _BASES.get(code.base)
