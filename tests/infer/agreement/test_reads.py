"""Tables of reads as people write them: every form gives the same numbers, and what cannot be read is named by row."""

import numpy as np
import openpyxl
import pytest

from raysplay.infer.agreement.feet import study_reads
from raysplay.infer.agreement.reads import ReadOptions, read_reads
from raysplay.infer.user_table import UserTableError


def numbers(paths, options=None):
    study, unused = study_reads(
        read_reads([paths] if not isinstance(paths, list) else paths, options or ReadOptions()), None
    )
    return study, unused


def same(study, island):
    assert study.readers == island.readers
    assert study.sessions == tuple(str(s + 1) for s in range(island.sessions))
    assert [(foot.film, foot.side) for foot in study.feet] == island.feet
    for name, values in island.read.items():
        np.testing.assert_allclose(study.readings[name], values, atol=1e-9)


def wide_rows(island):
    """A row a foot, a column for every measure, reader and session."""
    for i, foot in enumerate(island.feet):
        row = [*foot]
        for name in island.measures:
            row += island.read[name][i].ravel().tolist()
        yield row


def wide_header(island, join="{measure}_{reader}_{session}"):
    return ["film", "foot"] + [
        join.format(measure=name, reader=reader, session=s + 1)
        for name in island.measures
        for reader in island.readers
        for s in range(island.sessions)
    ]


@pytest.mark.parametrize(
    "written",
    [{}, {"delimiter": ";", "decimal": ","}, {"delimiter": "\t"}, {"encoding": "utf-8-sig"}, {"encoding": "utf-16"}],
    ids=["commas", "decimal commas", "tabs", "byte-order mark", "UTF-16"],
)
def test_a_tidy_table_in_every_writing(island, tmp_path, written):
    study, unused = numbers(island.tidy(tmp_path / "reads.csv", **written))
    same(study, island)
    assert unused == ()


@pytest.mark.parametrize(
    "join", ["{measure}_{reader}_{session}", "{measure} {reader} session {session}", "{reader}_{measure}_x"]
)
def test_a_table_wide_by_reader_and_session(island, tmp_path, join, write_csv):
    if join.endswith("_x"):  # a name that is no measure's is not guessed
        header = ["film", "foot", "hva_AB_1", "hvva_AB_2"]
        write_csv(tmp_path / "wide.csv", header, [[*foot, 1.0, 2.0] for foot in island.feet])
        with pytest.raises(UserTableError, match=r"hvva_AB_2 \(did you mean hva\?\)"):
            numbers(tmp_path / "wide.csv")
        return
    write_csv(tmp_path / "wide.csv", wide_header(island, join), wide_rows(island))
    study, _ = numbers(tmp_path / "wide.csv")
    same(study, island)


def test_a_sheet_of_a_workbook(island, tmp_path):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Spring round"
    sheet.append(wide_header(island))
    for row in wide_rows(island):
        sheet.append(row)
    book.create_sheet("Notes")
    book.save(tmp_path / "reads.xlsx")
    study, _ = numbers(tmp_path / "reads.xlsx")
    same(study, island)
    book["Notes"].append(["Nobody here exists."])
    book.save(tmp_path / "reads.xlsx")
    with pytest.raises(UserTableError, match=r"several sheets .Spring round, Notes.; choose one by --sheet"):
        numbers(tmp_path / "reads.xlsx")
    study, _ = numbers(tmp_path / "reads.xlsx", ReadOptions(sheet="Spring round"))
    same(study, island)


def test_a_formula_that_was_never_calculated_is_no_empty_cell(island, tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["film", "foot", "reader", "hva"])
    book.active.append(["keeper-01.dcm", "L", "AB", "=20+1"])
    book.save(tmp_path / "reads.xlsx")
    with pytest.raises(UserTableError, match="line 2, column 4: holds a formula without its result"):
        numbers(tmp_path / "reads.xlsx")


@pytest.mark.parametrize("content", [b"PK\x03\x04 nothing", b"PK\x03\x04"])
def test_a_broken_workbook_is_one_clear_error(tmp_path, content):
    (tmp_path / "reads.xlsx").write_bytes(content)
    with pytest.raises(UserTableError, match=r"reads\.xlsx: is no workbook that can be read"):
        numbers(tmp_path / "reads.xlsx")


def test_a_column_a_reader(tmp_path, write_csv, make_island):
    """With a column measure, or with one measure for all."""
    island = make_island(sessions=1)
    rows = [
        [*foot, name, *island.read[name][i, :, 0].tolist()]
        for name in island.measures
        for i, foot in enumerate(island.feet)
    ]
    write_csv(tmp_path / "readers.csv", ["film", "foot", "measure", "AB", "CD"], rows)
    same(numbers(tmp_path / "readers.csv")[0], island)
    one = [[*row[:2], *row[3:]] for row in rows if row[2] == "hva"]
    write_csv(tmp_path / "one.csv", ["film", "foot", "AB", "CD"], one)
    with pytest.raises(UserTableError, match=r"AB \(holds numbers and could be a measure\)"):
        numbers(tmp_path / "one.csv")
    study, _ = numbers(tmp_path / "one.csv", ReadOptions(measure="HVA"))
    np.testing.assert_allclose(study.readings["hva"], island.read["hva"])


def test_both_feet_in_one_row(tmp_path, write_csv, make_island):
    island = make_island(films=3, sessions=1, both_feet=True)
    rows = [
        [film, *island.read["hva"][2 * i : 2 * i + 2, :, 0].ravel()] for i, (film, _) in enumerate(island.feet[::2])
    ]
    write_csv(tmp_path / "both.csv", ["film", "hva_AB_L", "hva_CD_L", "hva_AB_R", "hva_CD_R"], rows)
    study, _ = numbers(tmp_path / "both.csv")
    np.testing.assert_allclose(study.readings["hva"], island.read["hva"])


def test_a_file_a_reader_and_other_names_of_columns(tmp_path, write_csv, make_island):
    """Readers who name none of themselves are called after their files; films may be named without ending."""
    island = make_island(sessions=1)
    paths = []
    for r, reader in enumerate(island.readers):
        rows = [
            [film if r == 0 else film.removesuffix(".dcm"), side, *(island.read[n][i, r, 0] for n in island.measures)]
            for i, (film, side) in enumerate(island.feet)
        ]
        write_csv(tmp_path / f"{reader.lower()}.csv", ["Image", "Side", "HVA (deg)", "IMA"], rows)
        paths.append(tmp_path / f"{reader.lower()}.csv")
    tables = read_reads(paths)
    assert any("after the name of the file" in line for line in tables.shown)
    assert any("film in Image" in line for line in tables.shown)
    same(study_reads(tables, None)[0], island)


def test_bad_cells_are_named_by_row_and_nothing_else_is_lost(tmp_path, write_csv):
    rows = [
        ["a.dcm", "L", "AB", 1, "hva", "31.5"],
        ["a.dcm", "L", "CD", 1, "hva", "thirty"],
        ["b.dcm", "R", "AB", 1, "hva", "315"],
        ["b.dcm", "X", "CD", 1, "hva", "20"],
        ["", "R", "CD", 1, "hva", "20"],
        ["c.dcm", "R", "AB", 1, "hav", "20"],
        ["c.dcm", "R", "CD", 1, "hva", "12.5"],
        ["c.dcm", "R", "CD", 1, "hva", "12.5"],
        ["d.dcm", "R", "CD", 1, "hva", "12.5"],
        ["d.dcm", "R", "CD", 1, "hva", "13.5"],
        ["e.dcm", "R", "CD", 1, "hva", "1,234"],
    ]
    write_csv(tmp_path / "reads.csv", ["film", "foot", "reader", "session", "measure", "value"], rows, delimiter=";")
    tables = read_reads([tmp_path / "reads.csv"])
    assert [(read.film, read.reader, read.value) for read in tables.reads] == [
        ("a.dcm", "AB", 31.5),
        ("c.dcm", "CD", 12.5),
    ]
    said = {row.line: (row.slip, row.reason) for row in tables.unused}
    assert sorted(said) == [3, 4, 5, 6, 7, 9, 10, 11, 12]
    for line, words in {
        3: "'thirty' is not a number",
        4: "'315' cannot be",
        5: "'X' is no side of a foot",
        6: "every row needs its film",
        7: "did you mean hva?",
        10: "stands again further on, with another value",
        11: "stands in line 10 already, with another value (12.5, here 13.5)",
        12: "before decimals or between thousands",
    }.items():
        assert said[line][0], line
        assert words in said[line][1]
    assert said[9] == (False, "stands in line 8 already, with the same value")


def test_the_models_own_numbers_are_no_reads(tmp_path, write_csv):
    head = ["film", "foot", "foot_index", "decision", "reasons", "hva", "hva_low", "hva_high"]
    write_csv(tmp_path / "feet.csv", head, [["a.dcm", "L", 0, "accepted", "", 1.0, 0.0, 2.0]])
    with pytest.raises(UserTableError, match="its numbers are the model's own"):
        read_reads([tmp_path / "feet.csv"])


def test_reads_by_another_axis_method_are_never_mixed(tmp_path, write_csv):
    rows = [["a.dcm", "L", "AB", "hva", 31.5, "shaft"], ["b.dcm", "L", "AB", "hva", 30.5, "shaft"]]
    rows += [["a.dcm", "L", "CD", "hva", 29.5, "head_base"]]
    write_csv(tmp_path / "reads.csv", ["film", "foot", "reader", "measure", "value", "construction"], rows)
    study, unused = numbers(tmp_path / "reads.csv")
    assert study.readers == ("AB",)
    assert [(row.line, row.slip) for row in unused] == [(4, True)]
    assert "read by head_base, and the other reads by shaft: these are never compared" in unused[0].reason
