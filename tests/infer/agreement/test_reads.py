"""Tables of reads as people write them: every form gives the same numbers, and what cannot be read is named by row."""

import numpy as np
import openpyxl
import pytest

from raysplay.infer.agreement import agreement
from raysplay.infer.agreement.feet import study_reads
from raysplay.infer.agreement.reads import ReadOptions, Unused, read_reads
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


def workbook(path, island, hide_rows=(), hide_columns=(), hide_sheet=False):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(wide_header(island))
    for row in wide_rows(island):
        sheet.append(row)
    for line in hide_rows:
        sheet.row_dimensions[line].hidden = True
    for letter in hide_columns:
        sheet.column_dimensions[letter].hidden = True
    if hide_sheet:
        book.create_sheet("Empty")
        sheet.sheet_state = "hidden"
    book.save(path)
    return path


def test_hidden_rows_and_columns_are_named_and_never_used_or_dropped_unasked(make_island, tmp_path):
    """Somebody's exclusions, or a filter left on: only a person knows (common practice, no source)."""
    island = make_island(films=6)
    path = workbook(tmp_path / "reads.xlsx", island, hide_rows=(3, 5, 6), hide_columns=("J",))
    with pytest.raises(
        UserTableError, match=r"rows 3, 5 to 6 and column ima_CD_2 of this sheet are hidden .*--hidden use"
    ):
        numbers(path)
    study, unused = numbers(path, ReadOptions(hidden="use"))
    same(study, island)
    assert unused == ()
    tables = read_reads([path], ReadOptions(hidden="leave_out"))
    assert any("hidden, and left out as told: rows 3, 5 to 6 and column ima_CD_2" in line for line in tables.shown)
    assert [(row.line, row.kind) for row in tables.unused] == [(n, Unused.HIDDEN) for n in (3, 5, 6)]
    study, _ = study_reads(tables, None)
    kept = [0, 2, 5]  # rows 2, 4 and 7 of the sheet
    assert [(foot.film, foot.side) for foot in study.feet] == [island.feet[i] for i in kept]
    np.testing.assert_allclose(study.readings["hva"], island.read["hva"][kept])
    assert np.isnan(study.readings["ima"][:, 1, 1]).all()
    np.testing.assert_allclose(study.readings["ima"][:, 1, 0], island.read["ima"][kept, 1, 0])


def test_a_hidden_sheet_is_read_only_when_named(make_island, tmp_path):
    island = make_island(films=3)
    path = workbook(tmp_path / "reads.xlsx", island, hide_sheet=True)
    with pytest.raises(UserTableError, match="nothing but a hidden sheet"):
        numbers(path)
    tables = read_reads([path], ReadOptions(sheet="Sheet"))
    same(study_reads(tables, None)[0], island)
    assert any("sheet Sheet is hidden, and read" in line for line in tables.shown)


def test_hidden_names_of_columns_are_refused(make_island, tmp_path):
    path = workbook(tmp_path / "reads.xlsx", make_island(films=3), hide_rows=(1,))
    with pytest.raises(UserTableError, match="the row with the names of the columns is hidden"):
        numbers(path, ReadOptions(hidden="use"))


def test_facts_of_a_film_that_contradict_each_other_are_named_by_row(tmp_path, write_csv):
    head = ["film", "foot", "reader", "hva", "person", "site"]
    rows = [
        ["a.dcm", "L", "AB", 20.0, "P1", ""],
        ["a.dcm", "R", "AB", 21.0, "", "East"],
        ["a.dcm", "R", "CD", 20.5, "P2", ""],
    ]
    write_csv(tmp_path / "reads.csv", head, rows)
    tables = read_reads([tmp_path / "reads.csv"])
    assert (tables.facts["a.dcm"].person, tables.facts["a.dcm"].site) == ("P1", "East")
    assert [(row.line, row.kind, row.slip) for row in tables.unused] == [(4, Unused.OTHER_FACT, True)]
    assert tables.unused[0].reason == "of this film, person is P2 here and P1 in an earlier row"
    assert len(tables.reads) == 3


def test_every_kind_of_row_that_gave_no_number_has_its_own_place_in_the_flow(tmp_path, write_csv):
    """The words of a reason may change; what it counts as may not."""
    rows = [
        ["a.dcm", "L", "AB", "hva", "31.5", "", "one"],
        ["a.dcm", "L", "CD", "hva", "thirty", "", "one"],
        ["a.dcm", "", "EF", "hva", "30", "", "one"],
        ["b.dcm", "L", "AB", "hva", "20", "", "one"],
        ["b.dcm", "L", "AB", "hva", "20", "", "one"],
        ["c.dcm", "L", "AB", "hva", "20", "", "one"],
        ["c.dcm", "L", "AB", "hva", "21", "", "one"],
        ["d.dcm", "L", "AB", "hva", "-", "", "one"],
        ["d.dcm", "L", "CD", "hva", "", "not_measurable", "one"],
        ["e.dcm", "L", "CD", "hva", "25", "", "two"],
    ]
    write_csv(tmp_path / "reads.csv", ["film", "foot", "reader", "measure", "value", "state", "study"], rows)
    tables = read_reads([tmp_path / "reads.csv"], ReadOptions(study="one"))
    assert {row.line: row.kind for row in tables.unused} == {
        3: Unused.BAD_CELL,
        4: Unused.NO_FOOT,
        6: Unused.TWICE,
        7: Unused.CONTRADICTED,
        8: Unused.CONTRADICTED,
        9: Unused.NO_NUMBER,
        10: Unused.UNFIT,
        11: Unused.OTHER_STUDY,
    }


def test_a_number_without_a_reader_is_named_by_row_and_nobody_is_made_up(tmp_path, write_csv):
    rows = [["a.dcm", "L", "AB", 20.0], ["b.dcm", "L", "", 21.0], ["c.dcm", "L", "AB", 22.0]]
    write_csv(tmp_path / "reads.csv", ["film", "foot", "reader", "hva"], rows)
    tables = read_reads([tmp_path / "reads.csv"])
    assert [(row.line, row.kind, row.slip) for row in tables.unused] == [(3, Unused.NO_READER, True)]
    assert {read.reader for read in tables.reads} == {"AB"}
    write_csv(tmp_path / "nobody.csv", ["film", "foot", "reader", "hva"], [[f, s, "", v] for f, s, _, v in rows])
    assert {read.reader for read in read_reads([tmp_path / "nobody.csv"]).reads} == {"NOBODY"}


def test_decimal_points_and_commas_in_one_column(tmp_path, write_csv):
    """What is clear is a number either way; what could be thousands is named by its row."""
    cells = ["31.5", "30,5", "−2,5", "1,234", "12,25"]
    rows = [[f"{i}.dcm", "L", "AB", cell] for i, cell in enumerate(cells)]
    write_csv(tmp_path / "reads.csv", ["film", "foot", "reader", "hva"], rows, delimiter=";")
    tables = read_reads([tmp_path / "reads.csv"])
    assert [read.value for read in tables.reads] == [31.5, 30.5, -2.5, 12.25]
    assert [(row.line, row.kind) for row in tables.unused] == [(5, Unused.BAD_CELL)]
    assert "before decimals or between thousands" in tables.unused[0].reason


def test_a_reader_who_read_few_feet_has_no_figures_of_the_rest(tmp_path, write_csv):
    """Missing reads are gaps, nothing is filled in: of two feet there is no statistic, and it says so."""
    rows = [
        [f"{i}.dcm", "L", reader, 20.0 + i] for i in range(12) for reader in ("AB", "CD") if reader == "AB" or i < 2
    ]
    write_csv(tmp_path / "reads.csv", ["film", "foot", "reader", "hva"], rows)
    figures = agreement(None, [tmp_path / "reads.csv"]).figures.to_pylist()
    bias = next(row for row in figures if (row["statistic"], row["reader"]) == ("bias", "AB and CD"))
    assert (np.isnan(bias["value"]), bias["n"]) == (True, 2)
    assert "2 feet have both numbers" in bias["why"]
