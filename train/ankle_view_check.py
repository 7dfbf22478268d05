"""Whether films of the ankle still go to a person: ``python -m raysplay.train.ankle_view_check RUN LIST``.

To be run again after any change of the landmark network's weights or of the beam's model, on films of people whose view
was judged by eye: LIST is a CSV with ``film`` and ``ankle`` (yes or no), RUN a finished run on them. Thresholds:
``ankle_view`` in ``configs/decision.yaml``.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from raysplay.infer.beam.beam_angle import angle_model
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.finished import read_run
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import Outcome
from raysplay.train.beam_angle_study import points_as_read

_NEAREST = 4
"""Estimates of either kind that are printed, those nearest to the threshold."""


@dataclass(frozen=True)
class JudgedFoot:
    """A foot of a run: whether its film is one of the ankle by eye, what was decided, and the estimated angle."""

    film: str
    ankle: bool
    outcome: Outcome
    kinds: frozenset[ReasonKind]
    angle: float


def judged(films: Path) -> dict[str, bool]:
    """Whether each film of a list is one of the ankle.

    Raises
    ------
    typer.BadParameter
        Where a row says neither yes nor no, or a film stands there twice.
    """
    found: dict[str, bool] = {}
    with films.open(encoding="utf-8-sig", newline="") as stream:
        for number, row in enumerate(csv.DictReader(stream), start=2):
            film, said = row.get("film") or "", row.get("ankle")
            if said not in ("yes", "no") or not film or film in found:
                raise typer.BadParameter(f"{films.name}, line {number}: a film, once, and yes or no under ankle")
            found[film] = said == "yes"
    return found


def table(feet: Sequence[JudgedFoot], steep_from: float) -> str:
    """What became of either kind, as a table in Markdown, and the estimates nearest to the threshold.

    Parameters
    ----------
    feet : sequence of JudgedFoot
    steep_from : float
        Degrees.
    """
    lines = [
        "| films, by eye | feet | accepted | sent as perhaps of the ankle | others not accepted |",
        "|---|---|---|---|---|",
    ]
    near = []
    for name, ankle in (("of the ankle", True), ("of the foot", False)):
        those = [one for one in feet if one.ankle is ankle]
        accepted = [one for one in those if one.outcome is Outcome.ACCEPTED]
        sent = [one for one in those if ReasonKind.ANKLE_VIEW in one.kinds]
        rest = len(those) - len(accepted) - len(sent)
        lines.append(f"| {name} | {len(those)} | {len(accepted)} | {len(sent)} | {rest} |")
        known = [one for one in (*accepted, *sent) if np.isfinite(one.angle)]
        nearest = sorted(known, key=lambda one: abs(one.angle - steep_from))[:_NEAREST]
        told = ", ".join(f"{one.angle:.1f} ({one.film})" for one in nearest)
        near.append(f"{name}, accepted or sent, nearest to {steep_from:g} degrees: {told or 'none'}")
    return "\n".join((*lines, "", *near))


def main(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="A finished run.")],
    films: Annotated[Path, typer.Argument(metavar="LIST", help="CSV with film and ankle: yes or no.")],
) -> None:
    """Print what became of films of the ankle and of others."""
    by_eye, model, feet = judged(films), angle_model(), []
    for foot in read_run(run).feet():
        if foot.film in by_eye:
            estimate = model.estimate(*points_as_read(foot)) if foot.landmarks else None
            angle = float("nan") if estimate is None else estimate.value
            kinds = frozenset(one.kind for one in foot.reasons)
            feet.append(JudgedFoot(foot.film, by_eye[foot.film], foot.decision, kinds, angle))
    typer.echo(table(feet, decision_settings().ankle_view.steep_from))


if __name__ == "__main__":
    typer.run(main)
