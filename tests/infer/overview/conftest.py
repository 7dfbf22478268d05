"""Runs of the lighthouse island, written by the project's own writers: any files, feet, numbers and reasons."""

import csv
import hashlib
import json
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from raysplay.configs.load import landmark_schema, shipped
from raysplay.configs.protocol import protocol
from raysplay.infer.decide.decision import no_foot, not_read
from raysplay.infer.films.film import Film, FilmRejected, Spacing, SpacingKind
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.infer.outputs.run_folder import RunFolder
from raysplay.infer.outputs.run_writer import RunWriter
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import (
    Decision,
    FilmRecord,
    FootLandmarks,
    FootRecord,
    FoundFoot,
    Measurement,
    Outcome,
    Withheld,
)

MEASURES = protocol().reported_measures()
HALF = 0.8
"""Half width of every interval."""


@dataclass
class Foot:
    """``values`` by measure; one that is missing was withheld."""

    side: str = "R"
    outcome: str = "accepted"
    values: dict = field(default_factory=lambda: {"hva": 20.0, "ima": 10.0, "ima45": 8.0})
    reasons: tuple = ()


@dataclass
class File:
    """A file of an archive; ``kind`` says why it gave no film, ``content`` what its bytes are."""

    name: str
    feet: tuple = ()
    kind: ReasonKind | None = None
    content: str = ""
    person: str = ""
    sex: str = ""
    age: str = ""
    gone: bool = False


def record_of(one, measures):
    remarks = (Remark(RemarkKind.GONE, "the file was no longer there"),) if one.gone else ()
    if one.kind is not None:
        said = FilmRejected(f"{one.kind.words}: so the file says", one.kind)
        return FilmRecord(one.name, (), not_read(said), remarks, {"decode": 0.25}), None
    blank = np.broadcast_to(np.float32(0), (100, 90))
    digest = hashlib.sha256((one.content or one.name).encode()).hexdigest()
    code = hashlib.sha256(one.person.encode()).hexdigest()[:16] if one.person else ""
    spacing = Spacing(0.2, 0.2, SpacingKind.DETECTOR_PLANE)
    film = Film(
        Path(one.name), blank, spacing, sha256=digest, person=code, taken="2026-03-01", sex=one.sex, age=one.age
    )
    feet = tuple(foot_of(foot, measures) for foot in one.feet)
    decision = None if feet else no_foot()
    return FilmRecord(one.name, feet, decision, remarks, {"decode": 0.25, "find": 0.5}), film


def foot_of(foot, measures):
    count = len(landmark_schema())
    found = FoundFoot(np.eye(3), foot.side, 0.99, 0.98, {"dp": 1.0, "oblique": 0.0, "lateral": 0.0, "other": 0.0})
    placed = FootLandmarks(found, np.zeros((count, 2)), np.tile(np.eye(2), (count, 1, 1)), np.full(count, 0.9))
    outcome = Outcome(foot.outcome)
    numbers = []
    for measure in measures:
        value = foot.values.get(measure.name)
        ends = (np.nan,) * 3 if value is None else (value, value - HALF, value + HALF)
        why = Withheld.WIDE_INTERVAL if value is None else None
        numbers.append(Measurement(measure.name, *ends, measure.unit, measure.construction, True, why))
    kept = () if outcome is Outcome.REFUSED else tuple(numbers)
    reasons = tuple(Reason(kind, text) for kind, text in foot.reasons)
    return FootRecord(placed, kept, Decision(outcome, reasons))


def write_run(folder, files, *, measures=MEASURES, weights=None, protocol_file=None):
    """The run of these files in ``folder``."""
    writer = RunWriter(RunFolder(folder), landmark_schema(), measures, overlays=False)
    for one in files:
        writer.append(*record_of(one, measures))
    return writer.finish(
        command=["raysplay", "measure"],
        wall_seconds=60.0,
        weights={"landmarks.safetensors": "ab" * 32} if weights is None else weights,
        protocol=protocol_file or shipped("protocol.yaml"),
        films=folder.parent / "films",
    )


def archive(number, *, seed=5, shift=0.0, first=0, feet=1, noise=0.0):
    """``number`` films of one person each, with numbers that depend on ``seed`` and the number of the film alone."""
    files = []
    for i in range(first, first + number):
        rng = np.random.default_rng([seed, i])
        numbers = []
        for side in "RL"[:feet]:
            hva = float(rng.normal(22.0, 8.0)) + shift + float(rng.normal(0.0, noise) if noise else 0.0)
            values = {"hva": hva, "ima": float(rng.normal(12.0, 3.0)), "ima45": float(rng.normal(9.0, 2.0))}
            outcome = "accepted" if rng.random() < 0.8 else "review"
            reasons = () if outcome == "accepted" else ((ReasonKind.METAL, "metal in the foot"),)
            numbers.append(Foot(side, outcome, values, reasons))
        files.append(File(f"spring/keeper-{i:04d}.dcm", tuple(numbers), person=f"person {i}"))
    return files


def rows_of(folder, table):
    with (folder / table).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def change_about(folder, change):
    """Let ``change`` alter what ``run.json`` says."""
    path = folder / "run.json"
    about = json.loads(path.read_text(encoding="utf-8"))
    change(about)
    path.write_text(json.dumps(about), encoding="utf-8")


HARBOUR = [
    File("spring/keeper-01.dcm", (Foot("R"),), sex="F", age="40 to 49", person="keeper"),
    File(
        "spring/cook-both.dcm",
        (
            Foot("R", "review", {"hva": 33.3, "ima": 14.2}, ((ReasonKind.METAL, "metal in the foot"),)),
            Foot("L", "refused", {}, ((ReasonKind.NOT_DORSOPLANTAR, "not a dorsoplantar view: looks lateral (0.99)"),)),
        ),
        sex="M",
        age="60 to 69",
        person="cook",
    ),
    File("spring/hand.dcm"),
    File("spring/copy.dcm", kind=ReasonKind.DUPLICATE),
    File("spring/log.txt", kind=ReasonKind.OTHER_FILE),
    File("spring/torn.dcm", kind=ReasonKind.TRUNCATED),
    File("spring/side.dcm", kind=ReasonKind.LEFT_OUT),
    File("summer/smith-01.dcm", (Foot("L", "accepted", {"hva": 11.0, "ima": 7.5, "ima45": 6.0}),)),
]


@pytest.fixture
def harbour(tmp_path):
    return write_run(tmp_path / "harbour", HARBOUR)
