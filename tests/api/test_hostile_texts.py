"""Whatever text is sent comes back as data: in JSON, pages, feeds, drawings and tables it runs nowhere."""

import csv
import io
import json
import re
import zipfile
from xml.etree import ElementTree as ET

import pytest

from service.record.archive import unguarded
from tests import hostile
from tests.api.community import replication

_RUNS = re.compile(r"<(script|img|svg/|iframe)[^>]*(alert|onerror|onload)", re.IGNORECASE)
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")


@pytest.mark.parametrize("text", [text for text in hostile.TEXTS if hostile.is_refused(text)], ids=ascii)
def test_what_no_text_can_hold_is_refused_by_name(sqlite_client, village, text):
    person = village.person()
    slug = village.asked(person)
    # httpx would not write half a surrogate pair; JSON can.
    body = json.dumps({**replication(slug), "notes": text})
    headers = {**person.headers, "Content-Type": "application/json"}
    answer = sqlite_client.post("/v1/replications", content=body, headers=headers)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == "/notes"


def test_texts_come_back_as_they_were_sent_and_run_nowhere(sqlite_client, village, subtests):
    person = village.person()
    for number, text in enumerate(hostile.TAKEN):
        with subtests.test(ascii(text)):
            _goes_through(sqlite_client, village, person, number, text)


def _goes_through(client, village, person, number, text):
    shown = text.strip()[:80] or "nothing visible"
    arms = [
        {"key": "control", "label": shown, "is_control": True, "description": text},
        {"key": "treatment", "label": f"{shown[:70]} {number}"},
    ]
    slug = village.question(person, title=shown, background=text, factor=shown, arms=arms)
    village.protocol(person, slug, summary=text or "x", steps=[shown])
    document = {
        **replication(slug),
        "kitchen": text,
        "notes": text,
        "conditions": {"still": shown},
        "suspected_confounds": [shown],
    }
    kept = village.submitted(person, document)
    client.post(f"/v1/questions/{slug}/reports", json={"leans": "control", "text": text}, headers=person.headers)

    assert client.get(f"/v1/questions/{slug}").json()["background"] == text
    read = client.get(f"/v1/replications/{kept['id']}").json()
    assert (read["kitchen"], read["notes"], read["conditions"]["still"]) == (text, text, shown)
    ET.fromstring(client.get(f"/v1/questions/{slug}/feed").content)  # noqa: S314  # our own
    for path in (f"/questions/{slug}", f"/replications/{kept['id']}", "/"):
        page = client.get(path, headers={"Accept": "text/html"})
        assert page.status_code == 200
        assert not _RUNS.search(page.text)
        assert "set-cookie" not in page.headers
    drawing = client.get(f"/v1/questions/{slug}/evidence/forest.svg")
    assert drawing.status_code == 200
    ET.fromstring(drawing.content)  # noqa: S314  # our own
    with zipfile.ZipFile(io.BytesIO(client.get(f"/v1/questions/{slug}/data-package").content)) as opened:
        _is_data(opened, text)


def _is_data(opened, text):
    for name in opened.namelist():
        content = opened.read(name).decode()
        if not name.endswith(".csv"):
            continue
        rows = list(csv.DictReader(io.StringIO(content, newline="")))
        for row in rows:
            for column, cell in row.items():
                assert not cell.startswith(_FORMULA) or re.fullmatch(r"-?[0-9.e-]+", cell), (name, column)
        if name == "replications.csv":
            assert unguarded(rows[0]["kitchen"]) == unguarded(rows[0]["notes"]) == text
        if name == "impressions.csv":
            assert unguarded(rows[0]["text"]) == text
    json.loads(opened.read("datapackage.json"))
    for line in opened.read("CITATION.cff").decode().removesuffix("\n").split("\n"):
        assert re.fullmatch(r'[a-z-]+: ("[^\x00-\x1f\x7f-\x9f]*"|\[\{.*\}\])', line), line
