"""Message files are complete, and dates and decimal signs are those of the language.

Day.month.year and the decimal comma in German: DIN 5008 and DIN 1333 (from memory).
"""

import re
import string
from dataclasses import replace

import pytest

from raysplay.configs.conversation_facts import conversation_facts, read_conversation_facts
from raysplay.configs.load import ConfigError
from raysplay.infer.records import Withheld
from raysplay.infer.visit.conditions import LOADINGS, Beam, Marker, Stance, Surgery, Worn
from raysplay.infer.visit.language import language, languages
from raysplay.measure.change import Read, compare

OTHERS = [name for name in languages() if name != "en"]


def places(text):
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}


@pytest.mark.parametrize("name", OTHERS)
def test_every_message_stands_in_every_language_with_the_same_places(name):
    english, other = language("en").messages, language(name).messages
    own = {key for key in other if key.startswith("measure_")}  # titles of measures, English in the registry
    assert set(english) == set(other) - own
    for key, text in english.items():
        assert places(text) == places(other[key]), key


@pytest.mark.parametrize("name", languages())
def test_every_word_of_the_table_has_its_message(name):
    known = language(name).messages
    stated = {"stance": Stance, "beam": Beam, "marker": Marker}
    words = {f"{name}_{one.value.replace(' ', '_')}" for name, kind in stated.items() for one in kind}
    words |= {f"worn_{one.value}" for one in Worn} | {f"surgery_{one.value}" for one in Surgery}
    assert words | {f"loading_{one}" for one in LOADINGS} <= set(known)


@pytest.mark.parametrize("name", languages())
def test_facts_stand_in_every_language(name):
    assert all(one.text[name] for one in conversation_facts())


def test_numbers_of_facts_are_the_same_in_german():
    for one in conversation_facts():
        english, german = (re.findall(r"\d+(?:[.,]\d+)?", one.text[name]) for name in ("en", "de"))
        assert sorted(english) == sorted(number.replace(",", ".") for number in german), one.source


def test_numbers_and_days():
    assert (language("en").number(-7.04), language("de").number(-7.04)) == ("−7.0", "−7,0")
    assert (language("en").signed(0.04), language("de").signed(2.0)) == ("0.0", "+2,0")
    assert (language("en").day("2026-03-01"), language("de").day("2026-03-01")) == ("1 March 2026", "01.03.2026")


def test_reasons_and_caveats_of_a_comparison_are_known_in_german():
    """Every sentence that measure.change can say of two films; a new one shows here."""
    german = language("de")
    one = Read("hva", "deg", "shaft", 30.0, 1.0, "R", 0.0)
    taken = (("stance", "gait"), ("beam", "one foot")), (("stance", "parallel"), ("beam", "between feet"))
    full = Read("hva", "mm", "head_base", float("nan"), 1.0, "L", 1.0, "full", "splint", "AP", 0.0, "geometry")
    other = Read("hva", "mm", "shaft", 20.0, 1.0, "R", 2.0, "none", "splint", "PA", 30.0, "fiducial")
    full, other = replace(full, technique=taken[0]), replace(other, technique=taken[1])
    names = ("the earlier film", "the later film")
    pairs = ((full, other), (one, full), (one, one))
    found = [compare(*pair, largest_tilt_difference=10.0, names=names) for pair in pairs]
    said = [text for change in found for text in (*change.reasons, *change.caveats)]
    assert len(set(said)) >= 10
    for text in said:
        assert german.phrase(text) != text, text
    assert german.phrase("different loading: full and none") == "verschiedene Belastung: voll und keine"


def test_causes_of_withheld_numbers_are_known_in_german():
    for one in Withheld:
        said = f"withheld by the run: {one.words}"
        assert one.words not in language("de").phrase(said)


def test_facts_that_nobody_saw_in_their_source_are_refused(tmp_path):
    path = tmp_path / "facts.yaml"
    path.write_text("facts:\n  - {about: splint, text: {en: It helps.}, source: somebody, tag: M}\n")
    with pytest.raises(ConfigError, match="only what was seen"):
        read_conversation_facts(path)


def test_an_unknown_language_is_refused():
    with pytest.raises(ConfigError, match="there are de, en"):
        language("../en")
