"""``raysplay measure`` as a user calls it; only the network is a stand-in."""

import csv
import hashlib
import json
import multiprocessing
import os
import platform
import re
import stat
import subprocess
import sys
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import openpyxl
import pydicom
import pytest
from PIL import Image
from typer.testing import CliRunner

from raysplay.infer import command
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.decide.wording import DECIMALS
from raysplay.infer.outputs import overlay
from raysplay.infer.outputs.run_files import TABLES
from raysplay.infer.outputs.tables import FEET_ABOUT, FEET_NOTES, read_reasons
from raysplay.infer.reason import ReasonKind
from raysplay.measure import MEASURES, measure_values
from raysplay.train.cli import app
from raysplay.train.reference_page.foot import REFERENCE_FOOT

if sys.platform != "win32":
    import resource


class OneFootEach:
    """Finds the same known foot on every film, none on films named ``none``."""

    digests = {"known": "0" * 64}  # noqa: RUF012

    def __init__(self, landmarks):
        self.known = landmarks

    def find(self, film):
        return [] if "none" in film.path.name else [self.known.foot]

    def landmarks(self, film, foot):
        return self.known


@pytest.fixture
def films(tmp_path, monkeypatch, place):
    monkeypatch.setattr(command, "foot_reader", lambda *_: OneFootEach(place()))
    folder = tmp_path / "films"
    folder.mkdir()
    for i, name in enumerate(("a.png", "=b.png", "none.png")):
        pixels = np.full((1000, 900), 40, dtype=np.uint8)
        pixels[150:950, 150:700] = 140
        pixels[0, i] = 255
        Image.fromarray(pixels).save(folder / name)
    (folder / "broken.dcm").write_bytes(b"\0" * 128 + b"DICM")
    return folder


def call(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments], env={"COLUMNS": "200"})


def table(folder, name):
    with (folder / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def feet(folder):
    return table(folder, "feet.csv")


def write_dicom(path, pixels, mm, **attributes):
    """An 8-bit DX film with the spacing of its detector, and other attributes."""
    ds = pydicom.Dataset()
    ds.file_meta = pydicom.dataset.FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = pydicom.uid.ExplicitVRLittleEndian
    ds.SOPClassUID = pydicom.uid.DigitalXRayImageStorageForPresentation
    ds.SOPInstanceUID = "2.25.1"
    ds.Modality = "DX"
    ds.Rows, ds.Columns = pixels.shape
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 8, 8, 7, 0
    ds.ImagerPixelSpacing = [mm, mm]
    ds.PixelData = pixels.tobytes()
    for keyword, value in attributes.items():
        setattr(ds, keyword, value)
    ds.save_as(path, enforce_file_format=True)


def test_one_command_from_films_to_tables(films, tmp_path):
    out = tmp_path / "out"
    result = call("measure", films, "--out", out)
    assert result.exit_code == 0, result.output
    rows = feet(out)
    assert [row["film"] for row in rows] == ["./=b.png", "a.png", "broken.dcm", "none.png"]
    assert [row["decision"] for row in rows] == ["accepted", "accepted", "refused", "refused"]
    assert float(rows[1]["hva"]) == pytest.approx(31.995, abs=0.05)
    assert len(list((out / "overlays").glob("*.png"))) == 2
    about = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert about["counts"]["films"] == 4
    assert about["films"] == str(films)
    (first, *_) = table(out, "films.csv")
    assert first["sha256"] == hashlib.sha256((films / "=b.png").read_bytes()).hexdigest()
    assert "A person confirms every number" in result.output
    assert re.search(r"accepted\D+2", result.output)
    assert re.search(r"HVA \(deg\)\D+2\D+32\.0", result.output)
    assert str(out / "feet.csv") in result.output


@pytest.mark.filterwarnings("ignore:Invalid value")
@pytest.mark.parametrize(
    ("attributes", "reason"),
    [
        ({"SeriesDescription": "Foot dp standing"}, None),
        ({"SeriesDescription": "Foot dp"}, None),
        ({"SeriesDescription": "Fuss dp teilbelastet"}, "loading: .* in part"),
        ({"SeriesDescription": "simulated weight bearing"}, "loading: .* simulated"),
        ({"ImageComments": "unable to weight bear"}, "loading: .* did not bear weight"),
        ({"ProtocolName": "weightbearing not possible"}, "loading: .* did not bear weight"),
        ({"SeriesDescription": "standing", "ImageComments": "unable to stand"}, "loading: .* contradicts"),
        ({"ImagerPixelSpacing": [0.26, 0.22]}, "pixels not square: rows lie 1.182 times"),
        ({"ImagerPixelSpacing": [0.26, 0.22], "FieldOfViewDimensions": [260, 198]}, None),
        ({"PixelAspectRatio": [10, 13]}, "remark on the file: statements disagree on the shape"),
        ({"PixelSpacing": [0.3, 0.3]}, "remark on the file: spacing values in conflict"),
        ({"ImageLaterality": "R", "Laterality": "L"}, "remark on the file: statements of the side"),
        ({"BodyPartExamined": "HARBOUR ANNA"}, "remark on the file: the file says the body part is something else$"),
    ],
)
def test_what_the_file_states_reaches_the_decision_through_the_decoding_process(films, tmp_path, attributes, reason):
    """1000 rows at 0.26 mm and 900 columns at 0.22 mm are 260 mm by 198 mm."""
    write_dicom(films / "one.dcm", np.asarray(Image.open(films / "a.png")), 0.2, **attributes)
    (row,) = feet_of(films / "one.dcm", tmp_path / "out")
    said = read_reasons(row["reasons"], row["reason_kinds"])
    decisive = [one.text for one in said if one.kind is not ReasonKind.CONSTRUCTION_SENSITIVE]
    if reason is None:
        assert (row["decision"], decisive) == ("accepted", [])
    else:
        assert row["decision"] == "review"
        assert any(re.match(reason, one) for one in decisive), decisive
    assert "HARBOUR" not in (tmp_path / "out" / "films.csv").read_text(encoding="utf-8")


def test_unequal_resolutions_of_a_picture_go_to_a_person(films, tmp_path):
    Image.open(films / "a.png").save(films / "scan.tif", dpi=(300, 254))
    (row,) = feet_of(films / "scan.tif", tmp_path / "out")
    assert row["decision"] == "review"
    assert "pixels not square: rows lie 1.181 times" in row["reasons"]
    assert "(with square pixels HVA 32.0 degrees, IMA 14.0 degrees)" in row["reasons"]


def test_the_same_films_give_the_same_tables(films, tmp_path):
    for name in ("one", "two"):
        result = call("measure", films, "--out", tmp_path / name, "--no-overlays")
        assert result.exit_code == 0
        assert "Pictures:" not in result.output
    for table in ("feet.csv", "measurements.csv"):
        assert (tmp_path / "one" / table).read_bytes() == (tmp_path / "two" / table).read_bytes()
    assert not (tmp_path / "one" / "overlays").exists()


def test_a_run_tells_which_films_are_of_one_person_and_not_who(films, tmp_path):
    """The key of the codes is forgotten with the run: another run of the same films has other codes."""
    for path in films.iterdir():
        path.unlink()
    pixels = np.full((1000, 900), 40, dtype=np.uint8)
    for i, who in enumerate(("SKERRY-7", "SKERRY-7", "SKERRY-8")):
        pixels[0, i] = 255
        write_dicom(films / f"{i}.dcm", pixels, 0.2, PatientID=who, StudyDate=f"2026030{i + 1}")
    Image.fromarray(pixels[::-1]).save(films / "3.png")
    coded = []
    for name in ("out", "again"):
        result = call("measure", films, "--out", tmp_path / name, "--no-overlays")
        assert result.exit_code == 0, result.output
        rows = table(tmp_path / name, "films.csv")
        assert [row["taken"] for row in rows] == ["2026-03-01", "2026-03-02", "2026-03-03", ""]
        one, same, other, nobody = (row["person"] for row in rows)
        assert one == same != other
        assert other
        assert nobody == ""
        coded += [one, other]
        assert not any(b"SKERRY" in path.read_bytes() for path in (tmp_path / name).iterdir())
    assert len(set(coded)) == 4


def test_the_same_films_read_by_another_protocol(films, tmp_path):
    """Golden angles by shaft and by head and base: fact sheet, section 8.5."""
    file = tmp_path / "harbour.yaml"
    file.write_text("reported: [ima, hva, hia]\nconstruction: head_base\n", encoding="utf-8")
    out = tmp_path / "out"
    result = call("measure", films / "a.png", "--out", out, "--protocol", file)
    assert result.exit_code == 0, result.output
    (row,) = feet(out)
    numbers = list(row)[len(FEET_ABOUT) : -len(FEET_NOTES)]
    assert [name for name in numbers if not name.endswith(("_low", "_high"))] == ["ima", "hva", "hia"]
    assert float(row["ima"]) == pytest.approx(12.488, abs=0.05)
    assert float(row["hva"]) == pytest.approx(30.489, abs=0.05)
    assert row["decision"] == "accepted"
    constructions = {"ima": "head_base", "hva": "head_base", "hia": "shaft"}
    assert {one["measure"]: one["construction"] for one in table(out, "measurements.csv")} == constructions
    run = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert run["protocol"]["file"] == str(file)
    assert run["protocol"]["constructions"] == constructions


@pytest.fixture
def whole_foot(monkeypatch, schema, place):
    """The invented foot with every landmark, 0.2 mm a pixel, in place of the network."""
    mm = np.array([REFERENCE_FOOT[code] for code in schema.codes])
    points = mm * [5.0, -5.0] + (400.0, 700.0)
    monkeypatch.setattr(command, "foot_reader", lambda *_: OneFootEach(replace(place(), points=points)))
    return mm


@pytest.mark.parametrize("spacing", [True, False], ids=["spacing known", "spacing unknown"])
def test_every_measure_can_be_reported(films, whole_foot, schema, tmp_path, spacing):
    """Lengths in mm only where the film's spacing gives them: protocol, section spacing; PS3.3, 10.7.1.3.

    Values as the library gives them for the millimetres that the film was drawn from.
    """
    file = films / "a.png"
    if spacing:
        file = films / "a.dcm"
        write_dicom(file, np.asarray(Image.open(films / "a.png")), 0.2)
    out = tmp_path / "out"
    result = call("measure", file, "--out", out, "--protocol", "protocol_full.yaml")
    assert result.exit_code == 0, result.output
    (row,) = feet(out)
    assert row["decision"] in ("accepted", "review")
    assert ReasonKind.WITHHELD.value not in row["reason_kinds"].split("; ")
    lengths = [measure.name for measure in MEASURES if measure.unit == "mm"]
    assert row["withheld"] == ("" if spacing else "; ".join(f"{name}:no_millimetres" for name in lengths))
    expected = measure_values(whole_foot[None], schema, millimetres=True)
    assert list(row)[len(FEET_ABOUT) : -len(FEET_NOTES) : 3] == list(expected)
    for measure in MEASURES:
        cells = [row[f"{measure.name}{end}"] for end in ("", "_low", "_high")]
        if measure.unit == "mm" and not spacing:
            assert cells == ["", "", ""], measure.name
        else:
            value, low, high = map(float, cells)
            step = 10.0 ** -DECIMALS[measure.unit]
            assert value == pytest.approx(float(expected[measure.name][0]), abs=0.52 * step), measure.name
            assert low <= value <= high
    (film,) = table(out, "films.csv")
    assert ("lengths: mm on the detector" if spacing else "lengths: no usable pixel spacing") in film["remarks"]
    assert len(list((out / "overlays").iterdir())) == 1


def test_pictures_tell_the_level_of_the_run(films, tmp_path, monkeypatch):
    """Intervals at 80 %, set in decision.yaml, must not be called 90 % (the pictures once said so whatever was set)."""
    limits = decision_settings()
    lower = limits.model_copy(update={"interval": limits.interval.model_copy(update={"level": 0.8})})
    monkeypatch.setattr("raysplay.infer.decide.settings.decision_settings", lambda: lower)
    told = []
    drawn = overlay.draw_overlay

    def listening(*arguments, level):
        told.append(level)
        return drawn(*arguments, level=level)

    monkeypatch.setattr(overlay, "draw_overlay", listening)
    assert call("measure", films / "a.png", "--out", tmp_path / "out").exit_code == 0
    assert told == [0.8]
    explained = openpyxl.load_workbook(tmp_path / "out" / "feet.xlsx")["Explanation"]
    (words,) = [row[1] for row in explained.iter_rows(values_only=True) if row[0] == "low, high, width"]
    assert words.startswith("The 80 % interval")


def test_a_run_of_angles_says_nothing_of_lengths(films, tmp_path):
    assert call("measure", films / "a.png", "--out", tmp_path / "out").exit_code == 0
    assert "lengths:" not in table(tmp_path / "out", "films.csv")[0]["remarks"]


def test_where_no_reported_measure_has_a_limit_all_of_them_decide(films, place, schema, tmp_path, monkeypatch):
    """No foot passes unlooked at, whatever a protocol reports."""
    landmarks = place()
    landmarks.confidence[schema.index("PP_art_med")] = 0.1
    monkeypatch.setattr(command, "foot_reader", lambda *_: OneFootEach(landmarks))
    file = tmp_path / "joints.yaml"
    file.write_text("reported: [ppaa, dmaa]\n", encoding="utf-8")
    assert call("measure", films / "a.png", "--out", tmp_path / "out", "--protocol", file).exit_code == 0
    (row,) = feet(tmp_path / "out")
    assert row["decision"] == "review"
    assert ReasonKind.WITHHELD.value in row["reason_kinds"].split("; ")
    assert row["withheld"] == "ppaa:no_points"
    assert float(row["dmaa"]) == pytest.approx(11.972, abs=0.05)
    assert row["unproven"] == "dmaa"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("reported: [hav]\n", "no such measure: hav"),
        ("construction: tangent\n", "tangent"),
        ("spacing: {unknown: {millimetres: true, statement: x}}\n", "detector plane"),
        ("- 1\n", "must hold keys and values"),
        (None, "cannot be read"),
    ],
)
def test_a_wrong_protocol_file_is_one_line_and_leaves_nothing(films, tmp_path, text, said):
    file = tmp_path / "harbour.yaml"
    if text is not None:
        file.write_text(text, encoding="utf-8")
    result = call("measure", films, "--out", tmp_path / "out", "--protocol", file)
    assert result.exit_code == 2
    (line,) = result.stderr.splitlines()
    assert "harbour.yaml" in line
    assert said in line
    assert not (tmp_path / "out").exists()


def test_a_single_film_lies_in_the_folder_that_run_json_names(films, tmp_path):
    assert call("measure", films / "a.png", "--out", tmp_path / "out").exit_code == 0
    about = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    assert about["films"] == str(films)


def test_fine_tuned_weights_are_used_and_recorded(films, tmp_path, monkeypatch):
    """The shipped landmark weights under another name give the shipped numbers; run.json tells their name."""
    from raysplay.infer.foot_reader import FootReader
    from raysplay.infer.shipped_weights import WEIGHTS_DIR

    monkeypatch.undo()
    own = tmp_path / "harbour.safetensors"
    own.write_bytes((WEIGHTS_DIR / "landmarks.safetensors").read_bytes())
    reader = command.foot_reader(1, own)
    assert isinstance(reader, FootReader)
    graphs = {"locator_network.onnx", "landmark_network.onnx"}
    assert set(reader.digests) == {"locator.safetensors", "harbour.safetensors"} | graphs
    result = call("measure", films / "a.png", "--out", tmp_path / "out", "--landmark-weights", tmp_path / "none")
    assert result.exit_code == 2
    assert "none" in result.output
    assert not (tmp_path / "out").exists()


def test_an_earlier_run_is_not_overwritten_unasked(films, tmp_path):
    out = tmp_path / "out"
    assert call("measure", films / "a.png", "--out", out).exit_code == 0
    refused = call("measure", films, "--out", out)
    assert refused.exit_code == 2
    assert "--overwrite" in refused.output
    assert len(feet(out)) == 1
    assert call("measure", films, "--out", out, "--overwrite").exit_code == 0
    assert len(feet(out)) == 4


def test_an_interrupted_run_keeps_its_rows_under_partial_names(films, tmp_path, monkeypatch, place):
    class Interrupted(OneFootEach):
        def find(self, film):
            if film.path.name == "none.png":
                raise KeyboardInterrupt
            return super().find(film)

    monkeypatch.setattr(command, "foot_reader", lambda *_: Interrupted(place()))
    out = tmp_path / "out"
    result = call("measure", films, "--out", out)
    assert result.exit_code not in (0, 2)
    assert ".partial" in result.output
    assert not (out / "feet.csv").exists()
    assert len((out / "feet.csv.partial").read_text(encoding="utf-8").splitlines()) == 4
    assert call("measure", films / "a.png", "--out", out).exit_code == 0
    assert not list(out.glob("*.partial"))


def test_outputs_below_the_films_are_not_taken_for_films(films):
    for earlier in (False, True):
        result = call("measure", films, "--out", films / "out", "--overwrite")
        assert result.exit_code == 0
        assert len(feet(films / "out")) == 4
        assert result.output.count("Not measured: what an earlier run wrote into") == earlier


def test_every_earlier_run_among_the_films_is_known_and_other_peoples_files_in_it_are_measured(films):
    """Overlays show feet, axes and numbers: measured as films they would be the worst of films."""
    assert call("measure", films, "--out", films / "old").exit_code == 0
    assert call("measure", films, "--out", films / "deep" / "older", "--no-overlays").exit_code == 0
    (drawn, *_) = sorted((films / "old" / "overlays").glob("*.png"))
    for place in ("old", "old/overlays"):
        film = np.asarray(Image.open(films / "a.png")).copy()
        film[-1, len(place)] = 255
        Image.fromarray(film).save(films / place / "mine.png")
    result = call("measure", films, "--out", films.parent / "new")
    assert result.exit_code == 0
    names = [row["film"] for row in feet(films.parent / "new")]
    assert names == ["./=b.png", "a.png", "broken.dcm", "none.png", "old/mine.png", "old/overlays/mine.png"]
    said = [line for line in result.output.splitlines() if line.startswith("Not measured:")]
    assert [line.split()[-1] for line in said] == [str(films / "deep" / "older"), str(films / "old")]
    (row,) = feet_of(drawn, films.parent / "one")
    assert row["decision"] == "refused"
    assert row["reasons"] == "not a film: written by an earlier run"
    result = call("measure", films / "deep" / "older", "--out", films.parent / "none")
    assert result.exit_code == 2
    assert "no file to measure" in result.output
    assert not (films.parent / "none").exists()


def feet_of(path, out):
    assert call("measure", path, "--out", out).exit_code == 0
    return feet(out)


def test_a_stopped_run_among_the_films_is_known(films, tmp_path, monkeypatch, place):
    class Interrupted(OneFootEach):
        def find(self, film):
            if film.path.name == "none.png":
                raise KeyboardInterrupt
            return super().find(film)

    with monkeypatch.context() as stopped:
        stopped.setattr(command, "foot_reader", lambda *_: Interrupted(place()))
        assert call("measure", films, "--out", films / "out").exit_code not in (0, 2)
    assert list((films / "out" / "overlays.partial").glob("*.png"))
    assert [row["film"] for row in feet_of(films, tmp_path / "new")] == ["./=b.png", "a.png", "broken.dcm", "none.png"]


def test_the_folder_of_the_films_may_take_the_tables(films):
    """Asked for by name: tables lie beside the films, no film is touched, and a second run reads the same films."""
    before = {path: path.read_bytes() for path in films.iterdir()}
    for again in ((), ("--overwrite",)):
        result = call("measure", films, "--out", films, *again)
        assert result.exit_code == 0, result.output
        assert [row["film"] for row in feet(films)] == ["./=b.png", "a.png", "broken.dcm", "none.png"]
        assert len(list((films / "overlays").iterdir())) == 2
    stands = {path: path.read_bytes() for path in films.iterdir() if path.name in TABLES}
    result = call("measure", films, "--out", films)
    assert result.exit_code == 0, result.output
    assert "4 known, 0 new, 0 changed, 0 gone" in result.output
    assert {path: path.read_bytes() for path in stands} == stands
    assert {path: path.read_bytes() for path in before} == before


@pytest.mark.parametrize("name", ["feet.csv", "overlays"])
def test_what_no_run_wrote_is_never_replaced(films, name):
    """A table of manual reads called feet.csv, a folder of films called overlays."""
    if name == "overlays":
        (films / name).mkdir()
        mine = films / name / "mine.png"
        mine.write_bytes((films / "a.png").read_bytes())
    else:
        mine = films / name
        mine.write_text("film,foot,hva\na.png,L,31\n", encoding="utf-8")
    before = mine.read_bytes()
    for options in ((), ("--overwrite",)):
        result = call("measure", films, "--out", films, *options)
        assert result.exit_code == 2
        assert f"{name}, which no run wrote" in " ".join(result.output.split())
    assert mine.read_bytes() == before
    assert not (films / "run.json").exists()


def test_litter_is_counted_once_and_special_files_get_their_row(films, tmp_path):
    (films / ".DS_Store").write_bytes(b"\0\0\0\1Bud1")
    (films / ".film").write_bytes((films / "a.png").read_bytes() + b"\0")
    os.mkfifo(films / "pipe")
    result = call("measure", films, "--out", tmp_path / "out")
    assert "Passed over files and folders of the operating system: 1" in result.output
    rows = {row["film"]: row for row in feet(tmp_path / "out")}
    assert rows[".film"]["decision"] == "accepted"
    assert rows["pipe"]["reason_kinds"] == ReasonKind.OTHER_FILE.value
    assert ".DS_Store" not in rows


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["measure", "missing.dcm", "--out", "o"], "missing.dcm"),
        (["measure", "--out", "o"], "PATH"),
        (["measure", "."], "--out"),
        (["measure", ".", "--out", "o", "--threads", "0"], "--threads"),
        (["measure", "empty", "--out", "o"], "no file to measure"),
        (["train", "missing.yaml"], "missing.yaml"),
        (["evaluate", ".", "missing.csv"], "missing.csv"),
        (["nonsense"], "nonsense"),
    ],
)
def test_bad_usage_ends_with_status_2_and_says_why(tmp_path, monkeypatch, arguments, said):
    """Exit status 2 for bad usage: the project's order of work; also common practice of command lines."""
    (tmp_path / "empty").mkdir()
    monkeypatch.chdir(tmp_path)
    result = call(*arguments)
    assert result.exit_code == 2
    assert said in result.output


def test_a_folder_that_cannot_be_written_is_bad_usage(films, tmp_path):
    (tmp_path / "file").write_text("")
    result = call("measure", films, "--out", tmp_path / "file" / "out")
    assert result.exit_code == 2
    assert "cannot be written" in result.output


def test_help_does_not_wait_for_the_network():
    """torch takes seconds to import; help must not."""
    code = "import sys; import raysplay.train.cli; sys.exit('torch' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_version_is_that_of_the_package():
    result = call("--version")
    assert result.exit_code == 0
    assert re.fullmatch(r"raysplay \d+\.\d+\.\d+\S*", result.output.strip())


def in_processes(*calls, limit=None, refused=None):
    """Exit status and output of several calls at the same time, each in a process of its own.

    ``refused`` is an event that the first call with exit status 2 sets.
    """
    fork = multiprocessing.get_context("fork")
    ready, answers = fork.Barrier(len(calls)), fork.Queue()

    def run(number, arguments):
        if limit is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        ready.wait()
        result = call(*arguments)
        if refused is not None and result.exit_code == 2:
            refused.set()
        answers.put((number, result.exit_code, result.output, repr(result.exception)))

    processes = [fork.Process(target=run, args=(i, arguments)) for i, arguments in enumerate(calls)]
    for process in processes:
        process.start()
    told = sorted(answers.get(timeout=120) for _ in processes)
    for process in processes:
        process.join()
    return told


class Held(OneFootEach):
    """Reads no film before ``free`` is set, so that its run is under way until then."""

    def __init__(self, landmarks, free):
        super().__init__(landmarks)
        self.free = free

    def find(self, film):
        assert self.free.wait(timeout=120)
        return super().find(film)


@pytest.mark.skipif(sys.platform == "win32", reason="needs fork")
def test_of_two_runs_into_one_folder_one_is_told_who_writes(films, tmp_path, monkeypatch, place):
    """Both ended well once, and the tables of one lay beside the run.json of the other."""
    refused = multiprocessing.get_context("fork").Event()
    monkeypatch.setattr(command, "foot_reader", lambda *_: Held(place(), refused))
    out = tmp_path / "out"
    told = in_processes(["measure", films / "a.png", "--out", out], ["measure", films, "--out", out], refused=refused)
    assert sorted(code for _, code, _, _ in told) == [0, 2], told
    (words,) = [text for _, code, text, _ in told if code == 2]
    assert re.search(r"process \d+ on \S+, since .* is writing into it", " ".join(words.replace("│", " ").split()))
    content = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert content["counts"]["films"] == len(feet(out))
    for name, known in content["tables"].items():
        assert hashlib.sha256((out / name).read_bytes()).hexdigest() == known


@pytest.mark.skipif(sys.platform == "win32", reason="needs fork and limits of POSIX")
@pytest.mark.parametrize(("limit", "pictures"), [(20_000, "--overlays"), (6_000, "--no-overlays")])
def test_a_disk_with_no_room_left_ends_in_a_sentence(films, tmp_path, limit, pictures):
    """setrlimit(2), RLIMIT_FSIZE: a write beyond it fails with EFBIG, as one to a full disk does with ENOSPC."""
    out = tmp_path / "out"
    ((_, code, text, error),) = in_processes(["measure", films, "--out", out, pictures], limit=limit)
    assert code == 1, error
    said = " ".join(text.split())
    assert "cannot be written any more (File too large)" in said
    assert "of 4 films were measured and are kept; once that is mended, the same command goes on" in said
    assert "Traceback" not in text
    assert not (out / "run.json").exists()
    assert call("measure", films / "a.png", "--out", out).exit_code == 0


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX modes")
def test_a_folder_that_others_may_look_into_is_said(films, tmp_path):
    """Its mode is the user's to choose; names of pictures repeat those of films."""
    out = tmp_path / "out"
    out.mkdir(mode=0o755)
    before = os.umask(0o022)
    try:
        shared = call("measure", films, "--out", out)
        own = call("measure", films, "--out", tmp_path / "own")
    finally:
        os.umask(before)
    assert "other users of this machine can see the names" in " ".join(shared.output.split())
    assert stat.S_IMODE(out.stat().st_mode) == 0o755
    assert {stat.S_IMODE(path.stat().st_mode) for path in out.rglob("*") if path.is_file()} == {0o600}
    assert "other users" not in own.output
    assert stat.S_IMODE((tmp_path / "own").stat().st_mode) == 0o700


def test_the_end_of_a_run_says_why_feet_are_open_and_what_is_next(films, tmp_path, place, schema, monkeypatch):
    landmarks = place()
    landmarks.confidence[schema.index("M5d_lat")] = 0.05
    landmarks.foot.view.update({"dp": 0.6, "oblique": 0.4})
    monkeypatch.setattr(command, "foot_reader", lambda *_: OneFootEach(landmarks))
    file = tmp_path / "harbour.yaml"
    file.write_text("reported: [hva, ima, ima45, dmaa]\n", encoding="utf-8")
    out = tmp_path / "with blank"
    result = call("measure", films, "--out", out, "--protocol", file)
    assert result.exit_code == 0
    lines = [" ".join(line.replace("│", " ").split()) for line in result.output.splitlines()]
    # Two feet in review for their view, which also say what was withheld; a file that is no film; one without a foot.
    reasons = [lines.index(one) for one in ("view doubtful 2", "withheld 2", "no foot found 1", "unreadable 1")]
    assert reasons == sorted(reasons)
    assert "Withheld: 2 numbers (IMA 4-5 on 2 feet); why stands in feet.csv." in lines
    assert any(line.startswith("Unproven: HVA, IMA, IMA 4-5, DMAA.") for line in lines)
    assert f"Next: 2 feet wait for a person: raysplay review '{out}'" in lines
    counts = json.loads((out / "run.json").read_text(encoding="utf-8"))["counts"]
    assert counts["rows_by_reason"] == {"view_doubtful": 2, "withheld": 2, "no_foot_found": 1, "unreadable": 1}
    assert counts["withheld"] == {"ima45": 2}


def test_run_json_says_what_the_last_digits_depend_on(films, tmp_path):
    assert call("measure", films / "a.png", "--out", tmp_path / "out").exit_code == 0
    about = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    # As the kernel lists them (Linux alone); the names are numpy's.
    flags = set(Path("/proc/cpuinfo").read_text().split()) if Path("/proc/cpuinfo").exists() else set()
    if flags:
        assert ("avx512f" in flags) == about["machine"]["instructions"].startswith(("X86_V4", "AVX512"))
    assert about["machine"]["architecture"] == platform.machine()
    assert datetime.fromisoformat(about["ended"]).tzinfo is not None


@pytest.mark.parametrize("table", ["feet.csv", "films.csv", "crops.csv", "landmarks.parquet"])
def test_a_table_that_was_changed_is_not_reviewed(films, tmp_path, table):
    """One flipped bit, or a cell edited in an office program, must not become a number in the review."""
    out = tmp_path / "out"
    assert call("measure", films, "--out", out, "--no-overlays").exit_code == 0
    content = bytearray((out / table).read_bytes())
    content[len(content) // 2] ^= 1
    (out / table).write_bytes(content)
    for arguments in (["export", out, "--out", tmp_path / "reviewed"], ["review", out, "--no-browser"]):
        result = call(*arguments)
        assert result.exit_code == 2
        assert f"{table}: was changed after the run" in " ".join(result.output.replace("│", " ").split())
    assert not (tmp_path / "reviewed").exists()
    assert not (out / "review.sqlite").exists()


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names")
def test_folders_whose_names_are_no_text_are_read_and_written(films, tmp_path):
    odd = tmp_path / os.fsdecode(b"f\xff")
    films.rename(odd)
    out = tmp_path / os.fsdecode(b"o\xfe")
    result = call("measure", odd, "--out", out)
    assert result.exit_code == 0, result.exception
    assert len(feet(out)) == 4
    assert json.loads((out / "run.json").read_text(encoding="utf-8"))["films"] == str(odd)


def test_a_name_that_is_too_long_is_bad_usage(films, tmp_path):
    result = call("measure", films, "--out", tmp_path / ("x" * 300))
    assert result.exit_code == 2
    assert "cannot be written (File name too long)" in " ".join(result.output.replace("│", " ").split())


def test_more_threads_than_the_machine_has_are_not_started(monkeypatch):
    """A hundred thousand of them ended the program without a word."""
    asked = []
    monkeypatch.setattr("raysplay.infer.foot_reader.FootReader.shipped", lambda threads: asked.append(threads))
    command.foot_reader(100_000)
    command.foot_reader(1)
    command.foot_reader(None)
    assert asked == [os.cpu_count(), 1, None]


def test_the_end_says_how_to_have_one_page_on_the_run_and_writes_it_when_asked(films, tmp_path):
    out = tmp_path / "out"
    said = call("measure", films, "--out", out)
    assert said.exit_code == 0, said.output
    assert f"One page on the run: raysplay report {out}" in said.output.replace("\n", "")
    assert not (out / "report.html").exists()
    said = call("measure", films, "--out", out, "--report")
    assert f"One page on the run: {out / 'report.html'}" in said.output.replace("\n", "")
    page = (out / "report.html").read_bytes()
    assert b"4 files listed, 3 films among them" in page
    said = call("measure", films, "--out", out)
    assert f"One page on the run: {out / 'report.html'}" in said.output.replace("\n", "")
    (films / "none.png").rename(films / "later.png")
    said = call("measure", films, "--out", out)
    assert "is of an earlier state of the run; anew: raysplay report" in said.output.replace("\n", "")
    assert (out / "report.html").read_bytes() == page
    said = call("measure", films, "--out", out, "--report")
    assert (out / "report.html").read_bytes() != page
    assert said.exit_code == 0


def test_a_report_that_cannot_be_written_leaves_the_run_whole(films, tmp_path):
    out = tmp_path / "out"
    assert call("measure", films, "--out", out).exit_code == 0
    (out / "report.html").write_text("a letter")
    said = call("measure", films, "--out", out, "--report")
    assert said.exit_code == 2
    assert "the run is whole, but its report is not" in said.output
    assert (out / "report.html").read_text() == "a letter"
    assert len(feet(out)) == 4
    assert call("measure", films, "--out", tmp_path / "other", "--report", "--select-only").exit_code == 2
