"""Message files are complete, and dates and decimal signs are those of the language.

Day.month.year and the decimal comma in German: DIN 5008 and DIN 1333 (from memory).
"""

import ast
import re
import string
from dataclasses import replace
from pathlib import Path

import pytest

import raysplay.infer.decide
from raysplay.configs.conversation_facts import conversation_facts, read_conversation_facts
from raysplay.configs.grades import schemes
from raysplay.configs.load import ConfigError, landmark_descriptions, shipped
from raysplay.configs.new_film_error import read_new_film_errors
from raysplay.infer.archive.reading import TROUBLES
from raysplay.infer.decide.loading import _AGAINST, _READ, _SENTENCES
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.films.film import Damage
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import Withheld
from raysplay.infer.review.reading import _outside
from raysplay.infer.visit.conditions import LOADINGS, Beam, Marker, Stance, Surgery, Worn
from raysplay.infer.visit.language import language, languages
from raysplay.measure.change import Read, compare
from raysplay.measure.registry import MEASURES

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
    day = replace(one, loading="full", worn="nothing"), replace(one, loading="none", worn="splint")
    pairs = ((full, other), (one, full), (one, one), day)
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


def test_what_a_run_says_of_a_foot_is_known_in_german():
    """Sentences of the gates as their modules have them, and the closed lists that go into them."""
    german = language("de")
    folder = Path(raysplay.infer.decide.__file__).parent
    said = [f"{kind.words} (0.80): {limit.hint}" for kind, limit in _conditions()]
    said += [
        f"{kind.words} (0.20): a shell is seen about the foot, {limit.hint}"
        for kind, limit in _conditions()
        if limit.shell is not None
    ]
    said += [*landmark_descriptions(), *(one.value for one in Damage), *TROUBLES.values(), *_SENTENCES.values()]
    said += [*_READ.values(), _AGAINST]
    for path in folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.JoinedStr):
                parts = [one.value if isinstance(one, ast.Constant) else "7.5" for one in node.values]
                text = "".join(parts)
                # Parts of sentences are left to the whole ones; values of several constructions stand below.
                if re.match(r"(?!construction|no such)[a-z][a-z -]+: |the |7\.5 (interval|of 7)", text):
                    said.append(text.replace("alone7.5", "alone"))
    assert len(said) > 90
    unknown = {one for one in said if german.phrase(one) == one}
    assert unknown == set()
    assert not [one for one in said if "; " in one]  # it parts sentences in a cell of feet.csv


def _conditions():
    return [(ReasonKind(name), limit) for name, limit in decision_settings().conditions.items()]


SAME_IN_BOTH = {"normal", "varus", "hallux valgus", *"01234567"}
"""The same words in German, but for capitals; stages that are numbers."""


def test_titles_of_measures_grades_and_why_there_is_none_are_known_in_german():
    """The registry and every scheme that ships, whatever a protocol reports."""
    german = language("de")
    for one in MEASURES:
        assert f"measure_{one.name}" in german.messages or german.phrase(one.title) != one.title, one.name
    grades = set()
    for scheme in schemes():
        for measure in MEASURES:
            scale = scheme.scale(measure.name)
            if scale is None:
                continue
            grades |= {one for one in scale.grades if one}
            for possible in (None, (-5.0, 90.0)):
                why = _outside(replace(scale, possible=possible), -1000.0)
                assert german.phrase(why) != why, why
    assert len(grades) > 5
    assert {one for one in grades if german.phrase(one).lower() == one} <= SAME_IN_BOTH


def test_where_the_errors_of_verdicts_come_from_is_known_in_german():
    german = language("de")
    for one in read_new_film_errors(shipped("new_film_error.yaml")).values():
        assert german.phrase(one.basis) != one.basis
    assert german.phrase("1,200 generated feet on two films each, by one technique").startswith("1.200 erzeugte")


@pytest.mark.parametrize(
    ("english", "german"),
    [
        ("HVA interval is 7.3 degrees wide, limit 6", "das Intervall von HVA ist 7,3 Grad weit, Grenze 6"),
        ("confirmed by AB; corrected by CD", "bestätigt von AB; korrigiert von CD"),
        ("There is no such film", "Diese Aufnahme gibt es nicht"),
        (
            "construction-sensitive: HVA is 20.5 by shaft, 25.1 by head_base (degrees), limit 4 apart",
            "von der Achsenmethode abhängig: HVA ist 20,5 nach shaft, 25,1 nach head_base (Grad), Grenze 4 auseinander",
        ),
        (
            "beam, an unproven estimate: it met the foot at about 31 degrees (19 to 43), usual 10 to 15",
            "Strahl, eine unbewiesene Schätzung: er traf den Fuß unter etwa 31 Grad (19 bis 43), üblich 10 bis 15",
        ),
        ("1,200", "1.200"),
        ("-3.5", "−3,5"),
        ("2026-03-01", "2026-03-01"),
        ("1.2.840.10008", "1.2.840.10008"),
        ("climbed 312 steps first", "climbed 312 steps first"),
    ],
)
def test_sentences_with_values_in_german(english, german):
    """Decimal comma and points between thousands: DIN 1333 and DIN 5008, from memory. What a person typed stays."""
    assert language("de").phrase(english) == german
    assert language("en").phrase(english) == english
