"""Where generated feet differ from real ones: ``raysplay shape-gap RUN ARCHIVE``.

Landmarks that a finished run (RUN) placed on films of people are laid beside the true ones of a generated archive
(ARCHIVE), both in the frame of the second metatarsal. What is read on real films leans toward what the network was
trained on, so that a true gap is rather wider than it shows.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import typer

from raysplay.infer.compare.run_tables import MeasuredArchive, read_run
from raysplay.infer.compare.truth import read_truth
from raysplay.infer.records import Outcome
from raysplay.measure.axes import SHAFT_LEVELS
from raysplay.synthetic_data.archive import TRUTH

Points = Mapping[str, tuple[float, float]]
"""Landmarks of one foot by code, x and y in pixels of the film."""

FRAME = frozenset(f"{level}_{side}" for level in ("M2p", "M2d", "M5p") for side in ("med", "lat"))
"""Landmarks without which a foot has no frame."""


class Gap(NamedTuple):
    """Mean and standard deviation of one quantity over generated feet and over those read."""

    generated: float
    generated_sd: float
    read: float
    read_sd: float

    @property
    def apart(self) -> float:
        """How many standard deviations of generated feet the means lie apart."""
        return (self.read - self.generated) / self.generated_sd


def foot_shape(points: Points) -> dict[str, float]:
    """Places and widths of one foot, the same for left and right feet, films of every resolution and turn.

    The origin is the middle of the second metatarsal at 30 % of its length, its axis points up, and the middle at 70 %
    lies at 1. ``CODE x`` is how far to the side of the fifth toe a landmark lies, ``CODE y`` how far distally; a pair
    of cortices gives its middle, and as ``width`` its distance.

    Parameters
    ----------
    points : mapping of str to (float, float)
        Landmarks without a place are left out of the result.

    Raises
    ------
    KeyError
        If one of :data:`FRAME` is missing.
    """
    at = {code: np.array(place, dtype=float) for code, place in points.items()}
    middles: dict[str, npt.NDArray[np.float64]] = {}
    widths: dict[str, float] = {}
    for level in SHAFT_LEVELS:
        if {f"{level}_med", f"{level}_lat"} <= at.keys():
            medial, lateral = at.pop(f"{level}_med"), at.pop(f"{level}_lat")
            middles[level], widths[level] = (medial + lateral) / 2, float(np.linalg.norm(lateral - medial))
    origin, axis = middles["M2p"], middles["M2d"] - middles["M2p"]
    unit = float(np.linalg.norm(axis))
    side = np.array([-axis[1], axis[0]])
    side = side * np.sign(side @ (middles["M5p"] - origin))
    shape = {}
    for name, place in (middles | at).items():
        shape[f"{name} x"] = float((place - origin) @ side) / unit**2
        shape[f"{name} y"] = float((place - origin) @ axis) / unit**2
    return shape | {f"{name} width": width / unit for name, width in widths.items()}


def accepted_feet(run: MeasuredArchive) -> Iterator[Points]:
    """Landmarks of every accepted foot of a finished run."""
    for feet in run.films.values():
        for foot in feet:
            if foot.decision == Outcome.ACCEPTED.value:
                yield foot.landmarks


def shape_gaps(generated: Sequence[Points], read: Sequence[Points]) -> dict[str, Gap]:
    """Every quantity of :func:`foot_shape` over generated and over read feet, the widest gap first.

    What hardly varies over generated feet is left out: the frame itself.
    """
    columns: list[dict[str, list[float]]] = []
    for feet in (generated, read):
        values: dict[str, list[float]] = defaultdict(list)
        for points in feet:
            for name, value in foot_shape(points).items():
                values[name].append(value)
        columns.append(values)
    gaps = {}
    for name, of_generated in columns[0].items():
        of_read = columns[1].get(name, [])
        if min(len(of_generated), len(of_read)) > 1 and np.std(of_generated) > 1e-3:
            gaps[name] = Gap(*(float(f(v)) for v in (of_generated, of_read) for f in (np.mean, np.std)))
    return dict(sorted(gaps.items(), key=lambda item: -abs(item[1].apart)))


def report(run: Path, archive: Path, rows: int = 30) -> None:
    """Print where feet read on films of people differ most from generated ones.

    Parameters
    ----------
    run : Path
        Finished run on films of people.
    archive : Path
        Generated films with their truth.
    rows : int
        To print, those that lie furthest apart first.

    Raises
    ------
    UserTableError
        If the truth cannot be used.
    RunError
        If the run cannot be read.
    """
    generated = [foot.landmarks for foot in read_truth(archive / TRUTH) if foot.view == "dp"]
    read = list(accepted_feet(read_run(run)))
    generated, read = ([points for points in feet if points.keys() >= FRAME] for feet in (generated, read))
    typer.echo(f"{len(generated)} generated feet, {len(read)} read ones; unit: 40 % of the second metatarsal")
    typer.echo("| quantity | generated, mean (sd) | read, mean (sd) | apart, sd of generated |\n|---|---|---|---|")
    for name, gap in list(shape_gaps(generated, read).items())[:rows]:
        typer.echo(
            f"| {name} | {gap.generated:.3f} ({gap.generated_sd:.3f}) | {gap.read:.3f} ({gap.read_sd:.3f}) | "
            f"{gap.apart:+.1f} |"
        )
