"""Films within files and films that a selection leaves out, kept and gone on with like others."""

import csv
import os
import shutil
import zipfile
from dataclasses import replace

import numpy as np
import pytest
from pydicom import dcmread
from pydicom.data import get_testdata_file
from pydicom.uid import MultiFrameGrayscaleWordSecondaryCaptureImageStorage

from raysplay.infer import RunFolderError, measure_into
from raysplay.infer.films.collect import collect
from raysplay.infer.films.film_identity import content_digest, stamp
from raysplay.infer.films.read import film_digest
from raysplay.infer.films.settings import film_settings
from raysplay.infer.outputs.run_files import TABLES

from .conftest import tables


def rows(folder, name="feet.csv"):
    with (folder / name).open(encoding="utf-8", newline="") as stream:
        return {row["film"]: row for row in csv.DictReader(stream)}


def everything(folder):
    return {name: ((folder / name).read_bytes(), (folder / name).stat().st_mtime_ns) for name in TABLES}


class Counting:
    """Counts the films that are looked at."""

    def __init__(self, known_foot, view=None):
        self.feet, self.read, self.view = known_foot.known(), [], view or {}
        self.digests = self.feet.digests

    def __call__(self, threads, weights):
        return self

    def find(self, film):
        self.read.append(film.path.name)
        return [replace(foot, view=self.view.get(film.path.name, foot.view)) for foot in self.feet.find(film)]

    def landmarks(self, film, foot):
        return self.feet.landmarks(film, foot)


@pytest.fixture
def archive(known_foot, tmp_path):
    """A film by itself, a ZIP archive with two films and a text, and an object with three frames."""
    folder, loose = tmp_path / "archive", tmp_path / "loose"
    known_foot.write_films(folder, ["a.png"])
    known_foot.write_films(loose, ["one.png", "two.png", "three.png", "four.png"], start=10)
    packed(folder / "study.zip", {"IM/one.png": loose / "one.png", "IM/two.png": loose / "two.png"}, {"about.txt": "x"})
    frames(folder / "frames.dcm")
    return folder


def packed(path, films, texts=()):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as opened:
        for name, film in films.items():
            opened.write(film, name)
        for name, text in dict(texts).items():
            opened.writestr(name, text)


def frames(path, number=3):
    """A secondary capture of several frames, made of pydicom's own test file."""
    made = dcmread(get_testdata_file("CT_small.dcm"))
    made.SOPClassUID = made.file_meta.MediaStorageSOPClassUID = MultiFrameGrayscaleWordSecondaryCaptureImageStorage
    pixels = np.stack([np.roll(made.pixel_array, 7 * i, axis=1) for i in range(number)])
    made.Modality, made.NumberOfFrames = "OT", number
    made.PixelData = pixels.tobytes()
    made.save_as(path)


@pytest.fixture
def counted(known_foot, archive, tmp_path):
    def made(out="out", view=None, **options):
        counting = Counting(known_foot, view)
        options = {"overlays": False, "person_key": tmp_path / f"{out}.key"} | options
        return measure_into(archive, tmp_path / out, load=counting, **options), counting.read

    return made


ALL = {
    "a.png",
    *(f"frames.dcm!/frame-{number}" for number in (1, 2, 3)),
    *("study.zip!/IM/one.png", "study.zip!/IM/two.png", "study.zip!/about.txt"),
}


def test_the_identity_is_that_of_the_tables(archive):
    """Digest of a member, a frame and a file as ``films.csv`` has it; the stamp is that of what lies on the disk."""
    digests = set()
    for candidate in collect([archive]).candidates:
        assert stamp(candidate.path) is not None
        digest = content_digest(candidate.path)
        digests.add(digest)
        if candidate.name.endswith(".txt"):
            assert digest == "2d711642b726b04401627ca9fbac32f5c8530fb1903cc4db02258717921a4881"  # sha256sum of "x"
        else:
            assert digest == film_digest(candidate.path, film_settings())
    assert len(digests) == len(ALL)
    assert content_digest(archive / "study.zip!" / "IM" / "none.png") == ""
    assert content_digest(archive / "a.png!" / "frame-1" / "x") == ""


def test_films_within_files_are_known_and_not_read_again(counted, tmp_path):
    _, read = counted()
    assert sorted(read) == ["a.png", "frame-1", "frame-2", "frame-3", "one.png", "two.png"]
    assert rows(tmp_path / "out").keys() == ALL
    before = everything(tmp_path / "out")
    run, read = counted()
    assert read == []
    assert "7 known, 0 new, 0 changed, 0 gone." in run.notices
    assert everything(tmp_path / "out") == before


def test_of_a_changed_archive_only_what_differs_is_read(counted, archive, tmp_path):
    """Numbers of the old bytes must not stay beside the name of a member that has others now."""
    counted()
    before = rows(tmp_path / "out")
    loose = tmp_path / "loose"
    packed(archive / "study.zip", {"IM/one.png": loose / "one.png", "IM/two.png": loose / "three.png"})
    run, read = counted()
    assert read == ["two.png"]
    assert "5 known, 0 new, 1 changed, 1 gone." in run.notices
    after = rows(tmp_path / "out", "films.csv")
    assert after["study.zip!/IM/two.png"]["sha256"] == content_digest(loose / "three.png")
    assert rows(tmp_path / "out")["study.zip!/IM/one.png"] == before["study.zip!/IM/one.png"]
    packed(archive / "study.zip", {"IM/one.png": loose / "one.png", "IM/two.png": loose / "three.png"}, {"z.txt": "z"})
    os.utime(archive / "a.png", (1, 1))
    run, read = counted()
    assert read == []
    assert "6 known, 1 new, 0 changed, 1 gone." in run.notices


def test_of_an_object_with_other_frames_every_frame_is_read(counted, archive, tmp_path):
    counted()
    frames(archive / "frames.dcm", number=2)
    run, read = counted()
    assert sorted(read) == ["frame-1", "frame-2"]
    assert "4 known, 0 new, 2 changed, 1 gone." in run.notices


def test_an_archive_that_is_gone_or_cut_off_keeps_what_was_read(counted, archive, tmp_path):
    counted()
    before = rows(tmp_path / "out")
    whole = (archive / "study.zip").read_bytes()
    (archive / "study.zip").write_bytes(whole[:-30])
    _, read = counted()
    assert read == []
    after = rows(tmp_path / "out")
    assert after["study.zip"]["reason_kinds"] == "container"
    assert {name: after[name] for name in before} == before
    gone = {name for name, row in rows(tmp_path / "out", "films.csv").items() if "gone" in row["remark_kinds"]}
    assert gone == {name for name in ALL if name.startswith("study.zip!")}
    (archive / "study.zip").write_bytes(whole)
    _, read = counted()
    assert read == []
    assert rows(tmp_path / "out") == before
    assert not any("gone" in row["remark_kinds"] for row in rows(tmp_path / "out", "films.csv").values())


def test_copies_across_files_are_found_in_whatever_order_they_come(counted, archive, tmp_path):
    """A film must not count twice because one of its copies lies in an archive, or is a frame."""
    counted()
    shutil.copy(tmp_path / "loose" / "one.png", archive / "loose.png")
    packed(archive / "other.zip", {"again.png": archive / "a.png"})
    shutil.copy(archive / "frames.dcm", archive / "same.dcm")
    _, read = counted()
    assert read == []
    said = {name: row["reasons"] for name, row in rows(tmp_path / "out").items() if row["reason_kinds"] == "duplicate"}
    assert said == {
        "loose.png": "duplicate: same file as study.zip!/IM/one.png",
        "other.zip!/again.png": "duplicate: same file as a.png",
        **{f"same.dcm!/frame-{i}": f"duplicate: same file as frames.dcm!/frame-{i}" for i in (1, 2, 3)},
    }


def test_several_processes_read_films_within_files_alike(known_foot, archive, tmp_path, counted):
    counted()
    measure_into(
        archive, tmp_path / "two", overlays=False, person_key=tmp_path / "out.key", workers=2, load=known_foot.known
    )
    assert tables(tmp_path / "out") == tables(tmp_path / "two")


LATERAL = {"one.png": {"dp": 0.01, "oblique": 0.01, "lateral": 0.97, "other": 0.01}}


def test_what_a_selection_leaves_out_is_kept_and_not_looked_at_again(counted, tmp_path):
    counted(select=True, view=LATERAL)
    found = rows(tmp_path / "out")
    assert found.keys() == ALL
    assert {name for name, row in found.items() if row["reason_kinds"] == "left_out"} == {"study.zip!/IM/one.png"}
    before = everything(tmp_path / "out")
    run, read = counted(select=True, view=LATERAL)
    assert read == []
    assert "7 known, 0 new, 0 changed, 0 gone." in run.notices
    assert everything(tmp_path / "out") == before


@pytest.mark.parametrize("first", [True, False])
def test_runs_with_and_without_a_selection_are_not_mixed(counted, tmp_path, first):
    """``left_out`` in a run without a selection would be a film withheld for no reason that was asked for."""
    counted(select=first, view=LATERAL)
    before = everything(tmp_path / "out")
    with pytest.raises(RunFolderError, match=r"--select.*do not belong into one table"):
        counted(select=not first, view=LATERAL)
    assert everything(tmp_path / "out") == before


def test_several_processes_select_alike(known_foot, archive, tmp_path):
    for out, options in (("one", {}), ("two", {"workers": 2})):
        measure_into(
            archive,
            tmp_path / out,
            overlays=False,
            select=True,
            person_key=tmp_path / "key",
            load=known_foot.lateral,
            **options,
        )
    assert tables(tmp_path / "one") == tables(tmp_path / "two")
    left = {name for name, row in rows(tmp_path / "one").items() if row["reason_kinds"] == "left_out"}
    assert left == {"study.zip!/IM/one.png"}
