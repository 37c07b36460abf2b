"""Class words against the kernel's list of class codes."""

import pytest

from probe.registers.class_code import ACCELERATOR, BRIDGE_TO_PCI, DISPLAY, NETWORK, STORAGE, THREE_D, ClassCode
from probe.registers.class_words import class_words

pytestmark = pytest.mark.published("Linux include/linux/pci_ids.h, PCI_CLASS_* and PCI_BASE_CLASS_*: numbers and names")

KINDS = {
    0x0100: "SCSI controller",  # PCI_CLASS_STORAGE_SCSI
    0x0101: "IDE controller",  # PCI_CLASS_STORAGE_IDE
    0x0104: "RAID controller",  # PCI_CLASS_STORAGE_RAID
    0x0106: "SATA controller",  # PCI_CLASS_STORAGE_SATA
    0x0107: "SAS controller",  # PCI_CLASS_STORAGE_SAS
    0x0108: "NVM controller",  # PCI_CLASS_STORAGE_EXPRESS 010802h
    0x0200: "Ethernet controller",  # PCI_CLASS_NETWORK_ETHERNET
    0x0300: "VGA controller",  # PCI_CLASS_DISPLAY_VGA
    0x0302: "3D controller",  # PCI_CLASS_DISPLAY_3D
    0x0401: "audio device",  # PCI_CLASS_MULTIMEDIA_AUDIO
    0x0403: "HD audio device",  # PCI_CLASS_MULTIMEDIA_HD_AUDIO
    0x0502: "CXL memory device",  # PCI_CLASS_MEMORY_CXL
    0x0600: "host bridge",  # PCI_CLASS_BRIDGE_HOST
    0x0601: "ISA bridge",  # PCI_CLASS_BRIDGE_ISA
    0x0604: "PCI bridge",  # PCI_CLASS_BRIDGE_PCI
    0x0700: "serial controller",  # PCI_CLASS_COMMUNICATION_SERIAL
    0x0C03: "USB controller",  # PCI_CLASS_SERIAL_USB
    0x0C05: "SMBus controller",  # PCI_CLASS_SERIAL_SMBUS
}
BASES = {
    0x01: "storage controller",  # PCI_BASE_CLASS_STORAGE
    0x02: "network controller",  # PCI_BASE_CLASS_NETWORK
    0x03: "display controller",  # PCI_BASE_CLASS_DISPLAY
    0x04: "multimedia device",  # PCI_BASE_CLASS_MULTIMEDIA
    0x05: "memory controller",  # PCI_BASE_CLASS_MEMORY
    0x06: "bridge",  # PCI_BASE_CLASS_BRIDGE
    0x07: "communication controller",  # PCI_BASE_CLASS_COMMUNICATION
    0x08: "system peripheral",  # PCI_BASE_CLASS_SYSTEM
    0x09: "input device",  # PCI_BASE_CLASS_INPUT
    0x0A: "docking station",  # PCI_BASE_CLASS_DOCKING
    0x0B: "processor",  # PCI_BASE_CLASS_PROCESSOR
    0x0C: "serial bus controller",  # PCI_BASE_CLASS_SERIAL
    0x0D: "wireless controller",  # PCI_BASE_CLASS_WIRELESS
    0x0E: "intelligent I/O controller",  # PCI_BASE_CLASS_INTELLIGENT
    0x0F: "satellite communication controller",  # PCI_BASE_CLASS_SATELLITE
    0x10: "encryption controller",  # PCI_BASE_CLASS_CRYPT
    0x11: "signal processing controller",  # PCI_BASE_CLASS_SIGNAL_PROCESSING
    0x12: "processing accelerator",  # PCI_CLASS_ACCELERATOR_PROCESSING 1200h (from memory)
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("interface", [0x00, 0x02, 0x30])
def test_words_of_a_kind(kind: int, interface: int) -> None:
    assert class_words(ClassCode.of(kind << 8 | interface)) == KINDS[kind]


@pytest.mark.parametrize("base", range(0x100))
def test_a_kind_that_is_not_listed_has_the_words_of_its_base(base: int) -> None:
    """Sub-class 7fh is assigned nowhere, 80h is the other kinds of a base."""
    for sub in (0x7F, 0x80):
        assert class_words(ClassCode(base, sub, 0)) == BASES.get(base)


def test_no_other_kind_is_named() -> None:
    for kind in set(range(0x1_0000)) - set(KINDS):
        assert class_words(ClassCode.of(kind << 8)) == BASES.get(kind >> 8)


def test_the_classes_that_rules_ask_for() -> None:
    assert (STORAGE, NETWORK, DISPLAY, ACCELERATOR) == (0x01, 0x02, 0x03, 0x12)
    assert (THREE_D, BRIDGE_TO_PCI) == ((0x03, 0x02), (0x06, 0x04))
