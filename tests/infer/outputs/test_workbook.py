"""``feet.xlsx``, read back with openpyxl."""

import csv
import tracemalloc
from dataclasses import replace

import openpyxl
import pytest
from openpyxl.utils.escape import unescape

from raysplay.configs.protocol import read_protocol, reported_measures
from raysplay.infer.outputs.csv_table import CsvTable
from raysplay.infer.outputs.names import film_name
from raysplay.infer.outputs.tables import feet_header, feet_rows
from raysplay.infer.outputs.workbook import CAUTION, write_workbook
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Decision, Outcome, Withheld

PROVEN = ("hva", "ima", "ima45")
PICTURE = "overlays/ward_a.dcm-0123456789abcdef0123-1R.png"


@pytest.fixture
def write(tmp_path):
    def wrote(records, measures=None, overlays=(PICTURE,), name="feet.xlsx", **limits):
        measures = measures or reported_measures()
        with CsvTable(tmp_path / "feet.csv", feet_header(measures)) as table:
            for record in records:
                for row in feet_rows(record, measures, overlays):
                    table.append(row)
        write_workbook(tmp_path / name, tmp_path / "feet.csv", measures, PROVEN, 0.9, **limits)
        return tmp_path / name

    return wrote


def headings(sheet):
    return [cell.value for cell in sheet[2]]


def line(sheet, number=3):
    return dict(zip(headings(sheet), [cell.value for cell in sheet[number]], strict=True))


def test_a_foot_is_a_row_with_numbers_as_numbers(write, film_record, foot_record):
    """Negative angles stay numbers; the width is the interval's."""
    foot = foot_record(values={"hva": -3.2})
    known = tuple(
        replace(one, withheld=Withheld.WIDE_INTERVAL, value=float("nan"), low=float("nan"), high=float("nan"))
        if one.measure == "ima45"
        else replace(one, proven=True)
        for one in foot.measurements
    )
    refused = replace(
        foot,
        decision=Decision(
            Outcome.REFUSED, (Reason(ReasonKind.NOT_DORSOPLANTAR, "not a dorsoplantar view: looks lateral (0.99)"),)
        ),
    )
    book = openpyxl.load_workbook(write([film_record(feet=[replace(foot, measurements=known), refused])]))
    sheet = book["Feet"]
    assert sheet["A1"].value == CAUTION
    foot = line(sheet)
    assert (foot["Film"], foot["Foot"], foot["Decision"]) == ("ward/a.dcm", "R", "accepted")
    numbers = [foot[name] for name in ("HVA (degrees)", "HVA low", "HVA high", "HVA width")]
    assert numbers == [-3.2, -4.2, -2.2, 2.0]
    assert all(isinstance(one, float | int) for one in numbers)
    assert foot["IMA 4-5 (degrees)"] is foot["IMA 4-5 width"] is None
    assert foot["Withheld"] == "IMA 4-5: its interval is too wide"
    assert line(sheet, 4)["Decision"] == "refused"
    assert line(sheet, 4)["HVA (degrees)"] is None
    assert (sheet.freeze_panes, sheet.auto_filter.ref) == ("B3", "A2:S4")
    assert sheet["E3"].number_format == "0.0"


def test_the_picture_is_a_link_beside_the_file_that_moves_with_its_row(write, film_record):
    """A formula, since links of cells need not follow when rows are sorted; its text is ours alone."""
    sheet = openpyxl.load_workbook(write([film_record()]))["Feet"]
    assert line(sheet)["Picture"] == f'=HYPERLINK("{PICTURE}","{PICTURE}")'
    shown = openpyxl.load_workbook(write([film_record()]), data_only=True)["Feet"]
    assert line(shown)["Picture"] == PICTURE


EVIL = ["=1+1", "+1", "-1", "@SUM(A1)", "＝1", "=cmd|' /C calc'!A0", "http://lighthouse.example", "{=1}", "_x003D_1"]


@pytest.mark.parametrize("text", EVIL)
def test_nothing_of_a_file_or_a_reason_becomes_a_formula_or_a_link(write, film_record, foot_record, text):
    """OWASP, "CSV Injection"; cells are text by their type (ECMA-376, 18.3.1.4), whatever they begin with, and what
    would read as an escaped sign is escaped itself (22.9.2.19)."""
    refused = replace(foot_record(), decision=Decision(Outcome.REFUSED, (Reason(ReasonKind.UNREADABLE, text),)))
    record = film_record(film_name(f"{text}.dcm"), feet=[refused])
    sheet = openpyxl.load_workbook(write([record], overlays=(text,)))["Feet"]
    foot = {name: unescape(value) if isinstance(value, str) else value for name, value in line(sheet).items()}
    assert foot["Film"] == film_name(f"{text}.dcm")
    assert foot["Reasons"].lstrip("'") == foot["Picture"].lstrip("'") == text
    assert {cell.data_type for cell in sheet[3] if cell.value is not None} == {"s", "n"}
    assert all(cell.hyperlink is None for cell in sheet[3])


def test_what_is_not_proven_is_said_in_the_heading_and_in_the_row(write, film_record, foot_record):
    measures = read_protocol("protocol_full.yaml").reported_measures()
    book = openpyxl.load_workbook(write([film_record()], measures))
    heads = headings(book["Feet"])
    assert "HVA (degrees)" in heads
    assert "HIA (degrees, unproven)" in heads
    assert {"Unproven", "Low confidence"} <= set(heads)
    explained = {row[0].value: row[1].value for row in book["Explanation"] if row[0].value}
    assert explained["HIA"].startswith("Unproven. ")
    assert not explained["HVA"].startswith("Unproven")
    assert {measure.abbreviation for measure in measures} <= explained.keys()
    assert "accepted does not mean confirmed" in explained["Caution"]


def test_the_same_feet_give_the_same_bytes(write, film_record):
    one, two = (write([film_record()], name=name).read_bytes() for name in ("one.xlsx", "two.xlsx"))
    assert one == two


def test_no_foot_is_lost_where_a_sheet_is_full(write, film_record, tmp_path):
    """Microsoft, "Excel specifications and limits": 1,048,576 rows (from memory); here a sheet holds five."""
    names = [f"{i}.dcm" for i in range(8)]
    book = openpyxl.load_workbook(write([film_record(name) for name in names], rows_most=5))
    told = [row[0].value for sheet in book.worksheets[:-1] for row in sheet.iter_rows(min_row=3)]
    assert book.sheetnames == ["Feet", "Feet 2", "Feet 3", "Explanation"]
    assert told == names
    with (tmp_path / "feet.csv").open(encoding="utf-8", newline="") as stream:
        assert [row["film"] for row in csv.DictReader(stream)] == names


def test_a_run_without_a_file_has_a_workbook(write):
    assert openpyxl.load_workbook(write([])).sheetnames == ["Feet", "Explanation"]


def test_nothing_is_left_beside_it(write, film_record, tmp_path):
    write([film_record()])
    assert {path.name for path in tmp_path.iterdir()} == {"feet.csv", "feet.xlsx"}


def test_memory_does_not_grow_with_the_feet_and_rows_keep_their_heights(write, film_record, foot_record):
    long = Decision(Outcome.REVIEW, (Reason(ReasonKind.WIDE_INTERVAL, "two bones overlap, one of them is cut " * 5),))
    record = film_record(feet=[replace(foot_record(), decision=long)])
    peaks = []
    for count in (300, 3300):
        tracemalloc.start()
        book = write([record] * count)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] - peaks[0] < 200_000
    sheet = openpyxl.load_workbook(book)["Feet"]
    assert {sheet.row_dimensions[number].height for number in (3, 1000, 3302)} == {45.0}
