"""Advanced Error Reporting (0001h). Base Specification 6.x, 7.8.4.

The error bits are written once and make the status, mask and severity registers alike.
"""

from enum import StrEnum
from functools import lru_cache

from probe.registers.device import EVENT_COLLECTOR, ROOT_PORT
from probe.registers.express import port_type
from probe.registers.table_language import (
    RO,
    RW,
    RW1C,
    Register,
    Structure,
    flag,
    hexadecimal,
    number,
)


class CorrectableErrors:
    """The bits of Correctable Error Status and its mask. Kernel `pci_regs.h`, PCI_ERR_COR_*."""

    header_log_overflow = flag("Header Log Overflow", 15)
    corrected_internal_error = flag("Corrected Internal Error", 14)
    advisory_non_fatal_error = flag("Advisory Non-Fatal Error", 13)
    replay_timer_timeout = flag("Replay Timer Timeout", 12)
    replay_num_rollover = flag("REPLAY_NUM Rollover", 8)
    bad_dllp = flag("Bad DLLP", 7)
    bad_tlp = flag("Bad TLP", 6)
    receiver_error = flag("Receiver Error", 0)


class UncorrectableErrors:
    """The bits of Uncorrectable Error Status, its mask and severity. Kernel `pci_regs.h`; `pcie/aer.c` past bit 25."""

    tlp_translation_egress_blocked = flag("TLP Translation Egress Blocked", 31)
    pcrc_check_failed = flag("PCRC Check Failed", 30)
    misrouted_ide_tlp = flag("Misrouted IDE TLP", 29)
    ide_check_failed = flag("IDE Check Failed", 28)
    dmwr_request_egress_blocked = flag("DMWr Request Egress Blocked", 27)
    poisoned_tlp_egress_blocked = flag("Poisoned TLP Egress Blocked", 26)
    tlp_prefix_blocked_error = flag("TLP Prefix Blocked Error", 25)
    atomic_op_egress_blocked = flag("AtomicOp Egress Blocked", 24)
    mc_blocked_tlp = flag("MC Blocked TLP", 23)
    uncorrectable_internal_error = flag("Uncorrectable Internal Error", 22)
    acs_violation = flag("ACS Violation", 21)
    unsupported_request_error = flag("Unsupported Request Error", 20)
    ecrc_error = flag("ECRC Error", 19)
    malformed_tlp = flag("Malformed TLP", 18)
    receiver_overflow = flag("Receiver Overflow", 17)
    unexpected_completion = flag("Unexpected Completion", 16)
    completer_abort = flag("Completer Abort", 15)
    completion_timeout = flag("Completion Timeout", 14)
    flow_control_protocol_error = flag("Flow Control Protocol Error", 13)
    poisoned_tlp_received = flag("Poisoned TLP Received", 12)
    surprise_down_error = flag("Surprise Down Error", 5)
    data_link_protocol_error = flag("Data Link Protocol Error", 4)
    undefined = flag("Undefined", 0)


class UncorrectableErrorStatus(
    UncorrectableErrors,
    Register,
    name="Uncorrectable Error Status",
    offset=0x04,
    size=4,
    section="7.8.4.2",
    access=RW1C,
    reserved=((11, 6), (3, 1)),
): ...


class UncorrectableErrorMask(
    UncorrectableErrors,
    Register,
    name="Uncorrectable Error Mask",
    offset=0x08,
    size=4,
    section="7.8.4.3",
    access=RW,
    reserved=((11, 6), (3, 1)),
): ...


class UncorrectableErrorSeverity(
    UncorrectableErrors,
    Register,
    name="Uncorrectable Error Severity",
    offset=0x0C,
    size=4,
    section="7.8.4.4",
    access=RW,
    reserved=((11, 6), (3, 1)),
): ...


class CorrectableErrorStatus(
    CorrectableErrors,
    Register,
    name="Correctable Error Status",
    offset=0x10,
    size=4,
    section="7.8.4.5",
    access=RW1C,
    reserved=((31, 16), (11, 9), (5, 1)),
): ...


class CorrectableErrorMask(
    CorrectableErrors,
    Register,
    name="Correctable Error Mask",
    offset=0x14,
    size=4,
    section="7.8.4.6",
    access=RW,
    reserved=((31, 16), (11, 9), (5, 1)),
): ...


class AdvancedErrorControl(
    Register,
    name="Advanced Error Capabilities and Control",
    offset=0x18,
    size=4,
    section="7.8.4.7",
    reserved=((31, 13),),
):
    completion_timeout_prefix_header_log_capable = flag("Completion Timeout Prefix/Header Log Capable", 12, RO)
    tlp_prefix_log_present = flag("TLP Prefix Log Present", 11, RO)
    multiple_header_recording_enable = flag("Multiple Header Recording Enable", 10)
    multiple_header_recording_capable = flag("Multiple Header Recording Capable", 9, RO)
    ecrc_check_enable = flag("ECRC Check Enable", 8)
    ecrc_check_capable = flag("ECRC Check Capable", 7, RO)
    ecrc_generation_enable = flag("ECRC Generation Enable", 6)
    ecrc_generation_capable = flag("ECRC Generation Capable", 5, RO)
    first_error_pointer = number("First Error Pointer", 4, 0, RO)


class HeaderLog(Register, name="Header Log", offset=0x1C, size=4, section="7.8.4.8", count=4, stride=4):
    header_log = hexadecimal("Header Log", 31, 0, RO)


class RootErrorCommand(
    Register,
    name="Root Error Command",
    offset=0x2C,
    size=4,
    section="7.8.4.9",
    reserved=((31, 3),),
):
    fatal_error_reporting_enable = flag("Fatal Error Reporting Enable", 2)
    non_fatal_error_reporting_enable = flag("Non-Fatal Error Reporting Enable", 1)
    correctable_error_reporting_enable = flag("Correctable Error Reporting Enable", 0)


class RootErrorStatus(Register, name="Root Error Status", offset=0x30, size=4, section="7.8.4.10", reserved=((26, 9),)):
    advanced_error_interrupt_message_number = number("Advanced Error Interrupt Message Number", 31, 27, RO)
    err_cor_subclass = number("ERR_COR Subclass", 8, 7, RO)
    fatal_error_messages_received = flag("Fatal Error Messages Received", 6, RW1C)
    non_fatal_error_messages_received = flag("Non-Fatal Error Messages Received", 5, RW1C)
    first_uncorrectable_fatal = flag("First Uncorrectable Fatal", 4, RW1C)
    multiple_err_fatal_nonfatal_received = flag("Multiple ERR_FATAL/NONFATAL Received", 3, RW1C)
    err_fatal_nonfatal_received = flag("ERR_FATAL/NONFATAL Received", 2, RW1C)
    multiple_err_cor_received = flag("Multiple ERR_COR Received", 1, RW1C)
    err_cor_received = flag("ERR_COR Received", 0, RW1C)


class ErrorSourceIdentification(Register, name="Error Source Identification", offset=0x34, size=4, section="7.8.4.11"):
    err_fatal_nonfatal_source_identification = hexadecimal("ERR_FATAL/NONFATAL Source Identification", 31, 16, RO)
    err_cor_source_identification = hexadecimal("ERR_COR Source Identification", 15, 0, RO)


EVERY_FUNCTION: tuple[type[Register], ...] = (
    UncorrectableErrorStatus, UncorrectableErrorMask, UncorrectableErrorSeverity, CorrectableErrorStatus,
    CorrectableErrorMask, AdvancedErrorControl, HeaderLog,
)  # fmt: skip
ROOT_ONLY: tuple[type[Register], ...] = (RootErrorCommand, RootErrorStatus, ErrorSourceIdentification)


@lru_cache(maxsize=256)
def _present(express: int) -> tuple[type[Register], ...]:
    collects = port_type(express) in {ROOT_PORT, EVENT_COLLECTOR}
    return EVERY_FUNCTION + ROOT_ONLY * collects


ADVANCED_ERROR_REPORTING = Structure(
    "Advanced Error Reporting", 0x0001, extended=True, registers=EVERY_FUNCTION + ROOT_ONLY, present=_present
)


class Severity(StrEnum):
    """How bad an error is, least first."""

    CORRECTABLE = "correctable"
    NONFATAL = "nonfatal"
    FATAL = "fatal"

    @property
    def words(self) -> str:
        """As the specification writes it."""
        return "non-fatal" if self is Severity.NONFATAL else self.value

    @property
    def badness(self) -> int:
        """Greater is worse."""
        return list(Severity).index(self)


CORRECTABLE_NAMES = tuple(field.name for field in reversed(CorrectableErrorStatus.fields))
UNCORRECTABLE_NAMES = tuple(field.name for field in reversed(UncorrectableErrorStatus.fields))
"""The errors by name, lowest bit first."""

SEVERITY_DEFAULT = 0x00462030
"""Uncorrectable Error Severity out of reset: set is fatal. TI SLLSE76Q; QEMU `pcie_regs.h`."""

LINK_ERRORS = (
    CorrectableErrors.receiver_error.name, CorrectableErrors.bad_tlp.name, CorrectableErrors.bad_dllp.name,
    CorrectableErrors.replay_num_rollover.name, CorrectableErrors.replay_timer_timeout.name,
)  # fmt: skip
"""The correctable errors that speak of the lanes."""


def errors_in(register: type[Register], status: int, *, mask: int = 0, named_only: bool = False) -> tuple[str, ...]:
    """The names of the bits set in a status word and clear in the mask, lowest first; unnamed bits by number."""
    named = {field.low: field.name for field in register.fields}
    bits = (bit for bit in range(8 * register.size) if (status & ~mask) >> bit & 1)
    return tuple(named.get(bit, f"bit {bit}") for bit in bits if bit in named or not named_only)
