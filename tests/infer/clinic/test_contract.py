"""Every call of the desk answers as its model says."""

import re

from pydantic import ConfigDict, TypeAdapter

from raysplay.infer.review import contract

STRICT = ConfigDict(extra="forbid", strict=True)
BODIES = {
    "/api/clinic/films/{number}/statements": {"version": 0, "note": "from the boat"},
    "/api/clinic/draft": {"kind": "letter", "paper": "Letter"},
    "/api/clinic/documents": {"kind": "report", "language": "de"},
    "/api/clinic/measuring": {},
    "/api/clinic/language": {"language": "de"},
    "/api/clinic/films/{number}/withdrawal": {},
}


def test_every_call_answers_as_its_model_says(serve, dropped, standin, until):
    def until_idle(client):
        until(lambda: client.get("/api/clinic").json()["measuring"]["stage"] == "idle")

    client = serve().client()
    dropped(client, {"one.dcm": standin.dicom(both=True, seed=1)})
    (person,) = client.get("/api/clinic/persons").json()
    asked = 0
    # What takes the film away comes last, and after it what is said of that.
    last = ("/api/clinic/films/{number}/withdrawal", "/api/clinic/withdrawn", "/api/clinic/documents/{number}/deletion")
    calls = [call for call in contract.calls() if call.path.startswith("/api/clinic")]
    for call in sorted(calls, key=lambda call: last.index(call.path) if call.path in last else -1):
        if call.path == "/api/clinic/films" and call.method == "POST":
            sent = {"content": standin.dicom(seed=2), "headers": {"X-Film-Name": "two.dcm"}}
        else:
            sent = {"json": BODIES[call.path]} if call.takes else {}
        if call.path == last[0]:
            until_idle(client)
            sent["json"] = {"why": "mistake", "papers": [1]}
        if call.path in ("/api/clinic/person", "/api/clinic/draft", "/api/clinic/documents"):
            sent["params"] = {"called": person["called"]}
        answer = client.request(call.method, re.sub(r"\{number\}", "1", call.path), **sent)
        assert answer.status_code in (200, 201), (call, answer.text)
        # A model by itself takes no configuration; inside a tuple it goes by that of the tuple.
        TypeAdapter(tuple[call.gives], config=STRICT).validate_json(b"[" + answer.content + b"]")
        asked += 1
    assert asked == 17
