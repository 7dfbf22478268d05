"""``raysplay visit``: one report a person, for its owner alone, with nothing in it that was withheld."""

import os
import re
import shutil
import stat
import subprocess
from html import unescape

import pytest
from typer.testing import CliRunner

from raysplay.infer.films.film import SpacingKind
from raysplay.infer.records import Withheld
from raysplay.train.cli import app

KEEPER, COOK = "1111222233334444", "5555666677778888"


def text_of(page):
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", re.sub(r"<(style|svg).*?</\1>", " ", page, flags=re.S))).split())


@pytest.fixture
def visit(tmp_path, make_run):
    """``visit(films, *options, table="")`` gives exit status, what was said, and pages by name."""
    runs = {}

    def called(films, *options, table="", reported=None):
        key = repr(films)
        run = runs.setdefault(key, None) or make_run(films, f"run{len(runs)}", reported=reported)
        runs[key] = run
        arguments = ["visit", str(run), "--out", str(tmp_path / "out"), *options]
        if table:
            (tmp_path / "conditions.csv").write_text(table, encoding="utf-8")
            arguments += ["--conditions", str(tmp_path / "conditions.csv")]
        done = CliRunner().invoke(app, arguments)
        pages = {one.name: one.read_text("utf-8") for one in (tmp_path / "out").glob("*.html")}
        return done.exit_code, " ".join(done.output.split()), pages

    return called


@pytest.fixture
def two_visits(film_of, foot_of):
    return {
        "a.dcm": film_of(feet=(foot_of(hva=30.0), foot_of(side="L", hva=12.0, ima=8.0))),
        "b.dcm": film_of(taken="2026-03-01", feet=(foot_of(hva=38.0), foot_of(side="L", hva=12.5, ima=8.0))),
    }


def test_one_report_a_person_for_its_owner_alone(visit, two_visits, film_of, tmp_path):
    code, said, pages = visit({**two_visits, "c.dcm": film_of(person=COOK), "d.png": film_of(person="")})
    assert code == 0, said
    assert set(pages) == {f"{KEEPER}.html", f"{COOK}.html"}
    assert "d.png: neither the file nor the table" in said
    for one in (tmp_path / "out").iterdir():
        if not one.name.startswith("."):
            assert stat.S_IMODE(one.stat().st_mode) == 0o600, one
    assert stat.S_IMODE((tmp_path / "out").stat().st_mode) == 0o700
    assert "c.dcm" not in pages[f"{KEEPER}.html"], "never another person's film"
    assert "a.dcm" not in pages[f"{COOK}.html"]
    assert "d.png" in (tmp_path / "out" / "not_reported.csv").read_text()


def test_what_the_keepers_report_says(visit, two_visits):
    _, _, pages = visit(two_visits, table="film,worn\na.dcm,nothing\nb.dcm,nothing\n")
    text = text_of(pages[f"{KEEPER}.html"])
    assert text.index("Not a medical device") < text.index("UNCONFIRMED") < text.index("Record")
    assert "38.0 degrees" in text
    assert re.search(r"1 March 2025 \(full load\) 1 March 2026 \(full load\) \+8\.0 [^A-Z]*beyond error", text)
    assert re.search(r"1 March 2025 \(full load\) 1 March 2026 \(full load\) \+0\.5 [^A-Z]*within error", text)
    assert "tube tilt unknown" in text
    assert "No trend: fewer than three days" in text
    assert "Facts for the conversation" in text


def test_a_splint_on_one_film_is_never_progress(visit, two_visits):
    table = "film,worn\na.dcm,nothing\nb.dcm,splint\n"
    text = text_of(visit(two_visits, table=table)[2][f"{KEEPER}.html"])
    assert "not comparable: splint in place on the later film" in text
    change = text.rsplit("Change over time", 1)[1].split("Grades by published")[0]
    assert "not comparable" in change
    assert "beyond error" not in change.replace("is called beyond error by chance", "")


def test_withheld_numbers_stay_withheld(visit, film_of, foot_of):
    films = {"a.dcm": film_of(feet=(foot_of(hva=33.3, withheld={"hva": Withheld.WIDE_INTERVAL}),))}
    page = visit(films)[2][f"{KEEPER}.html"]
    assert "its interval is too wide" in page
    assert "33.3" not in page
    assert "No hallux valgus angle is given" in page
    assert "No drawing" in page


def test_millimetres_are_told_only_where_the_spacing_allows_them(visit, film_of):
    with_mm = visit({"a.dcm": film_of()})[2][f"{KEEPER}.html"]
    assert re.search(r"the tip of the toe [\d.]+ mm from", with_mm)


def test_without_spacing_a_share_of_the_second_metatarsal_is_told(visit, film_of):
    page = visit({"a.dcm": film_of(spacing=SpacingKind.UNKNOWN)})[2][f"{KEEPER}.html"]
    assert re.search(r"the tip of the toe [\d.]+ % of the second metatarsal", page)


def test_what_wants_a_person_is_said_foot_by_foot(visit, film_of, foot_of):
    films = {
        "a.dcm": film_of(
            feet=(foot_of(withheld={"hva": Withheld.WIDE_INTERVAL}), foot_of(side="L", decision="refused"))
        ),
        "b.dcm": film_of(person=COOK),
    }
    _, said, _ = visit(films)
    assert re.search(
        r"right foot, 1 March 2025, a\.dcm: to be confirmed: IMA, IMA 4-5; "
        r"held back: HVA \(withheld by the run: its interval is too wide\)",
        said,
    )
    assert "left foot, 1 March 2025, a.dcm: no number: refused by the model (not a dorsoplantar view" in said
    assert re.search(
        rf"{COOK}\.html, \.pdf: 1 foot on film right foot, 1 March 2025, b\.dcm: to be confirmed: HVA", said
    )


def test_nothing_is_overwritten_unasked(visit, two_visits, tmp_path):
    visit(two_visits)
    target = tmp_path / "out" / f"{KEEPER}.html"
    target.write_text("mine")
    code, said, _ = visit(two_visits)
    assert code == 2
    assert "--overwrite" in said
    assert target.read_text() == "mine"
    assert visit(two_visits, "--overwrite")[0] == 0
    assert target.read_text() != "mine"


def test_one_person_alone(visit, two_visits, film_of):
    films = {**two_visits, "c.dcm": film_of(person=COOK)}
    code, _, pages = visit(films, "--person", COOK)
    assert (code, set(pages)) == (0, {f"{COOK}.html"})
    code, said, _ = visit(films, "--person", "P-99")
    assert code == 2
    assert "no such person" in said


@pytest.mark.parametrize(
    ("options", "said"),
    [(["--language", "xx"], "no words in this language"), (["--new-film-error", "no.yaml"], "no such file")],
)
def test_what_cannot_be_used_is_told_and_nothing_written(visit, two_visits, options, said, tmp_path):
    code, output, pages = visit(two_visits, *options)
    assert code == 2
    assert said in output.replace("│", " ")
    assert pages == {}


def test_a_table_that_mixes_persons_writes_nothing(visit, two_visits, film_of):
    films = {**two_visits, "c.dcm": film_of(person=COOK)}
    code, said, pages = visit(films, table="film,person\na.dcm,P-07\nc.dcm,P-07\n")
    assert code == 2
    assert "line 3" in said
    assert pages == {}


def test_a_run_without_persons_says_so(visit, film_of):
    code, said, pages = visit({"a.png": film_of(person="")})
    assert code == 2
    assert "nothing to report" in said
    assert pages == {}


def test_own_repeat_films_take_the_place_of_published_errors(visit, two_visits, tmp_path):
    """MDC 1.96 x sqrt(2) x sd (Bland and Altman 1986): 13.9 degrees for an sd of 5."""
    own = tmp_path / "own.yaml"
    own.write_text(
        "errors:\n  - {measure: hva, sd: 5.0, holds_reading: true, basis: '40 feet twice', "
        "source: 'light house post', tag: S}\n"
    )
    text = text_of(visit(two_visits, "--new-film-error", str(own))[2][f"{KEEPER}.html"])
    assert re.search(r"\+8\.0 [^A-Z]*13\.9 within error", text)
    assert "light house post" in text


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext (poppler-utils) reads the PDF")
@pytest.mark.parametrize(("language", "words"), [("en", ("UNCONFIRMED", "38.0")), ("de", ("UNBESTÄTIGT", "38,0"))])
def test_text_of_the_pdf_can_be_taken_out_in_reading_order(visit, two_visits, tmp_path, language, words):
    assert visit(two_visits, "--language", language)[0] == 0
    path = tmp_path / "out" / f"{KEEPER}.pdf"
    text = subprocess.run(["pdftotext", str(path), "-"], capture_output=True, check=True).stdout.decode()
    assert text.index(words[0]) < text.index(words[1])
    fonts = subprocess.run(["pdffonts", str(path)], capture_output=True, check=True).stdout.decode().splitlines()[2:]
    assert [line for line in fonts if "DejaVu" in line]
    assert all(line.split()[-5] == "yes" for line in fonts if "DejaVu" in line), "fonts are embedded"


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext (poppler-utils) reads the PDF")
def test_no_page_of_the_pdf_ends_with_a_heading(visit, two_visits, tmp_path):
    _, _, pages = visit(two_visits)
    headings = {text_of(one) for one in re.findall(r"<h[23].*?</h[23]>", pages[f"{KEEPER}.html"])}
    command = ["pdftotext", "-layout", str(tmp_path / "out" / f"{KEEPER}.pdf"), "-"]
    text = subprocess.run(command, capture_output=True, check=True).stdout.decode()
    pages = [[line.strip() for line in page.splitlines() if line.strip()] for page in text.split("\f") if page.strip()]
    assert len(pages) > 3
    assert headings & {line for page in pages for line in page}
    for page in pages:
        assert page[-1].endswith(f"page {pages.index(page) + 1}"), "the foot of the page"
        assert page[-2] not in headings


@pytest.mark.skipif(shutil.which("pdfinfo") is None, reason="pdfinfo (poppler-utils) reads the PDF")
@pytest.mark.parametrize(("options", "size"), [([], "595.276 x 841.89"), (["--paper", "Letter"], "612 x 792")])
def test_the_sheet_is_the_one_that_was_asked_for(visit, two_visits, tmp_path, options, size):
    """Points: ISO 216 (A4) and ANSI Y14.1 (size A)."""
    assert visit(two_visits, *options)[0] == 0
    told = subprocess.run(["pdfinfo", str(tmp_path / "out" / f"{KEEPER}.pdf")], capture_output=True, check=True).stdout
    assert size in told.decode()
    code, said, _ = visit(two_visits, "--paper", "A3")
    assert code == 2
    assert "there are A4 and Letter" in said


def test_sheets_for_the_persons_are_written_where_they_are_asked_for(visit, two_visits, film_of, tmp_path):
    films = {**two_visits, "c.dcm": film_of(person=COOK)}
    code, said, pages = visit(films, "--sheets")
    assert code == 0, said
    assert set(pages) == {f"{one}{end}.html" for one in (KEEPER, COOK) for end in ("", "-sheet")}
    text = text_of(pages[f"{KEEPER}-sheet.html"])
    assert "The great toe leans 38.0 degrees toward the other toes" in text
    assert text.index("UNCONFIRMED") < text.index("38.0")
    assert "Confirmed by" not in text
    assert "a.dcm" not in text, "names of files are nothing for a person to carry home"
    assert (tmp_path / "out" / f"{COOK}-sheet.pdf").read_bytes().startswith(b"%PDF-")
    assert visit(films, "--sheets")[0] == 0, "the same again changes nothing"


def test_german_has_german_signs_and_words(visit, two_visits):
    page = visit(two_visits, "--language", "de")[2][f"{KEEPER}.html"]
    text = text_of(page)
    assert 'lang="de"' in page
    assert "01.03.2026" in text
    assert "38,0 Grad" in text
    assert "jenseits des Fehlers" in text
    assert not re.search(r"\d\.\d degrees", text)


def test_environment_is_left_alone(visit, two_visits):
    before = os.umask(0)
    os.umask(before)
    visit(two_visits)
    after = os.umask(before)
    os.umask(before)
    assert before == after
