"""Whether films are of one person: by Patient ID and issuer (DICOM PS3.3, C.7.1.1), coded so that nobody can tell who.

Keyed code: RFC 2104. Dates: PS3.5, 6.2 (DA is YYYYMMDD, older files YYYY.MM.DD; DT begins with a date).
"""

from __future__ import annotations

import pytest
from pydicom.dataset import Dataset

from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.person import AGE_BANDS, age_band, date_taken, new_key, person_code, sex
from raysplay.infer.films.read import read_film

KEY = "5a" * 32


def header(**attributes: object) -> Dataset:
    ds = Dataset()
    for keyword, value in attributes.items():
        setattr(ds, keyword, value)
    return ds


def test_films_of_one_person_share_a_code_and_no_others():
    known = person_code(header(PatientID="SKERRY-7", IssuerOfPatientID="LIGHT"), KEY)
    assert len(known) == 16
    assert person_code(header(PatientID=" SKERRY-7 ", IssuerOfPatientID="LIGHT"), KEY) == known, "padding says nothing"
    others = [
        header(PatientID="SKERRY-8", IssuerOfPatientID="LIGHT"),
        header(PatientID="SKERRY-7", IssuerOfPatientID="BOAT"),
        header(PatientID="SKERRY-7"),
        header(PatientID="SKERRY-7LIGHT"),
        header(PatientID="SKERRY-", IssuerOfPatientID="7LIGHT"),
    ]
    assert len({known, *(person_code(other, KEY) for other in others)}) == 6


def test_a_code_says_nothing_without_its_key():
    """All 10,000 identifiers of four digits tried under another key: none gives the code."""
    code = person_code(header(PatientID="0312"), new_key())
    other = new_key()
    assert code not in {person_code(header(PatientID=f"{number:04d}"), other) for number in range(10_000)}
    assert person_code(header(PatientID="0312"), "") == ""


@pytest.mark.parametrize(
    "name",
    [
        "",
        "  ",
        "0",
        "0000",
        "xxx",
        "ANON",
        "anonymous",
        "Anonymized",
        "UNKNOWN",
        "N/A",
        "none",
        "--none--",
        "Test",
        "NULL",
    ],
)
def test_what_stands_for_nobody_has_no_code(name):
    """Common practice, no source: such words stand in the place of an identifier, for any number of persons."""
    assert person_code(header(PatientID=name), KEY) == ""


@pytest.mark.parametrize("name", ["SKERRY-7", "ANON0012", "Patient 3", "NANCY-2", "1", "10"])
def test_an_identifier_has_one(name):
    expected = name != "1"  # a single sign is no identifier
    assert bool(person_code(header(PatientID=name), KEY)) is expected


@pytest.mark.parametrize(
    ("attributes", "day"),
    [
        ({"AcquisitionDate": "20260301", "StudyDate": "20260228"}, "2026-03-01"),
        ({"AcquisitionDateTime": "20260301120530.000000+0100"}, "2026-03-01"),
        ({"AcquisitionDate": "", "StudyDate": "20260228"}, "2026-02-28"),
        ({"StudyDate": "1998.02.11"}, "1998-02-11"),
        ({"StudyDate": "20261341"}, ""),
        ({}, ""),
    ],
)
def test_the_day_of_the_film(attributes, day):
    ds = Dataset()
    for keyword, value in attributes.items():
        ds.add_new(keyword, "LO", value)  # as text, so that a damaged date gets in
    assert date_taken(ds) == day


def test_the_identifier_does_not_leave_the_decoding_process(limits, write, make_dicom, grey12):
    path = write(make_dicom(grey12, PatientID="SECRET-ID", PatientName="SECRET^NAME", StudyDate="20260301"))
    keyed = limits.model_copy(update={"person_key": KEY})
    assert KEY not in repr(keyed)
    with FilmReader(keyed) as reader:
        film = reader.read(path)
    assert film.person == person_code(header(PatientID="SECRET-ID"), KEY) == read_film(path, keyed).person
    assert film.taken == "2026-03-01"
    assert "SECRET" not in repr(film)
    assert read_film(path, limits).person == ""


@pytest.mark.parametrize(
    ("attributes", "band"),
    [
        # PS3.5, 6.2: AS is three digits and D, W, M or Y; "018M would represent an age of 18 months".
        ({"PatientAge": "018M"}, "0 to 9"),
        ({"PatientAge": "009Y"}, "0 to 9"),
        ({"PatientAge": "010Y"}, "10 to 19"),
        ({"PatientAge": "119M"}, "0 to 9"),
        ({"PatientAge": "520W"}, "0 to 9"),
        ({"PatientAge": "522W"}, "10 to 19"),
        ({"PatientAge": "089Y"}, "80 to 89"),
        ({"PatientAge": "090Y"}, "90 and over"),
        ({"PatientAge": "104Y"}, "90 and over"),
        ({"PatientAge": "131Y"}, ""),
        ({"PatientAge": "45"}, ""),
        ({"PatientAge": ""}, ""),
        ({}, ""),
        # A birthday comes on its day: from the day before the fiftieth to that day.
        ({"PatientBirthDate": "19760302", "AcquisitionDate": "20260301"}, "40 to 49"),
        ({"PatientBirthDate": "19760301", "AcquisitionDate": "20260301"}, "50 to 59"),
        ({"PatientBirthDate": "19760301"}, ""),
        ({"PatientBirthDate": "20270301", "AcquisitionDate": "20260301"}, ""),
        ({"PatientBirthDate": "19760399", "AcquisitionDate": "20260301"}, ""),
        # The stated age goes first: birth dates are often changed to hide names (common practice, no source).
        ({"PatientAge": "030Y", "PatientBirthDate": "19000101", "AcquisitionDate": "20260301"}, "30 to 39"),
    ],
)
def test_an_age_leaves_as_a_band_of_years(attributes, band):
    ds = Dataset()
    for keyword, value in attributes.items():
        ds.add_new(keyword, "LO", value)  # as text, so that damaged values get in
    assert age_band(ds) == band
    assert band in ("", *AGE_BANDS)


@pytest.mark.parametrize(
    ("stated", "known"), [("F", "F"), (" m ", "M"), ("O", "O"), ("", ""), ("X", ""), ("FEMALE", "")]
)
def test_sex_is_a_value_of_the_standard(stated, known):
    ds = Dataset()
    ds.add_new("PatientSex", "LO", stated)
    assert sex(ds) == known


def test_sex_and_age_come_through_the_decoding_process(limits, write, make_dicom, grey12):
    path = write(make_dicom(grey12, PatientSex="F", PatientAge="067Y", PatientBirthDate="19581224"))
    with FilmReader(limits) as reader:
        film = reader.read(path)
    assert (film.sex, film.age) == ("F", "60 to 69")
    assert "1958" not in repr(film)
    assert "067Y" not in repr(film)
