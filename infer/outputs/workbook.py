"""``feet.xlsx``: the feet of ``feet.csv`` for people at a table."""

from __future__ import annotations

import csv
import math
import re
import tempfile
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from operator import itemgetter
from pathlib import Path

import xlsxwriter
from xlsxwriter.exceptions import FileCreateError
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from raysplay.infer.decide.wording import DECIMALS, level_words, unit_word
from raysplay.infer.outputs.names import cell_text
from raysplay.infer.outputs.run_files import SCRATCH
from raysplay.infer.outputs.tables import read_withheld_cell
from raysplay.infer.records import Outcome
from raysplay.measure import Measure, by_name

CAUTION = (
    "Not a medical device. A person confirms every number used in care, on the film itself; accepted does not mean "
    "confirmed."
)

_CREATED = datetime(1980, 1, 1)
"""The same run gives the same bytes; the date within ZIP files that stands for none."""
_ROWS_MOST = 1_048_576
"""Rows of a sheet: Microsoft, "Excel specifications and limits" (from memory)."""
_HEADINGS = 2
"""Lines above the feet: the caution, the headings."""
_LINK = re.compile(r"overlays/[A-Za-z0-9._-]+")
"""A path that may stand in a formula; ``overlay_name`` makes no other."""
_COLOURS = {Outcome.REVIEW.value: "#FFF2CC", Outcome.REFUSED.value: "#E7E6E6"}
_LINE = 15
"""Height of a line of text, points."""
_PRINTED = 30
"""Columns that can still be read on one sheet of paper."""


def write_workbook(
    path: Path,
    feet: Path,
    reported: Sequence[Measure],
    proven: Collection[str],
    level: float,
    rows_most: int = _ROWS_MOST,
) -> None:
    """Write the rows of ``feet.csv``, each number as a number, and a sheet that explains them.

    Row by row, so that memory does not grow with the feet; text goes in as text and is never run. A picture's link is
    a formula, which stays with its row when a person sorts.

    Parameters
    ----------
    path : Path
        Of the workbook.
    feet : Path
        The finished ``feet.csv`` of a run.
    reported : sequence of Measure
    proven : collection of str
        Measures whose error is known.
    level : float
        Of the intervals, 0..1.
    rows_most : int
        Rows that a sheet holds; what is more goes on in another.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    columns = _columns(reported, proven)
    with (
        tempfile.TemporaryDirectory(prefix=SCRATCH, dir=path.parent) as scratch,
        feet.open(encoding="utf-8", newline="") as stream,
    ):
        options = {"constant_memory": True, "tmpdir": scratch, "strings_to_formulas": False, "strings_to_urls": False}
        book = xlsxwriter.Workbook(str(path), options)
        book.use_zip64()
        book.set_size(24_000, 14_000)
        book.set_properties({"title": "Raysplay", "comments": CAUTION, "created": _CREATED})
        looks = _Looks(book)
        rows = csv.DictReader(stream)
        number = 1
        while _fill(book.add_worksheet("Feet" if number == 1 else f"Feet {number}"), rows, columns, looks, rows_most):
            number += 1
        _explain(book.add_worksheet("Explanation"), reported, proven, level, looks)
        try:
            book.close()
        except FileCreateError as error:
            raise error.args[0] from None


@dataclass(frozen=True)
class _Column:
    """A column: its heading, its width in characters, what stands in it, the decimals of a number, how text looks."""

    heading: str
    width: float
    cell: Callable[[Mapping[str, str]], str]
    decimals: int | None = None
    wrapped: bool = False
    coloured: bool = False


def _columns(reported: Sequence[Measure], proven: Collection[str]) -> tuple[_Column, ...]:
    about = (
        _Column("Film", 30, itemgetter("film")),
        _Column("Foot", 6, itemgetter("foot")),
        _Column("Decision", 10, itemgetter("decision"), coloured=True),
        _Column("Reasons", 60, itemgetter("reasons"), wrapped=True),
    )
    notes = [_Column("Withheld", 28, _withheld, wrapped=True)]
    if any(measure.name not in proven for measure in reported):
        notes.append(_Column("Unproven", 14, lambda row: _abbreviations(row["unproven"]), wrapped=True))
    if any(measure.low_confidence for measure in reported):
        notes.append(_Column("Low confidence", 14, lambda row: _abbreviations(row["low_confidence"]), wrapped=True))
    notes.append(_Column("Foot index", 6, itemgetter("foot_index"), decimals=0))
    notes.append(_Column("Picture", 24, itemgetter("overlay")))
    return (*about, *(column for measure in reported for column in _numbers(measure, measure.name in proven)), *notes)


def _numbers(measure: Measure, proven: bool) -> Iterator[_Column]:
    name, short, decimals = measure.name, measure.abbreviation, DECIMALS[measure.unit]
    mark = "" if proven else ", unproven"
    yield _Column(f"{short} ({unit_word(measure.unit)}{mark})", 10, itemgetter(name), decimals)
    yield _Column(f"{short} low", 7, itemgetter(f"{name}_low"), decimals)
    yield _Column(f"{short} high", 7, itemgetter(f"{name}_high"), decimals)

    def width(row: Mapping[str, str]) -> str:
        low, high = row[f"{name}_low"], row[f"{name}_high"]
        return f"{float(high) - float(low):.{decimals}f}" if low and high else ""

    yield _Column(f"{short} width", 7, width, decimals)


def _withheld(row: Mapping[str, str]) -> str:
    pairs = read_withheld_cell(row["withheld"]).items()
    return "; ".join(f"{by_name(measure).abbreviation}: {why.words}" for measure, why in pairs)


def _abbreviations(cell: str) -> str:
    return "; ".join(by_name(name).abbreviation for name in cell.split("; ") if name)


class _Looks:
    """Formats of cells. Colours repeat what the word in the cell says."""

    def __init__(self, book: xlsxwriter.Workbook) -> None:
        def look(**properties: object) -> Format:
            return book.add_format({"valign": "top", **properties})

        self.caution = look(bold=True)
        self.heading = look(bold=True, text_wrap=True, bottom=1)
        self.plain, self.wrapped = look(), look(text_wrap=True)
        self.link = look(font_color="#0563C1", underline=1)
        self.numbers = {count: look(num_format=f"0.{'0' * count}" if count else "0") for count in (0, 1, 3)}
        self.decisions = {name: look(bg_color=colour) for name, colour in _COLOURS.items()}


def _fill(
    sheet: Worksheet, rows: Iterator[Mapping[str, str]], columns: Sequence[_Column], looks: _Looks, rows_most: int
) -> bool:
    """Write as many rows as a sheet holds; whether it is full, so that more may follow."""
    for at, column in enumerate(columns):
        sheet.set_column(at, at, column.width)
    _text(sheet, 0, 0, CAUTION, looks.caution)
    sheet.set_row(_HEADINGS - 1, 3 * _LINE)
    for at, column in enumerate(columns):
        _text(sheet, 1, at, column.heading, looks.heading)
    line = _HEADINGS
    for row in islice(rows, rows_most - _HEADINGS):
        cells = [column.cell(row) for column in columns]
        _make_room(
            sheet, line, [(text, column.width) for text, column in zip(cells, columns, strict=True) if column.wrapped]
        )
        for at, (text, column) in enumerate(zip(cells, columns, strict=True)):
            _write(sheet, line, at, column, text, looks)
        # The library keeps heights of rows that it has written: of 100,000 feet, 33 MiB.
        sheet.row_info.pop(line - 1, None)
        sheet.row_sizes.pop(line - 1, None)
        line += 1
    sheet.freeze_panes(_HEADINGS, 1)
    sheet.autofilter(_HEADINGS - 1, 0, max(line - 1, _HEADINGS), len(columns) - 1)
    sheet.set_landscape()
    sheet.set_paper(9)  # A4
    if len(columns) <= _PRINTED:
        sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0, _HEADINGS - 1)
    sheet.set_footer("&L&F&R&P / &N")
    return line == rows_most


def _write(sheet: Worksheet, line: int, at: int, column: _Column, text: str, looks: _Looks) -> None:
    if not text:
        return
    if column.decimals is not None:
        sheet.write_number(line, at, float(text), looks.numbers[column.decimals])
    elif _LINK.fullmatch(text):
        sheet.write_formula(line, at, f'=HYPERLINK("{text}","{text}")', looks.link, text)
    else:
        look = looks.wrapped if column.wrapped else looks.plain
        _text(sheet, line, at, text, looks.decisions.get(text, look) if column.coloured else look)


def _make_room(sheet: Worksheet, line: int, wrapped: Iterable[tuple[str, float]]) -> None:
    """Height for text that takes several lines of its column; not every program finds it by itself."""
    lines = max((math.ceil(len(text) / (1.1 * width)) for text, width in wrapped), default=1)
    if lines > 1:
        sheet.set_row(line, _LINE * lines)


def _text(sheet: Worksheet, line: int, at: int, text: str, look: Format) -> None:
    sheet.write_string(line, at, cell_text(text), look)


def _explain(
    sheet: Worksheet, reported: Sequence[Measure], proven: Collection[str], level: float, looks: _Looks
) -> None:
    """What the columns mean, for people who do not have the guide at hand."""
    sheet.set_column(0, 0, 24)
    sheet.set_column(1, 1, 90)
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    lines = [
        ("Caution", CAUTION),
        ("", "The numbers are no diagnosis. Interpretation and every decision belong to the treating practitioner."),
        (
            "This workbook",
            "A copy of feet.csv for people: sort and filter it as you like. raysplay review, export and evaluate read "
            "feet.csv, never this file; correct numbers in raysplay review.",
        ),
        ("Film, Foot", "Path below the folder of films; side by anatomy, L or R, empty where no foot was found."),
        ("Decision: accepted", "No check objected. Reasons, if any, are remarks. It does not mean confirmed."),
        ("Decision: review", "A person must look: see Reasons. The numbers are there to start from."),
        ("Decision: refused", "Not measured; no numbers. Also a file that yielded no film or no foot."),
        ("low, high, width", f"The {level_words(level)} interval of the number beside it, and how wide that is."),
        ("", "It says how sure the network is of the points on this film; another film of the foot differs by more."),
        ("Withheld", "Numbers that are not given, and why. Their cells are empty; nothing is guessed."),
        ("Unproven", "Numbers whose error on bones that no generator drew is unknown or too large."),
        ("Low confidence", "Numbers that are known to be read badly on this view."),
        ("Picture", "The film with the axes that were measured; the link needs the folder overlays beside this file."),
        ("Foot index", "Counts the feet of a film from 0."),
    ]
    for measure in reported:
        state = "" if measure.name in proven else "Unproven. "
        about = f"{measure.title}, {unit_word(measure.unit)}, construction {measure.construction}"
        lines.append((measure.abbreviation, f"{state}{about}. {measure.definition}"))
    for number, (name, words) in enumerate(lines):
        _make_room(sheet, number, [(words, 90)])
        _text(sheet, number, 0, name, looks.caution)
        _text(sheet, number, 1, words, looks.wrapped)
