"""Papers as papers: numbers of sentences stand in tables, words for position, reading order, fonts, sheets, grey.

Independent readers of the PDF: poppler's pdftotext, pdffonts, pdfinfo. Sheets: ISO 216 (A4), ANSI Y14.1 (Letter).
"""

import io
import re
import shutil
import subprocess
from math import isfinite

import numpy as np
import pytest
from PIL import Image

from raysplay.configs.new_film_error import new_film_error
from raysplay.configs.reader_error import reader_error
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.records import Withheld
from raysplay.infer.report.document import Bullets, DataTable, Heading, Notice, Paragraph, Picture
from raysplay.infer.report.pdf_file import pdf_file
from raysplay.infer.review.requests import ReadSent
from raysplay.infer.review.settings import review_settings
from raysplay.infer.visit.conditions import Conditions, Stated
from raysplay.infer.visit.foot_drawing import NORMAL, foot_picture
from raysplay.infer.visit.language import language, languages
from raysplay.infer.visit.letter import letter_of
from raysplay.infer.visit.persons import persons_of
from raysplay.infer.visit.plain_sheet import plain_sheet_of
from raysplay.infer.visit.report import ReportGround, report_of
from raysplay.infer.visit.signed import Signed

SIGNED = Signed("AB", "2026-11-28T21:30:00+00:00", True)
poppler = pytest.mark.skipif(
    any(shutil.which(one) is None for one in ("pdftotext", "pdffonts", "pdfinfo")), reason="poppler-utils read the PDF"
)


@pytest.fixture
def papers(make_run, open_desk, tmp_path, film_of, foot_of):
    """``papers("de")`` gives blocks of report and letter of a person with every kind of sentence, and the person."""

    def made(name, reported=None, confirm=()):
        days = ("2024-03-01", "2024-09-01", "2025-03-01", "2026-03-01", "2026-03-01", "2026-09-01")
        angles = ((27.0, 12.0), (28.0, 12.5), (34.0, 16.0), (38.0, 17.5), (25.0, 17.3), (39.0, 18.0))
        moved = dict.fromkeys(("TN_med", "C1M1_med"), (0.0, 20.0))
        films = {
            f"{k}.dcm": film_of(taken=day, feet=(foot_of(hva=hva, ima=ima, moved=moved), foot_of("L", 20.0 + k, 10.0)))
            for k, (day, (hva, ima)) in enumerate(zip(days, angles, strict=True), start=1)
        }
        desk = open_desk(make_run(films, reported=reported))
        for number in confirm:
            sent = ReadSent(run=desk.run.identity, version=0, request=f"r{number}", verdict="confirm")
            desk.save(number, "AB", sent)
        about = {f"{k}.dcm": {"worn": "nothing", "tilt": 12.0} for k in range(1, 7)}
        about["5.dcm"] = {"worn": "splint", "tilt": 12.0}
        about["6.dcm"] = {"worn": "nothing", "tilt": 27.0, "loading": "none"}
        conditions = Conditions({film: Stated(film, **one) for film, one in about.items()})
        (person,), left = persons_of(desk, conditions)
        errors = {one: error for one in ("hva", "ima", "ima45") if (error := new_film_error(one))}
        hand, limits = review_settings().hand_placed, decision_settings()
        run = tmp_path / "run"
        ground = ReportGround("0" * 12, run, desk.run.protocol(), limits, hand, errors, language(name))
        written = {"pain": "on the stairs of the tower"}
        return person, ground, report_of(person, left, ground), letter_of(person, left, ground, written, SIGNED)

    return made


def sentences(blocks):
    for block in blocks:
        if isinstance(block, Paragraph):
            yield block.text
        elif isinstance(block, Bullets):
            yield from block.items


def numbers(text, words):
    """Numbers of a text in a language, as floats; days, sources and words such as M2 or 4-5 are none."""
    text = re.sub(r"\d{1,2}\.\d{2}\.\d{4}|\d{1,2} [A-Z][a-z]+ \d{4}", " ", text)
    between = "," if words.decimal == "." else r"\."
    text = re.sub(rf"(?<=\d){between}(?=\d{{3}}\b)", "", text)
    found = re.findall(r"(?<![\w.,/-])[−+]?\d+(?:[.,]\d+)?(?![\w/-]|[.,]\d)", text)
    return [float(one.replace("−", "-").replace(words.decimal, ".")) for one in found]


def own_part(text):
    """A sentence without its source, which stands as it is published."""
    return re.split(r"Source: |Quelle: |\. [A-Z][\w-]+ (?:and|et al|und|of)\b|\. raysplay\.|\. Takeda|\. Condon", text)[
        0
    ]


@pytest.mark.parametrize("name", languages())
def test_every_number_of_a_sentence_stands_in_a_table_or_in_the_configuration(papers, name):
    """A sentence whose number is of another foot, day or rounding than its table shows here."""
    person, ground, report, letter = papers(name)
    words = ground.words
    cells = {abs(value) for block in (*report, *letter) if isinstance(block, DataTable) for row in block.rows
             for cell in row for value in numbers(cell, words)}  # fmt: skip
    levels = {round(100.0 * ground.level), 95.0, 100.0}
    errors = {error.sd for error in ground.new_films.values()}
    published = [reader_error(one) for one in ("hva", "ima", "ima45")]
    errors |= {round(one.sem, 2) for one in published if one is not None}
    errors |= {
        float(one) for error in ground.new_films.values() for one in re.findall(r"\d+", error.basis.replace(",", ""))
    }
    moved = {
        round(getattr(drawn[1], part), 1)
        for foot in person.feet
        if (drawn := foot_picture(foot, ground.protocol, words)) is not None
        for part in ("head", "edge", "tip", "hva", "ima")
    }
    beyond = {
        abs(end - normal)
        for block in report
        if isinstance(block, DataTable) and block.numbers == {1, 4}
        for row in block.rows
        for end in numbers(row[2], words)
        for normal in numbers(row[3], words)
    }
    known = {*cells, *levels, *errors, *(abs(one) for one in moved), NORMAL.hva, NORMAL.ima, 12.0, 27.0, 1996.0}
    facts = next(k for k, block in enumerate(report) if getattr(block, "text", "") == words.say("conversation"))
    counted = 0
    for text in (*sentences(report[:facts]), *sentences(letter)):
        if text.startswith((words.messages["trend"].split("{")[0], words.say("timeline_about")[:20])):
            continue  # the trend has a test of its own: tests/infer/visit/test_report.py
        for value in numbers(own_part(text), words):
            counted += 1
            stands = any(abs(abs(value) - one) < 1e-6 for one in known)
            assert stands or any(abs(abs(value) - one) < 0.101 for one in beyond), (value, text)
    assert counted > 40


@pytest.mark.parametrize("name", languages())
def test_the_last_step_of_the_letter_is_the_row_of_the_report(papers, name):
    _, ground, report, letter = papers(name)
    words = ground.words
    rows = {block.caption: block.rows for block in report if isinstance(block, DataTable) and block.numbers == {2, 4}}
    said = [one for one in sentences(letter) if one.startswith(f"{words.say('side_R')}, HVA")]
    caption = words.say("steps_caption", measure="HVA", unit=words.say("unit_deg"))
    assert len(said) == 1
    last = [row for row in rows[caption] if words.say("whole") not in row[1]][-1]
    assert last[2] == words.say("none"), "the last film was taken otherwise"
    assert last[5] in said[0]
    assert not re.search(r"[−+]\d", said[0]), "no difference of films that cannot be compared"


PRAISE = {
    "en": r"\b(progress\w*|improv\w*|better|worse\w*|correct(s|ed|ion) by|heal\w*|success\w*|recover\w*)\b",
    "de": r"\b(Fortschritt\w*|Verbesser\w*|verbesser\w*|besser|schlechter|Heilung|geheilt|Erfolg\w*|erfolgreich\w*)\b",
}


@pytest.mark.parametrize("name", languages())
def test_a_pair_of_one_day_is_called_position_and_nothing_else(papers, name):
    _, ground, report, _ = papers(name)
    words = ground.words
    captions = [words.say("positional_caption", measure=one, unit=words.say("unit_deg")) for one in ("HVA", "IMA")]
    for caption, verdict in zip(captions, ("beyond_error", "within_error"), strict=True):
        block = next(one for one in report if isinstance(one, DataTable) and one.caption == caption)
        (row,) = block.rows
        assert row[5].startswith(words.say(f"verdict_positional_{verdict}"))
        about = report[report.index(block) - 1]
        assert about == Paragraph(words.say("positional_about"), caution=True)
    in_time = {words.say("steps_caption", measure=one, unit=words.say("unit_deg")) for one in ("HVA", "IMA", "IMA 4-5")}
    found = [block for block in report if isinstance(block, DataTable) and block.caption in in_time]
    assert len(found) == 2 * len(in_time)
    for block in found:
        worn = [row for row in block.rows if words.say("worn_splint") in row[0] + row[1]]
        assert worn
        assert all(row[2] == words.say("none") for row in worn), "no step in time to or from a film with a splint"


@pytest.mark.parametrize("name", languages())
def test_no_message_praises_a_change(name):
    """Position is no progress, and a smaller angle no success: words for either stand where they are denied."""
    denied = {"positional_about", "grades_about", "card_worn_why", "pair_films"}
    words = language(name)
    found = {key for key, text in {**words.messages, **words.page}.items() if re.search(PRAISE[name], text)}
    assert found <= denied


@poppler
@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", languages())
def test_a_paper_is_read_in_the_order_in_which_it_was_written(papers, name, paper, tmp_path):
    person, ground, report, letter = papers(name)
    size = {"A4": (595.28, 841.89), "Letter": (612.0, 792.0)}[paper]
    sheet = plain_sheet_of(person, ground, "", SIGNED)
    for kind, blocks in (("report", report), ("letter", letter), ("sheet", sheet)):
        path = tmp_path / f"{kind}.pdf"
        path.write_bytes(pdf_file(kind, blocks, paper))
        told = subprocess.run(["pdfinfo", str(path)], capture_output=True, check=True, text=True).stdout
        found = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", told)
        assert [float(one) for one in found.groups()] == pytest.approx(size, abs=0.5)
        fonts = subprocess.run(["pdffonts", str(path)], capture_output=True, check=True, text=True).stdout.splitlines()
        assert len(fonts) > 2
        assert all(line.split()[-5] == "yes" for line in fonts[2:]), "fonts are embedded, all of them"
        text = subprocess.run(["pdftotext", str(path), "-"], capture_output=True, check=True).stdout.decode()
        text = re.sub(rf"\n{kind}\n|{re.escape(ground.words.say('page'))} \d+\n|\f", " ", text)
        text = re.sub(r"\W", "", text)
        at = 0
        for block in blocks:
            said = [block.text] if isinstance(block, Heading | Paragraph | Notice) else []
            said += block.items if isinstance(block, Bullets) else []
            said += [block.caption, block.rows[0][0]] if isinstance(block, DataTable) else []
            said += [block.caption] if isinstance(block, Picture) else []
            for one in said:
                wanted = re.sub(r"\W", "", one)
                place = text.find(wanted, at)
                assert place >= 0, (kind, one)
                at = place + len(wanted)


@pytest.mark.parametrize("name", languages())
def test_pictures_are_readable_without_colour(papers, name):
    """Drawings are grey; bare and worn differ by mark, see ``timeline_plot``. The run's overlay names its lines."""
    _, _, report, _ = papers(name)
    pictures = [block for block in report if isinstance(block, Picture)]
    assert len(pictures) >= 4
    for one in pictures:
        pixels = np.asarray(Image.open(io.BytesIO(one.png)).convert("RGB"), dtype=int)
        assert (pixels.max(axis=2) - pixels.min(axis=2)).max() == 0
        assert one.width <= 170.0, "within the margins of A4 and of Letter"
        dpi = pixels.shape[1] / (one.width / 25.4)
        assert dpi >= 149.5, "print size"


def test_a_ratio_keeps_its_decimals_in_difference_and_interval(papers):
    """A sesamoid position of 0.12 to 0.31 reads 0.1 to 0.3 else, and 0.04 reads 0.0."""
    _, ground, report, _ = papers("en", reported=["hva", "tsp"])
    rows = [row for block in report if isinstance(block, DataTable) and block.numbers == {2, 4} for row in block.rows]
    ratios = [row for row in rows if re.fullmatch(r"[−+]?\d\.\d{3}", row[2])]
    assert ratios
    for row in ratios:
        difference = float(row[2].replace("−", "-"))
        low, high = (float(one.replace("−", "-")) for one in re.findall(r"[−+]?\d+\.\d{3}", row[3]))
        assert low <= difference <= high
        assert isfinite(ground.level)


@pytest.mark.parametrize("name", languages())
def test_the_sheet_for_the_person_says_the_numbers_of_the_record(papers, name):
    person, ground, report, _ = papers(name)
    words = ground.words
    sheet = plain_sheet_of(person, ground, "By hand, on the rock", SIGNED)
    record = next(block for block in report if getattr(block, "caption", "") == words.say("record_caption"))
    told = list(sentences(sheet))
    for row in record.rows:
        for measure, key in (("HVA ", "plain_toe"), ("IMA (", "plain_bone")):
            if row[1].startswith(measure):
                begin = words.messages[key].split("{")[0]
                angles = [numbers(one, words)[0] for one in told if one.startswith(begin)]
                assert numbers(row[2], words)[0] in angles, row
    drawn = foot_picture(person.of_side("R")[-1], ground.protocol, words)[1]
    moved = words.say(
        "plain_moved", head=words.number(drawn.head), tip=words.number(drawn.tip), unit=words.say("unit_mm")
    )
    assert moved in told
    assert words.say("bump") in told
    assert "By hand, on the rock" in told
    assert words.say("end") in told


@pytest.mark.parametrize("name", languages())
def test_the_sheet_for_the_person_calls_a_pair_of_one_day_position(papers, name):
    person, ground, report, _ = papers(name)
    words = ground.words
    told = list(sentences(plain_sheet_of(person, ground, "", SIGNED)))
    caption = words.say("positional_caption", measure="HVA", unit=words.say("unit_deg"))
    row = next(block for block in report if getattr(block, "caption", "") == caption).rows[0]
    day = words.day("2026-03-01")
    pair = words.say("plain_pair_beyond", first=day, second=day, difference=row[2])
    assert pair in told
    last = words.messages["plain_none"].split("{")[0]
    assert [one for one in told if one.startswith(last) and words.day("2026-09-01") in one], "nor what is unlike"


def test_the_sheet_for_the_person_gives_no_number_that_is_withheld(make_run, open_desk, film_of, foot_of, tmp_path):
    films = {
        "1.dcm": film_of(feet=(foot_of(hva=33.3),)),
        "2.dcm": film_of(taken="2026-03-01", feet=(foot_of(hva=44.4, withheld={"hva": Withheld.WIDE_INTERVAL}),)),
    }
    desk = open_desk(make_run(films))
    (person,), _ = persons_of(desk, Conditions())
    hand = review_settings().hand_placed
    ground = ReportGround("0" * 12, tmp_path, desk.run.protocol(), decision_settings(), hand, {}, language("en"))
    sheet = plain_sheet_of(person, ground, "", SIGNED)
    told = " ".join(sentences(sheet))
    assert "44.4" not in told
    assert "11.1" not in told
    assert "its interval is too wide" in told
    assert not [block for block in sheet if isinstance(block, Picture)]
    assert [block.text for block in sheet if isinstance(block, Notice)] == ["UNCONFIRMED"], "nobody confirmed IMA"


@pytest.mark.parametrize(("hva", "key"), [(-4.0, "plain_toe_away"), (12.0, "plain_toe")])
def test_the_sheet_for_the_person_names_varus_and_no_bump_of_a_straight_foot(
    make_run, open_desk, film_of, foot_of, tmp_path, hva, key
):
    desk = open_desk(make_run({"1.dcm": film_of(feet=(foot_of(hva=hva, ima=8.0),))}))
    (person,), _ = persons_of(desk, Conditions())
    hand, words = review_settings().hand_placed, language("en")
    ground = ReportGround("0" * 12, tmp_path, desk.run.protocol(), decision_settings(), hand, {}, words)
    told = list(sentences(plain_sheet_of(person, ground, "", SIGNED)))
    (said,) = [one for one in told if one.startswith("The great toe leans")]
    assert numbers(said, words)[0] == abs(hva)
    assert ("away from" in said) == (key == "plain_toe_away")
    assert words.say("bump") not in told
