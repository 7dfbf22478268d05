"""Reads that an earlier version saved, as this version takes them.

That version knew one side: it named the foot and it was the frame in which angles were measured, so that "wrong side"
turned the sign of every angle. It also gave numbers that the run had withheld. Such reads carry no ``frame``. Nothing
of them is written anew; a number of theirs that this version would not give is left out, with a sentence that says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from raysplay.configs.load import landmark_schema
from raysplay.infer.review.held import NOT_SETTLED
from raysplay.infer.review.worklist import shown_number
from raysplay.measure import by_name, shown_side

Json = dict[str, Any]

_TURNED = (
    "Saved by an earlier version of raysplay, which turned the sign of the angles with the name of the foot. They are "
    "left out until the foot is reopened and settled again."
)
_GIVEN = (
    "Saved by an earlier version of raysplay, which gave numbers that the run had withheld. Left out until somebody "
    "accepts each by itself: {}."
)


def is_earlier(content: Json) -> bool:
    """Whether an earlier version saved it."""
    return "frame" not in content


def completed(content: Json) -> Json:
    """The same, with what an earlier version did not keep."""
    lacking = {"frame": "", "anew": False, "accepted": {}, "withheld": {}, "hands": {}, "side_by": None, "remark": ""}
    return {**lacking, **content}


def side_of_its_points(content: Json) -> str | None:
    """As which side the points of a read show the foot, where they tell by themselves (blind reads: all by hand)."""
    schema = landmark_schema()
    points = np.full((len(schema), 2), np.nan)
    for code, (x, y, visible, _) in content["points"].items():
        if code in schema.codes and visible and x is not None and y is not None:
            points[schema.index(code)] = x, y
    return shown_side(points, schema)


def taken_over(content: Json, frame: str | None, run_side: str, held: Mapping[str, str]) -> Json:
    """A read of an earlier version as this one takes it.

    Parameters
    ----------
    content : dict
    frame : str or None
        As which side its points show the foot; None where they do not tell.
    run_side : str
        Side that the run found; empty if none.
    held : mapping of measure to cause
        What this version holds back on the read's points.
    """
    values = {
        name: [*(None if v is None else shown_number(v, by_name(name).unit) for v in ends), built, by_hand]
        for name, (*ends, built, by_hand) in content["values"].items()
    }
    numbers = [name for name, value in values.items() if value[0] is not None]
    remark, left_out = "", {}
    if numbers and frame and frame != content["side"]:
        remark, left_out = _TURNED, dict.fromkeys(numbers, NOT_SETTLED)
    elif again := [name for name in numbers if name in held]:
        left_out = {name: held[name] for name in again}
        remark = _GIVEN.format(", ".join(by_name(name).abbreviation for name in again))
    for name in left_out:
        values[name][:3] = [None, None, None]
    return {
        **completed(content),
        "frame": frame or content["side"],
        "side_by": content["corrected_by"] if content["side"] != run_side else None,
        "values": values,
        "withheld": {**{name: cause for name, cause in held.items() if name in values}, **left_out},
        "remark": remark,
    }
