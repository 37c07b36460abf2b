"""PCI Express Capability: the registers of the slot. Base Specification 6.x, 7.5.3."""

from probe.registers.table_language import HWINIT, RO, RW, RW1C, Register, coded, flag, names, number
from probe.registers.values import POWER_SCALE

_INDICATOR = names({1: "on", 2: "blinking", 3: "off"})


class SlotCapabilities(Register, name="Slot Capabilities", offset=0x14, size=4, section="7.5.3.9"):
    physical_slot_number = number("Physical Slot Number", 31, 19, HWINIT)
    no_command_completed_support = flag("No Command Completed Support", 18, HWINIT)
    electromechanical_interlock_present = flag("Electromechanical Interlock Present", 17, HWINIT)
    slot_power_limit_scale = coded("Slot Power Limit Scale", 16, 15, HWINIT, POWER_SCALE)
    slot_power_limit_value = number("Slot Power Limit Value", 14, 7, HWINIT)
    hot_plug_capable = flag("Hot-Plug Capable", 6, HWINIT)
    hot_plug_surprise = flag("Hot-Plug Surprise", 5, HWINIT)
    power_indicator_present = flag("Power Indicator Present", 4, HWINIT)
    attention_indicator_present = flag("Attention Indicator Present", 3, HWINIT)
    mrl_sensor_present = flag("MRL Sensor Present", 2, HWINIT)
    power_controller_present = flag("Power Controller Present", 1, HWINIT)
    attention_button_present = flag("Attention Button Present", 0, HWINIT)


class SlotControl(Register, name="Slot Control", offset=0x18, size=2, section="7.5.3.10", reserved=((15, 14),)):
    auto_slot_power_limit_disable = flag("Auto Slot Power Limit Disable", 13)
    data_link_layer_state_changed_enable = flag("Data Link Layer State Changed Enable", 12)
    electromechanical_interlock_control = flag("Electromechanical Interlock Control", 11)
    power_controller_control = coded("Power Controller Control", 10, 10, RW, names({0: "power on", 1: "power off"}))
    power_indicator_control = coded("Power Indicator Control", 9, 8, RW, _INDICATOR)
    attention_indicator_control = coded("Attention Indicator Control", 7, 6, RW, _INDICATOR)
    hot_plug_interrupt_enable = flag("Hot-Plug Interrupt Enable", 5)
    command_completed_interrupt_enable = flag("Command Completed Interrupt Enable", 4)
    presence_detect_changed_enable = flag("Presence Detect Changed Enable", 3)
    mrl_sensor_changed_enable = flag("MRL Sensor Changed Enable", 2)
    power_fault_detected_enable = flag("Power Fault Detected Enable", 1)
    attention_button_pressed_enable = flag("Attention Button Pressed Enable", 0)


class SlotStatus(Register, name="Slot Status", offset=0x1A, size=2, section="7.5.3.11", reserved=((15, 9),)):
    data_link_layer_state_changed = flag("Data Link Layer State Changed", 8, RW1C)
    electromechanical_interlock_status = flag("Electromechanical Interlock Status", 7, RO)
    presence_detect_state = coded("Presence Detect State", 6, 6, RO, names({0: "slot empty", 1: "card present"}))
    mrl_sensor_state = coded("MRL Sensor State", 5, 5, RO, names({0: "closed", 1: "open"}))
    command_completed = flag("Command Completed", 4, RW1C)
    presence_detect_changed = flag("Presence Detect Changed", 3, RW1C)
    mrl_sensor_changed = flag("MRL Sensor Changed", 2, RW1C)
    power_fault_detected = flag("Power Fault Detected", 1, RW1C)
    attention_button_pressed = flag("Attention Button Pressed", 0, RW1C)


class SlotCapabilities2(
    Register, name="Slot Capabilities 2", offset=0x34, size=4, section="7.5.3.21", reserved=((31, 1),)
):
    in_band_pd_disable_supported = flag("In-Band PD Disable Supported", 0, HWINIT)


class SlotControl2(
    Register, name="Slot Control 2", offset=0x38, size=2, section="7.5.3.22", reserved=((15, 0),), routine=False
): ...


class SlotStatus2(
    Register, name="Slot Status 2", offset=0x3A, size=2, section="7.5.3.23", reserved=((15, 0),), routine=False
): ...
