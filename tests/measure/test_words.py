"""One list of sides and of bones: other lists say the same."""

import re
from pathlib import Path

import pydicom.datadict
import pytest

from raysplay.configs.load import landmark_descriptions, landmark_schema
from raysplay.infer.visit.language import language
from raysplay.measure.bones import SHAFTS, bone_words
from raysplay.measure.sides import LATERALITIES, SIDE_WORDS, SIDES, foot_words, other_side, side_of

PAGE = Path(__file__).parents[2] / "infer" / "review" / "page" / "modules"
EDGES = {"p_med": ("medial", 30), "p_lat": ("lateral", 30), "d_med": ("medial", 70), "d_lat": ("lateral", 70)}


def test_landmarks_of_shafts_are_found_by_the_words_of_their_bone():
    """The page takes the bone out of these words; words of its own would stand there twice."""
    schema = landmark_schema()
    for stem, bone in SHAFTS.items():
        for end, (edge, level) in EDGES.items():
            i = schema.index(stem + end)
            words = f"{edge} outer cortex of the {bone_words(bone)} at {level} % of its length"
            assert (schema.bones[i], landmark_descriptions()[i]) == (bone, words)


@pytest.mark.parametrize(
    ("bone", "words"),
    [
        # Foot bones as anatomy numbers and names them (Terminologia Anatomica, from memory).
        ("metatarsal_1", "first metatarsal"),
        ("metatarsal_5", "fifth metatarsal"),
        ("proximal_phalanx_1", "proximal phalanx of the great toe"),
        ("proximal_phalanx_3", "proximal phalanx of the third toe"),
        ("distal_phalanx_1", "distal phalanx of the great toe"),
        ("intermediate_cuneiform", "intermediate cuneiform"),
        ("talus", "talus"),
    ],
)
def test_bones_in_words(bone, words):
    assert bone_words(bone) == words


def test_sides_are_named_and_exchanged():
    assert [side_of(text) for text in ("L", "right", "LEFT", "r", "", "B", "lateral")] == [
        *("L", "R", "L", "R", None, None, None),
    ]
    assert [other_side(side) for side in ("L", "R", "")] == ["R", "L", ""]
    assert [foot_words(side) for side in ("L", "R", "")] == ["left foot", "right foot", "foot"]
    # Image Laterality (0020,0062) has R, L, U and B (DICOM PS3.3 C.8.11.2, from memory).
    assert pydicom.datadict.keyword_for_tag("00200062") == "ImageLaterality"
    assert set(LATERALITIES) == {"L", "R", "B"} > set(SIDES)


def test_the_page_has_the_same_words_for_sides():
    told = re.search(r"const SIDES = (\{.*?\});", (PAGE / "words.js").read_text())
    keys = dict(re.findall(r'(\w+): say\("(\w+)"\)', told[1]))
    assert {side: language("en").messages[key] for side, key in keys.items()} == SIDE_WORDS
    elsewhere = [
        file.name
        for file in PAGE.glob("*.js")
        if file.name != "words.js" and re.search(r"[Ll]eft foot|[\"']L[\"']\s*\?", file.read_text())
    ]
    assert elsewhere == []
