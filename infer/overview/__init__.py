"""A finished run on one page: what it holds, how numbers spread, what changed since another run, where time went.

A person confirms every number that is used in care; nothing here is a diagnosis. A run is no sample of a population.
Names are loaded when they are used.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from raysplay.infer.overview.run_overview import Overview, overview
    from raysplay.infer.overview.written import ReportFileError

_HOME = {"Overview": "run_overview", "overview": "run_overview", "ReportFileError": "written"}

__all__ = ["Overview", "ReportFileError", "overview"]


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
