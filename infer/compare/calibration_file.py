"""The calibration of intervals as a section of ``decision.yaml``."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from statistics import NormalDist

import numpy as np
import yaml

from raysplay.configs.errors import RaysplayError
from raysplay.configs.load import digest, shipped
from raysplay.infer.compare.calibration import FloatArray, interval_factor
from raysplay.infer.compare.evaluation import Pair, Pairing, readings
from raysplay.infer.compare.run_tables import MeasuredArchive
from raysplay.infer.decide.settings import decision_settings

CALIBRATION = "calibration.yaml"
"""What is written."""

_HEAD = """\
# Split conformal calibration of the intervals of each measure. Paste under `interval` of decision.yaml.
# The promise holds for feet drawn like those of the source, and for no other.
"""


class CalibrationError(RaysplayError, ValueError):
    """Films that cannot calibrate; the message says why."""


def calibration_section(
    pairs: Iterable[Pair],
    measures: Iterable[str],
    *,
    level: float,
    inflation: Mapping[str, float],
    shape_sd: Mapping[str, float] | None = None,
    read_level: float = 0.9,
    date: datetime.date,
) -> dict[str, object]:
    """What stands under ``interval`` after calibration: ``inflation`` and ``calibrated``.

    All measured feet count, accepted or not: the promise is for them together, not for the accepted alone.

    Parameters
    ----------
    pairs : iterable of Pair
        Dorsoplantar feet with what was read of them.
    measures : iterable of str
        What is calibrated, by name; one without any reading is left out.
    level : float
        Share of the truth that intervals shall hold.
    inflation : mapping of str to float
        Factors the readings were made with; 1 for a measure it does not name.
    shape_sd : mapping of str to float
        The part of the readings' standard deviations that no factor is on.
    read_level : float
        Level of the readings' intervals.
    date : datetime.date

    Raises
    ------
    CalibrationError
        If no measure has a reading, or one has too few films for the level.
    """
    measured = [pair for pair in pairs if pair.true.view == "dp" and pair.found]
    factors: dict[str, float] = {}
    feet: dict[str, int] = {}
    films: set[str] = set()
    for name in measures:
        known = readings(measured, name)
        part = NormalDist().inv_cdf(0.5 + read_level / 2.0) * (shape_sd or {}).get(name, 0.0)
        error, half = (_less(values, part) for values in (known.value - known.truth, 0.5 * (known.high - known.low)))
        factor = interval_factor(error, half, level, known.films)
        if math.isnan(factor):
            continue
        if math.isinf(factor):
            raise CalibrationError(f"{name}: {len(set(known.films))} films are too few to promise {level:g}")
        # Rounded up: a smaller factor would hold less.
        factors[name] = math.ceil(factor * inflation.get(name, 1.0) * 1000 - 1e-9) / 1000
        feet[name] = len(known.films)
        films |= set(known.films)
    if not factors:
        raise CalibrationError("no measured foot has a truth")
    seeds = {pair.true.seed for pair in measured if pair.true.film in films}
    generated = f"generated films, seed {', '.join(sorted(seeds))}" if all(seeds) else "films read by people"
    about = {"level": level, "films": len(films), "feet": feet, "source": generated, "date": date}
    return {"inflation": factors, "calibrated": about}


def _less(widths: FloatArray, part: float) -> FloatArray:
    """What is left of widths when a part that was added in quadrature is taken out."""
    left: FloatArray = np.sqrt(np.maximum(widths**2 - part**2, 0.0))
    return left


def calibrate_run(matched: Pairing, run: MeasuredArchive, level: float | None, folder: Path) -> Path:
    """Write ``calibration.yaml``, made from a run that was laid over its truth, into ``folder``.

    Raises
    ------
    CalibrationError
        If the run was made with another ``decision.yaml`` than the present one, whose factors are built upon, or its
        films cannot calibrate.
    """
    decision, limits = shipped("decision.yaml"), decision_settings().interval
    if run.digests.get(decision.name) != digest(decision):
        raise CalibrationError("the run was made with another decision.yaml; measure again")
    section = calibration_section(
        matched.pairs,
        run.constructions,
        level=limits.level if level is None else level,
        inflation=limits.inflation,
        shape_sd=limits.shape_sd,
        read_level=limits.level,
        date=datetime.date.today(),
    )
    path = folder / CALIBRATION
    body = yaml.safe_dump(section, sort_keys=False, default_flow_style=None, width=120, allow_unicode=True)
    path.write_text(_HEAD + body, encoding="utf-8")
    return path
