"""What a page asks of a desk, for several files of tests."""


def person(client, called):
    """The page of a person."""
    return client.get("/api/clinic/person", params={"called": called})


def confirm_all(client):
    """Confirm every foot that is open."""
    for foot in client.get("/api/feet").json()["feet"]:
        if foot["state"] == "open" and foot["foot"]:
            sent = {"version": foot["version"], "verdict": "confirm"}
            assert client.post(f"/api/feet/{foot['id']}/reads", json=sent).status_code == 200
