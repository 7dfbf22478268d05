"""Reading truth: what is needed, what may be left out, what is refused."""

import pytest

from raysplay.infer.compare.truth import read_truth
from raysplay.infer.user_table import UserTableError


@pytest.fixture
def truth(tmp_path):
    def made(text, landmarks=None):
        (tmp_path / "truth.csv").write_text(text, encoding="utf-8")
        if landmarks is not None:
            (tmp_path / "truth_landmarks.csv").write_text(landmarks, encoding="utf-8")
        return tmp_path / "truth.csv"

    return made


def test_film_side_and_angles_are_enough(truth):
    first, second = read_truth(truth("film,foot,hva,reader\na.dcm,L,12.5,AB\n.\\b.dcm,r,,AB\n"))
    assert (first.film, first.side, first.view, dict(first.angles)) == ("a.dcm", "L", "dp", {"hva": 12.5})
    assert (second.film, second.side, dict(second.angles)) == ("b.dcm", "R", {})
    assert first.centre is None


def test_position_view_and_landmarks_are_read(truth):
    feet = read_truth(
        truth(
            "film,foot,view,x,y,width,height,condition\na,L,dp,10,20,8,16,overlap\na,R,lateral,50,20,8,16,\nb,,other,,,,\n",
            "film,foot,foot_index,landmark,x,y\na,R,1,DP_tip,51.5,4\n",
        )
    )
    assert feet[0].centre == (10.0, 20.0)
    assert feet[0].size == (8.0, 16.0)
    assert [foot.condition for foot in feet] == ["overlap", "", ""]
    assert dict(feet[0].landmarks) == {}
    assert dict(feet[1].landmarks) == {"DP_tip": (51.5, 4.0)}
    assert (feet[2].side, feet[2].view) == ("", "other")


def test_an_archive_without_a_dorsoplantar_foot_has_no_landmarks(truth):
    (foot,) = read_truth(truth("film,foot,view\na.dcm,L,oblique\n", "film,foot,foot_index,landmark,x,y\n"))
    assert (foot.view, dict(foot.landmarks)) == ("oblique", {})


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("film,hva\na,1\n", "no column foot; needed are film, foot, and the table holds film, hva"),
        ("film,foot\n", "holds no row"),
        ("film,foot\na,X\n", "line 2, column foot: 'X' is no side of a foot; expected is L, R, or empty"),
        ("film,foot\n,L\n", "line 2, column film: is empty"),
        ("film,foot,view\na,L,ap\n", "line 2, column view: 'ap' is not one of: dp"),
        ("film,foot,hva\na,L,1\na,R,12;5\n", "line 3, column hva: '12;5' is not a number"),
        ("film,foot,hva\na,L,inf\n", "line 2, column hva: 'inf' is not a number"),
    ],
)
def test_what_is_wrong_is_named_with_file_and_line(truth, text, said):
    path = truth(text)
    with pytest.raises(UserTableError, match=said) as caught:
        read_truth(path)
    assert str(path) in str(caught.value)


def test_a_landmark_nobody_knows_is_refused(truth):
    with pytest.raises(UserTableError, match="no landmark is called KNEE"):
        read_truth(truth("film,foot\na,L\n", "film,foot_index,landmark,x,y\na,0,KNEE,1,2\n"))


@pytest.mark.parametrize("given", ["ward\\a.dcm", "./ward/a.dcm", "ward/a.dcm"])
def test_names_of_films_agree_with_the_run(truth, given):
    """However a person writes the path; tests/infer/outputs/test_names.py has the rest."""
    (foot,) = read_truth(truth(f"film,foot\n{given},L\n"))
    assert foot.film == "ward/a.dcm"
