"""Names that neither a spreadsheet nor a file system misreads, and that lead back to one file each."""

import os
import posixpath
import sys

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from raysplay.infer.outputs.names import cell_text, film_name, film_path, given_film, overlay_name

FORMULAS = [
    "=1+1",
    "+1",
    "-1",
    "@SUM(A1)",
    "＝1+1",
    "＋1",
    "－1",
    "＠SUM(A1)",
    "−1",
    "﹦1",
    "\t=1",
    "\r=1",
    "\n=1",
    "\t1",
]
"""OWASP, "CSV Injection" (pages/attacks/CSV_Injection.md of the repository OWASP/www-community): = + - @, tab, carriage
return, line feed. Full-width forms: common practice, no source."""
DDE = ["=cmd|' /C calc'!A0", "@SUM(1+9)*cmd|' /C calc'!A0", "=10+20+cmd|' /C calc'!A0", "-2+3+cmd|' /C calc'!A0"]
"""Dynamic data exchange, as lists of such cells have it (from memory): all begin as a formula does."""

PATHS = st.one_of(
    st.text(min_size=1),
    st.binary(min_size=1).map(os.fsdecode),
    st.text("ab\\/%0Aan\n\r\t=+-@.\x00\x7f\x85\u202e\u3000é25C", min_size=1),
)
"""What a system may give as a path below a folder: no ``./`` in front."""


def starts_a_formula(text):
    return text.lstrip()[:1] in set("=+-@＝＋－＠−﹦") or text[:1] in set("\t\r\n")


@pytest.mark.parametrize("start", [*FORMULAS, *DDE])
def test_a_name_never_starts_a_formula_and_leads_to_its_file(start):
    for blank in ("", " "):
        name = film_name(f"{blank}{start}.dcm")
        assert not starts_a_formula(name)
        assert cell_text(name) == name
        assert film_path(name) == f"{blank}{start}.dcm"
    assert posixpath.normpath(film_name("=1.dcm")) == "=1.dcm"


@given(PATHS, PATHS)
@example("a\nb.dcm", "a\\nb.dcm")
@example("a\nb.dcm", "a%0Ab.dcm")
@example("a%0Ab.dcm", "a%250Ab.dcm")
@example("a\\b.dcm", "a/b.dcm")
@example("scan%20a.dcm", "scan a.dcm")
def test_different_paths_have_different_names(first, second):
    assume(not first.startswith("./") and not second.startswith("./"))
    assert (film_name(first) == film_name(second)) == (first == second)


@given(PATHS)
def test_a_name_leads_back_to_its_path_and_stands_in_any_table(path):
    assume(not path.startswith("./"))
    name = film_name(path)
    assert film_path(name) == path
    assert name.isprintable()
    assert "\\" not in name
    assert not starts_a_formula(name)
    assert cell_text(name) == name
    assert given_film(name) == name


@pytest.mark.parametrize(
    "name", ["Fußklinik/2026/a 1.dcm", "scan%20one.dcm", "50 %.png", " a;b,c.dcm", "安藤 明/1.dcm"]
)
def test_ordinary_names_stay_as_they_are(name):
    assert film_name(name) == film_path(name) == given_film(name) == name


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such names")
def test_bytes_that_are_no_text_are_written_as_such():
    """RFC 3986, section 2.1."""
    assert film_name(os.fsdecode(b"a\xff.dcm")) == "a%FF.dcm"


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("ward\\a.dcm", "ward/a.dcm"),
        ("./a.dcm", "a.dcm"),
        (".\\a.dcm", "a.dcm"),
        ("=a.dcm", "./=a.dcm"),
        ("./=a.dcm", "./=a.dcm"),
        ("＝a.dcm", "./＝a.dcm"),
        ("a%0Ab.dcm", "a%0Ab.dcm"),
        ("scan%C3%A9.dcm", "scan%25C3%25A9.dcm"),
    ],
)
def test_a_path_in_a_table_of_a_person_means_the_name_of_the_run(text, name):
    assert given_film(text) == name


@given(PATHS, PATHS, st.integers(0, 99), st.integers(0, 99), st.sampled_from("LR"))
def test_overlay_names_are_safe_and_differ_by_foot(first, second, index, other, side):
    assume(not first.startswith("./") and not second.startswith("./"))
    name = overlay_name(film_name(first), index, side)
    assert set(name) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-")
    assert not name.startswith(".")
    assert len(name) <= 120
    same = (first, index) == (second, other)
    assert (name.casefold() == overlay_name(film_name(second), other, side).casefold()) == same


def test_overlay_names_of_a_large_archive_differ():
    """Names without a Latin letter differ by their digest alone: of 8 digits, five pairs would be expected."""
    marks = {overlay_name(f"影{i}", 0, "R") for i in range(200_000)}
    assert len(marks) == 200_000


@given(st.text())
def test_free_text_is_one_harmless_line(text):
    cell = cell_text(text)
    assert cell.isprintable()
    assert not starts_a_formula(cell)


@pytest.mark.parametrize("text", [*FORMULAS, *DDE])
def test_what_begins_as_a_formula_is_marked_as_text(text):
    """OWASP, "CSV Injection": a quotation mark in front."""
    plain = text.lstrip("\t\r\n")
    expected = f"'{' ' * (len(text) - len(plain))}{plain}" if plain != "1" else " 1"
    assert cell_text(text) == expected


def test_other_text_stays():
    assert cell_text("Fußklinik, a = b") == "Fußklinik, a = b"
