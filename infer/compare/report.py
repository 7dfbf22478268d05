"""Prints an evaluation and writes it as ``evaluation.json`` and ``evaluation.csv``."""

from __future__ import annotations

import csv
import json
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from raysplay.infer.compare.errors import ErrorFigures
from raysplay.infer.compare.evaluation import Evaluation
from raysplay.infer.compare.settings import evaluation_settings
from raysplay.infer.compare.truth_use import TruthUse
from raysplay.measure import by_name

FILES = ("evaluation.json", "evaluation.csv")
"""What a report consists of."""


def print_report(result: Evaluation, console: Console, cautions: Sequence[str] = ()) -> None:
    """Print counts, decisions, cautions, one error table a group, and landmark errors where they are known."""
    console.print(
        f"{result.films} films, {result.feet} dorsoplantar feet in the truth; "
        f"found {_share(result.found, result.feet)}, "
        f"side right {_share(result.sides_right, result.found)}",
        highlight=False,
    )
    console.print(
        f"Found feet that the truth does not name: {result.extra_feet}, of these accepted: {result.extra_accepted} "
        "(wrongly, if it names every foot).",
        highlight=False,
    )
    console.print(
        f"Accepted though by the truth no dorsoplantar foot: {result.false_accepts - result.extra_accepted}.",
        highlight=False,
    )
    console.print(_decisions(result))
    if any(sum(fates.values()) for fates in result.values.values()):
        console.print(_values(result))
    console.print(
        f"Sent to review, of dorsoplantar feet with nothing wrong by the truth: "
        f"{_share(result.sound_reviewed, result.sound)}",
        highlight=False,
    )
    for caution in cautions:
        console.print(f"Caution: {caution}", style="bold", highlight=False, markup=False, soft_wrap=True)
    for group in result.groups:
        if any(figures.n for figures in group.measures.values()):
            console.print(_errors(group.group, dict(group.measures), console.width))
            if few := _few(group.measures):
                console.print(few, highlight=False, soft_wrap=True)
    if result.landmark_errors:
        total = sum(n for n, _, _ in result.landmark_errors.values())
        mean = sum(n * m for n, m, _ in result.landmark_errors.values()) / total
        most = max(n for n, _, _ in result.landmark_errors.values())
        console.print(f"Landmarks: {total} points on up to {most} feet, mean distance {mean:.2f} px", highlight=False)
    if result.films_per_minute is not None:
        console.print(f"{result.films_per_minute:.0f} films a minute", highlight=False)


def write_report(
    result: Evaluation,
    folder: Path,
    *,
    use: TruthUse | None = None,
    run: Path | None = None,
    cautions: Sequence[str] = (),
) -> None:
    """Write both files into ``folder``, each whole or not at all.

    Parameters
    ----------
    result : Evaluation
    folder : Path
    use : TruthUse, optional
        What of the table of truth was used.
    run : Path, optional
        Folder of the run that was compared.
    cautions : sequence of str
    """
    folder.mkdir(parents=True, exist_ok=True)
    partial = folder / "evaluation.csv.partial"
    with partial.open("w", encoding="utf-8", newline="") as stream:
        rows = [
            {"group": group.group, "measure": name, **plain(figures.flat())}
            for group in result.groups
            for name, figures in group.measures.items()
        ]
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    os.replace(partial, folder / "evaluation.csv")
    partial = folder / "evaluation.json.partial"
    about = {
        "run": None if run is None else str(run.absolute()),
        "truth": None if use is None else asdict(use),
        "cautions": list(cautions),
    }
    content = json.dumps(plain(about | asdict(result)), indent=2, ensure_ascii=False, allow_nan=False)
    partial.write_text(content + "\n", encoding="utf-8")
    os.replace(partial, folder / "evaluation.json")


def _decisions(result: Evaluation) -> Table:
    table = Table(title="What became of each foot, by true view", title_justify="left")
    table.add_column("View")
    names = list(next(iter(result.decisions.values()), {}))
    for name in names:
        table.add_column(name, justify="right")
    for view, counts in result.decisions.items():
        table.add_row(view, *(str(counts[name]) for name in names))
    return table


def _values(result: Evaluation) -> Table:
    table = Table(title="What became of each true value", title_justify="left")
    table.add_column("Measure")
    fates = list(next(iter(result.values.values()), {}))
    table.add_column("in the table", justify="right")
    for fate in fates:
        table.add_column(fate, justify="right")
    for name, counts in result.values.items():
        if sum(counts.values()):
            cells = (str(counts[fate]) for fate in fates)
            table.add_row(by_name(name).abbreviation, str(sum(counts.values())), *cells)
    return table


def _few(measures: Mapping[str, ErrorFigures]) -> str:
    """A sentence where figures rest on few feet, else nothing."""
    least = evaluation_settings().few_feet
    few = [f"{by_name(name).abbreviation} on {f.n}" for name, f in measures.items() if 0 < f.n < least]
    return f"Fewer than {least} feet ({', '.join(few)}): each of them moves these figures." if few else ""


_WIDE = 120
"""Columns of a screen from which the whole table fits; a narrower one shows the first figures only."""


def _errors(title: str, measures: dict[str, ErrorFigures], width: int) -> Table:
    limits = list(next(iter(measures.values())).within)
    headings = ["n", "MAE", "95 % CI", *(f"≤{limit:g}" for limit in limits), "Bias", "Coverage"]
    more = ["Median", "RMSE", "P95", "95 % limits", "Width"]
    table = Table(title=f"Errors, {title} (degrees)", title_justify="left")
    table.add_column("Measure", no_wrap=True)
    for heading in [*headings, *more] if width >= _WIDE else headings:
        table.add_column(heading, justify="right", no_wrap=True)
    for name, f in measures.items():
        if not f.n:
            continue
        cells = [
            str(f.n),
            _number(f.mae),
            _range(f.mae_low, f.mae_high),
            *(_percent(f.within[limit]) for limit in limits),
            _number(f.bias),
            _percent(f.coverage),
            _number(f.median_absolute),
            _number(f.rmse),
            _number(f.percentile_95),
            _range(f.loa_low, f.loa_high),
            _number(f.interval_width),
        ]
        table.add_row(by_name(name).abbreviation, *cells[: len(table.columns) - 1])
    return table


def plain(value: Any) -> Any:
    """``value`` as JSON takes it: numbers as keys become text, numbers that are not finite ``None``."""
    if isinstance(value, dict):
        return {f"{k:g}" if isinstance(k, float) else k: plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    return _finite(value)


def _finite(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _number(value: float) -> str:
    return f"{value:.2f}" if math.isfinite(value) else ""


def _range(low: float, high: float) -> str:
    return f"{low:.2f} to {high:.2f}" if math.isfinite(low) else ""


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if math.isfinite(share) else ""


def _share(part: int, whole: int) -> str:
    return f"{part} of {whole} ({100 * part / whole:.1f} %)" if whole else "none"
