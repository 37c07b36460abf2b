"""Lane Margining at the Receiver (0027h). Base Specification 6.x, 7.7.10."""

from probe.registers.table_language import HWINIT, RO, RW, Register, Structure, coded, flag, hexadecimal, names, number
from probe.registers.values import LANES

RECEIVERS = {
    0: "broadcast", 1: "Downstream Port Rx(A)", 2: "retimer Rx(B)", 3: "retimer Rx(C)", 4: "retimer Rx(D)",
    5: "retimer Rx(E)", 6: "Upstream Port Rx(F)",
}  # fmt: skip
_RECEIVER = names(RECEIVERS)
_MARGIN = names(
    {7: "no command or capability access", 1: "access retimer", 2: "set", 3: "step timing", 4: "step voltage"}
)


class MarginingPortCapabilities(
    Register, name="Margining Port Capabilities", offset=0x04, size=2, section="7.7.10.2", reserved=((15, 1),)
):
    margining_uses_driver_software = flag("Margining uses Driver Software", 0, HWINIT)


class MarginingPortStatus(
    Register, name="Margining Port Status", offset=0x06, size=2, section="7.7.10.3", reserved=((15, 2),)
):
    margining_software_ready = flag("Margining Software Ready", 1, RO)
    margining_ready = flag("Margining Ready", 0, RO)


class MarginingLaneControl(
    Register,
    name="Margining Lane Control",
    offset=0x08,
    size=2,
    section="7.7.10.4",
    reserved=((7, 7),),
    count=LANES,
    stride=4,
    routine=False,
):
    margin_payload = hexadecimal("Margin Payload", 15, 8, RW)
    usage_model = number("Usage Model", 6, 6, RW)
    margin_type = coded("Margin Type", 5, 3, RW, _MARGIN)
    receiver_number = coded("Receiver Number", 2, 0, RW, _RECEIVER)


class MarginingLaneStatus(
    Register,
    name="Margining Lane Status",
    offset=0x0A,
    size=2,
    section="7.7.10.5",
    reserved=((7, 7),),
    count=LANES,
    stride=4,
    routine=False,
):
    margin_payload_status = hexadecimal("Margin Payload Status", 15, 8, RO)
    usage_model_status = number("Usage Model Status", 6, 6, RO)
    margin_type_status = coded("Margin Type Status", 5, 3, RO, _MARGIN)
    receiver_number_status = coded("Receiver Number Status", 2, 0, RO, _RECEIVER)


LANE_MARGINING = Structure("Lane Margining at the Receiver", 0x0027, extended=True, registers=(
    MarginingPortCapabilities, MarginingPortStatus, MarginingLaneControl, MarginingLaneStatus,
))  # fmt: skip
