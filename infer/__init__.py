"""Measuring films from Python: the same way, and the same numbers, as ``raysplay measure``.

Not a medical device and no diagnosis. A person confirms every number that is used in care, on the film itself; an
accepted foot is not a confirmed one. A number that is not given is ``None`` and says why. ``PYTHON.md`` beside this
file is a guide with examples.

Names are loaded when they are used, the networks with the first film.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from raysplay.configs.errors import RaysplayError
    from raysplay.configs.load import ConfigError
    from raysplay.infer.archive.job import EngineError
    from raysplay.infer.films_to_measure import NoFilmsError
    from raysplay.infer.finished import Run, read_run
    from raysplay.infer.given_points import PointsError, measure_points
    from raysplay.infer.measuring import MeasuredRun, ReadsAtStakeError, measure, measure_into
    from raysplay.infer.network.weights_error import WeightsError
    from raysplay.infer.outputs.name_key import NameKeyError
    from raysplay.infer.outputs.run_folder import RunFolderError, RunStoppedError
    from raysplay.infer.outputs.run_tables import RunError, RunFormatError
    from raysplay.infer.progress import Progress
    from raysplay.infer.records import Outcome, Withheld
    from raysplay.infer.result_tables import PandasMissingError, to_arrow, to_pandas
    from raysplay.infer.results import (
        FilmResult,
        FootResult,
        Landmark,
        MeasuredValue,
        UnknownMeasureError,
        WithheldError,
        accepted,
    )

_FROM = {
    "raysplay.configs.errors": ("RaysplayError",),
    "raysplay.configs.load": ("ConfigError",),
    "raysplay.infer.archive.job": ("EngineError",),
    "raysplay.infer.finished": ("Run", "read_run"),
    "raysplay.infer.given_points": ("PointsError", "measure_points"),
    "raysplay.infer.films_to_measure": ("NoFilmsError",),
    "raysplay.infer.measuring": ("MeasuredRun", "ReadsAtStakeError", "measure", "measure_into"),
    "raysplay.infer.network.weights_error": ("WeightsError",),
    "raysplay.infer.outputs.name_key": ("NameKeyError",),
    "raysplay.infer.outputs.run_folder": ("RunFolderError", "RunStoppedError"),
    "raysplay.infer.outputs.run_tables": ("RunError", "RunFormatError"),
    "raysplay.infer.progress": ("Progress",),
    "raysplay.infer.records": ("Outcome", "Withheld"),
    "raysplay.infer.result_tables": ("PandasMissingError", "to_arrow", "to_pandas"),
    "raysplay.infer.results": (
        *("FilmResult", "FootResult", "Landmark", "MeasuredValue"),
        *("UnknownMeasureError", "WithheldError", "accepted"),
    ),
}
_HOME = {name: module for module, names in _FROM.items() for name in names}

__all__ = [
    "ConfigError",
    "EngineError",
    "FilmResult",
    "FootResult",
    "Landmark",
    "MeasuredRun",
    "MeasuredValue",
    "NameKeyError",
    "NoFilmsError",
    "Outcome",
    "PandasMissingError",
    "PointsError",
    "Progress",
    "RaysplayError",
    "ReadsAtStakeError",
    "Run",
    "RunError",
    "RunFolderError",
    "RunFormatError",
    "RunStoppedError",
    "UnknownMeasureError",
    "WeightsError",
    "Withheld",
    "WithheldError",
    "accepted",
    "measure",
    "measure_into",
    "measure_points",
    "read_run",
    "to_arrow",
    "to_pandas",
]


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
