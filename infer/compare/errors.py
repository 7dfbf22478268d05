"""Error figures of one measure over some feet."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np
import numpy.typing as npt

from raysplay.infer.agreement.statistics.proportion import wilson
from raysplay.infer.compare.agreement import agreement
from raysplay.infer.compare.bootstrap import mean_interval_by_film
from raysplay.infer.compare.calibration import interval_factor
from raysplay.infer.compare.settings import EvaluationSettings
from raysplay.infer.decide.settings import decision_settings

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Readings:
    """One measure: measured value with its interval, truth and film of every foot, shape (n,) each."""

    value: FloatArray
    low: FloatArray
    high: FloatArray
    truth: FloatArray
    films: tuple[str, ...]

    def only(self, chosen: npt.NDArray[np.bool_]) -> Readings:
        """The feet marked in ``chosen``, shape (n,)."""
        films = tuple(film for film, keep in zip(self.films, chosen, strict=True) if keep)
        return Readings(self.value[chosen], self.low[chosen], self.high[chosen], self.truth[chosen], films)


@dataclass(frozen=True)
class ErrorFigures:
    """Errors are measured minus true, in the measure's unit; ``nan`` where no foot gives the figure.

    ``mae_low`` and ``mae_high`` are the bootstrap interval of the mean absolute error by film; ``within`` the
    share of feet no further off than each limit; ``coverage`` the share of truths inside their interval, with its
    own interval as a share; ``interval_factor`` what the widths must be multiplied by to hold the level (see
    ``calibration.py``).
    """

    n: int
    mae: float
    mae_low: float
    mae_high: float
    median_absolute: float
    rmse: float
    percentile_95: float
    bias: float
    sd: float
    loa_low: float
    loa_high: float
    within: dict[float, float]
    coverage: float
    coverage_low: float
    coverage_high: float
    interval_width: float
    interval_factor: float

    def flat(self) -> dict[str, float]:
        """The figures by name, ``within`` as one entry a limit: ``within_3``."""
        plain = asdict(self)
        within = plain.pop("within")
        return {**plain, **{f"within_{limit:g}": share for limit, share in within.items()}}


def error_figures(readings: Readings, settings: EvaluationSettings) -> ErrorFigures:
    """All figures of one measure; feet without a value or a truth are left out."""
    known = readings.only(np.isfinite(readings.value) & np.isfinite(readings.truth))
    error = known.value - known.truth
    absolute = np.abs(error)
    n = len(error)
    spread = agreement(error)
    mae_low, mae_high = mean_interval_by_film(
        absolute,
        known.films,
        samples=settings.bootstrap.samples,
        seed=settings.bootstrap.seed,
        level=settings.confidence,
    )
    held = (known.low <= known.truth) & (known.truth <= known.high)
    coverage_low, coverage_high = wilson(int(held.sum()), n, settings.confidence)
    return ErrorFigures(
        n=n,
        mae=_mean(absolute),
        mae_low=mae_low,
        mae_high=mae_high,
        median_absolute=float(np.median(absolute)) if n else np.nan,
        rmse=float(np.sqrt(_mean(error**2))),
        percentile_95=float(np.quantile(absolute, 0.95)) if n else np.nan,
        bias=spread.bias,
        sd=spread.sd,
        loa_low=spread.lower,
        loa_high=spread.upper,
        within={limit: _mean(absolute <= limit) for limit in settings.within},
        coverage=_mean(held),
        coverage_low=coverage_low,
        coverage_high=coverage_high,
        interval_width=_mean(known.high - known.low),
        interval_factor=interval_factor(
            error, 0.5 * (known.high - known.low), decision_settings().interval.level, known.films
        ),
    )


def _mean(values: npt.NDArray[np.generic]) -> float:
    return float(values.mean()) if values.size else float("nan")
