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
}


def test_every_call_answers_as_its_model_says(serve, dropped, standin):
    client = serve().client()
    dropped(client, {"one.dcm": standin.dicom(both=True, seed=1)})
    (person,) = client.get("/api/clinic/persons").json()
    asked = 0
    for call in contract.calls():
        if not call.path.startswith("/api/clinic"):
            continue
        if call.path == "/api/clinic/films" and call.method == "POST":
            sent = {"content": standin.dicom(seed=2), "headers": {"X-Film-Name": "two.dcm"}}
        else:
            sent = {"json": BODIES[call.path]} if call.takes else {}
        if call.path in ("/api/clinic/person", "/api/clinic/draft", "/api/clinic/documents"):
            sent["params"] = {"called": person["called"]}
        answer = client.request(call.method, re.sub(r"\{number\}", "1", call.path), **sent)
        assert answer.status_code in (200, 201), (call, answer.text)
        # A model by itself takes no configuration; inside a tuple it goes by that of the tuple.
        TypeAdapter(tuple[call.gives], config=STRICT).validate_json(b"[" + answer.content + b"]")
        asked += 1
    assert asked == 13
