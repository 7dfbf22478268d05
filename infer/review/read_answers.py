"""Reads as the page is told of them."""

from __future__ import annotations

from typing import cast

from raysplay.infer.review import answers
from raysplay.infer.review.earlier import completed
from raysplay.infer.review.standing import Json
from raysplay.infer.review.store import Entry

_NUMBER = ("value", "low", "high", "construction", "by_hand")


def short(run: str | None) -> str | None:
    """A run as a person is told it: the first twelve digits of its identity."""
    return None if run is None else run[:12]


def read_answer(entry: Entry, remark: str, run: str | None) -> answers.Read:
    """A read with what stood before and after it, as it was saved.

    Parameters
    ----------
    entry : Entry
    remark : str
        What of it is left out now.
    run : str or None
        Identity of the earlier run that it was made on.
    """
    return {
        "version": entry.version,
        "when": entry.at,
        "reader": entry.reader,
        "verdict": entry.verdict,
        "note": entry.after["note"],
        "reason": entry.after["reason"],
        "remark": remark,
        "before": content_answer(completed(entry.before)),
        "after": content_answer(completed(entry.after)),
        "run": short(run),
    }


def theirs_answer(entry: Entry, content: Json) -> answers.Theirs:
    """What somebody saved in the meantime: the read, and what stands after it as it counts now."""
    who = {"version": entry.version, "when": entry.at, "reader": entry.reader, "verdict": entry.verdict}
    return cast(answers.Theirs, {**who, **content_answer(content)})


def yours_answer(version: int, verdict: str, content: Json) -> answers.Yours:
    """What was to be saved on a version."""
    return cast(answers.Yours, {"version": version, "verdict": verdict, **content_answer(content)})


def content_answer(content: Json) -> answers.Content:
    """What stood or stands; of points only those that differ from the model's."""
    points = [
        {"code": code, "x": x, "y": y, "visible": visible, "moved": moved}
        for code, (x, y, visible, moved) in content["points"].items()
    ]
    values = {name: dict(zip(_NUMBER, number, strict=True)) for name, number in content["values"].items()}
    # What an older store holds beside is handed on, as it was saved.
    return cast(answers.Content, {**content, "points": points, "values": values})
