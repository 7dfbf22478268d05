"""What comes in: names that lead elsewhere, files too large, twice the same, archives, a full disk, strangers.

Sources: OWASP, "File Upload" cheat sheet (names, sizes, archives), "Cross-Site Request Forgery" (check of Origin);
CWE-22 and CWE-23 (path traversal) for the names; APPNOTE.TXT 4.4.17 for names within ZIP archives.
"""

import io
import os
import shutil
import time
import zipfile
from urllib.parse import quote

import pytest

from raysplay.infer.clinic.intake import ending_of, shown_name

PATH = "/api/clinic/films"


def send(client, name, content, **headers):
    return client.post(PATH, content=content, headers={"X-Film-Name": quote(name), **headers})


def everything_in(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


TRICKS = [
    "../../outside.dcm",
    "..\\..\\outside.dcm",
    "/etc/cron.d/outside.dcm",
    "C:\\Windows\\outside.dcm",
    "a/../../b.dcm",
    "nul\0.dcm",
    "con.dcm",
    "film-00001.dcm",
    ".hidden",
    "x.dcm/",
    "~/outside.dcm",
    "a\r\nX-Other: 1.dcm",
    "\u202egnp.dcm",
    "x" * 5000 + ".dcm",
    "desk.sqlite",
]


def test_no_name_of_a_file_becomes_a_path(serve, standin, tmp_path):
    served = serve(settings={"quiet_seconds": 600.0})
    client = served.client()
    before = everything_in(tmp_path)
    for number, name in enumerate(TRICKS):
        answer = send(client, name, standin.dicom(seed=number))
        assert answer.status_code == 201, (name, answer.text)
    added = set(everything_in(tmp_path)) - set(before)
    assert {one.rpartition("/")[0] for one in added} == {"desk/films"}
    names = sorted(one.rpartition("/")[2] for one in added)
    assert len(names) == len(TRICKS)
    assert all(one.startswith("film-0") and one.removesuffix(".dcm")[5:].isdecimal() for one in names)
    assert all(one["given"].isprintable() and len(one["given"]) <= 201 for one in client.get(PATH).json()["films"])


def test_names_and_endings_are_text():
    assert shown_name("") == "(no name)"
    assert shown_name("=cmd()") == "'=cmd()"
    assert ending_of("a.tar.gz") == ""
    assert ending_of("A.JPEG") == ".jpeg"


def test_a_film_that_is_dropped_twice_is_kept_once(serve, standin):
    client = serve(settings={"quiet_seconds": 600.0}).client()
    first, again = (send(client, name, standin.dicom(seed=1)).json() for name in ("a.dcm", "copy of a.dcm"))
    assert (first[0]["known"], again[0]["known"]) == (False, True)
    assert first[0]["film"] == again[0]["film"]
    assert client.get("/api/clinic").json()["films"] == 1


def test_a_known_film_whose_file_was_lost_is_put_back(serve, standin):
    served = serve(settings={"quiet_seconds": 600.0})
    client = served.client()
    send(client, "a.dcm", standin.dicom(seed=1))
    (path,) = served.clinic.folder.films.iterdir()
    path.unlink()
    assert client.get(f"{PATH}/1").json()["here"] is False
    send(client, "a.dcm", standin.dicom(seed=1))
    assert path.read_bytes() == standin.dicom(seed=1)


def test_members_of_an_archive_are_films_of_their_own(serve, standin):
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("study/one.dcm", standin.dicom(seed=1))
        archive.writestr("study/same.dcm", standin.dicom(seed=1))
        archive.writestr("../../outside.dcm", standin.dicom(seed=2))
        archive.writestr("study/DICOMDIR", b"index")
        archive.writestr("__MACOSX/study/._one.dcm", b"litter")
        archive.writestr("study/two.dcm", standin.dicom(seed=3))
    served = serve(settings={"quiet_seconds": 600.0})
    client = served.client()
    taken = {one["given"]: one for one in send(client, "study.zip", stream.getvalue()).json()}
    assert taken["study.zip/study/one.dcm"]["film"] == taken["study.zip/study/same.dcm"]["film"]
    assert taken["study.zip/study/two.dcm"]["film"]
    assert "leads out" in taken["study.zip/(..)/(..)/outside.dcm"]["why"]
    assert "index" in taken["study.zip/study/DICOMDIR"]["why"]
    assert len(list(served.clinic.folder.films.iterdir())) == 2
    assert list(served.clinic.folder.arriving.iterdir()) == []


def test_an_archive_that_unpacks_to_far_more_than_it_is_stays_one_file(serve):
    """A ZIP bomb: 400 MB of zeros in 400 kB."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive, archive.open("zeros.dcm", "w") as member:
        for _ in range(400):
            member.write(bytes(2**20))
    served = serve(settings={"quiet_seconds": 600.0})
    (one,) = send(served.client(), "bomb.zip", stream.getvalue()).json()
    assert one["film"] is not None  # its row will say what is wrong with it
    assert sum(path.stat().st_size for path in served.clinic.folder.films.iterdir()) < 2**20


def test_too_large_is_refused_before_it_is_read_and_while_it_comes(serve, standin):
    served = serve(settings={"quiet_seconds": 600.0, "upload_bytes": 100_000})
    client = served.client()
    announced = send(client, "big.dcm", bytes(100_001))
    assert announced.status_code == 413

    def parts():
        for _ in range(20):
            yield bytes(10_000)

    unannounced = client.post(PATH, content=parts(), headers={"X-Film-Name": "big.dcm"})
    assert unannounced.status_code == 413
    assert "limit" in unannounced.json()["error"]
    assert client.get("/api/clinic").json()["films"] == 0
    assert list(served.clinic.folder.arriving.iterdir()) == []
    assert send(client, "small.dcm", bytes(50_000)).status_code == 201, "the next file is taken"


def test_other_requests_stay_small_where_files_may_be_large(serve):
    client = serve().client()
    answer = client.post("/api/clinic/draft", content=bytes(400_000), headers={"Content-Type": "application/json"})
    assert answer.status_code == 413


def test_an_empty_file_and_litter_are_left_out_with_the_reason(serve, standin):
    client = serve(settings={"quiet_seconds": 600.0}).client()
    (empty,) = send(client, "empty.dcm", b"").json()
    (litter,) = send(client, ".DS_Store", b"litter").json()
    assert (empty["film"], litter["film"]) == (None, None)
    assert "empty" in empty["why"]
    assert "operating system" in litter["why"]


def test_a_full_disk_is_said_and_the_rest_goes_on(serve, standin, monkeypatch):
    served = serve(settings={"quiet_seconds": 600.0, "free_bytes": 1000})
    client = served.client()
    usage = shutil.disk_usage(served.clinic.folder.path)
    monkeypatch.setattr("raysplay.infer.clinic.intake.shutil.disk_usage", lambda path: usage._replace(free=1500))
    refused = send(client, "a.dcm", standin.dicom(seed=1))
    assert refused.status_code == 507
    assert "room" in refused.json()["error"]
    monkeypatch.undo()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("raysplay.infer.clinic.intake.os.fsync", full)
    refused = send(client, "a.dcm", standin.dicom(seed=1))
    assert refused.status_code == 507
    assert str(served.clinic.folder.path) not in refused.text
    monkeypatch.undo()
    assert list(served.clinic.folder.arriving.iterdir()) == []
    assert send(client, "a.dcm", standin.dicom(seed=1)).status_code == 201


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "https://elsewhere.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Host": "elsewhere.example"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Authorization": "Bearer wrong"}, 401),
        ({"Authorization": ""}, 401),
        ({"X-Reader": "CD"}, 422),
    ],
)
def test_strangers_and_other_sites_bring_nothing_in(serve, standin, headers, status):
    served = serve(settings={"quiet_seconds": 600.0})
    client = served.client()
    assert send(client, "a.dcm", standin.dicom(seed=1), **headers).status_code == status
    assert list(served.clinic.folder.films.iterdir()) == []
    assert list(served.clinic.folder.arriving.iterdir()) == []


def test_without_an_origin_nothing_comes_in(serve, standin):
    served = serve(settings={"quiet_seconds": 600.0})
    client = served.client()
    del client.headers["Origin"]
    assert send(client, "a.dcm", standin.dicom(seed=1)).status_code == 403
    assert list(served.clinic.folder.films.iterdir()) == []


def test_whoever_stated_no_initials_brings_nothing_in(serve, standin):
    served = serve(settings={"quiet_seconds": 600.0})
    assert send(served.client(reader=None), "a.dcm", standin.dicom(seed=1)).status_code == 422
    assert list(served.clinic.folder.films.iterdir()) == []


def test_the_desk_is_seen_by_nobody_who_was_not_let_in(serve):
    served = serve()
    stranger = served.stranger()
    for path in ("", "/films", "/persons", "/person?called=P-07", "/films/1", "/films/1/statements", "/card"):
        assert stranger.get(f"/api/clinic{path}").status_code == 401, path
    assert stranger.get("/document/guessed").status_code == 404


def test_a_paper_brings_no_scripts_and_is_kept_by_nobody(serve):
    client = serve().client()
    page = client.get(client.get("/api/clinic/card").json()["page"])
    assert "default-src 'none'" in page.headers["Content-Security-Policy"]
    assert page.headers["Cache-Control"] == "no-store"


def test_an_address_of_a_paper_is_good_for_its_time_alone(serve):
    client = serve(settings={"open_seconds": 0.01}).client()
    address = client.get("/api/clinic/card").json()["page"]
    time.sleep(0.05)
    assert client.get(address).status_code == 404


def test_the_folder_is_for_its_owner_alone(serve, standin):
    served = serve(settings={"quiet_seconds": 600.0})
    send(served.client(), "a.dcm", standin.dicom(seed=1))
    for folder, _, names in os.walk(served.clinic.folder.path):
        assert os.stat(folder).st_mode & 0o077 == 0
        for name in names:
            assert os.stat(os.path.join(folder, name)).st_mode & 0o077 == 0, name
