"""Shipped units and alert rules, held to the programs that will read them."""

import configparser
import http.server
import json
import os
import re
import shutil
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from probe.collect.settings import Settings
from tests.compare.machines import drive, of, slot
from tests.conftest import Run

PACKAGING = Path(__file__).parents[2] / "packaging"
promtool = pytest.mark.skipif(shutil.which("promtool") is None, reason="needs Debian's prometheus package")


def ran(*command: object, stdin: bytes | None = None) -> str:
    done = subprocess.run([str(part) for part in command], input=stdin, capture_output=True, check=False)
    text = (done.stdout + done.stderr).decode()
    assert done.returncode == 0, text
    return text


@promtool
def test_rules() -> None:
    assert "9 rules found" in ran("promtool", "check", "rules", PACKAGING / "monitoring/alerts.yml")
    assert "SUCCESS" in ran("promtool", "test", "rules", PACKAGING / "monitoring/alerts_test.yml")


def collected(run: Run, tmp_path: Path, name: str, trained: str) -> Path:
    root = of(slot(1, drive(trained=trained))).build().write(tmp_path / name)
    path = tmp_path / "textfile" / "linkprobe.prom"
    path.parent.mkdir(exist_ok=True)
    run("collect", "--sysfs", root, "--spool", tmp_path / "spool", "--metrics", path)
    return path


@promtool
def test_metrics_are_well_formed(run: Run, tmp_path: Path) -> None:
    path = collected(run, tmp_path, "bad", "8 GT/s x4")
    assert ran("promtool", "check", "metrics", stdin=path.read_bytes()) == ""


_CONFIG = """
global: {{scrape_interval: 1s, evaluation_interval: 1s}}
rule_files: [{rules}]
scrape_configs:
  - job_name: hosts
    metrics_path: /linkprobe.prom
    static_configs: [{{targets: ["127.0.0.1:{port}"]}}]
"""


class _Texts(http.server.SimpleHTTPRequestHandler):
    def guess_type(self, path: str | os.PathLike[str]) -> str:
        assert path
        return "text/plain; version=0.0.4"

    def log_message(self, *_: object) -> None:
        return None


@pytest.fixture
def server(tmp_path: Path) -> Iterator[int]:
    """A server with the shipped rules, their waiting times cut to seconds, and a node agent's text-file directory.

    The directory holds what INSTALL of linkprobe-collect(1) puts there: a symbolic link to the metrics.
    """
    if shutil.which("prometheus") is None:
        pytest.skip("needs Debian's prometheus package")
    folder = tmp_path / "textfile"
    folder.mkdir()
    (folder / "linkprobe.prom").symlink_to(tmp_path / "state/linkprobe.prom")
    (tmp_path / "state").mkdir()
    agent = http.server.ThreadingHTTPServer(("127.0.0.1", 0), lambda *args: _Texts(*args, directory=str(folder)))
    threading.Thread(target=agent.serve_forever, daemon=True).start()
    rules = tmp_path / "alerts.yml"
    rules.write_text(re.sub(r"for: \d+m", "for: 2s", (PACKAGING / "monitoring/alerts.yml").read_text()))
    config = tmp_path / "prometheus.yml"
    config.write_text(_CONFIG.format(rules=rules, port=agent.server_port))
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), _Texts) as probe_port:
        own = probe_port.server_port
    process = subprocess.Popen(
        ["prometheus", f"--config.file={config}", f"--storage.tsdb.path={tmp_path / 'data'}",
         f"--web.listen-address=127.0.0.1:{own}"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        yield own
    finally:
        process.terminate()
        process.wait(20)
        agent.shutdown()
        agent.server_close()


def test_a_fault_fires_and_its_repair_ends_it(server: int, run: Run, tmp_path: Path) -> None:
    def collect(trained: str) -> None:
        root = of(slot(1, drive(trained=trained))).build().write(tmp_path / trained.replace("/", " "))
        run("collect", "--sysfs", root, "--spool", tmp_path / "spool", "--metrics", tmp_path / "state/linkprobe.prom")

    collect("8 GT/s x4")
    _wait_until(lambda: "PcieLinkBelowCapability" in _firing(server))
    collect("16 GT/s x4")
    _wait_until(lambda: "PcieLinkBelowCapability" not in _firing(server))


@pytest.mark.parametrize("ended_by", ["return", "acceptance"])
def test_a_lost_card_fires_until_it_is_back_or_accepted(ended_by: str, server: int, run: Run, tmp_path: Path) -> None:
    there = of(slot(1, drive()), slot(2, drive(2))).build().write(tmp_path / "there")
    lost = of(slot(1, drive()), slot(2)).build().write(tmp_path / "lost")

    def collect(root: Path, *more: str) -> None:
        metrics = tmp_path / "state/linkprobe.prom"
        run("collect", "--sysfs", root, "--spool", tmp_path / "spool", "--metrics", metrics, *more)

    collect(there)
    _wait_until(lambda: _firing(server) == set())
    collect(lost)
    _wait_until(lambda: "PcieComponentLost" in _firing(server))
    for _ in range(3):
        collect(lost)
        time.sleep(2)
        assert "PcieComponentLost" in _firing(server)
    if ended_by == "return":
        collect(there)
    else:
        collect(lost, "--accept")
    _wait_until(lambda: "PcieComponentLost" not in _firing(server))
    if ended_by == "acceptance":
        collect(lost)
        time.sleep(4)
        assert "PcieComponentLost" not in _firing(server)


def _firing(port: int) -> set[str]:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/v1/alerts", timeout=5) as answer:
            alerts = json.load(answer)["data"]["alerts"]
    except OSError:
        return {"not up yet"}
    return {alert["labels"]["alertname"] for alert in alerts if alert["state"] == "firing"}


def _wait_until(condition: Callable[[], bool]) -> None:
    until = time.monotonic() + 60
    while not condition():
        assert time.monotonic() < until
        time.sleep(0.5)


def test_the_dashboard_asks_only_for_metrics_that_are_told(run: Run, tmp_path: Path) -> None:

    text = (PACKAGING / "monitoring/dashboard.json").read_text() + (PACKAGING / "monitoring/alerts.yml").read_text()
    json.loads((PACKAGING / "monitoring/dashboard.json").read_text())
    asked = set(re.findall(r"linkprobe_\w+", text))
    told = set(re.findall(r"linkprobe_\w+", collected(run, tmp_path, "bad", "8 GT/s x4").read_text()))
    assert asked <= told


def test_units() -> None:
    service = configparser.RawConfigParser(strict=False, comment_prefixes=("#",))
    service.read(PACKAGING / "systemd/linkprobe-collect.service")
    assert service["Service"]["CapabilityBoundingSet"] == "CAP_SYS_ADMIN CAP_SYSLOG"
    assert service["Service"]["ProtectKernelTunables"] == "yes"
    timer = configparser.RawConfigParser()
    timer.read(PACKAGING / "systemd/linkprobe-collect.timer")
    assert timer["Timer"]["RandomizedDelaySec"] == "3min"


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs Debian's systemd package")
def test_systemd_accepts_the_units(tmp_path: Path) -> None:
    """The units as shipped but for the program's place; exposure as `systemd-analyze security` reckons it, of 10."""
    for unit in (PACKAGING / "systemd").iterdir():
        text = unit.read_text().replace("/usr/bin/linkprobe", sys.executable)
        text = text.replace("/usr/share/linkprobe/deliver", str(PACKAGING / "delivery/deliver"))
        (tmp_path / unit.name).write_text(text)
    services = sorted(map(str, tmp_path.glob("*.service")))
    for command in (
        ["verify", "--man=no", *map(str, tmp_path.iterdir())],
        *(["security", "--offline=true", "--threshold=20", service] for service in services),
    ):
        done = subprocess.run(["systemd-analyze", *command], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs Debian's systemd package")
def test_everything_left_open_has_its_reason_in_the_unit() -> None:
    service = PACKAGING / "systemd/linkprobe-collect.service"
    command = ["systemd-analyze", "security", "--offline=true", "--json=short", str(service)]
    rows = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
    left_open = [row["name"].partition("/")[0].partition("=") for row in rows if row["exposure"]]
    _, _, reasons = service.read_text().partition("# What is open")
    assert left_open
    assert [name for name, _, word in left_open if (word.removeprefix("~") or name) not in reasons] == []


def test_persistent_stands_only_where_it_does_something() -> None:
    """systemd.timer(5): it "only has an effect on timers configured with OnCalendar="."""
    for unit in (PACKAGING / "systemd").glob("*.timer"):
        settings = [line.partition("=")[0] for line in unit.read_text().splitlines() if not line.startswith("#")]
        assert "Persistent" not in settings or "OnCalendar" in settings


def test_the_service_may_write_where_the_defaults_say() -> None:
    service = (PACKAGING / "systemd/linkprobe-collect.service").read_text()
    state = Path("/var/lib") / service.partition("StateDirectory=")[2].partition("\n")[0]
    assert Path(Settings().spool).is_relative_to(state)
