"""All figures of a run, from tables worked by hand and through the command."""

import csv
import hashlib
import json
import re
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from rich.console import Console
from typer.testing import CliRunner

from raysplay.configs.load import landmark_schema
from raysplay.infer import command
from raysplay.infer.compare.evaluation import evaluate_run
from raysplay.infer.compare.report import print_report, write_report
from raysplay.infer.compare.run_tables import MeasuredArchive, MeasuredFoot, read_run
from raysplay.infer.compare.settings import evaluation_settings
from raysplay.infer.compare.truth import TrueFoot
from raysplay.infer.outputs.finished_run import RunError
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import FootLandmarks, FoundFoot
from raysplay.train.cli import app

SETTINGS = evaluation_settings()


def measured(side, hva, decision="accepted", half=2.0, landmarks=None):
    return MeasuredFoot(side, decision, (), {"hva": (hva, hva - half, hva + half)}, landmarks or {})


REFUSED = MeasuredFoot("L", "refused", (Reason(ReasonKind.NOT_DORSOPLANTAR, "not a dorsoplantar view"),), {})

TRUTH = [
    TrueFoot("a", "L", "dp", {"hva": 10.0, "ima": 8.0}, landmarks={"DP_tip": (10.0, 10.0)}),
    TrueFoot("a", "R", "dp", {"hva": 30.0}),  # sent to review
    TrueFoot("b", "L", "dp", {"hva": 40.0}),
    TrueFoot("c", "R", "dp", {"hva": 15.0}),
    TrueFoot("d", "L", "lateral"),
    TrueFoot("e", "L", "oblique"),
    TrueFoot("f", "", "other"),
    TrueFoot("g", "R", "dp", {"hva": 20.0}),
    TrueFoot("h", "R", "dp", {"hva": 20.0}),
    TrueFoot("i", ""),  # no foot, no view said
]
RUN = MeasuredArchive(
    {
        "a": (measured("L", 11.0, landmarks={"DP_tip": (13.0, 14.0)}), measured("R", 26.0, "review")),
        "b": (measured("R", 43.0),),  # side misread
        "c": (),  # not found
        "d": (REFUSED,),
        "e": (measured("L", 9.0),),  # accepted though oblique
        "f": (measured("L", 5.0),),  # a foot where there is none
        "g": (replace(REFUSED, side="R"),),  # refused though dorsoplantar
        "h": (),  # gave no film
        "i": (measured("R", 8.0),),
        "x": (measured("L", 99.0),),  # a film the truth does not know
    },
    120.0,
    {"hva": "shaft", "ima": "shaft"},
    {
        "c": (Reason(ReasonKind.NO_FOOT_FOUND, "no foot found"),),
        "h": (Reason(ReasonKind.UNREADABLE, "unreadable: empty file"),),
    },
)


@pytest.fixture(scope="module")
def result():
    return evaluate_run(RUN, TRUTH, SETTINGS)


def test_feet_are_counted(result):
    assert (result.films, result.feet, result.found, result.sides_right) == (9, 6, 3, 2)
    assert result.extra_feet == 0
    assert result.false_accepts == 3


@pytest.mark.parametrize("unfit", ["", "overlap"])
def test_review_of_feet_with_nothing_wrong_leaves_out_those_that_are_unfit(unfit):
    truth = [replace(foot, condition=unfit if (foot.film, foot.side) == ("a", "R") else "") for foot in TRUTH]
    result = evaluate_run(RUN, truth, SETTINGS)
    assert (result.sound, result.sound_reviewed) == ((5, 0) if unfit else (6, 1))


def test_decisions_are_counted_by_true_view(result):
    counts = {view: {k: n for k, n in one.items() if n} for view, one in result.decisions.items()}
    assert counts == {
        "dp": {"accepted": 2, "review": 1, "refused": 1, "not found": 1, "film not read": 1},
        "oblique": {"accepted": 1},
        "lateral": {"refused": 1},
        "other": {"accepted": 2},
    }


def test_errors_by_group(result):
    """Errors +1 (true 10), -4 (true 30, review), +3 (true 40)."""
    groups = {group.group: group.measures["hva"] for group in result.groups}
    assert {name: f.n for name, f in groups.items()} == {
        "all measured": 3,
        "accepted": 2,
        "HVA below 15": 1,
        "HVA 15 to below 20": 0,
        "HVA 20 to below 40": 1,
        "HVA 40 and above": 1,
    }
    assert groups["all measured"].mae == pytest.approx(8 / 3)
    assert groups["accepted"].mae == 2.0
    assert groups["all measured"].coverage == pytest.approx(1 / 3)
    assert groups["HVA 40 and above"].bias == 3.0
    assert all(group.measures["ima"].n == 0 for group in result.groups)


def test_landmark_distance_is_the_hypotenuse(result):
    """3, 4, 5."""
    assert dict(result.landmark_errors) == {"DP_tip": (1, 5.0, 5.0)}


def test_a_second_found_foot_is_extra():
    run = MeasuredArchive(
        {"a": (measured("L", 10.0), measured("L", 12.0, "review"), measured("R", 3.0))}, None, {"hva": "shaft"}
    )
    result = evaluate_run(run, [TrueFoot("a", "L", "dp", {"hva": 10.0})], SETTINGS)
    assert (result.found, result.extra_feet, result.false_accepts) == (1, 2, 1)


def test_report_is_written_and_printed(result, tmp_path):
    write_report(result, tmp_path)
    content = json.loads((tmp_path / "evaluation.json").read_text(encoding="utf-8"))
    assert content["found"] == 3
    assert content["groups"][0]["measures"]["hva"]["within"] == {"3": pytest.approx(2 / 3), "5": 1.0}
    assert content["groups"][0]["measures"]["ima"]["mae"] is None
    with (tmp_path / "evaluation.csv").open(encoding="utf-8", newline="") as stream:
        first = next(csv.DictReader(stream))
    assert (first["group"], first["measure"], first["n"]) == ("all measured", "hva", "3")
    assert float(first["mae"]) == pytest.approx(8 / 3)
    console = Console(record=True, width=200, file=(tmp_path / "screen").open("w", encoding="utf-8"))
    print_report(result, console)
    text = console.export_text()
    assert "found 3 of 6 (50.0 %), side right 2 of 3 (66.7 %)" in text
    assert re.search(r"HVA\D+3\D+2\.67", text)
    assert "120 films a minute" in text


class KnownFoot:
    """The same known foot, 100 pixels wide at the shaft levels, on every film."""

    digests = {"known": "0" * 64}  # noqa: RUF012

    def __init__(self):
        schema = landmark_schema()
        points = np.full((len(schema), 2), 300.0)
        for stem, x in {"M1": 200, "M2": 280, "M4": 360, "M5": 420}.items():
            for level, y in {"p": 500, "d": 350}.items():
                for edge, dx in {"med": -20, "lat": 20}.items():
                    points[schema.index(f"{stem}{level}_{edge}")] = (x + dx, y)
        for level, (x, y) in {"p": (205, 240), "d": (215, 180)}.items():
            for edge, dx in {"med": -15, "lat": 15}.items():
                points[schema.index(f"PP{level}_{edge}")] = (x + dx, y)
        points[schema.index("DP_base_c")], points[schema.index("DP_tip")] = (220, 150), (220, 90)
        foot = FoundFoot(np.eye(3), "R", 0.99, 0.99, {"dp": 1.0})
        covariance = np.tile(np.eye(2), (len(schema), 1, 1))
        self.known = FootLandmarks(foot, points, covariance, np.full(len(schema), 0.9))

    def find(self, film):
        return [self.known.foot]

    def landmarks(self, film, foot):
        return self.known


@pytest.fixture
def films(tmp_path, monkeypatch):
    monkeypatch.setattr(command, "foot_reader", lambda *_: KnownFoot())
    return written_films(tmp_path / "films")


def written_films(folder):
    folder.mkdir()
    for i in range(3):
        pixels = np.full((640, 600), 60, dtype=np.uint8)
        pixels[50:600, 150:450] = 170
        pixels[0, i] = 255
        Image.fromarray(pixels).save(folder / f"f{i}.png")
    return folder


def call(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "240"})


def test_evaluate_measures_and_compares(films, tmp_path):
    """The known foot has HVA atan(10 / 60) = 9.462 degrees and IMA 0; truth lies 1, 2 and 6 degrees below."""
    hva = np.degrees(np.arctan2(10, 60))
    lines = [f"f{i}.png,R,{hva - off:.6f},0" for i, off in enumerate((1, 2, 6))]
    truth = tmp_path / "truth.csv"
    truth.write_text("\n".join(["film,foot,hva,ima", *lines]) + "\n", encoding="utf-8")
    out = tmp_path / "out"
    result = call("evaluate", films, truth, "--out", out)
    assert result.exit_code == 0, result.output
    content = json.loads((out / "evaluation.json").read_text(encoding="utf-8"))
    figures = content["groups"][0]["measures"]
    assert figures["hva"]["mae"] == pytest.approx(3.0, abs=0.051)
    assert figures["hva"]["within"] == {"3": pytest.approx(2 / 3), "5": pytest.approx(2 / 3)}
    assert figures["ima"]["mae"] == pytest.approx(0.0, abs=0.051)
    assert content["films_per_minute"] > 0

    again = call("evaluate", films, truth, "--measured", out / "run")
    assert again.exit_code == 0, again.output
    assert "found 3 of 3 (100.0 %)" in again.output

    refused = call("evaluate", films, truth, "--out", out)
    assert refused.exit_code == 2
    assert "--overwrite" in refused.output


def test_a_run_is_compared_by_its_own_protocol(films, tmp_path):
    """The axis of the shaft and that of head and base are different measures (fact sheet, section 1)."""
    foot = KnownFoot().known.points
    schema = landmark_schema()
    base, head = (foot[schema.index(code)] for code in ("M1_base_c", "M1_head_c"))
    assert np.array_equal(base, head)  # so that this measure is withheld and no other
    truth = tmp_path / "truth.csv"
    truth.write_text("film,foot,hva,mtp5,ima45\nf0.png,R,9.5,1,0.5\n", encoding="utf-8")
    file = tmp_path / "other.yaml"
    file.write_text("reported: [ima45, hva]\nexceptions: {hva: head_base}\n", encoding="utf-8")
    out = tmp_path / "out"
    result = call("evaluate", films, truth, "--out", out, "--protocol", file)
    assert result.exit_code == 0, result.output
    figures = json.loads((out / "evaluation.json").read_text(encoding="utf-8"))["groups"][0]["measures"]
    assert list(figures) == ["ima45", "hva"]
    assert (figures["ima45"]["n"], figures["hva"]["n"]) == (1, 0)
    assert figures["ima45"]["mae"] == pytest.approx(0.5, abs=0.051)
    assert read_run(out / "run").constructions == {"ima45": "shaft", "hva": "head_base"}
    both = call("evaluate", films, truth, "--measured", out / "run", "--protocol", file)
    assert both.exit_code == 2
    assert "--protocol" in both.output


def test_each_foot_of_a_film_gets_its_own_landmarks(films, tmp_path, monkeypatch):
    class TwoFeet(KnownFoot):
        def find(self, film):
            self.second = replace(self.known, foot=replace(self.known.foot, side="L"), points=self.known.points + 90.0)
            return [self.known.foot, self.second.foot]

        def landmarks(self, film, foot):
            return self.known if foot is self.known.foot else self.second

    monkeypatch.setattr(command, "foot_reader", lambda *_: TwoFeet())
    assert call("measure", films / "f0.png", "--out", tmp_path / "run", "--no-overlays").exit_code == 0
    right, left = read_run(tmp_path / "run").films["f0.png"]
    assert (right.side, left.side) == ("R", "L")
    assert left.centre == pytest.approx((right.centre[0] + 90.0, right.centre[1] + 90.0))


def test_a_folder_without_a_run_is_bad_usage(films, tmp_path):
    truth = tmp_path / "truth.csv"
    truth.write_text("film,foot\nf0.png,R\n", encoding="utf-8")
    result = call("evaluate", films, truth, "--measured", tmp_path)
    assert result.exit_code == 2
    assert "is this the folder of a finished run?" in " ".join(result.output.replace("│", " ").split())


def test_tables_that_are_no_run_are_refused(tmp_path, films):
    assert call("measure", films, "--out", tmp_path / "run", "--no-overlays").exit_code == 0
    (tmp_path / "run" / "feet.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(RunError, match=r"feet\.csv: was changed after the run"):
        read_run(tmp_path / "run")
    about = json.loads((tmp_path / "run" / "run.json").read_text(encoding="utf-8"))
    about["tables"]["feet.csv"] = hashlib.sha256((tmp_path / "run" / "feet.csv").read_bytes()).hexdigest()
    (tmp_path / "run" / "run.json").write_text(json.dumps(about), encoding="utf-8")
    with pytest.raises(RunError, match=r"feet\.csv: no column film"):
        read_run(tmp_path / "run")


@pytest.mark.parametrize(
    ("kind", "copy", "was_read"),
    [
        (ReasonKind.DUPLICATE, True, False),
        (ReasonKind.UNREADABLE, False, False),
        (ReasonKind.NO_FOOT_FOUND, False, True),
    ],
)
def test_which_files_were_read_is_told_by_kinds(kind, copy, was_read):
    """Whatever the sentence says."""
    run = MeasuredArchive({"a.png": ()}, None, {"hva": "shaft"}, {"a.png": (Reason(kind, "duplicate: unreadable"),)})
    assert (run.is_copy("a.png"), run.was_read("a.png")) == (copy, was_read)


def test_what_became_of_every_true_value(result):
    """HVA of the truth: compared a L, a R, b L; refused g; not found c; film not read h."""
    nothing = {"withheld": 0, "not dorsoplantar": 0}
    assert result.values["hva"] == {"compared": 3, "refused": 1, "not found": 1, "film not read": 1, **nothing}
    assert result.values["ima"] == {
        "compared": 0,
        "refused": 0,
        "not found": 0,
        "film not read": 0,
        **nothing,
        "withheld": 1,
    }


def test_a_film_that_the_run_has_not_is_no_missed_foot():
    run = MeasuredArchive({"a": ()}, None, {"hva": "shaft"})
    with pytest.raises(ValueError, match="1 films of the truth are not in the run, such as b"):
        evaluate_run(run, [TrueFoot("a", "L"), TrueFoot("b", "L")], SETTINGS)


@pytest.fixture(scope="module")
def measured_films(tmp_path_factory):
    """Three films that show the known right foot each; not to be changed."""
    return written_films(tmp_path_factory.mktemp("archive") / "films")


@pytest.fixture(scope="module")
def run(measured_films):
    """A finished run over them; not to be changed."""
    out = measured_films.parent / "run"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(command, "foot_reader", lambda *_: KnownFoot())
        assert call("measure", measured_films, "--out", out, "--no-overlays").exit_code == 0
    return out


HVA = float(np.degrees(np.arctan2(10, 60)))
"""Of the known foot."""


@pytest.fixture
def compared(measured_films, run, tmp_path):
    """``compared(text, *options)`` lays a table over the run; gives the result and evaluation.json."""

    def compare(text, *options, encoding="utf-8", films=measured_films):
        table, out = tmp_path / "reads.csv", tmp_path / "out"
        table.write_bytes(text.encode(encoding))
        result = call("evaluate", films, table, "--measured", run, "--out", out, "--overwrite", *options)
        file = out / "evaluation.json"
        return result, json.loads(file.read_text(encoding="utf-8")) if result.exit_code == 0 else None

    return compare


def flat(result):
    return " ".join(result.output.replace("│", " ").split())


@pytest.mark.parametrize(
    ("text", "options", "encoding"),
    [
        ("film,foot,hva\nf0.png,R,9\nf1.png,R,9\nf2.png,R,9\n", (), "utf-8"),
        ("Film;Foot;HVA (°);Größe\nf0;R;9,0;-\nf1;r;9,0°;-\nf2;right;9;klein\n", (), "cp1252"),
        ("FILM\tFOOT\tHVA\nf0.PNG\tR\t9\nf1\tR\t9\nf2\tR\t9\n", (), "utf-16"),
        (
            "film,foot,hva_AB,hva_CD,age\nf0,R,9,1,60\nf1,R,9,1,61\nf2,R,9,1,62\n",
            ("--reader", "AB", "--ignore", "age"),
            "utf-8",
        ),
        ("film,foot,measure,value\nf0,R,hva,9\nf1,R,hva,9\nf2,R,hva,9\n", (), "utf-8"),
    ],
)
def test_tables_as_people_write_them_give_the_same_figures(compared, text, options, encoding):
    result, content = compared(text, *options, encoding=encoding)
    assert result.exit_code == 0, result.output
    figures = content["groups"][0]["measures"]["hva"]
    assert (figures["n"], figures["bias"]) == (3, pytest.approx(HVA - 9.0, abs=0.051))
    assert (content["feet"], content["found"]) == (3, 3)
    assert (content["truth"]["rows"], content["truth"]["rows_used"]) == (3, 3)


@pytest.mark.parametrize(
    ("text", "options", "said"),
    [
        ("film,foot,reader,hva\nf0.png,R,AB,9\nf0.png,R,CD,9\n", (), "choose one by --reader AB"),
        ("film,foot,hva\nf0.png,R,9\nf0.png,R,9\n", (), "lines 2 and 3 are both f0.png, foot R"),
        ("film,foot,hva_A\nf0.png,R,9\n", (), "did you mean hva?"),
        (
            "film,foot,hva\nnine.png,R,9\nf0.png,R,9\n",
            (),
            "1 of 2 rows name a film that is not there: line 2: nine.png",
        ),
        (
            "film,foot,construction,hva\nf0.png,R,head_base,9\n",
            (),
            "hva was read by head_base and is measured by shaft",
        ),
        ("film,foot,hva\nf0.png,R,315\n", (), "'315' cannot be"),
        ("film,foot,hva\nf0.png,R,9\n", ("--reader", "AB"), "no column reader"),
        ("film,foot,hva\nf0.png,R,9\n", ("--ignore", "ward"), "no column ward to leave out"),
    ],
)
def test_what_would_give_a_wrong_answer_stops_the_comparison(compared, tmp_path, text, options, said):
    result, _ = compared(text, *options)
    assert result.exit_code == 2
    assert said in flat(result)
    assert not (tmp_path / "out").exists()


def test_a_table_that_cannot_be_used_stops_before_films_are_measured(films, tmp_path, monkeypatch):
    def never(*_):
        raise AssertionError("the network was loaded")

    monkeypatch.setattr(command, "foot_reader", never)
    table = tmp_path / "reads.csv"
    for text in (
        "film,foot\nnine.png,R\n",
        "film,foot,construction,hva\nf0,R,head_base,9\n",
        "film,foot,hav\nf0,R,9\n",
    ):
        table.write_text(text, encoding="utf-8")
        result = call("evaluate", films, table, "--out", tmp_path / "out")
        assert result.exit_code == 2, result.output
    assert not (tmp_path / "out").exists()


def test_what_was_not_used_is_said_and_kept(compared):
    lines = ["film;foot;ward;reader;hva;dmaa;ima", "f0;R;Spring;AB;9;7;", "f0;R;Spring;CD;8;7;1", "gone;L;;AB;3;;"]
    result, content = compared("\n".join(lines) + "\n", "--reader", "AB", "--skip-missing")
    assert result.exit_code == 0, result.output
    use = content["truth"]
    assert (use["rows"], use["rows_used"], use["feet"]) == (3, 1, 1)
    assert use["rows_not_used"] == {"another reader": 1, "film not there (--skip-missing)": 1}
    assert use["films_called"] == {"f0": "f0.png"}
    assert use["films_without_truth"] == 2
    assert use["columns_not_used"] == ["ward"]
    assert use["measures_not_reported"] == ["dmaa"]
    assert use["construction_not_stated"] == ["hva"]
    assert content["values"]["hva"]["compared"] == 1
    for words in (
        "3 rows, 1 used; semicolons between cells",
        "1 rows not used: film not there (--skip-missing)",
        "reads of reader AB",
        "columns not used: ward",
        "f0 for f0.png",
        "films: 2 without a row in the table are not compared",
        "is not stated, and taken to be as in the run: hva shaft",
        "1 measures are not compared, the run does not report them: dmaa",
        "found 1 of 1",
        "Fewer than 20 feet (HVA on 1)",
    ):
        assert words in result.output


def test_signs_turned_on_one_side_are_cautioned_of_on_screen_and_in_the_report(compared):
    """The foot has HVA 9.5 on every film."""
    result, content = compared("film,foot,hva\nf0,R,-9\nf1,R,-9.5\nf2,R,-10\n")
    assert result.exit_code == 0, result.output
    assert (
        "Caution: HVA of right feet has the opposite sign in the table and in the run on 3 of 3 feet" in result.output
    )
    assert any("opposite sign" in one for one in content["cautions"])


def test_a_copy_of_a_film_and_a_file_that_is_no_film_are_told_from_missed_feet(films, tmp_path):
    (films / "twin.png").write_bytes((films / "f0.png").read_bytes())
    (films / "torn.png").write_bytes((films / "f0.png").read_bytes()[:300])
    table, out = tmp_path / "reads.csv", tmp_path / "out"
    table.write_text("film,foot,hva\nf0,R,9\ntwin,R,9\ntorn,R,9\nf1,L,9\nf1,R,9\n", encoding="utf-8")
    result = call("evaluate", films, table, "--out", out)
    assert result.exit_code == 0, result.output
    content = json.loads((out / "evaluation.json").read_text(encoding="utf-8"))
    assert content["decisions"]["dp"]["film not read"] == 1
    assert content["decisions"]["dp"]["not found"] == 1
    assert (content["feet"], content["found"]) == (4, 2)
    assert content["truth"]["rows_not_used"] == {"film is a copy of another one": 1}
    assert "1 feet not used: their film is a copy of another one" in result.output


def test_a_found_foot_that_the_table_does_not_name_need_not_be_wrong(tmp_path):
    """A reader may have read one foot of two."""
    run = MeasuredArchive(
        {"a": (measured("L", 10.0), measured("R", 12.0)), "b": (measured("L", 9.0),)}, None, {"hva": "shaft"}
    )
    result = evaluate_run(run, [TrueFoot("a", "L", "dp", {"hva": 10.0}), TrueFoot("b", "L", "lateral")], SETTINGS)
    assert (result.extra_feet, result.extra_accepted, result.false_accepts) == (1, 1, 2)
    console = Console(record=True, width=200, file=(tmp_path / "screen").open("w", encoding="utf-8"))
    print_report(result, console)
    text = console.export_text()
    assert "Found feet that the truth does not name: 1, of these accepted: 1 (wrongly, if it names every foot)." in text
    assert "Accepted though by the truth no dorsoplantar foot: 1." in text


def test_a_run_of_another_folder_is_spoken_of(compared, tmp_path):
    result, _ = compared("film,foot,hva\nf0,R,9\n", films=tmp_path)
    assert result.exit_code == 0, result.output
    assert "was made from" in result.output


def test_nothing_of_an_earlier_evaluation_stays_beside_a_new_one(run, compared, tmp_path):
    """Intervals calibrated on other films or another table would be pasted in."""
    result, _ = compared("film,foot,hva\nf0,R,9\n")
    assert result.exit_code == 0, result.output
    (tmp_path / "out" / "calibration.yaml").write_text("inflation: {hva: 9.0}\n", encoding="utf-8")
    (tmp_path / "out" / "notes.txt").write_text("mine", encoding="utf-8")
    result, content = compared("film,foot,hva\nf1,R,9\n")
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "evaluation.csv",
        "evaluation.json",
        "notes.txt",
    ]
    assert content["run"] == str(run)


def test_an_evaluation_that_was_stopped_goes_on_with_what_was_measured(films, tmp_path, monkeypatch):
    table, out = tmp_path / "reads.csv", tmp_path / "out"
    table.write_text("film,foot,hva\nf0,R,9\n", encoding="utf-8")

    def stop(*_, **__):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("raysplay.infer.compare.comparison.evaluate_pairs", stop)
        assert call("evaluate", films, table, "--out", out).exit_code != 0
    assert (out / "run" / "run.json").exists()
    assert not (out / "evaluation.json").exists()
    measured = (out / "run" / "run.json").read_bytes()
    result = call("evaluate", films, table, "--out", out)
    assert result.exit_code == 0, result.output
    assert "0 new, 0 changed, 0 gone" in result.output
    assert (out / "run" / "run.json").read_bytes() == measured
    assert (out / "evaluation.json").exists()
    # Once it stands, only who says so replaces it.
    refused = call("evaluate", films, table, "--out", out)
    assert (refused.exit_code, "--overwrite" in refused.output) == (2, True)
    result = call("evaluate", films, table, "--out", out, "--overwrite")
    assert result.exit_code == 0, result.output


def test_the_report_is_whole_though_nobody_reads_the_screen(measured_films, run, tmp_path, monkeypatch):
    """As where the output goes into a pipe that is closed."""

    def closed(*_):
        raise BrokenPipeError

    table = tmp_path / "reads.csv"
    table.write_text("film,foot,hva\nf0,R,9\n", encoding="utf-8")
    monkeypatch.setattr("raysplay.infer.compare.comparison.print_report", closed)
    assert call("evaluate", measured_films, table, "--measured", run, "--out", tmp_path / "out").exit_code != 0
    assert json.loads((tmp_path / "out" / "evaluation.json").read_text(encoding="utf-8"))["found"] == 1


def test_the_account_says_all_reads_that_gave_no_number(compared):
    rows = ["AB,f0,R,0,1,hva,9,corrected", "AB,f1,R,0,1,,,not_measurable", "AB,f2,R,0,1,hva,8,corrected"]
    text = "reader,film,foot,foot_index,repeat,measure,value,state\n" + "\n".join(rows) + "\n"
    result, content = compared(text)
    assert result.exit_code == 0, result.output
    assert content["truth"]["rows_not_used"] == {"no number, not measurable by its reader": 1}
    assert (content["feet"], content["sound"]) == (3, 2)
    assert "1 rows not used: no number, not measurable by its reader" in result.output
