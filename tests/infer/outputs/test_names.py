"""Names that neither a spreadsheet nor a file system misreads."""

import posixpath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from raysplay.infer.outputs.names import cell_text, film_name, overlay_name


@pytest.mark.parametrize("start", list("=+-@"))
def test_a_cell_never_starts_a_formula(start):
    """OWASP, "CSV Injection": cells that begin with = + - @ (also after blanks) run in a spreadsheet."""
    for blank in ("", " "):
        name = film_name(f"{blank}{start}cmd|' /C calc'!A0.dcm")
        assert name.startswith("./")
        assert posixpath.normpath(name) == f"{blank}{start}cmd|' /C calc'!A0.dcm"


@given(st.text(min_size=1))
def test_any_path_gives_one_printable_line(path):
    name = film_name(path)
    assert name.isprintable()
    assert not name.lstrip().startswith(("=", "+", "-", "@", "\t", "\r"))
    assert film_name(name) == name or name.startswith("./")


def test_bytes_that_are_no_text_are_escaped():
    assert film_name(b"a\xff.dcm".decode("utf-8", "surrogateescape")) == r"a\udcff.dcm"


def test_plain_names_stay_as_they_are():
    assert film_name("Fußklinik/2026/a 1.dcm") == "Fußklinik/2026/a 1.dcm"


@given(st.text(min_size=1), st.text(min_size=1), st.integers(0, 9), st.sampled_from("LR"))
def test_overlay_names_are_safe_and_differ(first, second, index, side):
    name = overlay_name(first, index, side)
    assert set(name) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-")
    assert not name.startswith(".")
    assert len(name) <= 120
    assert (name == overlay_name(second, index, side)) == (first == second)


@given(st.text())
def test_free_text_is_one_harmless_line(text):
    """OWASP, "CSV Injection": a quotation mark before = + - @; tabs and line breaks gone."""
    cell = cell_text(text)
    assert cell.isprintable()
    assert not cell.startswith(("=", "+", "-", "@"))
    assert cell_text("  -1 \n2") == "'-1 2"
    assert cell_text("Fußklinik, a = b") == "Fußklinik, a = b"
