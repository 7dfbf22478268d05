"""Figures and reports of a suite, from tables worked by hand."""

import csv
import json
import re
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from scipy.stats import binomtest

from raysplay.configs.load import CONFIG_DIR, ConfigError, load, shipped
from raysplay.configs.protocol import protocol
from raysplay.infer.compare.run_tables import MeasuredArchive, MeasuredFoot
from raysplay.infer.compare.settings import evaluation_settings
from raysplay.infer.compare.truth import TrueFoot
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.train.settings import TrainSettings
from raysplay.train.suite.figures import suite_figures
from raysplay.train.suite.real_list import RealFigures
from raysplay.train.suite.report import SuiteRun, write_suite_report
from raysplay.train.suite.settings import SuiteCondition, SuiteSettings, Target, suite_settings

SETTINGS = evaluation_settings()
CONDITIONS = (
    SuiteCondition(name="good", expect="measure", of="clean"),
    SuiteCondition(name="worn", expect="measure", of="clean"),
    SuiteCondition(name="side", expect="turn away", of="lateral", reasons=(ReasonKind.NOT_DORSOPLANTAR,)),
)
TARGETS = (
    Target(column="hva_mae", of=("good", "worn"), at_most=2.0, source="work order"),
    Target(column="accepted", of=("side",), at_most=0.01, source="work order"),
    Target(column="hva_coverage", of=("good",), at_least=0.5, at_most=1.0, source="proposed"),
    Target(column="hva_mae", of=("not run",), at_most=2.0, source="proposed"),
)


def foot(side, hva, half, decision="accepted", reasons=()):
    return MeasuredFoot(side, decision, reasons, {"hva": (hva, hva - half, hva + half)})


WIDE = Reason(ReasonKind.WIDE_INTERVAL, "HVA interval is 10.0 degrees wide, limit 6")
DOUBTFUL_SIDE = Reason(ReasonKind.SIDE_DOUBTFUL, "side doubtful: R at 0.6")
NO_FOOT = (Reason(ReasonKind.NO_FOOT_FOUND, "no foot found"),)
REFUSED = MeasuredFoot("L", "refused", (Reason(ReasonKind.NOT_DORSOPLANTAR, "words that decide nothing"),), {})
TRUTH = {
    "good": [
        TrueFoot("good/1", "L", "dp", {"hva": 10.0}),
        TrueFoot("good/1", "R", "dp", {"hva": 16.0}),
        TrueFoot("good/2", "L", "dp", {"hva": 30.0}),
        TrueFoot("good/3", "L", "dp", {"hva": 30.0}),
    ],
    "worn": [
        TrueFoot("worn/1", "R", "dp", {"hva": 45.0}),
        TrueFoot("worn/2", "R", "dp", {"hva": 12.0}, condition="overlap"),
    ],
    "side": [TrueFoot("side/1", "L", "lateral"), TrueFoot("side/2", "L", "lateral"), TrueFoot("side/3", "", "other")],
}
RUN = MeasuredArchive(
    {
        "good/1": (foot("L", 11.0, 2.0), foot("R", 14.0, 1.0)),  # errors +1 held, -2 not held
        "good/2": (foot("R", 30.0, 1.0),),  # error 0, the side is wrong
        "good/3": (),
        "worn/1": (foot("R", 41.0, 5.0, "review", (WIDE, DOUBTFUL_SIDE)),),
        "worn/2": (foot("R", 13.0, 3.0, "review", (WIDE, replace(WIDE, text="another width"))),),
        "side/1": (REFUSED,),
        "side/2": (REFUSED, foot("R", 3.0, 1.0)),
        "side/3": (),
    },
    60.0,
    {"hva": "shaft", "ima": "shaft"},
    {"good/3": NO_FOOT, "side/3": NO_FOOT},
    {"landmarks.safetensors": "ab" * 32},
)


@pytest.fixture(scope="module")
def figures():
    return suite_figures(RUN, TRUTH, CONDITIONS, TARGETS, SETTINGS)


def test_what_became_of_the_feet(figures):
    good, worn, side = figures.rows
    assert (good["films"], good["feet"], good["found"], good["side_right"]) == (3, 4, 0.75, pytest.approx(2 / 3))
    assert (good["accepted"], good["review"], good["refused"]) == (0.75, 0.0, 0.25)
    assert (worn["accepted"], worn["review"], worn["refused"]) == (0.0, 1.0, 0.0)
    assert (good["review_sound"], worn["review_sound"]) == (0.0, 1.0)
    assert worn["review_sound_low"] == pytest.approx(binomtest(1, 1).proportion_ci(0.95, method="wilson").low)
    # Of three films one has an accepted foot, though another on it was refused.
    assert (side["accepted"], side["review"], side["refused"]) == (pytest.approx(1 / 3), 0.0, pytest.approx(2 / 3))
    assert (side["feet"], side["extra_feet"], side["false_accepts"]) == (0, 1, 1)
    assert side["own_reason"] == pytest.approx(2 / 3)
    assert np.isnan(good["own_reason"])
    wilson = binomtest(1, 3).proportion_ci(0.95, method="wilson")
    assert (side["accepted_low"], side["accepted_high"]) == pytest.approx((wilson.low, wilson.high))


def test_errors_of_each_condition(figures):
    good, worn, side = figures.rows
    assert (good["hva_n"], good["hva_mae"], good["hva_coverage"]) == (3, 1.0, pytest.approx(2 / 3))
    assert (good["hva_accepted_n"], good["hva_within_3"]) == (3, 1.0)
    assert (worn["hva_n"], worn["hva_mae"], worn["hva_bias"]) == (2, 2.5, -1.5)
    assert (worn["hva_accepted_n"], good["ima_n"], side["hva_n"]) == (0, 0, 0)


def test_conditions_to_be_measured_are_put_together(figures):
    assert figures.together.feet == 6
    by_band = {group.group: group.measures["hva"] for group in figures.together.groups}
    assert by_band["all measured"].n == 5
    assert by_band["HVA 40 and above"].mae == 4.0
    assert by_band["HVA below 15"].mae == 1.0
    # Widths 4 2 2 10 6 of errors 1 2 0 4 1: in order 2 0 1 1 4, means 2 1 1 1 1.6.
    assert figures.curves["hva"].risk == pytest.approx([2.0, 1.0, 1.0, 1.0, 1.6])
    assert set(figures.curves) == {"hva"}


def test_reasons_are_counted_by_kind_once_a_foot(figures):
    assert figures.reasons == Counter(
        {
            ("review", ReasonKind.WIDE_INTERVAL): 2,
            ("review", ReasonKind.SIDE_DOUBTFUL): 1,
            ("refused", ReasonKind.NOT_DORSOPLANTAR): 2,
            ("refused", ReasonKind.NO_FOOT_FOUND): 2,
        }
    )


def test_targets_are_checked_where_they_were_run(figures):
    assert [(check.condition, round(check.figure, 3), check.met) for check in figures.checks] == [
        ("good", 1.0, True),
        ("worn", 2.5, False),
        ("side", 0.333, False),
        ("good", 0.667, True),
    ]


def test_a_figure_that_is_not_there_meets_nothing():
    assert not Target(column="x", of=("a",), at_most=1.0, source="proposed").met(float("nan"))


def test_report(figures, tmp_path):
    real = (RealFigures("dp", 5, 4, {"accepted": 3, "review": 1, "refused": 1}),)
    made = SuiteRun(3, 7, "1.0", {"generating": 2.0}, RUN.digests, 0.9, SETTINGS.within, real)
    write_suite_report(figures, made, tmp_path)
    with (tmp_path / "suite.csv").open(encoding="utf-8", newline="") as stream:
        rows = {row["condition"]: row for row in csv.DictReader(stream)}
    assert list(rows) == ["good", "worn", "side"]
    assert float(rows["worn"]["hva_mae"]) == 2.5
    assert rows["side"]["hva_mae"] == ""
    content = json.loads((tmp_path / "suite.json").read_text(encoding="utf-8"))
    assert content["made"]["real"][0]["outcomes"]["accepted"] == 3
    assert [one["met"] for one in content["targets"]] == [True, False, False, True]
    assert content["risk_coverage"]["hva"]["risk"][-1] == pytest.approx(1.6)
    text = (tmp_path / "suite.md").read_text(encoding="utf-8")
    assert "| hva_mae | worn | at most 2 | 2.500 (1.00 to 4.00) | not met | work order |" in text
    assert "| worn | HVA | 2 | 2.50 (1.00 to 4.00) | -1.50 | 2.92 | 50 % | 100 % | 100 % (34 % to 100 %) | 0 |" in text
    assert "| dp | 5 | 4 | 3 | 1 | 1 |" in text
    for table in re.findall(r"(?:^\|.*\n)+", text, flags=re.MULTILINE):
        assert len({line.count("|") for line in table.splitlines()}) == 1, table
    for name in ("outcomes.png", "coverage.png", "severity.png", "risk_coverage.png"):
        assert f"({name})" in text
        with Image.open(tmp_path / name) as plot:
            assert np.asarray(plot.convert("L")).std() > 5


def test_a_suite_of_films_to_be_turned_away_alone(tmp_path):
    figures = suite_figures(RUN, TRUTH, CONDITIONS[2:], TARGETS, SETTINGS)
    assert figures.together is None
    made = SuiteRun(3, 7, "1.0", {}, {}, 0.9, SETTINGS.within)
    write_suite_report(figures, made, tmp_path)
    assert [path.name for path in tmp_path.glob("*.png")] == ["outcomes.png"]
    assert "by severity" not in (tmp_path / "suite.md").read_text(encoding="utf-8")


class TestShippedSettings:
    def test_every_target_names_a_column(self):
        reported = {measure.name: measure.construction for measure in protocol().reported_measures()}
        run = MeasuredArchive({"good/1": ()}, None, reported)
        empty = suite_figures(run, {"good": [TrueFoot("good/1", "L")]}, CONDITIONS[:1], (), SETTINGS)
        assert {target.column for target in suite_settings().targets} <= set(empty.rows[0])

    def test_the_seed_trained_nothing(self):
        files = sorted(CONFIG_DIR.glob("train_*.yaml"))
        assert files
        assert suite_settings().seed not in {load(TrainSettings, file).seed for file in files}

    def test_feet_no_dorsoplantar_reading_may_come_from_are_turned_away(self):
        expected = {condition.of: condition.expect for condition in suite_settings().conditions}
        assert {expected[name] for name in ("oblique", "lateral", "non_foot", "metal", "cast")} == {"turn away"}

    @pytest.mark.parametrize(
        ("old", "new", "said"),
        [
            ("of: rotated,", "of: rotten,", "no condition rotten"),
            ("name: rotated,", "name: clean,", "stands twice"),
            ("[clean, strangers,", "[clean, stranger,", "target of no condition: stranger"),
            ("at_most: 1.5, ", "", "at_least or at_most"),
            ("films: 40", "films: 0", "films"),
            ("turned: 180.0", "spun: 180.0", "spun|xtra"),
            ("without: [hva", "without: [hav", "no such measure: hav"),
        ],
    )
    def test_a_wrong_file_says_why(self, tmp_path, old, new, said):
        text = shipped("suite.yaml").read_text(encoding="utf-8")
        assert old in text
        file = tmp_path / "suite.yaml"
        file.write_text(text.replace(old, new, 1), encoding="utf-8")
        with pytest.raises(ConfigError, match=said):
            load(SuiteSettings, file)

    def test_conditions_are_chosen_by_name(self):
        chosen = suite_settings().chosen(["lateral", "clean"], ["skeleton"])
        assert [condition.name for condition in chosen] == ["clean", "skeleton", "lateral"]
        assert "skeleton" not in {condition.name for condition in suite_settings().chosen(None)}
        with pytest.raises(ValueError, match="no such condition: latteral"):
            suite_settings().chosen(["latteral"])
        with pytest.raises(ValueError, match="no such condition: clean"):
            suite_settings().chosen(None, ["clean"])
