"""Prints an evaluation and writes it as ``evaluation.json`` and ``evaluation.csv``."""

from __future__ import annotations

import csv
import json
import math
import os
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from raysplay.measure import by_name
from raysplay.train.evaluate.errors import ErrorFigures
from raysplay.train.evaluate.evaluation import Evaluation


def print_report(result: Evaluation, console: Console) -> None:
    """Print counts, decisions, one error table a group, and landmark errors where they are known."""
    console.print(
        f"{result.films} films, {result.feet} dorsoplantar feet in the truth; "
        f"found {_share(result.found, result.feet)}, "
        f"side right {_share(result.sides_right, result.found)}",
        highlight=False,
    )
    console.print(
        f"Found feet that are not there: {result.extra_feet}. "
        f"Accepted though no dorsoplantar foot: {result.false_accepts}.",
        highlight=False,
    )
    console.print(_decisions(result))
    console.print(
        f"Sent to review, of dorsoplantar feet with nothing wrong by the truth: "
        f"{_share(result.sound_reviewed, result.sound)}",
        highlight=False,
    )
    for group in result.groups:
        if any(figures.n for figures in group.measures.values()):
            console.print(_errors(group.group, dict(group.measures), console.width))
    if result.landmark_errors:
        total = sum(n for n, _, _ in result.landmark_errors.values())
        mean = sum(n * m for n, m, _ in result.landmark_errors.values()) / total
        console.print(f"Landmarks: {total} points, mean distance {mean:.2f} px", highlight=False)
    if result.films_per_minute is not None:
        console.print(f"{result.films_per_minute:.0f} films a minute", highlight=False)


def write_report(result: Evaluation, folder: Path) -> None:
    """Write both files into ``folder``, each whole or not at all."""
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
    content = json.dumps(plain(asdict(result)), indent=2, ensure_ascii=False, allow_nan=False)
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
