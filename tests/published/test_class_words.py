"""Class words against the kernel's list of class codes."""

import pytest

from probe.registers.class_code import ClassCode
from probe.registers.class_words import class_words


@pytest.mark.published("Linux include/linux/pci_ids.h, PCI_CLASS_*: numbers and names from memory")
@pytest.mark.parametrize(
    ("code", "words"),
    [
        (0x030200, "3D controller"),  # PCI_CLASS_DISPLAY_3D
        (0x030000, "VGA controller"),  # PCI_CLASS_DISPLAY_VGA
        (0x020000, "Ethernet controller"),  # PCI_CLASS_NETWORK_ETHERNET
        (0x010802, "NVM controller"),  # PCI_CLASS_STORAGE_EXPRESS
        (0x0C0330, "USB controller"),  # PCI_CLASS_SERIAL_USB_XHCI
        (0x020700, "network controller"),  # only its base class is in our list
        (0x120000, "processing accelerator"),
        (0xFF0000, None),  # PCI_CLASS_OTHERS
    ],
)
def test_words_of_a_class(code: int, words: str | None) -> None:
    assert class_words(ClassCode.of(code)) == words
