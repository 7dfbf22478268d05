"""The tool against readers, and readers among themselves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from raysplay.infer.agreement.result import Agreement

__all__ = ["agreement"]


def agreement(
    run: Path | str | None,
    reads: Sequence[Path | str],
    *,
    columns: Mapping[str, str] | None = None,
    ignore: Sequence[str] = (),
    measure: str | None = None,
    sheet: str | None = None,
    hidden: Literal["use", "leave_out"] | None = None,
    repeats: Path | str | None = None,
    study: str | None = None,
    grades: str | None = None,
    margins: Mapping[str, float] | None = None,
    thresholds: Mapping[str, float] | None = None,
    bounds: Mapping[str, float] | None = None,
    plan_limits: Mapping[str, float] | None = None,
    plan_widths: Mapping[str, float] | None = None,
    go_on: bool = False,
) -> Agreement:
    """Compare a run with reads, and readers with each other; the same as ``raysplay agreement``.

    Parameters
    ----------
    run : Path or str, optional
        Folder of a finished run; None for readers among themselves.
    reads : sequence of Path or str
        Tables of reads.
    columns : mapping of str to str, optional
        Columns by what they are (film, foot, reader, session, ...).
    ignore : sequence of str
        Columns to leave out.
    measure : str, optional
        What the numbers are, where a table has a column a reader and names no measure.
    sheet : str, optional
        Of a workbook.
    hidden : {'use', 'leave_out'}, optional
        What becomes of hidden rows and columns of a workbook; needed where there are any.
    repeats : Path or str, optional
        Table of films of feet that stood again: columns ``film`` and ``repeat_of``.
    study : str, optional
        Where a table holds several.
    grades : str, optional
        Published scheme.
    margins : mapping of str to float, optional
        Margin of interchangeability by measure, stated beforehand.
    thresholds : mapping of str to float, optional
        Values at which sensitivity and specificity are given.
    bounds : mapping of str to float, optional
        Mean absolute error that may stay: the share to review for it is sought.
    plan_limits, plan_widths : mapping of str to float, optional
        What a next study shall reach by measure: limits of agreement known to within so much, an interval of the
        intraclass correlation so wide.
    go_on : bool
        Go on though tables hold what looks like slips.

    Raises
    ------
    UserTableError, RunError
        If a table or the run cannot be used; the message names it.
    AgreementStoppedError
        If something looks like a slip and ``go_on`` is not set.
    """
    from raysplay.infer.agreement.compared import AgreementOptions, agreement_of
    from raysplay.infer.agreement.reads import ReadOptions

    reading = ReadOptions(
        sheet, dict(columns or {}), tuple(ignore), measure, study, hidden, None if repeats is None else Path(repeats)
    )
    options = AgreementOptions(
        reading,
        grades,
        dict(margins or {}),
        dict(thresholds or {}),
        dict(bounds or {}),
        dict(plan_limits or {}),
        dict(plan_widths or {}),
        go_on,
    )
    return agreement_of(None if run is None else Path(run), [Path(one) for one in reads], options)
