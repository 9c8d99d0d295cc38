"""Whatever people write is text on a page: no tag, no attribute, no address comes of it."""

import json

from tests.api.community import PROTOCOL, QUESTION, replication
from tests.pages.reader import Reader, Seen

CORPUS = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "'><svg onload=alert(1)>",
    "</textarea><script>alert(1)</script>",
    "</title><script>alert(1)</script>",
    "javascript:alert(1)",
    "{{ 7777*7777 }}${7777*7777}{% raw %}",
    "<!--<a href='javascript:alert(1)'>x</a>-->",
    "&lt;script&gt;alert(1)&lt;/script&gt;",
    '" autofocus onfocus="alert(1)',
    "\u202e\u2028<b>bold</b>",
]
OURS = {"script": "/static/"}


def assert_is_only_text(answer) -> None:
    assert answer.status_code < 500
    seen = Seen(answer.text)
    assert not seen.unclosed
    assert not seen.open
    for tag, given in seen.elements:
        assert tag not in {"svg", "b", "iframe", "object", "embed", "base"}
        assert not [name for name in given if name.startswith("on")], (tag, given)
        if tag == "script":
            assert (given.get("src") or "").startswith("/static/")
        for name in ("href", "src", "action"):
            assert not (given.get(name) or "").lower().startswith(("javascript:", "data:", "//", "http")), (tag, given)
    assert "60481729" not in seen.text


def everywhere(text: str) -> dict:
    """A replication with a text in every field that takes one."""
    return {
        "kitchen": text,
        "notes": text,
        "conditions": {"still": text},
        "suspected_confounds": [text],
        "assignment": "drawn",
        "batches": [
            {
                "arm": arm,
                "batch": text[:80],
                "instrument": text,
                "notes": text,
                "original_sg": 1.064,
                "final_sg": 1.004 + 0.002 * number,
                "additions": [{"what": text}],
                "spirit": {
                    "proofing_water": text,
                    "fractions": [{"name": text[:80], "volume_l": 1, "abv_percent": 60}],
                },
            }
            for number, arm in enumerate(("control", "treatment"))
        ],
    }


def test_what_people_write_stays_text(village, subtests):
    for payload in CORPUS:
        with subtests.test(payload=payload):
            published(village, payload)


def published(village, payload):
    reader = Reader(village.client)
    person = village.person()
    arms = [
        {**arm, "label": payload[:80] + str(number), "description": payload}
        for number, arm in enumerate(QUESTION["arms"])
    ]
    slug = village.question(person, title=payload, background=payload, factor=payload, arms=arms)
    protocol = {
        **PROTOCOL,
        "summary": payload,
        "steps": [payload],
        "held_constant": [{"key": "yeast", "label": payload[:80], "unit": "x", "target": payload}],
        "measurements": [payload],
        "descriptors": [payload[:80]],
    }
    village.protocol(person, slug, **protocol)
    document = replication(slug, **everywhere(payload))
    document["trials"][0]["assessors"][0]["assessor"] = payload[:80]
    document["trials"][0]["descriptors"] = [{"term": payload[:80], "both": 1}]
    made = village.submitted(person, document)
    body = {"leans": "neither", "text": payload}
    village.client.post(f"/v1/questions/{slug}/reports", headers=person.headers, json=body)
    for path in (
        "/",
        f"/questions/{slug}",
        f"/questions/{slug}/replications",
        f"/questions/{slug}/take-part",
        f"/replications/{made['id']}",
    ):
        assert_is_only_text(reader.get(path))
    gone_on_with(reader, person, made["id"], payload)
    assert payload.split()[0][:3] in Seen(reader.get(f"/questions/{slug}").text).text
    for document_text in (json.dumps(document), payload):
        assert_is_only_text(reader.send("/take-part/document", {"document": document_text}))
    typed = {
        "batches.0.original_sg": payload,
        "condition.1.name": payload,
        "condition.1.value": payload,
        "notes": payload,
    }
    assert_is_only_text(reader.send(f"/questions/{slug}/take-part", {**typed, "act": "check"}))


def gone_on_with(reader, person, replication_id, payload):
    """What its owner sees of it, amends and withdraws."""
    reader.send("/take-part/sign-in", {"token": person.token})
    own = f"/take-part/replications/{replication_id}"
    for path in (own, f"{own}/document", f"{own}/withdraw", "/take-part", "/take-part/account"):
        assert_is_only_text(reader.get(path))
    fields = dict(Seen(reader.get(own).text).fields) | {"act": "check", "reason": payload}
    review = reader.send(own, fields)
    assert_is_only_text(review)
    fields = {name: value for name, value in Seen(review.text).fields if name}
    assert_is_only_text(reader.send(own, fields | {"act": "edit"}))
    assert_is_only_text(reader.send(f"{own}/document", fields | {"document": payload}))
    kept = reader.send("/take-part/confirm", fields)
    assert kept.status_code == 303, kept.text
    assert_is_only_text(reader.get(kept.headers["location"]))
    withdrawal = {"mark": fields["mark"], "reason": payload, "category": payload}
    assert_is_only_text(reader.send(f"{own}/withdraw", withdrawal))
    assert_is_only_text(reader.send("/take-part/account/join", {"mark": fields["mark"], "join_code": payload}))


def test_what_is_asked_in_an_address_stays_text(reader, subtests):
    for payload in CORPUS:
        with subtests.test(payload=payload):
            asked_for(reader, payload)


def asked_for(reader, payload):
    asked = [
        ("/", {"search": payload}),
        ("/calculators/trial", {"calculator": "significance", "method": payload, "presented": payload}),
        ("/calculators/proofing", {"calculator": "blend", "parts.0.volume_l": payload, payload: payload}),
        ("/calculators/trial", {"calculator": payload}),
        ("/take-part", {"back": payload}),
        ("/questions/none", {"control": payload}),
    ]
    for path, query in asked:
        answer = reader.client.get(path, params=query, headers={"Accept": "text/html"})
        assert_is_only_text(answer)
    one_step = payload.replace("/", "").replace("?", "").replace("#", "")
    for path in ("/questions/{}", "/guides/{}", "/problems/{}", "/taste/{}", "/{}"):
        assert_is_only_text(reader.get(path.format(one_step)))


def test_a_name_and_a_tasters_words_stay_text(kitchen, subtests):
    for payload in CORPUS:
        with subtests.test(payload=payload):
            said_at_the_table(kitchen, payload)


def said_at_the_table(kitchen, payload):
    reader = Reader(kitchen.client)
    assert_is_only_text(reader.send("/take-part/begin", {"display_name": payload[:80]}))
    assert_is_only_text(reader.get("/take-part"))
    trial = kitchen.open(presentations=1, descriptors=[payload[:80]], tasters=[payload[:80]])
    home = reader.send(trial.links[payload[:80]].removeprefix("/v1"), {"begin": "1"}).headers["location"]
    assert_is_only_text(reader.get(home))
    seen = Seen(reader.get(home).text)
    answer = reader.send(
        home, {"mark": seen.field("mark"), "presentation": "1", "notes": payload, "confidence": payload}
    )
    assert_is_only_text(answer)
    sheet = reader.send(trial.helper.removeprefix("/v1"), {"begin": "1"}).headers["location"]
    assert_is_only_text(reader.get(sheet))
