"""Making room for a suite: only what a suite wrote is removed, and a suite that was stopped can be replaced."""

import json
import os

import pytest

from raysplay.train.suite.folder import SuiteFolderError, make_room

FILMS = ("films/clean/film_00001.dcm", "films/clean/film_00002.dcm")


def files(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def put(folder, *names):
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text("x", encoding="utf-8")


@pytest.fixture
def suite(tmp_path):
    """A folder as a suite that was stopped leaves it."""
    out = tmp_path / "suite"
    make_room(out, FILMS, overwrite=False)
    put(out, FILMS[0], "truth.csv", "truth_landmarks.csv", "run/feet.csv.partial", "run/landmarks.parquet.partial")
    put(out, "run/ledger.sqlite", "run/ledger.sqlite-wal", "run/ledger.sqlite-shm")
    return out


def test_an_empty_folder_is_taken_and_marked(tmp_path):
    make_room(tmp_path, FILMS, overwrite=False)
    assert files(tmp_path) == ["suite.json"]
    assert json.loads((tmp_path / "suite.json").read_text(encoding="utf-8")) == {
        "finished": False,
        "wrote": list(FILMS),
    }


def test_a_suite_that_was_stopped_is_replaced_when_asked(suite):
    with pytest.raises(SuiteFolderError, match="is not empty"):
        make_room(suite, FILMS, overwrite=False)
    make_room(suite, FILMS[:1], overwrite=True)
    assert files(suite) == ["suite.json"]
    assert not (suite / "films").exists()


def test_a_suite_that_is_whole_is_replaced_when_asked(suite):
    put(
        suite,
        *FILMS,
        "run/run.json",
        "real_run/feet.csv",
        "suite.csv",
        "suite.md",
        "coverage.png",
        "suite.json.partial",
    )
    make_room(suite, FILMS, overwrite=True)
    assert files(suite) == ["suite.json"]


@pytest.mark.parametrize(
    "name", ["films/clean/mine.dcm", "films/clean/film_00003.dcm", "notes.txt", "run/notes.txt", "films/clean/.hidden"]
)
def test_nothing_is_removed_where_a_file_is_not_the_suites(suite, name):
    put(suite, name)
    before = files(suite)
    with pytest.raises(SuiteFolderError, match=r"which no suite wrote; nothing was removed"):
        make_room(suite, FILMS, overwrite=True)
    assert files(suite) == before


@pytest.mark.parametrize("marker", ["{}", "[]", "x", '{"finished": true}', '{"wrote": 3}', '{"wrote": [""]}'])
def test_a_file_called_suite_json_alone_gives_nothing_away(tmp_path, marker):
    put(tmp_path, "films/a.dcm", "truth.csv")
    (tmp_path / "suite.json").write_text(marker, encoding="utf-8")
    with pytest.raises(SuiteFolderError, match=r"suite\.json: does not say which films a suite wrote"):
        make_room(tmp_path, FILMS, overwrite=True)
    assert files(tmp_path) == ["films/a.dcm", "suite.json", "truth.csv"]


def test_what_a_link_leads_to_is_left_alone(suite, tmp_path):
    put(tmp_path, "mine/a.dcm")
    os.symlink(tmp_path / "mine", suite / "films" / "clean" / "linked")
    with pytest.raises(SuiteFolderError, match="no suite wrote"):
        make_room(suite, FILMS, overwrite=True)
    assert files(tmp_path / "mine") == ["a.dcm"]


def test_a_marker_names_nothing_outside_of_the_films(tmp_path):
    out = tmp_path / "suite"
    put(tmp_path, "mine.dcm")
    put(out, "notes.txt")
    names = ["films/../../mine.dcm", "notes.txt", str(tmp_path / "mine.dcm")]
    (out / "suite.json").write_text(json.dumps({"finished": False, "wrote": names}), encoding="utf-8")
    with pytest.raises(SuiteFolderError, match=r"notes\.txt, which no suite wrote"):
        make_room(out, FILMS, overwrite=True)
    (out / "notes.txt").unlink()
    make_room(out, FILMS, overwrite=True)
    assert (tmp_path / "mine.dcm").exists()


def test_a_place_that_cannot_be_written(tmp_path):
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(SuiteFolderError, match="cannot be used"):
        make_room(tmp_path / "file" / "suite", FILMS, overwrite=False)
