"""Films, feet and numbers of an agreement as a drawing of boxes."""

from __future__ import annotations

from collections.abc import Sequence

from raysplay.infer.agreement.flow import COMPARED, FEET_READ, FILMS_OF_RUN, FILMS_READ, NOBODY_READ, FlowStep
from raysplay.infer.report.boxes import Box, box_diagram
from raysplay.infer.report.document import Picture


def flow_diagram(steps: Sequence[FlowStep]) -> Picture:
    """Films, feet and numbers from the tables to the comparison.

    Parameters
    ----------
    steps : sequence of FlowStep
        As :func:`~raysplay.infer.agreement.flow.flow` counts them.
    """
    return box_diagram(_boxes(steps), "films, feet and numbers")


def _boxes(steps: Sequence[FlowStep]) -> list[Box]:
    """One box for each thing that is counted; what leads out of the study beside it."""
    boxes: list[Box] = []
    by_name: dict[str, Box] = {}
    of_measures: dict[str, list[FlowStep]] = {}
    of_run = {step.what: step.count for step in steps if step.what in (FILMS_OF_RUN, NOBODY_READ)}
    for step in steps:
        if step.what in of_run:
            continue
        if step.measure:
            of_measures.setdefault(step.measure, []).append(step)
        elif step.out:
            if step.count:
                by_name[step.of].out.append(f"{step.count} {step.unit}: {step.what}")
        elif step.of == FEET_READ:
            if step.count:
                by_name[FEET_READ].items.append(f"    {step.what}: {step.count}")
        else:
            said = f"{step.what}: {step.count}"
            if step.what == FILMS_READ and of_run:
                said += f" of {of_run[FILMS_OF_RUN]} films of the run ({of_run[NOBODY_READ]} read by nobody)"
            by_name[step.what] = Box([said])
            boxes.append(by_name[step.what])
    measures = Box([])
    for those in of_measures.values():
        first, *fates = those
        line = f"{first.what}: {first.count}"
        for fate in fates:
            if not fate.out:
                line += f"; {COMPARED}: {fate.count}"
            elif fate.count:
                measures.out.append(f"{fate.count} feet: {fate.what}")
        measures.items.append(line)
    return [*boxes, measures] if measures.items else boxes
