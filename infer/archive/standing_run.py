"""What a finished run amounts to, by its own tables, where nothing was new."""

from __future__ import annotations

import json
from array import array
from collections.abc import Sequence
from pathlib import Path

from raysplay.configs.plain_file import read_plain
from raysplay.infer.outputs.run_files import ABOUT
from raysplay.infer.outputs.run_report import RunReport
from raysplay.infer.outputs.run_tables import RunError, read_table
from raysplay.infer.outputs.settings import output_settings
from raysplay.infer.outputs.tables import number_columns
from raysplay.measure import Measure


def standing(folder: Path, reported: Sequence[Measure]) -> tuple[RunReport, float, dict[str, array[float]]]:
    """Counts, wall time and values of every measure.

    Raises
    ------
    RunError
        If the tables are not what ``raysplay measure`` writes.
    """
    limits = output_settings().run
    try:
        about = json.loads(read_plain(folder / ABOUT, limits.summary_bytes))
        report, wall = RunReport.of_counts(about["counts"]), float(about["wall_seconds"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise RunError(f"{folder / ABOUT}: cannot be read; measure again with --overwrite") from error
    numbers = number_columns(reported)
    feet = read_table(folder / "feet.csv", ("foot_index", *numbers), numbers, limits)
    values = {one.name: array("d", feet[one.name].drop_null().to_pylist()) for one in reported}
    return report, wall, values
