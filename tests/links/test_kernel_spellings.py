"""The kernel's spellings over its versions."""

import pytest

from probe.kernel_spellings import SHORT_NAMES, error_counts, error_total, speed_gts, width_lanes
from probe.registers.errors import CORRECTABLE_NAMES, UNCORRECTABLE_NAMES


@pytest.mark.published("Linux drivers/pci/probe.c pci_speed_string, and pci-sysfs.c to 5.6")
@pytest.mark.parametrize(
    ("text", "gts"),
    [
        ("2.5 GT/s PCIe", 2.5), ("5.0 GT/s PCIe", 5), ("8.0 GT/s PCIe", 8), ("16.0 GT/s PCIe", 16), ("32.0 GT/s PCIe", 32),
        ("64.0 GT/s PCIe", 64), ("128.0 GT/s PCIe", 128), ("2.5 GT/s", 2.5), ("5 GT/s", 5), ("8 GT/s", 8), ("16 GT/s", 16),
        ("Unknown", None), ("Unknown speed", None), ("", None), ("33 MHz PCI", None), ("7 GT/s", None),
    ],
)  # fmt: skip
def test_speeds(text: str, gts: float | None) -> None:
    assert speed_gts(text) == gts


@pytest.mark.parametrize(
    ("text", "lanes"), [("16", 16), ("12", 12), ("0", None), ("63", None), ("255", None), ("", None)]
)
def test_widths(text: str, lanes: int | None) -> None:
    assert width_lanes(text) == lanes


LONG = """\
Receiver Error 2
Bad TLP 0
Bad DLLP 0
RELAY_NUM Rollover 0
Replay Timer Timeout 0
Advisory Non-Fatal 0
Corrected Internal Error 0
Header Log Overflow 0
TOTAL_ERR_COR 2
"""
LONG_FATAL = """\
Undefined 0
Data Link Protocol 0
Surprise Down Error 0
Poisoned TLP 0
Flow Control Protocol 0
Completion Timeout 0
Completer Abort 0
Unexpected Completion 0
Receiver Overflow 0
Malformed TLP 0
ECRC 0
Unsupported Request 0
ACS Violation 0
Uncorrectable Internal Error 0
MC Blocked TLP 0
AtomicOp Egress Blocked 0
TLP Prefix Blocked Error 0
TOTAL_ERR_FATAL 0
"""


@pytest.mark.published("Documentation/ABI/testing/sysfs-bus-pci-devices-aer, its printed example")
def test_the_documents_long_names() -> None:
    assert error_counts(LONG) == dict.fromkeys(CORRECTABLE_NAMES, 0) | {"Receiver Error": 2}
    assert error_total(LONG) == 2
    assert set(error_counts(LONG_FATAL)) <= set(UNCORRECTABLE_NAMES)
    assert len(error_counts(LONG_FATAL)) == 17


@pytest.mark.published(
    "Linux drivers/pci/pcie/aer.c 6.18, aer_correctable_error_string and aer_uncorrectable_error_string"
)
def test_the_kernels_short_names() -> None:
    assert SHORT_NAMES["RxErr"] == "Receiver Error"
    assert SHORT_NAMES["Timeout"] == "Replay Timer Timeout"
    assert SHORT_NAMES["CmpltTO"] == "Completion Timeout"
    assert SHORT_NAMES["TLP"] == "Poisoned TLP Received"
    assert SHORT_NAMES["UnsupReq"] == "Unsupported Request Error"
    assert SHORT_NAMES["TLPXlatBlocked"] == "TLP Translation Egress Blocked"
    assert len(SHORT_NAMES) == 8 + 23


def test_names_of_a_newer_kernel_are_carried() -> None:
    assert error_counts("RxErr 1\nBrandNewErr 4\ndev_cor_errs_bit[3] 2\nTOTAL_ERR_COR 7") == {
        "Receiver Error": 1, "BrandNewErr": 4, "dev_cor_errs_bit[3]": 2,
    }  # fmt: skip


def test_an_empty_file_is_not_zero() -> None:
    assert error_total("") is None
