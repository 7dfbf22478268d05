"""Tables of truth as people make them: which columns, readers and rows are taken, and what stops the reading."""

import pytest

from raysplay.infer.compare.truth import Choice, on_films, read_truth, read_truth_table, refuse_other_constructions
from raysplay.infer.film_names import FilmNames
from raysplay.infer.user_table import UserTableError
from raysplay.measure import MEASURES
from raysplay.synthetic_data.archive import truth_columns as generated_columns


@pytest.fixture
def table(tmp_path):
    def write(text, landmarks=None):
        (tmp_path / "truth.csv").write_text(text, encoding="utf-8")
        if landmarks is not None:
            (tmp_path / "truth_landmarks.csv").write_text(landmarks, encoding="utf-8")
        return tmp_path / "truth.csv"

    return write


def angles(truth):
    return [dict(foot.angles) for foot in truth.feet]


@pytest.mark.parametrize(
    ("heading", "measure"),
    [
        ("HVA", "hva"),
        ("hva (deg)", "hva"),
        ("HVA [°]", "hva"),
        ("hva_degrees", "hva"),
        ("Hallux valgus angle", "hva"),
        ("IMA 4-5", "ima45"),
        ("forefoot_width (mm)", "forefoot_width"),
    ],
)
def test_a_measure_by_its_name_in_capitals_and_with_its_unit(table, heading, measure):
    truth = read_truth_table(table(f"film,foot,{heading}\na,L,12.5\n"))
    assert angles(truth) == [{measure: 12.5}]
    assert truth.columns.used == ("film", "foot", heading)


@pytest.mark.parametrize(
    ("heading", "said"),
    [
        ("hav", "hav (did you mean hva?)"),
        ("hav [°]", "hav [°] (did you mean hva?)"),
        ("hva_A", "hva_A (did you mean hva?)"),
        ("IMA12", "did you mean ima"),
        ("hva (rad)", "did you mean hva?"),
        ("hallux valgus", "did you mean hva?"),
        ("constuction", "did you mean construction?"),
        ("age", "age (holds numbers and could be a measure)"),
        ("winkel", "winkel (holds numbers and could be a measure)"),
    ],
)
def test_a_column_that_could_be_a_measure_is_never_left_out_in_silence(table, heading, said):
    path = table(f"film,foot,ward,{heading}\na,L,Spring,31\nb,R,Autumn,12\nc,R,Autumn,not seen\n")
    with pytest.raises(UserTableError) as caught:
        read_truth_table(path)
    assert said in str(caught.value)
    assert f'--ignore "{heading}"' in str(caught.value)
    truth = read_truth_table(path, Choice(ignore=heading.upper()))
    assert set(truth.columns.ignored) == {"ward", heading}
    assert angles(truth) == [{}, {}, {}]


def test_columns_of_text_are_left_out_and_named(table):
    truth = read_truth_table(table("film,foot,Ward,notes,date,image,hva\na,L,Spring,calm,2031-05-02,a.png,3\n"))
    assert truth.columns.ignored == ("Ward", "notes", "date", "image")
    assert angles(truth) == [{"hva": 3.0}]


@pytest.mark.parametrize(
    ("ignore", "said"), [("wrad", "no column wrad to leave out"), ("film", "column film is needed")]
)
def test_what_cannot_be_left_out(table, ignore, said):
    with pytest.raises(UserTableError, match=said):
        read_truth_table(table("film,foot,ward\na,L,x\n"), Choice(ignore=ignore))


def test_what_is_left_out_has_no_effect(table):
    """A column of a known name, and one whose name holds a comma (RFC 4180, 2.6)."""
    path = table('film,foot,construction,view,"age, years",bmi,hva\na,L,nobody knows,face,60,24,3\n')
    with pytest.raises(UserTableError, match=r'--ignore "age, years,bmi"'):
        read_truth_table(path)
    truth = read_truth_table(path, Choice(ignore="Age, years, bmi, construction,view"))
    assert truth.columns.ignored == ("construction", "view", "age, years", "bmi")
    assert (truth.feet[0].view, dict(truth.feet[0].constructions)) == ("dp", {})


def test_one_measure_in_two_columns(table):
    with pytest.raises(UserTableError, match="columns HVA and hva_deg are both hva"):
        read_truth_table(table("film,foot,HVA,hva_deg\na,L,1,2\n"))


TWO_READERS = "film,foot,reader,hva\na,L,AB,10\na,R,AB,20\na,L,CD,11\na,R,CD,22\n"


def test_two_readers_below_each_other(table):
    path = table(TWO_READERS)
    with pytest.raises(UserTableError, match=r"more than one reader: AB \(2 rows\), CD \(2 rows\).*--reader AB"):
        read_truth_table(path)
    truth = read_truth_table(path, Choice(reader="cd"))
    assert angles(truth) == [{"hva": 11.0}, {"hva": 22.0}]
    assert (truth.rows, truth.left_out, truth.chosen) == (4, {"another reader": 2}, {"reader": "CD"})
    with pytest.raises(UserTableError, match=r"no reader is called EF \(--reader\); there are AB"):
        read_truth_table(path, Choice(reader="EF"))


def test_two_readers_side_by_side(table):
    path = table("film,foot,hva_AB,HVA CD,ima_AB,ima_CD,hva\na,L,10,11,5,6,99\n")
    with pytest.raises(UserTableError, match=r"of several readers.*AB \(hva_AB, ima_AB\); CD \(HVA CD, ima_CD\)"):
        read_truth_table(path)
    truth = read_truth_table(path, Choice(reader="cd"))
    assert angles(truth) == [{"hva": 11.0, "ima": 6.0}]
    assert set(truth.columns.ignored) == {"hva_AB", "ima_AB", "hva"}
    assert truth.chosen == {"reader": "CD"}


def test_repeats_and_studies(table):
    path = table("film,foot,study,repeat,hva\na,L,Spring,1,10\na,L,Spring,2,12\na,L,Autumn,1,14\n")
    with pytest.raises(UserTableError, match="more than one study"):
        read_truth_table(path)
    with pytest.raises(UserTableError, match=r"more than one repeat: 1 \(1 rows\), 2 \(1 rows\)"):
        read_truth_table(path, Choice(study="spring"))
    assert angles(read_truth_table(path, Choice(study="Spring", repeat="2"))) == [{"hva": 12.0}]
    with pytest.raises(UserTableError, match=r"no column reader to find AB in"):
        read_truth_table(path, Choice(study="Autumn", reader="AB"))


@pytest.mark.parametrize(
    "head",
    [
        "film,foot,decision,reasons,hva,hva_low,hva_high",
        "film,foot,decision,measure,value,low,high",
        "film,foot,foot_index,decision,reasons,state,hva,hva_source",
    ],
)
def test_what_the_model_read_is_no_truth(table, head):
    """feet.csv, measurements.csv and feet_reviewed.csv: errors would be 0."""
    row = ",".join(["a", "L", *["accepted"] * (head.count(",") - 1)])
    with pytest.raises(UserTableError, match="its numbers are the model's own"):
        read_truth_table(table(f"{head}\n{row}\n"))


@pytest.mark.parametrize(
    ("rows", "lines"),
    [
        ("a,L,dp,1\nb,L,dp,2\na,L,dp,3\n", "lines 2 and 4 are both a, foot L"),
        ("a,,,\na,,,\n", "lines 2 and 3 are both a, no foot"),
        ("a,L,dp,1\na,,other,\n", "line 3 says that a shows no foot, line 2 names one"),
    ],
)
def test_a_foot_stands_once(table, rows, lines):
    with pytest.raises(UserTableError, match=lines):
        read_truth(table(f"film,foot,view,hva\n{rows}"))


def test_two_feet_of_one_side_are_told_apart_by_view_or_box(table):
    feet = read_truth(table("film,foot,view,x,y\na,L,dp,10,20\na,L,dp,90,20\nb,L,dp,,\nb,L,lateral,,\n"))
    assert len(feet) == 4


@pytest.mark.parametrize("name", ["a", "a.DCM", "A\\..", "ward/a.dcm"])
def test_the_same_foot_under_two_names_of_its_film(table, name):
    truth = read_truth_table(table(f"film,foot\nspring/a.dcm,L\n{name},L\n"))
    if name in ("a", "a.DCM"):
        with pytest.raises(UserTableError, match=r"lines 2 and 3 are both spring/a\.dcm, foot L"):
            on_films(truth, FilmNames(["spring/a.dcm"]))
    else:
        with pytest.raises(UserTableError, match="1 of 2 rows name a film that is not there: line 3"):
            on_films(truth, FilmNames(["spring/a.dcm"]))


def test_films_by_other_names(table):
    names = FilmNames(["spring/a.dcm", "spring/b.dcm", "autumn/b.dcm"])
    truth = on_films(read_truth_table(table("film,foot\na,L\nspring\\b.DCM,R\nautumn/b.dcm,R\n")), names)
    assert [foot.film for foot in truth.feet] == ["spring/a.dcm", "spring/b.dcm", "autumn/b.dcm"]
    assert truth.films == {"a": "spring/a.dcm", "spring/b.DCM": "spring/b.dcm"}
    doubtful = read_truth_table(table("film,foot\na,L\nb,R\n"))
    with pytest.raises(UserTableError, match=r"1 rows name a film.*line 3: b: autumn/b\.dcm or spring/b\.dcm"):
        on_films(doubtful, names, skip_missing=True)


def test_films_that_are_not_there(table):
    names = FilmNames(["a.dcm"])
    rows = "".join(f"gone{k}.dcm,L,1\n" for k in range(12))
    truth = read_truth_table(table(f"film,foot,hva\na.dcm,L,1\n{rows}"))
    with pytest.raises(UserTableError) as caught:
        on_films(truth, names)
    said = str(caught.value)
    assert "12 of 13 rows name a film that is not there: line 3: gone0.dcm; " in said
    assert "gone9.dcm; and 2 more. Expected is the path below the folder of films, which holds a.dcm" in said
    assert "gone10" not in said
    assert "--skip-missing" in said
    there = on_films(truth, names, skip_missing=True)
    assert [foot.film for foot in there.feet] == ["a.dcm"]
    assert there.left_out == {"film not there (--skip-missing)": 12}
    with pytest.raises(UserTableError, match="2 of 2 rows"):
        on_films(read_truth_table(table("film,foot\nx,L\ny,R\n")), names, skip_missing=True)


@pytest.mark.parametrize(
    ("cell", "said"),
    [
        ("315", "line 3, column HVA: '315' cannot be: HVA lies between -90 and 90 deg; is the decimal mark missing"),
        ("-225", "'-225' cannot be"),
        ("unclear", "line 3, column HVA: 'unclear' is not a number"),
        ("FALSE", "'FALSE' is not a number"),
    ],
)
def test_values_that_cannot_be(table, cell, said):
    with pytest.raises(UserTableError, match=said):
        read_truth_table(table(f"film,foot,HVA\na,L,20\nb,L,{cell}\nc,L,-\nd,L,22\n"))


@pytest.mark.parametrize("cell", ["89.5", "-40", "31,5", "31.5°"])
def test_values_that_can_be(table, cell):
    (foot,) = read_truth(table(f"film;foot;hva\na;L;{cell}\n"))
    assert foot.angles["hva"] == float(cell.replace(",", ".").rstrip("°"))


def test_a_share_in_percent_cannot_be(table):
    with pytest.raises(UserTableError, match="cannot be: TSP lies between"):
        read_truth(table("film,foot,tsp\na,L,65\n"))


def test_every_column_of_a_generated_table_is_known(table):
    columns = generated_columns()
    cells = {"film": "a", "foot": "L", "view": "dp", "construction": "shaft", "seed": "3", "foot_index": "0"}
    numbers = dict.fromkeys((*(m.name for m in MEASURES), "x", "y", "width", "height", "beam_tilt", "ray_angle"), "0.5")
    row = ",".join((cells | numbers).get(name, "") for name in columns)
    truth = read_truth_table(table(f"{','.join(columns)}\n{row}\n"))
    assert truth.columns.ignored == ()
    assert truth.feet[0].angles.keys() == {measure.name for measure in MEASURES}


def test_truth_by_another_construction_is_never_compared(table):
    """Constructions are not interchangeable (fact sheet, section 1)."""
    path = table("film,foot,construction,hva,hia\na,L,Head Base,10,5\nb,L,,11,6\nc,R,shaft,12,\nd,R,head_base,1,\n")
    truth = read_truth_table(path)
    assert [dict(foot.constructions) for foot in truth.feet] == [
        {"hva": "head_base", "hia": "shaft"},  # HIA has no such construction and is built by its own
        {},
        {"hva": "shaft"},
        {"hva": "head_base"},
    ]
    with pytest.raises(
        UserTableError, match=r"hva was read by head_base and is measured by shaft \(line 2 and 1 more\)"
    ):
        refuse_other_constructions(truth, {"hva": "shaft", "hia": "shaft"})
    with pytest.raises(UserTableError, match=r"hva was read by shaft and is measured by head_base \(line 4\)"):
        refuse_other_constructions(truth, {"hva": "head_base"})
    refuse_other_constructions(truth, {"hia": "shaft"})
    with pytest.raises(UserTableError, match=r"'hed_base' is no construction \(did you mean head_base\?\)"):
        read_truth_table(table("film,foot,construction,hva\na,L,hed_base,10\n"))


@pytest.mark.parametrize("head", ["height", "width,height", "x,width", "y"])
def test_a_part_of_a_box_places_nothing(table, head):
    """A person's height, for one."""
    cells = ",".join("170" for _ in head.split(","))
    with pytest.raises(UserTableError, match="alone place no foot: its box needs x, y, width, height"):
        read_truth(table(f"film,foot,{head}\na,L,{cells}\n"))


LANDMARKS = "film,foot,foot_index,landmark,x,y\na.dcm,L,0,DP_tip,1,2\na.dcm,R,1,DP_tip,3,4\nb.dcm,R,0,DP_tip,5,6\n"


def test_landmarks_belong_to_the_foot_of_their_side(table):
    """A person's table beside generated films may hold one foot of two, and films without their ending."""
    truth = read_truth_table(table("film,foot,hva\na,R,1\n", LANDMARKS))
    assert dict(truth.feet[0].landmarks) == {"DP_tip": (3.0, 4.0)}
    assert truth.landmarks_left_out == 2


def test_landmarks_of_another_side_are_refused(table):
    with pytest.raises(UserTableError, match=r"foot 0 of a\.dcm is L here, and R in line 2 of the table beside it"):
        read_truth_table(table("film,foot,foot_index\na.dcm,R,0\n", LANDMARKS))


READS = "study,reader,film,foot,foot_index,repeat,measure,value,unit,construction,state,when\n"
"""As ``raysplay export`` writes them."""


def read(film, foot, measure, value, *, reader="AB", index=0, state="corrected", construction="shaft"):
    unit = "deg" if measure else ""
    return f"Harbour-1a,{reader},{film},{foot},{index},1,{measure},{value},{unit},{construction},{state},2031-05-02\n"


def test_reads_of_a_study(table):
    rows = [
        read("a", "L", "hva", "30.5"),
        read("a", "L", "ima", "12"),
        read("a", "R", "hva", "20", index=1, state="wrong_side"),
        read("b", "L", "", "", state="not_measurable", construction=""),
        read("c", "R", "", "", state="wrong_view", construction=""),
        read("d", "R", "hva", "9", state="open"),
        read("e", "L", "hva", ""),
        read("a", "L", "hva", "99", reader="CD"),
        # Two feet of one side on a film: a run may number them otherwise.
        read("f", "L", "hva", "10"),
        read("f", "L", "hva", "40", index=1),
    ]
    truth = read_truth_table(table(READS + "".join(rows)), Choice(study="harbour", reader="AB"))
    assert [(foot.film, foot.side, foot.view, dict(foot.angles), foot.condition) for foot in truth.feet] == [
        ("a", "L", "dp", {"hva": 30.5, "ima": 12.0}, ""),
        ("a", "R", "dp", {"hva": 20.0}, ""),
        ("b", "L", "dp", {}, "not measurable by its reader"),
        ("c", "R", "other", {}, "another view by its reader"),
        ("e", "L", "dp", {}, ""),
    ]
    assert truth.feet[0].constructions == {"hva": "shaft", "ima": "shaft"}
    assert truth.left_out == {
        "another reader": 1,
        "no number, not measurable by its reader": 1,
        "no number, another view by its reader": 1,
        "a read that is still open": 1,
        "no number": 1,
        "of one of two feet of the same side on a film": 2,
    }
    assert truth.chosen == {"study": "Harbour-1a", "reader": "AB", "repeat": "1"}


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (read("a", "L", "hva", "1") * 2, "line 3: hva of this foot stands in line 2 already"),
        (read("a", "L", "hav", "1").replace("deg", ""), "no measure is called hav: did you mean hva?"),
        (read("a", "L", "hva", "315"), "line 2, column value: '315' cannot be"),
        (read("a", "L", "", "3"), "line 2, column measure: is empty, but there is a value"),
        (read("a", "L", "hva", "3").replace("deg", "rad"), "'rad' is not the unit of hva, deg"),
        (read("a", "L", "hva", "3", state="guessed"), "column state: 'guessed' is not one of"),
    ],
)
def test_reads_that_cannot_be_used(table, rows, said):
    with pytest.raises(UserTableError) as caught:
        read_truth_table(table(READS + rows))
    assert said in str(caught.value)


def test_a_long_table_of_a_person(table):
    truth = read_truth_table(table("film;foot;measure;value\na;l;HVA;31,5°\na;l;ima;-\nb;;;\n"))
    assert [(foot.film, foot.side, dict(foot.angles)) for foot in truth.feet] == [
        ("a", "L", {"hva": 31.5}),
        ("b", "", {}),
    ]
