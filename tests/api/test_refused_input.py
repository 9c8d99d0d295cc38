"""What looks like a document and isn't: refused with its place and the mend, and nothing is kept."""

import copy
import json

import pytest

from tests.api.community import PROTOCOL, QUESTION, registration, replication
from tests.api.test_problems import assert_problem

JSON = {"Content-Type": "application/json"}
DEEP = 10_000


def batch(**changes):
    return {"arm": "control", "batch": "bucket 1", "original_sg": 1.08, "final_sg": 0.998} | changes


def with_batch(**changes):
    return {"batches": [batch(**changes)]}


def with_trial(**changes):
    return lambda slug: {"trials": [replication(slug)["trials"][0] | changes]}


def with_count(**changes):
    return with_trial(assessors=[{"assessor": "p1", "presented": 12, "correct": 8} | changes])


# What is changed in a submission without a fault, and the place that the refusal names.
DOCUMENTS = {
    "more correct than presented": (with_count(correct=13), "/trials/0/assessors/0/correct"),
    "a fraction of an answer": (with_count(correct=8.5), "/trials/0/assessors/0/correct"),
    "a boolean for a count": (with_count(correct=True), "/trials/0/assessors/0/correct"),
    "text for a count": (with_count(correct="8"), "/trials/0/assessors/0/correct"),
    "a negative count": (with_count(correct=-1), "/trials/0/assessors/0/correct"),
    "a 300-digit integer": (with_count(presented=10**299), "/trials/0/assessors/0/presented"),
    "an assessor twice": (
        with_trial(assessors=[{"assessor": "p1", "presented": 2, "correct": 1}] * 2),
        "/trials/0/assessors",
    ),
    "a method that there isn't": (with_trial(method="quadrangle"), "/trials/0/method"),
    "a final gravity above the original": (with_batch(final_sg=1.09), "/batches/0/final_sg"),
    "a boolean for a gravity": (with_batch(original_sg=True), "/batches/0/original_sg"),
    "a number of 300 digits for a gravity": (with_batch(original_sg=10**299), "/batches/0/original_sg"),
    "a number too large for a double": (with_batch(volume_l=10**400), "/batches/0/volume_l"),
    "a unit that is a sum": (with_batch(volume_l="9**9**8 l"), "/batches/0/volume_l"),
    "a unit without an end": (with_batch(volume_l="1e999 l"), "/batches/0/volume_l"),
    "a unit of something else": (with_batch(volume_l="20 kg"), "/batches/0/volume_l"),
    "a number with a unit too long to read": (with_batch(volume_l="1" * 40 + " " * 40 + "l"), "/batches/0/volume_l"),
    "NUL in a text": (with_batch(notes="a\0b"), "/batches/0/notes"),
    "half of a surrogate pair in a text": (with_batch(notes="\ud800"), "/batches/0/notes"),
    "half of a surrogate pair in a condition": ({"conditions": {"still": "\ud800"}}, "/conditions/still"),
    "NUL in a condition": ({"conditions": {"still": "a\0"}}, "/conditions/still"),
    "a list for a condition": ({"conditions": {"still": [1]}}, "/conditions/still"),
    "a 300-digit condition": ({"conditions": {"plates": 10**299}}, "/conditions/plates"),
    "over-long text": ({"notes": "a" * 10_001}, "/notes"),
    "an unknown field": ({"colour": "brown"}, "/colour"),
    "an unknown field in a batch": (with_batch(colour="brown"), "/batches/0/colour"),
    "an unknown state": ({"state": "half-done"}, "/state"),
    "an arm that there isn't, in a batch": (with_batch(arm="fined"), "/batches/0/arm"),
    "an arm that there isn't, in a trial": (with_trial(treatment="fined"), "/trials/0/treatment"),
    "an arm that there isn't, in a plan": ({"plan": {"treatment": "fined"}}, "/plan/treatment"),
    "the control as the treatment": (with_trial(control="treatment", treatment="control"), "/trials/0/treatment"),
    "a protocol version that there isn't": ({"protocol_version": 2}, "/protocol_version"),
    "a protocol version of 300 digits": ({"protocol_version": 10**299}, "/protocol_version"),
    "a question that nobody asked": ({"question": "nobody-asked"}, "/question"),
    "a moment without its offset": (with_batch(pitched_at="2026-05-01T08:00:00"), "/batches/0/pitched_at"),
    "a moment as a number": (with_batch(pitched_at=1_700_000_000), "/batches/0/pitched_at"),
    "a moment out of our time": (with_batch(pitched_at="9999-12-31T23:59:59-12:00"), "/batches/0/pitched_at"),
    "a list for a document's part": ({"plan": []}, "/plan"),
    "an object for a list": ({"batches": {}}, "/batches"),
}


@pytest.mark.parametrize("path", ["/v1/replications", "/v1/replications/check"])
def test_a_faulty_submission_is_refused_by_its_place_and_nothing_is_kept(client, community, subtests, path):
    person = community.person()
    slug = community.asked(person)
    size = client.get("/v1/ledger/head").json()["size"]
    for name, (change, pointer) in DOCUMENTS.items():
        with subtests.test(name):
            document = replication(slug) | (change(slug) if callable(change) else change)
            answer = client.post(path, headers=person.headers | JSON, content=json.dumps(document))
            body = assert_problem(answer, "invalid-input")
            assert [fault["pointer"] for fault in body["errors"]] == [pointer]
            assert body["errors"][0]["detail"]
            assert body["errors"][0]["detail"] in body["detail"]
    assert client.get("/v1/ledger/head").json()["size"] == size
    assert client.get("/v1/me/replications", headers=person.headers).json()["items"] == []


def test_a_final_gravity_above_the_original_is_taken_with_the_addition_that_explains_it(client, community):
    person = community.person()
    slug = community.asked(person)
    added = batch(final_sg=1.09, additions=[{"at_h": 96, "what": "honey", "mass_g": 2000}])
    community.submitted(person, replication(slug, batches=[added]))


def test_a_faulty_revision_is_refused_and_the_one_before_stays(client, community):
    person = community.person()
    slug = community.asked(person)
    path = f"/v1/replications/{community.submitted(person, registration(slug))['id']}"
    headers = person.headers | {"If-Match": '"r1"'}
    answer = client.put(path, headers=headers, json=replication(slug, (13, 12)))
    assert_problem(answer, "invalid-input")
    (mine,) = client.get("/v1/me/replications", headers=person.headers).json()["items"]
    assert mine["revision"] == 1


def arms(**changes):
    changed = copy.deepcopy(QUESTION["arms"])
    changed[1] |= changes
    return {"arms": changed}


QUESTIONS = {
    "two arms with one key": (arms(key="control"), "/arms"),
    "no control": ({"arms": [arm | {"is_control": False} for arm in QUESTION["arms"]]}, "/arms"),
    "two controls": (arms(is_control=True), "/arms"),
    "one arm": ({"arms": QUESTION["arms"][:1]}, "/arms"),
    "a number for a boolean": (arms(is_control=0), "/arms/1/is_control"),
    "a key that is no key": (arms(key="Über"), "/arms/1/key"),
    "a stage that there isn't": ({"stage": "cellar"}, "/stage"),
    "a title of blanks": ({"title": "   "}, "/title"),
    "a slug that is no slug": ({"slug": "../../etc"}, "/slug"),
    "NUL in a title": ({"title": "a\0b"}, "/title"),
}


def test_a_faulty_question_is_refused_by_its_place(client, community, subtests):
    person = community.person()
    for name, (change, pointer) in QUESTIONS.items():
        with subtests.test(name):
            answer = client.post("/v1/questions", headers=person.headers, json=QUESTION | change)
            assert [fault["pointer"] for fault in assert_problem(answer, "invalid-input")["errors"]] == [pointer]
    assert client.get("/v1/questions").json()["items"] == []


PROTOCOLS = {
    "no outcome": ({"outcomes": []}, "/outcomes"),
    "an outcome twice": ({"outcomes": [{"outcome": "final_sg"}] * 2}, "/outcomes"),
    "two primary outcomes": (
        {"outcomes": [{"outcome": "final_sg", "primary": True}, {"outcome": "preference", "primary": True}]},
        "/outcomes",
    ),
    "a trial of an arm that there isn't": ({"trial": PROTOCOL["trial"] | {"treatment": "fined"}}, "/trial/treatment"),
    "a trial of one arm": ({"trial": PROTOCOL["trial"] | {"treatment": "control"}}, "/trial/treatment"),
    "a pair of an arm that there isn't": (
        {"pairs": [{"control": "control", "treatment": "fined"}]},
        "/pairs/0/treatment",
    ),
    "a difference that is no difference": (
        {"outcomes": [{"outcome": "final_sg", "smallest_difference_that_matters": 0}]},
        "/outcomes/0/smallest_difference_that_matters",
    ),
    "a tolerance with a unit of something else": (
        {"held_constant": [{"key": "pitch_c", "target": 24, "tolerance": "2 kg"}]},
        "/held_constant/0",
    ),
}


def test_a_faulty_protocol_is_refused_by_its_place(client, community, subtests):
    person = community.person()
    slug = community.question(person)
    path = f"/v1/questions/{slug}/protocols"
    for name, (change, pointer) in PROTOCOLS.items():
        with subtests.test(name):
            answer = client.post(path, headers=person.headers, json=PROTOCOL | change)
            assert [fault["pointer"] for fault in assert_problem(answer, "invalid-input")["errors"]] == [pointer]
    assert client.get(path).json()["items"] == []


# Bytes that no client library writes: what follows is read as it stands.
BODIES = {
    "NaN": (b'{"display_name": "x", "a": {"b": [1, NaN]}}', "malformed-json", "/a/b/1"),
    "Infinity": (b'{"display_name": Infinity}', "malformed-json", "/display_name"),
    "minus Infinity": (b"[-Infinity]", "malformed-json", "/0"),
    "a number without an end": (b'{"display_name": 1e999}', "invalid-input", "/display_name"),
    "a key given twice": (b'{"display_name": "x", "display_name": "y"}', "malformed-json", "/display_name"),
    "a key given twice within": (b'{"a": [{"b~/c": 1, "b~/c": 1}]}', "malformed-json", "/a/0/b~0~1c"),
    "an integer of 5 000 digits": (b'{"a": ' + b"9" * 5000 + b"}", "malformed-json", "/a"),
    "an integer of 300 digits": (b'{"display_name": ' + b"9" * 300 + b"}", "invalid-input", "/display_name"),
    "half of a surrogate pair": (b'{"display_name": "\\ud800"}', "invalid-input", "/display_name"),
    "half of a surrogate pair in a key": (b'{"\\udc00": 1}', "invalid-input", ""),
    "half of a surrogate pair in a key given twice": (b'{"\\udc00": 1, "\\udc00": 1}', "malformed-json", "/?"),
    "NUL": (b'{"display_name": "a\\u0000b"}', "invalid-input", "/display_name"),
    "a bare NUL": (b'{"display_name": "a\0b"}', "malformed-json", None),
    "a text": (b'"x"', "invalid-input", ""),
    "null": (b"null", "invalid-input", ""),
    "nothing": (b"", "invalid-input", ""),
    "two values": (b"{} {}", "malformed-json", None),
    "a byte order mark": (b"\xef\xbb\xbf{}", "malformed-json", None),
    "another encoding": ('{"display_name": "é"}'.encode("latin-1"), "malformed-json", None),
    "another width": ('{"display_name": "x"}'.encode("utf-16"), "malformed-json", None),
    "lists 10 000 deep": (b"[" * DEEP + b"]" * DEEP, "malformed-json", None),
    "objects 10 000 deep": (b'{"a":' * DEEP + b"1" + b"}" * DEEP, "malformed-json", None),
    "objects 10 000 deep without an end": (b'{"a":' * DEEP, "malformed-json", None),
    "lists 900 deep": (b'{"display_name":' + b"[" * 900 + b"]" * 900 + b"}", "invalid-input", "/display_name"),
    "a comment": (b'{"display_name": "x" /* mine */}', "malformed-json", None),
    "a trailing comma": (b'{"display_name": "x",}', "malformed-json", None),
}


@pytest.mark.parametrize("name", BODIES)
def test_what_is_no_json_is_refused(sqlite_client, name):
    content, kind, pointer = BODIES[name]
    body = assert_problem(sqlite_client.post("/v1/contributors", headers=JSON, content=content), kind)
    if pointer is None:
        assert "errors" not in body
    else:
        assert pointer in [fault["pointer"] for fault in body["errors"]]


def test_a_fault_under_a_key_given_twice_is_found_all_the_same(sqlite_client):
    answer = sqlite_client.post("/v1/contributors", headers=JSON, content=b'{"a": 1, "a": {"b": NaN}, "c": Infinity}')
    faults = assert_problem(answer, "malformed-json")["errors"]
    assert sorted(fault["pointer"] for fault in faults) == ["/a", "/a/b", "/c"]


def test_what_is_refused_is_not_echoed_and_the_answer_stays_small(sqlite_client):
    marker = "sealed-cellar-4711"
    for content in (
        {"display_name": [marker]},
        {"display_name": "x", "a" * 100_000: marker},
        {"display_name": marker * 100},
        {f"{number}": marker for number in range(10_000)},
    ):
        answer = sqlite_client.post("/v1/contributors", json=content)
        assert_problem(answer, "invalid-input")
        assert marker not in answer.text
        assert len(answer.content) < 30_000


CALCULATIONS = {
    "a boolean": ({"sg": True}, "/sg"),
    "text without a unit": ({"sg": "1.05"}, "/sg"),
    "a sum": ({"plato": "9**9**8 l"}, "/plato"),
    "no end": ({"plato": "1e999 %"}, "/plato"),
    "another dimension": ({"plato": "12 l"}, "/plato"),
    "300 digits": ({"plato": 10**299}, "/plato"),
    "400 digits": ({"plato": 10**400}, "/plato"),
    "out of the formula's range": ({"plato": 95}, "/plato"),
    "a boolean in a column": ({"plato": [1, True]}, "/plato/1"),
    "text in a column": ({"plato": [1, "2 %"]}, "/plato/1"),
    "nothing in a column": ({"plato": [1, None]}, "/plato/1"),
    "a column in a column": ({"plato": [1, [2]]}, "/plato/1"),
    "an empty column": ({"plato": []}, "/plato"),
    "a column out of the formula's range": ({"plato": [1, 95]}, "/plato/1"),
    "a column too long": ({"plato": [1] * 100_001}, "/plato"),
    "two of four": ({"plato": 12, "sg": 1.05}, ""),
    "none of four": ({}, ""),
    "an unknown field": ({"plato": 12, "brix": 12}, "/brix"),
}


@pytest.mark.parametrize("name", CALCULATIONS)
def test_a_faulty_calculation_is_refused_by_its_place(sqlite_client, name):
    given, pointer = CALCULATIONS[name]
    answer = sqlite_client.post("/v1/calculators/gravity/scales", json=given)
    faults = assert_problem(answer, "invalid-input")["errors"]
    assert [fault["pointer"] for fault in faults] == [pointer]


def test_out_of_a_formulas_range_the_range_is_stated(sqlite_client):
    answer = sqlite_client.post("/v1/calculators/gravity/scales", json={"plato": 95})
    assert "-8" in answer.json()["detail"]
    assert "70" in answer.json()["detail"]


QUERIES = {
    "an unknown name": ("brix=12&plato=12", "query/brix"),
    "a name given twice": ("plato=12&plato=13", "query/plato"),
    "not a number": ("plato=nan", "query/plato"),
    "no end": ("plato=1e999", "query/plato"),
    "a sum": ("plato=9**9**8%20l", "query/plato"),
    "a boolean": ("sg=true", "query/sg"),
    "out of the formula's range": ("plato=95", "query/plato"),
    "a form that there isn't": ("plato=12&as=xml", "query/as"),
    "a column": ("plato=1,2", "query/plato"),
}


@pytest.mark.parametrize("name", QUERIES)
def test_a_faulty_query_of_a_calculator_is_refused_by_its_name(sqlite_client, name):
    query, pointer = QUERIES[name]
    answer = sqlite_client.get(f"/v1/calculators/gravity/scales?{query}")
    assert [fault["pointer"] for fault in assert_problem(answer, "invalid-input")["errors"]] == [pointer]


EVIDENCE = {
    "a fraction of a position": ("as_of=1.5", "query/as_of"),
    "a position before the first": ("as_of=0", "query/as_of"),
    "a position of 23 digits": ("as_of=99999999999999999999999", "query/as_of"),
    "a moment": ("as_of=2026-05-01T00:00:00Z", "query/as_of"),
    "a day that there isn't": ("as_of=2026-02-30", "query/as_of"),
    "a day to come": ("as_of=9999-12-31", "query/as_of"),
    "nothing": ("as_of=", "query/as_of"),
    "a condition without a value": ("where=still", "query/where"),
    "NUL in a condition": ("where=still:%00", "query/where"),
    "too many conditions": ("&".join(f"where=a:{number}" for number in range(11)), "query/where"),
    "a method that there isn't": ("method=quadrangle", "query/method"),
    "neither true nor false": ("sealed=maybe", "query/sealed"),
    "an arm that there isn't": ("control=fined", "query/control"),
    "one arm twice": ("control=control&treatment=control", "query/treatment"),
    "an unknown filter": ("colour=brown", "query/colour"),
    "a filter given twice": ("sealed=true&sealed=false", "query/sealed"),
}


def test_a_faulty_question_to_the_evidence_is_refused_by_its_name(client, community, subtests):
    slug = community.asked(community.person())
    for path in (f"/v1/questions/{slug}/evidence", f"/v1/questions/{slug}/evidence/studies"):
        for name, (query, pointer) in EVIDENCE.items():
            with subtests.test(name, path=path):
                answer = client.get(f"{path}?{query}")
                faults = assert_problem(answer, "invalid-input")["errors"]
                assert [fault["pointer"] for fault in faults] == [pointer]


def test_searching_for_nul_is_refused_on_both_databases(client):
    assert_problem(client.get("/v1/questions?search=%00"), "invalid-input")


def test_bytes_that_are_no_text_in_a_query_are_read_as_replaced(client):
    assert client.get("/v1/questions?search=%ff%fe").json()["items"] == []
