"""Which firmware devices run, where the kernel tells."""

from fake_sysfs import card, machine, root_port
from probe.host.firmware import DeviceFirmware, read_firmware

FILES = {
    "sys/class/nvme/nvme0/model": b"Made-up drive  \n",
    "sys/class/nvme/nvme0/firmware_rev": b"2B4QFXO7\n",
    "sys/class/nvme/nvme0/address": b"0000:01:00.0\n",
    "sys/class/infiniband/mlx5_0/fw_ver": b"28.39.1002\n",
    "sys/class/infiniband/mlx5_0/board_id": b"N/A\n",
    "sys/class/drm/card0/device/vbios_version": b"113-D6730100-142\n",
    "sys/class/drm/card1/device/vendor": b"0x1234\n",
    "proc/driver/nvidia/gpus/0000:3b:00.0/information": (
        b"Model: \t\t Made-up accelerator\nIRQ:   \t\t 120\nVideo BIOS: \t 96.00.74.00.01\nGPU Firmware: \t 550.54.15\n"
    ),
}


def test_each_class_of_devices_tells_in_its_own_way() -> None:
    tree = machine(root_port("0000:00:01.0", "16 GT/s x4").holds(card("16 GT/s x4"))).build()
    for path, content in FILES.items():
        tree = tree.with_file(path, content)
    assert read_firmware(tree.source()) == (
        DeviceFirmware(address=None, device="card0", says={"vbios_version": "113-D6730100-142"}),
        DeviceFirmware(address=None, device="mlx5_0", says={"fw_ver": "28.39.1002"}),
        DeviceFirmware(
            address="0000:01:00.0", device="nvme0", says={"model": "Made-up drive", "firmware_rev": "2B4QFXO7"}
        ),
        DeviceFirmware(
            address="0000:3b:00.0", device="accelerator 0000:3b:00.0",
            says={"Model": "Made-up accelerator", "Video BIOS": "96.00.74.00.01", "GPU Firmware": "550.54.15"},
        ),
    )  # fmt: skip


def test_a_machine_that_tells_nothing() -> None:
    tree = machine(root_port("0000:00:01.0", "16 GT/s x4").holds(card("16 GT/s x4"))).build()
    assert read_firmware(tree.source()) == ()
