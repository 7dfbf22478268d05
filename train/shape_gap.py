"""Where generated feet differ from real ones: ``python -m raysplay.train.shape_gap RUN ARCHIVE``.

Landmarks that a finished run (RUN) placed on films of people are laid beside the true ones of a generated archive
(ARCHIVE), both in the frame of the second metatarsal. What is read on real films leans toward what the network was
trained on, so that a true gap is rather wider than it shows.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated

import numpy as np
import numpy.typing as npt
import pyarrow.parquet as pq
import typer

from raysplay.configs import landmark_schema
from raysplay.infer.records import Outcome
from raysplay.synthetic_data.archive import TRUTH
from raysplay.train.evaluate.truth import read_truth

Points = Mapping[str, tuple[float, float]]
"""Landmarks of one foot by code, x and y in pixels of the film."""


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
        If a cortex of the second metatarsal, or of the fifth at 30 %, is missing.
    """
    at = {code: np.array(place, dtype=float) for code, place in points.items()}
    middles: dict[str, npt.NDArray[np.float64]] = {}
    widths: dict[str, float] = {}
    for code in landmark_schema().codes:
        stem = code.removesuffix("_med")
        if stem[-1] in "pd" and code != stem and {code, f"{stem}_lat"} <= at.keys():
            medial, lateral = at.pop(code), at.pop(f"{stem}_lat")
            middles[stem], widths[stem] = (medial + lateral) / 2, float(np.linalg.norm(lateral - medial))
    origin, axis = middles["M2p"], middles["M2d"] - middles["M2p"]
    unit = float(np.linalg.norm(axis))
    side = np.array([-axis[1], axis[0]])
    side = side * np.sign(side @ (middles["M5p"] - origin))
    shape = {}
    for name, place in (middles | at).items():
        shape[f"{name} x"] = float((place - origin) @ side) / unit**2
        shape[f"{name} y"] = float((place - origin) @ axis) / unit**2
    return shape | {f"{name} width": width / unit for name, width in widths.items()}


def read_feet(run: Path) -> Iterator[Points]:
    """Landmarks of every accepted foot of a finished run."""
    decisions: dict[str, list[str]] = defaultdict(list)
    with (run / "feet.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["foot"]:
                decisions[row["film"]].append(row["decision"])
    feet: dict[tuple[str, int], dict[str, tuple[float, float]]] = defaultdict(dict)
    for row in pq.read_table(run / "landmarks.parquet").to_pylist():
        feet[row["film"], row["foot_index"]][row["landmark"]] = (row["x"], row["y"])
    for (film, index), points in feet.items():
        if decisions[film][index] == Outcome.ACCEPTED.value:
            yield points


def shape_gaps(generated: Sequence[Points], read: Sequence[Points]) -> dict[str, tuple[float, float, float, float]]:
    """Mean and standard deviation of each quantity of :func:`foot_shape` over generated and over read feet.

    Sorted by how many standard deviations of generated feet the means lie apart, widest first.
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
            gaps[name] = tuple(float(f(v)) for v in (of_generated, of_read) for f in (np.mean, np.std))
    return dict(sorted(gaps.items(), key=lambda item: -abs(_apart(item[1]))))  # type: ignore[arg-type]


def _apart(row: tuple[float, float, float, float]) -> float:
    mean, sd, other, _ = row
    return (other - mean) / sd


def main(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="Finished run on films of people.")],
    archive: Annotated[Path, typer.Argument(metavar="ARCHIVE", help="Generated films with truth.")],
    rows: Annotated[int, typer.Option(min=1, help="Rows to print.")] = 30,
) -> None:
    """Print where feet read on films of people differ most from generated ones."""
    generated = [foot.landmarks for foot in read_truth(archive / TRUTH) if foot.view == "dp" and foot.landmarks]
    generated = [points for points in generated if {"M2p_med", "M2d_med", "M5p_med"} <= points.keys()]
    read = list(read_feet(run))
    typer.echo(f"{len(generated)} generated feet, {len(read)} read ones; unit: 40 % of the second metatarsal")
    typer.echo("| quantity | generated, mean (sd) | read, mean (sd) | apart, sd of generated |\n|---|---|---|---|")
    for name, (mean, sd, other, spread) in list(shape_gaps(generated, read).items())[:rows]:
        apart = _apart((mean, sd, other, spread))
        typer.echo(f"| {name} | {mean:.3f} ({sd:.3f}) | {other:.3f} ({spread:.3f}) | {apart:+.1f} |")


if __name__ == "__main__":
    typer.run(main)
