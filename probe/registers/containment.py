"""Downstream Port Containment (001Dh). Base Specification 6.x, 7.9.14."""

from probe.registers.table_language import (
    HWINIT,
    RO,
    RW,
    RW1C,
    Register,
    Structure,
    coded,
    flag,
    hexadecimal,
    names,
    number,
)


class DpcCapability(Register, name="DPC Capability", offset=0x04, size=2, section="7.9.14.2", reserved=((15, 14),)):
    rp_pio_log_size_high = number("RP PIO Log Size high", 13, 13, HWINIT)
    dl_active_err_cor_signaling_supported = flag("DL_Active ERR_COR Signaling Supported", 12, RO)
    rp_pio_log_size = number("RP PIO Log Size", 11, 8, HWINIT)
    dpc_software_triggering_supported = flag("DPC Software Triggering Supported", 7, RO)
    poisoned_tlp_egress_blocking_supported = flag("Poisoned TLP Egress Blocking Supported", 6, RO)
    rp_extensions_for_dpc = flag("RP Extensions for DPC", 5, RO)
    dpc_interrupt_message_number = number("DPC Interrupt Message Number", 4, 0, RO)


class DpcControl(Register, name="DPC Control", offset=0x06, size=2, section="7.9.14.3", reserved=((15, 9),)):
    dpc_sig_sfw_enable = flag("DPC SIG_SFW Enable", 8)
    dl_active_err_cor_enable = flag("DL_Active ERR_COR Enable", 7)
    dpc_software_trigger = flag("DPC Software Trigger", 6)
    poisoned_tlp_egress_blocking_enable = flag("Poisoned TLP Egress Blocking Enable", 5)
    dpc_err_cor_enable = flag("DPC ERR_COR Enable", 4)
    dpc_interrupt_enable = flag("DPC Interrupt Enable", 3)
    dpc_completion_control = flag("DPC Completion Control", 2)
    dpc_trigger_enable = coded(
        "DPC Trigger Enable", 1, 0, RW, names({0: "off", 1: "on fatal", 2: "on non-fatal or fatal"})
    )


class DpcStatus(Register, name="DPC Status", offset=0x08, size=2, section="7.9.14.4", reserved=((15, 14), (7, 7))):
    dpc_sig_sfw_status = flag("DPC SIG_SFW Status", 13, RW1C)
    rp_pio_first_error_pointer = number("RP PIO First Error Pointer", 12, 8, RO)
    dpc_trigger_reason_extension = coded(
        "DPC Trigger Reason Extension", 6, 5, RO, names({0: "RP PIO error", 1: "software trigger"})
    )
    dpc_rp_busy = flag("DPC RP Busy", 4, RO)
    dpc_interrupt_status = flag("DPC Interrupt Status", 3, RW1C)
    dpc_trigger_reason = coded(
        "DPC Trigger Reason",
        2,
        1,
        RO,
        names(
            {0: "unmasked uncorrectable error", 1: "ERR_NONFATAL received", 2: "ERR_FATAL received", 3: "see extension"}
        ),
    )
    dpc_trigger_status = flag("DPC Trigger Status", 0, RW1C)


class DpcErrorSourceId(Register, name="DPC Error Source ID", offset=0x0A, size=2, section="7.9.14.5"):
    bus_number = hexadecimal("DPC Error Source ID, Bus Number", 15, 8, RO)
    device_number = number("DPC Error Source ID, Device Number", 7, 3, RO)
    function_number = number("DPC Error Source ID, Function Number", 2, 0, RO)


DOWNSTREAM_PORT_CONTAINMENT = Structure(
    "Downstream Port Containment", 0x001D, extended=True,
    registers=(DpcCapability, DpcControl, DpcStatus, DpcErrorSourceId),
)  # fmt: skip
