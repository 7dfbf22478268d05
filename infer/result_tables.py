"""Results as tables of Arrow and pandas, under the names that the tables of a run have."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, Literal, cast, get_args

from raysplay.configs.errors import RaysplayError
from raysplay.infer.outputs.landmarks_table import COLUMNS
from raysplay.infer.outputs.tables import (
    BEAM,
    FEET_ABOUT,
    FEET_NOTES,
    LOW,
    MEASUREMENTS_HEADER,
    NUMBER_ENDS,
    PROVEN,
    UNPROVEN,
    beam_cells,
    joined,
    said,
    withheld_cell,
)
from raysplay.infer.records import Outcome
from raysplay.infer.results import FilmResult, FootResult

if TYPE_CHECKING:
    import pandas
    import pyarrow

Rows = Literal["feet", "measurements", "landmarks"]
"""What one row is: a foot or a file that yielded none; a number of a foot that was not refused; a placed landmark."""

_PICTURE = "overlay"
_FEET_NOTES = tuple(name for name in FEET_NOTES if name != _PICTURE)
_MEASUREMENTS = tuple(name for name in MEASUREMENTS_HEADER if name != _PICTURE)

Row = dict[str, Any]


class PandasMissingError(RaysplayError, ImportError):
    """pandas is asked for and not installed."""


def to_arrow(films: Iterable[FilmResult], rows: Rows = "feet", measures: Sequence[str] | None = None) -> pyarrow.Table:
    """Results of films as a table, the columns named as in the tables of a run.

    Parameters
    ----------
    films : iterable of FilmResult
        What :func:`~raysplay.infer.measuring.measure` gives, or a :class:`~raysplay.infer.finished.Run`.
    rows : {'feet', 'measurements', 'landmarks'}
        What one row is. ``feet``: decision, reasons, each measure with the ends of its interval, and ``withheld``,
        ``unproven``, ``low_confidence``, the beam's angle; files without a foot have their row, too. ``measurements``:
        one number a row, none of refused feet. ``landmarks``: pixels of the film, covariance in square pixels.
    measures : sequence of str, optional
        Columns of ``feet``; those of the first foot by default.

    Returns
    -------
    pyarrow.Table
        Numbers that are not given are null, and ``withheld`` says why. Look at ``decision`` before counting anything.

    Raises
    ------
    ValueError
        If ``rows`` is none of these.
    """
    import pyarrow as pa

    if rows not in get_args(Rows):
        raise ValueError(f"rows must be one of {', '.join(get_args(Rows))}, not {rows!r}")
    if rows == "landmarks":
        return pa.Table.from_pylist(list(_landmarks(films)), schema=COLUMNS)
    if rows == "measurements":
        numbers = {"foot_index": pa.int32(), **dict.fromkeys(("value", "low", "high"), pa.float64())}
        schema = pa.schema([(name, numbers.get(name, pa.string())) for name in _MEASUREMENTS])
        return pa.Table.from_pylist(list(_measurements(films)), schema=schema)
    films = list(films)
    if measures is None:
        measures = next((tuple(foot.measures) for film in films for foot in film.feet), ())
    columns = dict.fromkeys(FEET_ABOUT, pa.string()) | {"foot_index": pa.int32()}
    columns |= {f"{name}{end}": pa.float64() for name in measures for end in NUMBER_ENDS}
    columns |= dict.fromkeys(_FEET_NOTES, pa.string()) | dict.fromkeys(BEAM, pa.int32())
    return pa.Table.from_pylist([row for film in films for row in _feet(film)], schema=pa.schema(columns))


def to_pandas(
    films: Iterable[FilmResult], rows: Rows = "feet", measures: Sequence[str] | None = None
) -> pandas.DataFrame:
    """The same as a data frame; numbers that are not given are ``NaN``, and ``withheld`` says why.

    Raises
    ------
    PandasMissingError
        If pandas is not installed; Raysplay does not bring it.
    """
    try:
        import pandas  # noqa: F401
    except ImportError as error:
        raise PandasMissingError("pandas is not installed: pip install pandas, or use to_arrow") from error
    return cast("pandas.DataFrame", to_arrow(films, rows, measures).to_pandas())


def _feet(film: FilmResult) -> Iterator[Row]:
    nothing = dict.fromkeys((name for name in _FEET_NOTES if name not in BEAM), "")
    if not film.feet:
        outcome = (film.decision or Outcome.REFUSED).value
        yield {"film": film.film, "foot": "", "decision": outcome, **_said(film), **nothing}
    for foot in film.feet:
        given = [one for one in foot.measures.values() if one.value is not None]
        yield {
            **_about(foot),
            "decision": foot.decision.value,
            **_said(foot),
            **{
                f"{one.measure}{end}": number
                for one in given
                for end, number in zip(NUMBER_ENDS, (one.value, one.low, one.high), strict=True)
            },
            "withheld": withheld_cell(foot.measures.values()),
            "unproven": joined(one.measure for one in given if not one.proven),
            "low_confidence": joined(one.measure for one in given if one.low_confidence),
            **dict(zip(BEAM, beam_cells(foot.beam), strict=True)),
        }


def _said(about: FilmResult | FootResult) -> Row:
    return dict(zip(("reasons", "reason_kinds"), said(about.reasons), strict=True))


def _measurements(films: Iterable[FilmResult]) -> Iterator[Row]:
    for foot in (foot for film in films for foot in film.feet if foot.decision is not Outcome.REFUSED):
        for one in foot.measures.values():
            yield {
                **_about(foot),
                **{name: getattr(one, name) for name in ("measure", "value", "unit", "low", "high", "construction")},
                "decision": foot.decision.value,
                "withheld": one.withheld.value if one.withheld else "",
                "proof": PROVEN if one.proven else UNPROVEN,
                "confidence": LOW if one.low_confidence else "",
            }


def _landmarks(films: Iterable[FilmResult]) -> Iterator[Row]:
    for foot in (foot for film in films for foot in film.feet):
        for one in foot.landmarks.values():
            (var_x, cov_xy), (_, var_y) = one.covariance.tolist()
            place = {"x": one.x, "y": one.y, "var_x": var_x, "cov_xy": cov_xy, "var_y": var_y}
            yield {**_about(foot), "landmark": one.code, **place, "confidence": one.confidence}


def _about(foot: FootResult) -> Row:
    return {"film": foot.film, "foot": foot.side, "foot_index": foot.index}
