"""A film's result as the ledger keeps it: enough for every table and every count, without the film's name.

JSON, with arrays as the bytes of their float64 numbers in base64 (RFC 4648), packed by zlib. Numbers come back bit by
bit. The name is given anew by whoever takes it out, since a film may lie under another name by then.
"""

from __future__ import annotations

import base64
import json
import zlib
from pathlib import Path
from typing import Any

import numpy as np

from raysplay.infer.films.film import Film, Spacing, SpacingKind
from raysplay.infer.films.loading import Loading
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import (
    BeamAngle,
    Decision,
    FilmRecord,
    FloatArray,
    FootLandmarks,
    FootRecord,
    FoundFoot,
    Measurement,
    Outcome,
    Withheld,
)

_MOST_BYTES = 2**26
"""Unpacked; a film with a hundred feet has less than one million."""


def stored(record: FilmRecord, film: Film | None) -> bytes:
    """The bytes that keep a film's result; of the film itself all but the pixels."""
    content = {
        "feet": [_foot(foot) for foot in record.feet],
        "decision": None if record.decision is None else _decision(record.decision),
        "remarks": [[remark.kind.value, remark.text] for remark in record.remarks],
        "seconds": record.seconds or {},
        "operations": record.operations,
        "film": None if film is None else _film(film),
    }
    return zlib.compress(json.dumps(content, separators=(",", ":")).encode("ascii"), 1)


def restored(name: str, content: bytes) -> tuple[FilmRecord, Film | None]:
    """Result and film (its pixels all 0) from what :func:`stored` gave, under a name.

    Raises
    ------
    ValueError
        If it is something else.
    """
    unpacking = zlib.decompressobj()
    try:
        text = unpacking.decompress(content, _MOST_BYTES)
        if not unpacking.eof:
            raise ValueError("cut off, or too large")
        about = json.loads(text)
        record = FilmRecord(
            name,
            tuple(_foot_of(foot) for foot in about["feet"]),
            None if about["decision"] is None else _decision_of(about["decision"]),
            tuple(Remark(RemarkKind(kind), text) for kind, text in about["remarks"]),
            {str(stage): float(spent) for stage, spent in about["seconds"].items()},
            float(about.get("operations", 0.0)),
        )
        return record, None if about["film"] is None else _film_of(name, about["film"])
    except (zlib.error, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise ValueError("no stored film") from error


def _foot(foot: FootRecord) -> dict[str, Any]:
    landmarks, found = foot.landmarks, foot.landmarks.foot
    return {
        "found": [
            _array(found.film_from_crop),
            found.side,
            float(found.side_probability),
            float(found.score),
            _plain(found.view),
            bool(found.reaches_beyond),
        ],
        "points": _array(landmarks.points),
        "covariance": _array(landmarks.covariance),
        "confidence": _array(landmarks.confidence),
        "conditions": _plain(landmarks.conditions),
        "strangeness": float(landmarks.strangeness),
        "measurements": [
            [
                one.measure,
                *(_number(value) for value in (one.value, one.low, one.high)),
                one.unit,
                one.construction,
                bool(one.proven),
                one.withheld.value if one.withheld else None,
            ]
            for one in foot.measurements
        ],
        "decision": _decision(foot.decision),
        "beam": None if foot.beam is None else [foot.beam.value, foot.beam.low, foot.beam.high],
    }


def _foot_of(about: dict[str, Any]) -> FootRecord:
    matrix, *rest = about["found"]
    found = FoundFoot(_array_of(matrix, 3, 3), *rest)
    landmarks = FootLandmarks(
        found,
        _array_of(about["points"], -1, 2),
        _array_of(about["covariance"], -1, 2, 2),
        _array_of(about["confidence"], -1),
        about["conditions"],
        about["strangeness"],
    )
    measurements = tuple(
        Measurement(
            measure,
            _number_of(value),
            _number_of(low),
            _number_of(high),
            unit,
            construction,
            proven,
            Withheld(withheld) if withheld else None,
        )
        for measure, value, low, high, unit, construction, proven, withheld in about["measurements"]
    )
    beam = about.get("beam")
    return FootRecord(
        landmarks, measurements, _decision_of(about["decision"]), None if beam is None else BeamAngle(*beam)
    )


def _decision(decision: Decision) -> list[Any]:
    return [
        decision.outcome.value,
        [[reason.kind.value, reason.text, _plain(reason.numbers)] for reason in decision.reasons],
    ]


def _decision_of(about: list[Any]) -> Decision:
    outcome, reasons = about
    return Decision(Outcome(outcome), tuple(Reason(ReasonKind(kind), text, numbers) for kind, text, numbers in reasons))


def _film(film: Film) -> dict[str, Any]:
    spacing = film.spacing
    return {
        "sha256": film.sha256,
        "shape": [int(side) for side in film.pixels.shape],
        "spacing": [spacing.row_mm, spacing.column_mm, spacing.kind.value, spacing.aspect],
        "person": film.person,
        "taken": film.taken,
        "sex": film.sex,
        "age": film.age,
        "loading": film.loading.value,
    }


def _film_of(name: str, about: dict[str, Any]) -> Film:
    rows, columns = about["shape"]
    row_mm, column_mm, kind, aspect = about["spacing"]
    return Film(
        Path(name),
        np.broadcast_to(np.float32(0), (rows, columns)),
        Spacing(row_mm, column_mm, SpacingKind(kind), aspect),
        loading=Loading(about["loading"]),
        sha256=about["sha256"],
        person=about["person"],
        taken=about["taken"],
        sex=about["sex"],
        age=about["age"],
    )


def _array(numbers: FloatArray) -> str:
    return base64.b64encode(np.ascontiguousarray(numbers, dtype="<f8").tobytes()).decode("ascii")


def _array_of(text: str, *shape: int) -> FloatArray:
    return np.frombuffer(base64.b64decode(text), dtype="<f8").astype(np.float64).reshape(shape)


def _plain(numbers: Any) -> dict[str, float]:
    return {name: float(value) for name, value in numbers.items()}


def _number_of(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def _number(value: float) -> float | None:
    return None if value != value else float(value)
