"""A component's own limits of temperature: told when they are reached, and sensors found where drivers put them."""

from pathlib import Path

import pytest

from probe.observe.heat import Heat, HeatTrack, plausible
from probe.observe.sensors import Sensors
from probe.result import Result
from tests.soak.test_soak import Machine, soaked


def told(*degrees: float, max_c: float | None = 80.0, crit_c: float | None = 90.0) -> list[tuple[str, float]]:
    track = HeatTrack("place")
    return [
        (event.kind, float(event.sentence.split()[0]))
        for t, shown in enumerate(degrees)
        for event in track.take(float(t), [Heat("temp1", shown, max_c, crit_c)])
    ]


def test_each_level_is_told_once() -> None:
    assert told(40, 79.9, 80, 81, 89, 90, 95, 91) == [("hot", 80.0), ("critical", 90.0)]


def test_what_flutters_about_a_limit_is_told_once() -> None:
    assert told(80, 79, 80, 78, 80) == [("hot", 80.0)]
    assert told(80, 77, 80, 76.9, 80) == [("hot", 80.0), ("hot", 80.0)]
    assert told(90, 88, 90) == [("critical", 90.0)]
    assert told(90, 85, 90) == [("critical", 90.0), ("critical", 90.0)]


def test_without_a_limit_nothing_is_told() -> None:
    assert told(40, 150, max_c=None, crit_c=None) == []
    assert told(150, max_c=None) == [("critical", 150.0)]


@pytest.mark.parametrize("odd", [None, 0.0, -273.15, 65_261.85])
def test_a_limit_that_is_none(odd: float | None) -> None:
    """drivers/nvme/host/hwmon.c: a threshold of 0 K or 0xffff K is none, shown as these."""
    assert plausible(odd) is None


class Card:
    """A component with the sensors of a drive (drivers/nvme/host/hwmon.c names its files)."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def sensor(self, folder: str, name: str, **files: int | str) -> None:
        place = self.root / folder
        place.mkdir(parents=True, exist_ok=True)
        for suffix, value in files.items():
            (place / f"{name}_{suffix}").write_text(f"{value}\n")


def test_sensors_of_a_drive_with_their_limits(tmp_path: Path) -> None:
    card = Card(tmp_path)
    card.sensor("nvme/nvme0/hwmon3", "temp1", input=41_850, label="Composite", max=84_850, crit=89_850)
    card.sensor("nvme/nvme0/hwmon3", "temp2", input=52_850, max=65_261_850)
    card.sensor("nvme/nvme0/hwmon3", "temp10", input=61_850, label="Sensor 9", max=70_000)
    sensors = Sensors(str(tmp_path))
    assert sensors.read() == (Heat("Composite", 41.85, 84.85, 89.85), Heat("Sensor 9", 61.85, 70.0, None))
    sensors.close()


def test_a_sensor_that_comes_with_its_driver(tmp_path: Path) -> None:
    sensors = Sensors(str(tmp_path))
    assert sensors.read() == ()
    sensors.look_again()
    assert sensors.read() == ()
    Card(tmp_path).sensor("hwmon/hwmon0", "temp1", input=40_000)
    assert sensors.read() == (Heat("temp1", 40.0),)
    sensors.close()


def test_a_soak_warns_and_stops_by_itself(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    card = Card(machine.card)
    card.sensor("hwmon/hwmon0", "temp1", input=40_000, max=80_000, crit=90_000)
    found = soaked(
        machine,
        tmp_path,
        lambda: card.sensor("hwmon/hwmon0", "temp1", input=81_000),
        lambda: card.sensor("hwmon/hwmon0", "temp1", input=90_000),
        covers=("0000/0/01.0",),
    )
    assert [(event.kind, event.t) for event in found.events] == [
        ("hot", 3.0), ("critical", 4.0),
    ]  # fmt: skip
    assert found.ended == (
        "stopped before it harms a component: 90 degrees Celsius at temp1: its own critical temperature is 90"
    )
    assert (found.complete, found.result, found.elapsed_s) == (False, Result.INCONCLUSIVE, 4.0)
