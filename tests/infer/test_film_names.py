"""Which film a name means: the only one it can, several, or none."""

import pytest

from raysplay.infer.film_names import FilmNames

NAMES = ("a.dcm", "Spring/b.dcm", "spring/c.png", "autumn/c.png", "autumn/d.DCM", "1.2.840.3", "./=e.dcm", "möwe.dcm")
FILMS = FilmNames(NAMES)


@pytest.mark.parametrize(
    ("given", "meant"),
    [
        *((name, (name,)) for name in NAMES),
        ("a", ("a.dcm",)),
        ("a.DCM", ("a.dcm",)),
        (".\\a.dcm", ("a.dcm",)),
        ("Spring\\b", ("Spring/b.dcm",)),
        ("b.dcm", ("Spring/b.dcm",)),
        ("d", ("autumn/d.DCM",)),
        ("c", ("autumn/c.png", "spring/c.png")),
        ("autumn/c", ("autumn/c.png",)),
        ("=e", ("./=e.dcm",)),
        ("mo\u0308we", ("möwe.dcm",)),  # the same letters decomposed, as some systems name files
        # Never another ending, another folder, a folder that the run does not know, or part of a UID.
        ("a.png", ()),
        ("winter/a.dcm", ()),
        ("winter/c.png", ()),
        ("1.2.840", ()),
        ("A.dcm", ()),
        ("", ()),
    ],
)
def test_names(given, meant):
    assert FILMS.meant(given) == meant


def test_a_name_that_stands_is_taken_though_another_could_be_meant():
    films = FilmNames(["a", "a.dcm", "ward/a.dcm"])
    assert films.meant("a") == ("a",)
    assert films.meant("a.DCM") == ("a.dcm", "ward/a.dcm")


def test_a_film_under_an_identifier_is_found_by_its_real_name_however_that_is_written():
    films = FilmNames(["film-1", "film-2"], {"spring/a.dcm": "film-1", "autumn/a.dcm": "film-2", "gone.dcm": "film-3"})
    assert films.hidden
    assert films.meant("spring\\A") == ()
    assert films.meant("spring/a") == films.meant("spring/a.DCM") == films.meant("film-1") == ("film-1",)
    assert films.meant("a") == ("film-1", "film-2")
    assert films.meant("gone.dcm") == ()
    assert films.examples() == "film-1, film-2"
