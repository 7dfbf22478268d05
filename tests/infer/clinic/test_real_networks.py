"""With the networks that ship: generated films are dropped, measured and reported; minutes from drop to paper."""

import time

from raysplay.infer.clinic.measuring_process import LOADER
from raysplay.synthetic_data.demo import write_demo

LATER = ("keeper-02.dcm", "painter-wrong-side.dcm")


def test_a_generated_film_becomes_a_report(serve, dropped, tmp_path):
    write_demo(tmp_path / "archive")
    wanted = ("keeper-01.dcm", "cook-both-feet.dcm")
    films = {one.name: one.read_bytes() for one in (tmp_path / "archive").rglob("*.dcm") if one.name in wanted}
    client = serve(loader=LOADER).client()
    began = time.monotonic()
    dropped(client, films)
    measured = time.monotonic() - began
    shown = {one["given"]: one for one in client.get("/api/clinic/films").json()["films"]}
    keeper, cook = shown["keeper-01.dcm"], shown["cook-both-feet.dcm"]
    # README: keeper-01 reads HVA 19.4 and IMA 15.8; the film of the cook shows two feet.
    assert keeper["feet"][0]["numbers"][:2] == ["HVA 19.4", "IMA 15.8"]
    assert sorted(foot["foot"] for foot in cook["feet"]) == ["L", "R"]
    said = {"version": 0, "person": "P-01", "taken": "2026-04-02", "worn": "nothing", "loading": "full"}
    assert client.post(f"/api/clinic/films/{keeper['number']}/statements", json=said).status_code == 200
    foot = keeper["feet"][0]["id"]
    sent = {"version": 0, "verdict": "confirm"}
    assert client.post(f"/api/feet/{foot}/reads", json=sent).status_code == 200
    ground = client.get("/api/clinic/person", params={"called": "P-01"}).json()["ground"]
    sent = {"kind": "report", "confirm": True, "ground": ground}
    written = client.post("/api/clinic/documents", params={"called": "P-01"}, json=sent)
    assert written.status_code == 200, written.text
    page = client.get(written.json()["document"]["page"]).text
    assert "19.4 degrees" in page
    assert "Confirmed by AB" in page
    assert "keeper-01" not in page
    print(f"measured after {measured:.0f} s, written after {time.monotonic() - began:.0f} s", end="")

    # Films that come later are measured by networks that are there already.
    later = [one for one in sorted((tmp_path / "archive").rglob("*.dcm")) if one.name in LATER]
    for one in later:
        began = time.monotonic()
        dropped(client, {one.name: one.read_bytes()})
        print(f"; {one.name}, dropped by itself later: measured after {time.monotonic() - began:.1f} s", end="")
    shown = {one["given"]: one for one in client.get("/api/clinic/films").json()["films"]}
    assert all(shown[name]["measured"] for name in LATER)
    assert shown["keeper-01.dcm"]["feet"][0]["state"] == "confirmed"
    print()
