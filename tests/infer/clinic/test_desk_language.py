"""The desk speaks the language that was chosen, and the one that a page asks for.

Negotiation by ``Accept-Language``: RFC 9110, 12.5.4; language tags: RFC 5646.
"""

import re

import pytest
from typer.testing import CliRunner

from raysplay.infer.clinic.desk_folder import DeskFolder
from raysplay.infer.clinic.desk_language import choose_language, desk_language
from raysplay.infer.visit.language import language
from raysplay.train.cli import app

pytestmark = pytest.mark.usefixtures("no_films_ahead")

GERMAN = {"Accept-Language": "de"}


def test_the_choice_is_kept_in_the_folder_of_the_desk(serve):
    served = serve()
    client = served.client(reader="")
    assert '<html lang="en">' in client.get("/desk").text
    assert client.post("/api/clinic/language", json={"language": "de"}).json() == {"language": "de"}
    page = client.get("/desk").text
    assert '<html lang="de">' in page
    assert language("de").page["page_caution"] in page
    assert "{" not in page
    served.stop()
    again = serve()
    assert '<html lang="de">' in again.stranger().get("/desk").text
    onward = again.stranger().get("/start", params={"token": again.door.token}).text
    assert '<html lang="de">' in onward
    assert "Zur Seite" in onward
    used = again.stranger().get("/start", params={"token": "used"})
    assert (used.status_code, used.text[:12]) == (403, "Diese Adress")
    assert "Diese Adresse gilt nicht mehr" in again.stranger().get("/document/none").text


def test_a_language_without_words_is_refused_and_a_spoilt_choice_means_english(serve, tmp_path):
    served = serve()
    assert served.client().post("/api/clinic/language", json={"language": "xx"}).status_code == 422
    folder = DeskFolder(tmp_path / "desk")
    for spoilt in (b"", b"../en", b"\xff" * 300):
        folder.language.write_bytes(spoilt)
        assert desk_language(folder) == "en"
    choose_language(folder, "de")
    assert desk_language(folder) == "de"
    assert folder.language.stat().st_mode & 0o077 == 0


def test_a_language_that_cannot_be_kept_is_said(serve):
    served = serve()
    client = served.client()
    served.clinic.folder.language.mkdir()
    answer = client.post("/api/clinic/language", json={"language": "de"}, headers=GERMAN)
    assert answer.status_code == 507
    assert "Sprache konnte nicht behalten werden" in answer.json()["error"]


def test_the_command_refuses_a_language_without_words(tmp_path):
    call = ["visit", "--desk", str(tmp_path / "desk"), "--no-browser", "--language", "xx"]
    result = CliRunner().invoke(app, call)
    assert result.exit_code == 2
    assert "there are de, en" in " ".join(re.sub("[│╭╮╰╯─]", " ", result.output).split())
    assert not (tmp_path / "desk").exists()


def test_words_of_a_page_hold_what_both_lists_have(serve):
    client = serve().stranger()
    words = client.get("/page/words/de.json").json()
    own = language("de")
    assert words["messages"] == {**own.messages, **own.page}
    assert (words["decimal"], words["languages"]) == (",", [["de", "Deutsch"], ["en", "English"]])
    assert client.get("/page/words/xx.json").status_code == 404
    assert client.get("/page/words/..%2Fde.json").status_code == 404


def test_answers_of_the_desk_are_in_the_language_that_the_page_asks_for(serve, dropped, standin):
    client = serve().client()
    films = {"one.dcm": standin.dicom(30, 15, seed=1), "two.dcm": standin.dicom(20, 10, seed=2, day="20260601")}
    dropped(client, {**films, "x.txt": b"no film", "later.dcm": standin.dicom(22, 12, seed=3, day="")})
    (person,) = client.get("/api/clinic/persons").json()
    told = {
        name: client.get("/api/clinic/person", params={"called": person["called"]}, headers=headers).json()
        for name, headers in (("en", {}), ("de", GERMAN))
    }
    assert told["en"]["ground"] == told["de"]["ground"]
    assert told["en"]["films"][0]["feet"][0]["numbers"][0] == "HVA 30.0"
    assert told["de"]["films"][0]["feet"][0]["numbers"][0] == "HVA 30,0"
    for name, day in (("en", "1 March 2026"), ("de", "01.03.2026")):
        words = language(name)
        assert told[name]["unconfirmed"][0] == words.say("foot_of_day", side=words.say("side_R"), day=day)
    steps = {step["measure"]: step for step in told["de"]["steps"]}
    assert steps["HVA"]["difference"] == "−10,0 Grad"
    assert "Fehler" in steps["HVA"]["verdict"]
    assert len(told["de"]["left_out"]) == len(told["en"]["left_out"]) == 1
    assert "weder Datei noch" in told["de"]["left_out"][0]
    listed = client.get("/api/clinic/films", headers=GERMAN).json()["films"]
    (text,) = [one for one in listed if one["given"] == "x.txt"]
    assert "lesbar" in text["feet"][0]["reasons"][0] or "keine Aufnahme" in text["feet"][0]["reasons"][0]


@pytest.mark.parametrize(
    ("method", "path", "sent", "said"),
    [
        ("GET", "/api/clinic/films/9", None, "Diese Aufnahme gibt es nicht"),
        ("GET", "/api/clinic/person?called=P-07", None, "Diese Person gibt es nicht"),
        ("GET", "/api/nothing", None, "Hier ist nichts"),
        (
            "POST",
            "/api/clinic/films/1/statements",
            {"version": 0, "person": "a/b"},
            "Eine Person heißt nach einem Kürzel",
        ),
        ("POST", "/api/clinic/films/1/statements", {"version": 0, "taken": "1.3.26"}, "'1.3.26' ist kein Datum"),
        ("POST", "/api/clinic/films/1/statements", {"version": 0, "tilt": 80.0}, "80 ist keine Röhrenkippung"),
        ("POST", "/api/clinic/films/1/statements", {"version": 3}, "Inzwischen hat jemand"),
        ("POST", "/api/clinic/films/1/statements", {"version": -1}, "Die Anfrage passt nicht"),
        ("POST", "/api/reader", {"initials": "much too long"}, "Ein Kürzel hat"),
    ],
)
def test_failures_are_in_the_language_that_the_page_asks_for(serve, dropped, standin, method, path, sent, said):
    client = serve(settings={"quiet_seconds": 600.0}).client()
    client.post("/api/clinic/films", content=standin.dicom(seed=1), headers={"X-Film-Name": "one.dcm"})
    answer = client.request(method, path, json=sent, headers=GERMAN)
    assert answer.status_code >= 400
    assert answer.json()["error"].startswith(said)
    assert int(answer.headers["content-length"]) == len(answer.content)
    assert not client.request(method, path, json=sent).json()["error"].startswith(said)


def test_what_people_typed_and_pixels_stay_as_they_are(serve, dropped, standin):
    client = serve().client()
    dropped(client, {"none.dcm": standin.dicom(seed=1)})
    sent = {"version": 0, "note": "none", "person": "mild"}
    answer = client.post("/api/clinic/films/1/statements", json=sent, headers=GERMAN).json()
    assert (answer["stated"]["note"], answer["given"], answer["person"]) == ("none", "none.dcm", "mild")
    pixels = [client.get("/api/films/1/pixels", headers=one) for one in (GERMAN, {})]
    assert pixels[0].content == pixels[1].content
    foot = client.get("/api/feet/1", headers=GERMAN).json()
    assert (
        foot["measured"]["measures"][0]["value"] == client.get("/api/feet/1").json()["measured"]["measures"][0]["value"]
    )
