"""Rates, encodings and whole-link bandwidth against the kernel's arithmetic and vendors' tables."""

from fractions import Fraction

import pytest

from probe.bandwidth.arithmetic import arithmetic
from probe.bandwidth.ceiling import ENCODING, carries, line_rate, packet_share, wire_bytes

DLLP_BYTES = 8  # an acknowledgement or flow control update on the wire below Flit mode (Intel AN 855, AN 690)
LANES = (1, 2, 4, 8, 12, 16, 32)
# Linux drivers/pci/pci.h PCIE_SPEED2MBS_ENC (6.18; 64 GT/s since 6.8), Mb/s a lane, cut to whole numbers.
KERNEL_MBS = {2.5: 2000, 5.0: 4000, 8.0: 7876, 16.0: 15753, 32.0: 31507, 64.0: 64000}


@pytest.mark.published("Linux drivers/pci/pci.h, PCIE_SPEED2MBS_ENC")
@pytest.mark.parametrize("speed", KERNEL_MBS)
def test_rate_of_a_lane(speed: float) -> None:
    assert int(line_rate(speed, 1) * 8 / 1_000_000) == KERNEL_MBS[speed]


@pytest.mark.published("Linux drivers/pci/pci.c, pcie_bandwidth_capable: lane rate times width")
@pytest.mark.parametrize("speed", KERNEL_MBS)
@pytest.mark.parametrize("width", LANES)
def test_rate_of_a_link(speed: float, width: int) -> None:
    exact = float(line_rate(speed, width) * 8 / 1_000_000)
    assert 0 <= exact - KERNEL_MBS[speed] * width < width  # the kernel cuts each lane's rate


@pytest.mark.published("Intel Stratix 10 L-/H-Tile PCIe user guide (683111), table 1, Gb/s one direction")
@pytest.mark.parametrize(
    ("speed", "figures"),
    [(2.5, (2, 4, 8, 16, 32)), (5.0, (4, 8, 16, 32, 64)), (8.0, (7.87, 15.75, 31.5, 63, 126))],
)
def test_intel_table(speed: float, figures: tuple[float, ...]) -> None:
    for width, printed in zip((1, 2, 4, 8, 16), figures, strict=True):
        assert float(line_rate(speed, width)) * 8 / 1e9 == pytest.approx(printed, rel=0.002)


@pytest.mark.published("Intel AN 690 (683824): 8b/10b costs 20 %, 128b/130b 1.54 %")
def test_encodings() -> None:
    assert ENCODING[2.5] == ENCODING[5.0] == 1 - Fraction(20, 100)
    assert float(1 - ENCODING[8.0]) == pytest.approx(0.0154, abs=0.00005)


@pytest.mark.published("PCI-SIG webinar Q&A on Flit error correction: 256 bytes, 242 without CRC and FEC; 236 for TLPs")
def test_flit_share() -> None:
    carried = carries(64.0, 16, 4096, 4096)
    assert float(carried.line) / 1e9 == 128
    assert float(carried.to_host) / 1e9 == pytest.approx(118 * 4096 / (4096 + 12), rel=1e-9)


@pytest.mark.published("Intel AN 456 and AN 855, Throughput for Posted Writes: 256-byte payload, 3-dword header, 92 %")
def test_efficiency_of_posted_writes() -> None:
    assert int(packet_share(256, flit=False) * 100) == 92


@pytest.mark.published("Intel AN 456, AN 690, AN 855: payload / (payload + overhead)")
@pytest.mark.parametrize(
    ("overhead", "percents"),
    [
        (20, (76.19, 86.49, 92.75, 96.24, 98.08, 99.03, 99.51)),
        (24, (72.73, 84.21, 91.43, 95.52, 97.71, 98.84, 99.42)),
        (28, (69.57, 82.05, 90.14, 94.81, 97.34, 98.65, 99.32)),
    ],
)
def test_efficiency_table(overhead: int, percents: tuple[float, ...]) -> None:
    for payload, percent in zip((64, 128, 256, 512, 1024, 2048, 4096), percents, strict=True):
        assert float(packet_share(payload, flit=False, overhead=overhead)) * 100 == pytest.approx(percent, abs=0.005)


@pytest.mark.published("Intel AN 690, measured: 7.1 peak and 6.4 average GB/s on 8 GT/s x8, 256-byte payload")
def test_measured_stays_below_the_ceiling() -> None:
    ceiling = float(carries(8.0, 8, 256, 512).to_host) / 1e9
    assert ceiling == pytest.approx(7.306, abs=0.001)
    assert ceiling > 7.1


@pytest.mark.published("kernel commit 9e506a7b5147: 16 GT/s x1 is 1,969 MB/s")
def test_one_lane_at_16() -> None:
    assert int(line_rate(16.0, 1) / 1_000_000) == 1969


def test_command_and_library_agree() -> None:
    document = arithmetic("16", "x4", 256, 512)
    assert document.ceiling_bytes_s.to_host == int(carries(16.0, 4, 256, 512).to_host)
    assert document.steps[0].bytes_s == 8_000_000_000


@pytest.mark.published("Xilinx WP350 (Lawley), as repeated in a book of 2018: writes over 2.5 GT/s x8, 8 bytes in 4 ns")
@pytest.mark.parametrize(
    ("writes", "payload", "updates", "nanoseconds", "megabytes_s"),
    [(200, 128, 50, 15_160, 1688.65), (50, 512, 12.5, 13_390, 1911.87)],
)
def test_a_burst_of_writes(writes: int, payload: int, updates: float, nanoseconds: int, megabytes_s: float) -> None:
    acknowledgements = writes / 5
    data = writes * payload
    on_wire = wire_bytes(data, payload, 20) + (acknowledgements + updates) * DLLP_BYTES
    assert on_wire * 4 / 8 == nanoseconds
    assert data / nanoseconds * 1000 == pytest.approx(megabytes_s, abs=0.005)


@pytest.mark.published("Xilinx UG962 v3.0, p. 67: 128-byte reads, 20 bytes a packet and one 8-byte acknowledgement")
def test_read_efficiency() -> None:
    assert 128 / (wire_bytes(128, 128, 20) + DLLP_BYTES) == pytest.approx(0.8205, abs=0.00005)


@pytest.mark.published("SIGCOMM 2018, doi 10.1145/3230543.3230560 (model from memory): payload 256, read request 512")
@pytest.mark.parametrize(
    ("size", "write", "asking", "data"),
    [
        (64, 88, 24, 84), (256, 280, 24, 276), (257, 305, 24, 297), (512, 560, 24, 552), (1024, 1120, 48, 1104),
        (1500, 1644, 72, 1620), (2048, 2240, 96, 2208),
    ],
)  # fmt: skip
def test_bytes_on_the_wire(size: int, write: int, asking: int, data: int) -> None:
    assert wire_bytes(size, 256, 24) == write
    assert wire_bytes(size, 512, 24) - size == asking
    assert wire_bytes(size, 256, 20) == data


@pytest.mark.published("Intel AN 855, Throughput for Reads: 512 bytes in two completions, 40 bytes beside them, 92 %")
def test_two_completions() -> None:
    assert wire_bytes(512, 256, 20) == 552
    assert int(512 / 552 * 100) == 92
