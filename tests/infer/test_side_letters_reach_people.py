"""From a letter on a film to the tables, the ledger and the picture; the feet are known points, the letter is drawn.

The font, Pillow's default (Aileron), is none that training saw.
"""

import re

import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from raysplay.configs.protocol import protocol
from raysplay.infer.archive.stored_film import restored, stored
from raysplay.infer.films import side_letters
from raysplay.infer.films.remark import RemarkKind
from raysplay.infer.network.weights_error import WeightsError
from raysplay.infer.outputs.tables import feet_rows
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import Outcome


@pytest.fixture
def read(tmp_path, read_one_foot, place):
    """The record of a right foot beside which a letter stands; the whole film may be flipped."""

    def run(letter, side="R", flipped=False):
        pixels = np.full((1000, 900), 40, dtype=np.uint8)
        pixels[150:950, 200:650] = 140
        image = Image.fromarray(pixels)
        ImageDraw.Draw(image).text((760, 300), letter, fill=250, font=ImageFont.load_default(70), stroke_width=2)
        image = image.transpose(Image.Transpose.FLIP_LEFT_RIGHT) if flipped else image
        image.save(tmp_path / "quay.png")
        return read_one_foot(place(side))

    return run


def letters_said(record):
    return [remark.text for remark in record.remarks if remark.kind is RemarkKind.SIDE_LETTER]


def test_a_letter_that_contradicts_reaches_tables_and_ledger_in_words(read):
    reading = read("L")
    record, _ = restored("quay.png", stored(reading.record, reading.film))
    assert record.feet[0].decision.outcome is Outcome.REVIEW
    (row,) = feet_rows(record, protocol().reported_measures())
    assert "side letter conflict: the letter on the film says L, the anatomy says R" in row
    assert "side_letter_conflict" in row
    (said,) = letters_said(record)
    assert re.fullmatch(r"side letter L at column (7[6-9]|8[01])\d, row 3[2-6]\d \((1\.00|0\.9\d)\)", said)


def test_the_same_film_flipped_goes_to_a_person_for_its_mirrored_letter(read):
    record = read("R", side="L", flipped=True).record
    assert [one.kind for one in record.feet[0].decision.reasons] == [ReasonKind.SIDE_LETTER_MIRRORED]
    assert letters_said(record)[0].startswith("side letter R, mirrored, at column 1")


def test_a_letter_that_agrees_is_told_and_changes_no_number_and_no_verdict(read):
    with_letter, without = read("R").record, read("").record
    assert letters_said(with_letter)
    assert not letters_said(without)
    for record in (with_letter, without):
        assert record.feet[0].decision.outcome is Outcome.ACCEPTED
        assert record.feet[0].decision.reasons == ()
    assert with_letter.feet[0].measurements == without.feet[0].measurements


def test_without_the_weights_of_the_letters_a_run_ends_before_any_film(read, monkeypatch, tmp_path):
    side_letters.letter_network.cache_clear()
    monkeypatch.setattr(side_letters, "of_network", lambda name: tmp_path / f"{name}.safetensors")
    with pytest.raises(WeightsError, match=r"^side_letters\.safetensors: "):
        read("R")
    side_letters.letter_network.cache_clear()
