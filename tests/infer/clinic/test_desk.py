"""From a dropped film to a confirmed report and a letter, over the server alone."""

from raysplay.infer.clinic.desk_folder import DeskFolder


def confirm(client, foot):
    """Confirm a foot as it stands."""
    version = client.get(f"/api/feet/{foot}").json()["version"]
    answer = client.post(f"/api/feet/{foot}/reads", json={"version": version, "verdict": "confirm"})
    assert answer.status_code == 200, answer.text


def test_from_a_dropped_film_to_a_confirmed_letter(serve, dropped, standin):
    client = serve().client()
    taken = dropped(
        client,
        {
            "before.dcm": standin.dicom(34, 15, seed=1, day="20260301"),
            "after.dcm": standin.dicom(20, 10, seed=2, day="20260601"),
            "broken.dcm": b"\0" * 128 + b"DICM" + b"torn",
        },
    )
    assert [one["why"] for one in taken] == ["", "", ""]
    state = client.get("/api/clinic").json()
    assert (state["films"], state["persons"], state["nobody"]) == (3, 1, 1)
    (person,) = client.get("/api/clinic/persons").json()
    assert (person["films"], person["last"], person["open"]) == (2, "2026-06-01", 2)
    asked = {"called": person["called"]}
    shown = client.get("/api/clinic/person", params=asked).json()
    assert [one["given"] for one in shown["films"]] == ["before.dcm", "after.dcm"]
    assert len(shown["unconfirmed"]) == 2

    sent = {"kind": "letter", "confirm": True, "ground": shown["ground"], "fields": {"pain": "on stairs"}}
    refused = client.post("/api/clinic/documents", params=asked, json=sent)
    assert refused.status_code == 422
    assert "confirm these feet first" in refused.json()["error"]

    for film in shown["films"]:
        for foot in film["feet"]:
            confirm(client, foot["id"])
    shown = client.get("/api/clinic/person", params=asked).json()
    assert shown["unconfirmed"] == []
    sent["ground"] = shown["ground"]
    written = client.post("/api/clinic/documents", params=asked, json=sent)
    assert written.status_code == 200, written.text
    document = written.json()["document"]
    page = client.get(document["page"])
    assert page.status_code == 200
    assert "UNCONFIRMED" not in page.text
    assert "Confirmed by AB" in page.text
    assert "on stairs" in page.text
    assert "20.0" in page.text
    assert client.get(document["pdf"]).content.startswith(b"%PDF-")


def test_a_later_start_finds_films_persons_statements_and_documents(serve, dropped, standin, tmp_path):
    first = serve()
    client = first.client()
    dropped(client, {"keeper.png": standin.picture(25, 12)})
    (film,) = client.get("/api/clinic/films").json()["films"]
    said = {"version": 0, "person": "P-07", "taken": "2026-02-03", "worn": "splint"}
    assert client.post(f"/api/clinic/films/{film['number']}/statements", json=said).status_code == 200
    draft = {"kind": "report"}
    assert client.post("/api/clinic/documents", params={"called": "P-07"}, json=draft).status_code == 200
    first.stop()

    client = serve().client("CD")
    (person,) = client.get("/api/clinic/persons").json()
    assert (person["called"], person["documents"]) == ("P-07", 1)
    shown = client.get("/api/clinic/person", params={"called": "P-07"}).json()
    (film,) = shown["films"]
    assert (film["stated"]["by"], film["stated"]["worn"], film["taken"]) == ("AB", "splint", "2026-02-03")
    (document,) = shown["documents"]
    assert not document["confirmed"]
    assert "UNCONFIRMED" in client.get(document["page"]).text
    folder = DeskFolder(tmp_path / "desk")
    for path in (folder.path, folder.films, folder.documents, folder.run, folder.records):
        assert path.stat().st_mode & 0o077 == 0, path
