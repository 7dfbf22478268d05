"""Under a key for names no output of a run holds a name of a file or folder, and its holder finds every film again."""

import contextlib
import csv
import hashlib
import hmac
import io
import json
import os
import re
import shutil
import sqlite3
import stat
import zipfile
import zlib

import numpy as np
import pyarrow.parquet as pq
import pydicom
import pytest
from PIL import Image
from pydicom.dataset import FileMetaDataset
from pydicom.fileset import FileSet
from typer.testing import CliRunner

from raysplay.infer import NameKeyError, RunFolderError, RunStoppedError, measure_into
from raysplay.infer.agreement.compared import AgreementOptions, agreement_of
from raysplay.infer.agreement.written import write_agreement
from raysplay.infer.archive.status import status
from raysplay.infer.named_films import named_films
from raysplay.infer.outputs.finished_run import read_run
from raysplay.infer.outputs.name_key import IDENTIFIER, NameKey, command_without_names
from raysplay.infer.outputs.run_files import LEDGER
from raysplay.infer.review.command import open_run
from raysplay.infer.review.films import FilmShelf, FilmUnavailableError
from raysplay.infer.review.open_desk import OpenDesk
from raysplay.infer.review.reviewed import write_reviewed
from raysplay.infer.review.settings import review_settings
from raysplay.infer.review.store import ReadStore
from raysplay.train.cli import app

from .test_within_files import frames, packed

TELLTALE = (
    *("Skerrywyn", "Orla", "MS-448812", "lamphouse", "IM90071", "annex77", "gullrock", "wickroom", "torn-hem"),
    *("1931-04-17", "oilstore", "fogsignal", "PT55", "stairwell"),
)
"""Parts of names of files and folders of the archive; an invented keeper's name, numbers, dates."""


def dicom_film(path, number):
    ds = pydicom.Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = pydicom.uid.ExplicitVRLittleEndian
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID = pydicom.uid.DigitalXRayImageStorageForPresentation
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID = f"2.25.{4000 + number}"
    ds.StudyInstanceUID, ds.SeriesInstanceUID = "2.25.41", "2.25.42"
    ds.PatientName, ds.PatientID, ds.StudyID, ds.SeriesNumber, ds.InstanceNumber = (
        "Orla^Skerrywyn",
        "PT55",
        "1",
        1,
        number,
    )
    ds.StudyDate, ds.StudyTime, ds.AccessionNumber = "19310417", "101500", ""
    ds.Modality = "DX"
    pixels = np.zeros((128, 128), np.uint16)
    pixels[30:100, 40:90] = 3000
    pixels[0, :8] = number
    ds.Rows, ds.Columns, ds.SamplesPerPixel, ds.PhotometricInterpretation = 128, 128, 1, "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 12, 11, 0
    ds.WindowCenter, ds.WindowWidth = 2048, 4096
    ds.PixelData = pixels.tobytes()
    path.parent.mkdir(parents=True, exist_ok=True)
    ds.save_as(path, enforce_file_format=True)


@pytest.fixture
def archive(known_foot, tmp_path):
    """Tell-tale names on everything that may bear one."""
    folder = tmp_path / "keep" / "gullrock-archive"
    loose = tmp_path / "loose"
    keeper = folder / "Skerrywyn, Orla (MS-448812)"
    known_foot.write_films(
        keeper, ["lamphouse.png", "1931-04-17 stairwell.png", "IM90071.png", "wick\nroom wickroom.png", "=PT55.png"]
    )
    known_foot.write_films(loose, ["oilstore-one.png", "oilstore-two.png"], start=50)
    packed(folder / "annex77.zip", {f"IM/{p.name}": p for p in loose.iterdir()}, {"fogsignal.txt": "no film"})
    frames(folder / "fogsignal-frames.dcm")
    shutil.copy(keeper / "IM90071.png", folder / "oilstore-copy.png")
    (folder / "torn-hem.dcm").write_bytes(b"\0" * 128 + b"DICM")
    (folder / "torn-hem.png").write_bytes((keeper / "lamphouse.png").read_bytes()[:300])
    (folder / "lamphouse-link.png").symlink_to(folder / "nowhere-gullrock.png")
    (folder / ".DS_Store").write_bytes(b"\0\0\0\1Bud1")
    for number in (1, 2):
        dicom_film(tmp_path / "stage" / f"PT55-{number}.dcm", number)
    files = FileSet()
    for one in sorted((tmp_path / "stage").iterdir()):
        files.add(one)
    files.write(folder / "wickroom-disc")
    gone = sorted(path for path in (folder / "wickroom-disc").rglob("*") if path.is_file() and path.name != "DICOMDIR")
    gone[-1].unlink()
    return folder


@pytest.fixture
def run(known_foot, archive, tmp_path):
    def made(out="out", paths=None, key="names.key", **options):
        options = {"person_key": tmp_path / "persons.key"} | options
        return measure_into(
            paths or archive, tmp_path / out, load=known_foot.known, name_key=tmp_path / key if key else None, **options
        )

    return made


def unpacked(path):
    """Bytes of a file, and those of what lies packed in it: XLSX members, PNG chunks, stored results."""
    content = path.read_bytes()
    yield content
    if zipfile.is_zipfile(io.BytesIO(content)):
        with zipfile.ZipFile(io.BytesIO(content)) as whole:
            for member in whole.infolist():
                yield member.filename.encode()
                yield whole.read(member)
    if content.startswith(b"\x89PNG"):
        with Image.open(path) as picture:
            picture.load()
            yield repr({**picture.info, **getattr(picture, "text", {})}).encode()
    if content.startswith(b"SQLite format 3"):
        with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as opened:
            for (table,) in opened.execute("select name from sqlite_master where type='table'").fetchall():
                for row in opened.execute(f"select * from {table}").fetchall():
                    for cell in row:
                        whole = cell if isinstance(cell, bytes) else str(cell).encode()
                        yield whole
                        if whole[:2] == b"x\x01":
                            yield zlib.decompress(whole)
    if path.suffix == ".parquet" or path.name.endswith(".parquet.partial"):
        table = pq.read_table(path)
        yield repr((table.to_pydict(), table.schema.metadata)).encode()


def telltales(folder, archive, also=()):
    """Where a name, or a digest of a film's bytes, stands in what lies in a folder, names of files among it."""
    known = [word.encode() for word in TELLTALE]
    digests = [hashlib.sha256(path.read_bytes()).hexdigest().encode() for path in archive.rglob("*") if path.is_file()]
    found = []
    for path in sorted(folder.rglob("*")):
        texts = [path.relative_to(folder).as_posix().encode()]
        texts += list(unpacked(path)) if path.is_file() else []
        for text in texts:
            lower = text.lower()
            found += [
                (path.name, word) for word in known if word.lower() in lower or word.decode().encode("utf-16le") in text
            ]
            found += [(path.name, word) for word in digests if word in lower or bytes.fromhex(word.decode()) in text]
    return [one for one in found if one[1].decode() not in also]


def rows(folder, name="feet.csv"):
    with (folder / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_the_words_are_found_where_a_run_has_no_key(run, archive, tmp_path):
    """The search itself: without a key every kind of file holds some."""
    run(key="")
    kinds = {name.rsplit(".", 1)[-1] for name, _ in telltales(tmp_path / "out", archive)}
    assert {"csv", "xlsx", "sqlite", "parquet", "png", "json"} <= kinds


def test_no_output_of_a_run_holds_a_name(run, archive, tmp_path):
    said = []
    made = run(notice=said.append)
    films = rows(tmp_path / "out", "films.csv")
    assert len(films) == made.report.films > 15
    assert all(IDENTIFIER.fullmatch(row["film"]) for row in films)
    assert telltales(tmp_path / "out", archive) == []
    spoken = "\n".join([*said, *made.passed_over, *status(tmp_path / "out").lines()])
    assert not [word for word in TELLTALE if word in spoken.replace(str(tmp_path), "")]
    reasons = {row["reason_kinds"] for row in rows(tmp_path / "out")}
    assert {"duplicate", "missing"} <= reasons, "copies and what a DICOMDIR names are among them"
    about = json.loads((tmp_path / "out" / "run.json").read_text())
    assert about["films"] is None
    assert about["command"] == ["raysplay"]


def test_tables_so_far_and_a_ledger_that_was_stopped_hold_none(run, archive, tmp_path):
    def stop(step):
        if step.stage == "measuring" and step.done == 6:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(progress=stop)
    assert (tmp_path / "out" / "feet.csv.partial").exists()
    assert telltales(tmp_path / "out", archive) == []
    run()
    assert telltales(tmp_path / "out", archive) == []


def test_several_processes_write_none_either(run, archive, tmp_path):
    run(workers=2)
    assert telltales(tmp_path / "out", archive) == []


def test_a_selection_holds_none(known_foot, archive, tmp_path, monkeypatch):
    from raysplay.infer import command

    monkeypatch.setattr(command, "foot_reader", known_foot.known)
    key = str(tmp_path / "names.key")
    arguments = ["measure", str(archive), "--out", str(tmp_path / "out"), "--select-only", "--name-key", key]
    made = CliRunner().invoke(app, arguments)
    assert made.exit_code == 0, made.output
    found = rows(tmp_path / "out", "selection.csv")
    assert len(found) > 15
    assert [row["film"] for row in found] == sorted(row["film"] for row in found)
    assert {"duplicate", "dorsoplantar"} <= {row["kind"] for row in found}
    assert telltales(tmp_path / "out", archive) == []


def test_a_program_that_fails_says_no_name(run, archive, tmp_path, monkeypatch):
    def fails(self, *args, **options):
        raise ValueError("Skerrywyn, Orla (MS-448812)/IM90071.png")

    monkeypatch.setattr("raysplay.infer.archive.ledger.Ledger.keep", fails)
    with pytest.raises(RunStoppedError, match="ValueError") as stopped:
        run()
    assert "Skerrywyn" not in str(stopped.value)
    assert stopped.value.__suppress_context__


def test_rows_stand_in_an_order_that_has_nothing_to_do_with_that_of_the_names(run, archive, tmp_path):
    run()
    named = open_run(tmp_path / "out", tmp_path / "names.key", archive).named
    films = [row["film"] for row in rows(tmp_path / "out", "films.csv")]
    assert films == sorted(films)
    real = {identifier: name for name, identifier in named.names.items()}
    assert [real[film] for film in films] != sorted(real[film] for film in films)
    with contextlib.closing(sqlite3.connect(tmp_path / "out" / LEDGER)) as ledger:
        kept = [
            real[name] for (name,) in ledger.execute("select name from ledger_films order by rowid") if name in real
        ]
    assert kept != sorted(kept), "nor does the order in which they were kept"


def test_the_ledger_tells_neither_size_nor_time_nor_number_of_a_file(run, archive, tmp_path):
    run(overlays=False)
    with contextlib.closing(sqlite3.connect(tmp_path / "out" / LEDGER)) as ledger:
        kept = {cell for row in ledger.execute("select size, changed_ns, number from ledger_films") for cell in row}
        kept |= {size for (size,) in ledger.execute("select size from ledger_results")}
    known = [os.stat(path) for path in archive.rglob("*") if path.is_file()]
    assert not kept & {value for one in known for value in (one.st_size, one.st_mtime_ns, one.st_ino)}


def test_an_identifier_is_the_keyed_hash_of_the_path(run, archive, tmp_path):
    """RFC 2104 by Python's own hmac, over the whole path; the key as the file has it."""
    run(overlays=False)
    written = (tmp_path / "names.key").read_text()
    key = bytes.fromhex(re.fullmatch(r"raysplay-name-key-1 ([0-9a-f]{64})\n", written)[1])
    path = os.path.realpath(archive / "oilstore-copy.png")
    expected = "film-" + hmac.new(key, b"film\0" + path.encode(), "sha256").hexdigest()[:24]
    assert expected in {row["film"] for row in rows(tmp_path / "out", "films.csv")}


def test_a_film_has_one_identifier_in_all_runs_under_one_key(run, archive, tmp_path):
    run(overlays=False)
    folder = archive / "Skerrywyn, Orla (MS-448812)"
    run(out="part", paths=folder, overlays=False)
    whole, part = ({row["film"]: row["sha256"] for row in rows(tmp_path / out, "films.csv")} for out in ("out", "part"))
    assert len(part) == 5
    assert part.keys() <= whole.keys()
    assert all(whole[film] in (part[film], "") or not part[film] for film in part), "the other one may be the copy"
    run(out="other", key="other.key", overlays=False)
    other = {row["film"] for row in rows(tmp_path / "other", "films.csv")}
    assert not other & whole.keys()
    (tmp_path / "way").symlink_to(archive)
    run(out="linked", paths=tmp_path / "way", overlays=False)
    assert {row["film"] for row in rows(tmp_path / "linked", "films.csv")} == whole.keys()


def test_a_person_has_one_code_in_all_runs_under_one_key(run, archive, tmp_path):
    disc = archive / "wickroom-disc"
    codes = []
    for out, key in (("a", "names.key"), ("b", "names.key"), ("c", "other.key")):
        run(out=out, paths=disc, key=key, person_key=None, overlays=False)
        codes.append({row["person"] for row in rows(tmp_path / out, "films.csv")} - {""})
    assert codes[0]
    assert codes[0] == codes[1] != codes[2]


def test_the_same_command_goes_on_and_reads_only_what_is_new(run, archive, known_foot, tmp_path):
    run()
    before = {path: path.read_bytes() for path in (tmp_path / "out").glob("*.csv")}
    assert any("0 new, 0 changed" in one for one in run().notices)
    assert {path: path.read_bytes() for path in before} == before
    known_foot.write_films(archive / "annex77-more", ["IM90071.png"], start=900)
    os.utime(archive / "oilstore-copy.png")
    made = run()
    assert any("1 new, 0 changed" in one for one in made.notices)
    assert telltales(tmp_path / "out", archive) == []


def test_the_key_is_made_for_its_owner_alone_and_never_in_the_results(run, archive, tmp_path):
    before = os.umask(0)
    try:
        run(overlays=False, key="deep/names.key")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "deep" / "names.key").stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "deep").stat().st_mode) == 0o700
    (tmp_path / "way").symlink_to(tmp_path / "new", target_is_directory=True)
    for place in ("new/names.key", "new/deep/names.key", "way/names.key"):
        with pytest.raises(NameKeyError, match="must not lie in the folder of the results"):
            run(out="new", key=place)
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    "content", [b"", b"raysplay-name-key-1 12", b"0" * 64 + b"\n", b"raysplay-name-key-1 " + b"G" * 64, b"\xff" * 90]
)
def test_a_file_that_is_no_key_is_told_as_such(run, tmp_path, content):
    (tmp_path / "names.key").write_bytes(content)
    with pytest.raises(NameKeyError, match="is no key for names"):
        run()
    assert not (tmp_path / "out").exists()


def test_another_key_or_none_or_a_lost_one_is_told_as_such(run, archive, tmp_path):
    run(overlays=False)
    (tmp_path / "other.key").write_text(f"raysplay-name-key-1 {'ab' * 32}\n")
    with pytest.raises(RunFolderError, match="identifiers under another key"):
        run(key="other.key", overlays=False)
    with pytest.raises(RunFolderError, match="name its key with --name-key"):
        run(key="", overlays=False)
    (tmp_path / "names.key").rename(tmp_path / "away.key")
    with pytest.raises(NameKeyError, match="is not there"):
        run(overlays=False)
    assert not (tmp_path / "names.key").exists(), "no new one is made in its place"
    read = CliRunner().invoke(
        app, ["names", str(tmp_path / "out"), "--name-key", str(tmp_path / "other.key"), "--films", str(archive)]
    )
    assert read.exit_code == 2
    assert "is not the key under which this run was written" in " ".join(read.stderr.split()).replace("│ ", "").replace(
        " │", ""
    )


def test_names_come_back_for_whoever_holds_key_and_films(run, archive, tmp_path):
    run()
    out = tmp_path / "names.csv"
    arguments = ["names", str(tmp_path / "out"), "--name-key", str(tmp_path / "names.key"), "--films", str(archive)]
    given = CliRunner().invoke(app, [*arguments, "--out", str(out)])
    assert given.exit_code == 0, given.stderr
    run(out="plain", key="", overlays=False)
    back = {row["identifier"]: row["film"] for row in rows(tmp_path, "names.csv")}
    plain = {row["film"]: row for row in rows(tmp_path / "plain", "films.csv")}
    assert sorted(back.values()) == sorted(plain)
    for row in rows(tmp_path / "out", "films.csv"):
        if not row["sha256"] or not plain[back[row["film"]]]["sha256"]:
            continue  # of two copies either may be the one that is read
        assert (row["rows"], row["feet"]) == (plain[back[row["film"]]]["rows"], plain[back[row["film"]]]["feet"])
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    refused = CliRunner().invoke(app, [*arguments, "--out", str(tmp_path / "out" / "names.csv")])
    assert refused.exit_code == 2
    assert not (tmp_path / "out" / "names.csv").exists()


def test_films_of_an_archive_that_was_moved_are_found_by_their_bytes(run, archive, tmp_path):
    run(overlays=False)
    films = rows(tmp_path / "out", "films.csv")
    archive.rename(tmp_path / "moved")
    opened = read_run(tmp_path / "out")
    named = named_films(opened, tmp_path / "names.key", tmp_path / "moved")
    read = [row["film"] for row in films if row["sha256"]]
    assert read
    assert set(read) == set(named.paths)


def test_the_day_of_a_film_stands_nowhere_and_is_there_for_whoever_holds_key_and_films(run, archive, tmp_path):
    """Folders are often called by it."""
    run(paths=archive / "wickroom-disc", overlays=False)
    assert {row["taken"] for row in rows(tmp_path / "out", "films.csv")} == {""}
    days = []
    for films in (None, archive):
        opened = open_run(tmp_path / "out", tmp_path / "names.key", films)
        days.append({opened.film(number).taken for number in range(opened.film_count)})
    assert days == [{""}, {"", "1931-04-17"}]


def test_the_review_shows_films_to_whoever_holds_the_key_and_to_nobody_else(run, archive, tmp_path):
    run()
    settings = review_settings()
    for key, films in ((None, None), (tmp_path / "names.key", archive)):
        opened = open_run(tmp_path / "out", key, films)
        film = next(i for i in range(opened.film_count) if opened.film(i).rows)
        with FilmShelf(opened, films, settings.films.cache_bytes) as shelf:
            if key is None:
                with pytest.raises(FilmUnavailableError, match="--name-key"):
                    shelf.picture(film)
            else:
                assert shelf.picture(film).rows == opened.film(film).rows
                assert shelf.notice(film) == ""


def test_reads_and_exports_hold_no_name(run, archive, tmp_path):
    run()
    opened = open_run(tmp_path / "out", tmp_path / "names.key", archive)
    settings = review_settings()
    with (
        contextlib.closing(ReadStore.beside(opened.folder, opened.identity)) as store,
        FilmShelf(opened, archive, settings.films.cache_bytes) as shelf,
    ):
        desk = OpenDesk(opened, store, shelf, settings)
        desk.session("AB")
        write_reviewed(desk, tmp_path / "reviewed")
    assert (tmp_path / "out" / "review.sqlite").exists()
    assert telltales(tmp_path / "out", archive) == []
    assert telltales(tmp_path / "reviewed", archive) == []


def test_a_comparison_with_readers_finds_films_by_their_names_and_holds_none(run, archive, tmp_path):
    run(overlays=False)
    named = open_run(tmp_path / "out", tmp_path / "names.key", archive).named
    known = [name for name in named.names if name.endswith(".png") and "torn" not in name and "link" not in name]
    lines = ["film,foot,reader,measure,value"]
    lines += [f'"{name}",R,{reader},hva,{20 + i}.0' for i, name in enumerate(known) for reader in ("AB", "CD")]
    lines.append("lamphouse-of-old.png,R,AB,hva,20.0")
    (tmp_path / "reads.csv").write_text("\n".join(lines) + "\n")
    options = AgreementOptions(go_on=True, command="x", name_key=tmp_path / "names.key", films=archive)
    found = agreement_of(tmp_path / "out", [tmp_path / "reads.csv"], options)
    write_agreement(found, tmp_path / "agreement")
    assert telltales(tmp_path / "agreement", archive) == []
    used = {foot.film for foot in found.study.feet}
    assert len(used) >= 5
    assert used <= set(named.paths)


def test_evaluate_finds_films_by_their_names_and_holds_none(known_foot, archive, tmp_path, monkeypatch):
    from raysplay.infer import command

    monkeypatch.setattr(command, "foot_reader", known_foot.known)
    truth = tmp_path / "truth.csv"
    truth.write_text('film,foot,hva\n"Skerrywyn, Orla (MS-448812)/lamphouse.png",R,20\nIM90071,R,21\n')
    arguments = [
        "evaluate",
        str(archive),
        str(truth),
        "--out",
        str(tmp_path / "ev"),
        "--name-key",
        str(tmp_path / "k.key"),
    ]
    made = CliRunner().invoke(app, arguments)
    assert made.exit_code == 0, made.output
    assert telltales(tmp_path / "ev", archive) == []


def test_a_folder_with_reads_of_a_run_that_has_names_is_refused(run, archive, tmp_path):
    run(key="", overlays=False)
    opened = read_run(tmp_path / "out")
    with contextlib.closing(ReadStore.beside(opened.folder, opened.identity)):
        pass
    (tmp_path / "out" / "review.sqlite").touch()
    with pytest.raises((NameKeyError, RunFolderError)):
        run(overwrite=True)


def test_different_uses_of_a_key_have_nothing_in_common():
    key = NameKey(bytes(range(32)))
    made = [key.identifier("x")[5:], key.path("x")[:24], key.digest("x")[:24], key.mark, key.person_key[:24]]
    assert len(set(made)) == len(made)
    assert key.digest("") == ""
    assert 0 <= key.number("size", 2**63 - 1) < 2**63


def test_a_run_with_names_that_is_replaced_leaves_none(run, archive, tmp_path):
    run(key="")
    assert telltales(tmp_path / "out", archive)
    run(overwrite=True)
    assert telltales(tmp_path / "out", archive) == []


def test_a_command_line_keeps_the_names_of_options_alone():
    given = [
        "/opt/gullrock/bin/raysplay",
        "measure",
        "Skerrywyn",
        "--out=wickroom",
        "--name-key",
        "PT55",
        "--no-overlays",
    ]
    assert command_without_names([*given, "--Orla", "--", "--select"]) == [
        *("raysplay", "--out", "--name-key", "--no-overlays")
    ]
