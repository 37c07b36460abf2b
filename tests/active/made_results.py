"""Results of tests as documents, made by the runs themselves on models."""

from msgspec.structs import replace

from fake_sysfs.hardware import Receiver, Wall
from probe.active.documents import SpeedsDocument, TrainingDocument
from probe.active.judging import speeds_document, training_document
from probe.active.margining.document import MarginDocument
from probe.active.under_load import Carried
from probe.evidence import Host
from tests.active.margin_bench import margin, model
from tests.active.model import Comes, Faults, Model, link
from tests.active.test_speeds import go
from tests.active.test_speeds import judged as speeds_judged
from tests.active.test_trainings import judged, run

HOST = Host(taken_at="2026-03-01T10:00:00+00:00", name="mast-01", machine_id="1" * 32)
TITLE = "slot 1, upper riser"


def training() -> TrainingDocument:
    """Sixty trainings, four of them short."""
    short = {7: Comes(width=4, lanes=0x30), 12: Comes(speed_gts=8.0), 20: Comes(width=4), 33: Comes(width=4)}
    outcomes = [short.get(number, Comes(ms=5.0 + number % 4)) for number in range(60)]
    return training_document(HOST, [replace(judged(run(Model(link(), outcomes), 60), 60), title=TITLE)], ())


def unobserved() -> TrainingDocument:
    """A port that ignores what is asked of it."""
    found = judged(run(Model(link(), faults=Faults(ignores_retrain=True)), 5), 5)
    return training_document(HOST, [replace(found, title=TITLE)], ())


def speeds() -> SpeedsDocument:
    """A link that does not get to its top speed, under a load."""
    model_ = Model(link(), [Comes()] * 3 + [Comes(speed_gts=8.0)] * 3)
    found = speeds_judged(go(model_, carried=Carried(1.3e9)), loaded=True)
    return speeds_document(HOST, [replace(found, title=TITLE)], ())


def margins() -> MarginDocument:
    """Four lanes of which one is narrow."""
    receiver = Receiver(timing_steps=12, voltage=False, eye=Wall(left=9, right=9), eyes={2: Wall(left=3, right=4)})
    done = margin(model({1: receiver, 6: receiver}), seconds=0.02)
    return replace(done.document, host=HOST)
