"""Tables that people hand in: read alike however a spreadsheet wrote them, or refused with file, line and column.

What spreadsheets write is common practice, no source, but for commas and quotation marks: RFC 4180.
"""

import pytest

from raysplay.infer.user_table import UserTableError, as_number, nearest_name, read_user_table

PLAIN = "film,foot,hva,note\nMöwe/a.dcm,L,31.5,calm\nb.dcm,R,-2.25,\n"


@pytest.fixture
def written(tmp_path):
    def write(text, encoding="utf-8"):
        path = tmp_path / "table.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
        return path

    return write


@pytest.mark.parametrize(
    ("text", "encoding", "said"),
    [
        (PLAIN, "utf-8", ("comma", "UTF-8")),
        (PLAIN, "utf-8-sig", ("comma", "UTF-8")),
        (PLAIN.replace("\n", "\r\n"), "utf-8", ("comma", "UTF-8")),
        (PLAIN.replace("film,foot,hva,note", " Film ,FOOT,HVA,Note"), "utf-8", ("comma", "UTF-8")),
        (PLAIN.replace(",", ";").replace(".5", ",5").replace(".25", ",25"), "cp1252", ("semicolon", "Windows-1252")),
        (PLAIN.replace(",", ";").replace(".5", ",5"), "utf-8-sig", ("semicolon", "UTF-8")),
        (PLAIN.replace(",", "\t"), "utf-16", ("tab", "UTF-16")),
        ("sep=;\r\n" + PLAIN.replace(",", ";"), "utf-8", ("semicolon", "UTF-8")),
        (PLAIN.replace("31.5", '"31,5"'), "utf-8", ("comma", "UTF-8")),
        (PLAIN.replace("31.5", "31.5°").replace("-2.25", "−2.25 deg"), "utf-8", ("comma", "UTF-8")),
        (PLAIN.replace("\nb.dcm", "\n,,,\n\nb.dcm"), "utf-8", ("comma", "UTF-8")),
        (PLAIN.replace("calm\n", "calm,,\n"), "utf-8", ("comma", "UTF-8")),
        (PLAIN.replace("-2.25,", "-2.25"), "utf-8", ("comma", "UTF-8")),
    ],
)
def test_the_same_table_however_it_was_written(written, text, encoding, said):
    table = read_user_table(written(text, encoding), ("film", "foot"))
    assert (table.separator, table.encoding) == said
    assert list(table.headings) == ["film", "foot", "hva", "note"]
    assert [row["film"] for row in table.rows] == ["Möwe/a.dcm", "b.dcm"]
    assert [table.number(row, "hva", "deg") for row in table.rows] == [31.5, -2.25]
    assert [row["note"] for row in table.rows] == ["calm", ""]


def test_lines_are_those_of_the_file(written):
    """A cell may hold line breaks (RFC 4180, 2.6); an editor counts them."""
    table = read_user_table(written('\nfilm,hva,note\na,1,"two\nlines"\n\nb,x,\n'), ("film",))
    assert [row.line for row in table.rows] == [4, 6]
    with pytest.raises(UserTableError, match=r"table\.csv: line 6, column hva: 'x' is not a number"):
        table.number(table.rows[1], "hva")


@pytest.mark.parametrize("cell", ["", "-", "–", "n/a", "N/A", "NA", "NaN", ".", "°"])
def test_what_says_that_there_is_no_number(written, cell):
    table = read_user_table(written(f"film,hva\na,{cell}\n"), ("film",))
    assert table.number(table.rows[0], "hva", "deg") is None


@pytest.mark.parametrize(
    "cell", ["TRUE", "yes", "31.5.2", "31. Mai", "1.234,5", "about 30", "inf", "12;5", "0x1F", "1_000", "31.5 mm", "−"]
)
def test_what_is_no_number_is_refused_with_what_is_expected(written, cell):
    table = read_user_table(written(f'film\tHVA\nb\t3\na\t"{cell}"\n'), ("film",))
    with pytest.raises(UserTableError, match=r"line 3, column HVA: .* is not a number; expected is .* n/a"):
        table.number(table.rows[1], "hva", "deg")


def test_a_comma_that_may_stand_between_thousands_is_refused(written):
    """1,234 is 1234 in English and 1.234 in German tables; a decimal point elsewhere leaves that open."""
    table = read_user_table(written("film\tx\ty\na\t1,234\t1,25\nb\t512.5\t3,75\n"), ("film",))
    first, second = table.rows
    assert [table.number(row, "y") for row in table.rows] == [1.25, 3.75]
    assert table.number(first, "x") == 1.234
    with pytest.raises(UserTableError, match=r"line 2, column x: '1,234': the comma may stand"):
        table.number(second, "x")
    english = read_user_table(written('film,x\na,"1,234"\n'), ("film",))
    with pytest.raises(UserTableError, match=r"line 2, column x"):
        english.number(english.rows[0], "x")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (b"\x89PNG\r\n\x1a\n\x00\x00", "is not a text table"),
        (b"PK\x03\x04\x14\x00", "is a workbook of a spreadsheet, not a CSV file"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1", "is a workbook"),
        (b"", "holds no row"),
        ("film,foot\n", "holds no row"),
        ("film,side\na,L\n", "no column foot; needed are film, foot, and the table holds film, side"),
        ("film,foot,hva,ima\na,L,31,5,14,0\n", "line 2: holds 6 cells, but the table has 4 columns.*semicolons"),
        ('film,foot,note\na,L,"calm\nb,R,\n', "line 3: quotation marks do not pair"),
        ("film,foot,hva,HVA\na,L,1,2\n", r"columns 3 and 4 are both called HVA"),
    ],
)
def test_what_is_no_such_table_is_refused(written, text, said):
    path = written(text)
    with pytest.raises(UserTableError, match=said) as caught:
        read_user_table(path, ("film", "foot"))
    assert str(path) in str(caught.value)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(UserTableError, match=r"none\.csv: cannot be read \(No such file"):
        read_user_table(tmp_path / "none.csv", ("film",))


def test_a_column_without_a_name_is_called_by_its_place(written):
    """Some libraries write the number of a row so; empty columns at the end are nothing."""
    table = read_user_table(written(",film,,\n0,a,,\n"), ("film",))
    assert list(table.headings) == ["column 1", "film"]


def test_columns_that_are_misspelt_are_refused_and_others_left_alone(written):
    known = ("film", "view", "metal")
    read_user_table(written("film,view,ward,metal,year\na,dp,3,,2\n"), ("film",)).refuse_misspelt(known)
    with pytest.raises(UserTableError, match=r"no column is called Metall: did you mean metal\?"):
        read_user_table(written("film,view,Metall\na,dp,yes\n"), ("film",)).refuse_misspelt(known)


def test_sides_and_counts(written):
    table = read_user_table(written("film,foot,k\na,left,0\nb,r,1.0\nc,both,\n"), ("film",))
    first, second, third = table.rows
    assert [table.side(row, "foot", needed=True) for row in (first, second)] == ["L", "R"]
    assert table.whole_number(first, "k") == 0
    for row, column in ((second, "k"), (third, "k")):
        with pytest.raises(UserTableError, match=r"column k: .* is not a count"):
            table.whole_number(row, column)
    with pytest.raises(UserTableError, match=r"line 4, column foot: 'both' is no side of a foot"):
        table.side(third, "foot", needed=False)


def test_numbers_as_python_reads_them():
    for text in ("3", "-3.5", "+.5", "2.", "1e2"):
        assert as_number(text) == float(text)
    assert as_number("-3,5") == -3.5


def test_nothing_near_is_no_name():
    assert nearest_name("age", ("view", "foot")) is None
