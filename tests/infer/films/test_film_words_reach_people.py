"""From a word on a film to the tables, the ledger and the verdict; the feet are known points, the words are drawn.

The font, Pillow's default (Aileron), is none that training saw. The name is of the invented island.
"""

import zlib

import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from raysplay.configs.protocol import protocol
from raysplay.infer.archive.stored_film import restored, stored
from raysplay.infer.films import read_line
from raysplay.infer.films.loading import Loading
from raysplay.infer.films.remark import RemarkKind
from raysplay.infer.network.weights_error import WeightsError
from raysplay.infer.outputs.tables import feet_rows, films_row
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import Outcome


@pytest.fixture
def read(tmp_path, read_one_foot, place, write, make_dicom):
    """What is read of a right foot beside which words stand; the file may say something, too."""

    def run(*lines, header=None):
        pixels = np.full((1000, 900), 40, dtype=np.uint8)
        pixels[150:950, 200:650] = 140
        image = Image.fromarray(pixels)
        for k, text in enumerate(lines):
            ImageDraw.Draw(image).text((20, 20 + 44 * k), text, fill=250, font=ImageFont.load_default(32))
        if header is None:
            image.save(tmp_path / "quay.png")
        else:
            stored_pixels = np.asarray(image).astype(np.uint16) * 16
            write(make_dicom(stored_pixels, SeriesDescription=header, ImageLaterality="R"))
        return read_one_foot(place("R"))

    return run


def words_said(record):
    return [remark.text for remark in record.remarks if remark.kind is RemarkKind.LOADING_READ]


def test_a_film_that_says_not_weight_bearing_goes_to_a_person(read):
    reading = read("SKERRYWYN ORLA", "NON WEIGHT BEARING")
    record, film = restored("quay.png", stored(reading.record, reading.film))
    (decision,) = [foot.decision for foot in record.feet]
    assert decision.outcome is Outcome.REVIEW
    assert [one.kind for one in decision.reasons] == [ReasonKind.LOADING_NOT_FULL]
    assert "loading: words read off the film say that the foot did not bear weight" in str(decision.reasons[0])
    assert film.loading is Loading.NONE
    assert "none" in films_row(record, film)
    assert "loading_not_full" in next(iter(feet_rows(record, protocol().reported_measures())))


def test_a_film_that_says_standing_is_told_so_and_no_number_or_verdict_changes(read):
    with_word, without = read("STANDING"), read("SKERRYWYN")
    assert (with_word.film.loading, without.film.loading) == (Loading.FULL, Loading.UNKNOWN)
    assert words_said(with_word.record) == [
        "words on the film, read off the picture and unproven, say: weight-bearing; the file says nothing of it"
    ]
    assert words_said(without.record) == []
    for reading in (with_word, without):
        assert reading.record.feet[0].decision.outcome is Outcome.ACCEPTED
    assert with_word.record.feet[0].measurements == without.record.feet[0].measurements


def test_words_against_the_file_go_to_a_person(read):
    reading = read("SUPINE", header="Foot standing")
    assert reading.film.loading is Loading.CONTRADICTORY
    said = [str(one) for one in reading.record.feet[0].decision.reasons if one.kind is ReasonKind.LOADING_NOT_FULL]
    assert said == ["loading: words read off the film say of weight-bearing otherwise than the file: look at the film"]


def test_a_name_on_the_film_reaches_nothing_that_is_kept(read):
    reading = read("SKERRYWYN ORLA", "MS-448812", "STANDING")
    kept = zlib.decompress(stored(reading.record, reading.film)).decode().casefold()
    feet = list(feet_rows(reading.record, protocol().reported_measures()))
    rows = repr((films_row(reading.record, reading.film), feet))
    assert words_said(reading.record)
    for word in ("skerrywyn", "orla", "448812", "standing"):
        assert word not in kept + rows.casefold()


def test_without_the_weights_of_the_characters_a_run_ends_before_any_film(read, monkeypatch, tmp_path):
    read_line.character_network.cache_clear()
    monkeypatch.setattr(read_line, "of_network", lambda name: tmp_path / f"{name}.safetensors")
    with pytest.raises(WeightsError, match=r"^characters\.safetensors: "):
        read("STANDING")
    read_line.character_network.cache_clear()
