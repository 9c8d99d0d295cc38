"""The interface text: kept in step with what is served, and true."""

import json
import re

import jsonschema_rs
import pytest

from service.api.problems import MEDIA_TYPE, PROBLEMS, pointer
from tests.api.community import registration, replication
from tests.write_openapi import OPENAPI, served


@pytest.fixture(scope="module")
def text():
    return json.loads(served())


def operations(text):
    return [(path, method, each) for path, methods in text["paths"].items() for method, each in methods.items()]


def test_the_text_in_the_notes_is_the_one_that_is_served(sqlite_client):
    now = served()
    assert OPENAPI.read_text(encoding="utf-8") == now, "run `python -m tests.write_openapi`, and read the difference"
    assert sqlite_client.get("/openapi.json").json() == json.loads(now)


def test_every_operation_is_named_described_and_sorted(text):
    listed = operations(text)
    names = [operation["operationId"] for _, _, operation in listed]
    assert len(set(names)) == len(names)
    for _, _, operation in listed:
        assert re.fullmatch(r"[a-z][a-z0-9_]*", operation["operationId"])
        assert operation["summary"]
        assert operation["description"]
        assert len(operation["tags"]) == 1


def test_every_reference_leads_somewhere(text):
    for reference in set(re.findall(r'"\$ref": "#/([^"]+)"', json.dumps(text))):
        found = text
        for step in reference.split("/"):
            found = found[step]
        assert found


def _held(text, schema, steps):
    """Whether a schema has what a JSON Pointer names."""
    for step in steps:
        while "$ref" in schema:
            schema = text["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]]
        schema = schema["items"] if step == "0" else schema.get("properties", {}).get(step)
        if schema is None:
            return False
    return True


def test_every_link_leads_from_what_an_answer_holds_to_what_an_operation_takes(text, subtests):
    named = {operation["operationId"]: operation for _, _, operation in operations(text)}
    links = [
        (operation["operationId"], response, link)
        for _, _, operation in operations(text)
        for response in operation["responses"].values()
        for link in response.get("links", {}).values()
    ]
    assert len(links) > 60
    for source, response, link in links:
        with subtests.test(f"{source} to {link['operationId']}"):
            target = named[link["operationId"]]
            taken = {f"{each['in']}.{each['name']}" for each in target["parameters"]}
            assert set(link["parameters"]) <= taken
            for expression in link["parameters"].values():
                place, _, pointer = expression.partition("#/")
                if place == "$response.body":
                    (body,) = response["content"].values()
                    assert _held(text, body["schema"], pointer.split("/"))
                else:
                    assert place.removeprefix("$response.header.") in response["headers"]


def test_every_refusal_is_a_problem_document_of_a_known_status(text):
    known = {str(kind.status) for kind in PROBLEMS.values()}
    for _, _, operation in operations(text):
        refusals = {status: answer for status, answer in operation["responses"].items() if status >= "400"}
        assert {"406", "422", "500"} <= set(refusals) <= known
        for answer in refusals.values():
            assert answer["content"] == {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}


def test_a_token_is_asked_for_where_the_text_says_so_and_nowhere_else(sqlite_client, text, subtests):
    for path, method, operation in operations(text):
        with subtests.test(operation["operationId"]):
            address = re.sub(r"\{\w+\}", "00000000-0000-7000-8000-000000000000", path)
            given = {"json": {}} if "requestBody" in operation else {}
            refused = sqlite_client.request(method, address, **given).status_code == 401
            assert refused == bool(operation.get("security")) == ("401" in operation["responses"])


def test_what_is_tagged_and_what_is_not_is_as_documented(sqlite_client, village, text, subtests):
    person = village.person()
    slug = village.asked(person)
    made = village.submitted(person, replication(slug))["id"]
    asked = {"prove_inclusion": {"size": 3}, "prove_consistency": {"from": 1, "to": 3}}
    for path, method, operation in operations(text):
        if method != "get" or path.startswith(("/v1/calculators", "/v1/me", "/v1/trials", "/v1/pour", "/v1/taste")):
            continue
        with subtests.test(operation["operationId"]):
            address = path.format(slug=slug, version=1, replication_id=made, position=1)
            query = asked.get(operation["operationId"])
            whole = sqlite_client.get(address, params=query)
            assert whole.status_code == 200
            assert ("etag" in whole.headers) == ("ETag" in operation["responses"]["200"]["headers"])
            again = sqlite_client.get(address, params=query, headers={"If-None-Match": whole.headers.get("etag", "*")})
            assert again.status_code == (304 if "304" in operation["responses"] else 200)
            (documented,) = operation["responses"]["200"]["content"]
            assert whole.headers["content-type"].split(";")[0] == documented


def test_what_is_made_says_where_it_is_as_documented(sqlite_client, village, text):
    person = village.person()
    slug = village.asked(person)
    documents = {
        "/v1/contributors": {"display_name": "x"},
        "/v1/questions": {"title": "x", "factor": "x", "stage": "ferment", "arms": text_arms(text)},
        f"/v1/questions/{slug}/reports": {"leans": "neither"},
        "/v1/replications": registration(slug),
    }
    for path, document in documents.items():
        made = sqlite_client.post(path, headers=person.headers, json=document)
        documented = text["paths"][path.replace(slug, "{slug}")]["post"]["responses"]["201"]["headers"]
        assert made.status_code == 201
        assert ("location" in made.headers) == ("Location" in documented)
        assert ("etag" in made.headers) == ("ETag" in documented)


def text_arms(text):
    """Give two arms, as the text's own example of a key has them."""
    (key,) = text["components"]["schemas"]["Arm"]["properties"]["key"]["examples"]
    return [{"key": key, "label": "x", "is_control": True}, {"key": "treatment", "label": "y"}]


def test_every_worked_example_is_what_its_schema_takes(text, validator):
    worked = 0
    for path, method, operation in operations(text):
        for media, content in operation.get("requestBody", {}).get("content", {}).items():
            place = pointer("paths", path, method, "requestBody", "content", media, "schema")
            for each in content.get("examples", {}).values():
                validator(place).validate(each["value"])
                worked += 1
    assert worked >= 20


def test_defaults_and_examples_of_inputs_are_what_their_own_schemas_take(text, validator):
    for name, schema in text["components"]["schemas"].items():
        for field, part in schema.get("properties", {}).items():
            given = [*([part["default"]] if "default" in part else []), *part.get("examples", [])]
            taken = validator(pointer("components", "schemas", name, "properties", field))
            assert all(taken.is_valid(value) for value in given), f"{name}.{field}"


@pytest.fixture(scope="module")
def validator(text):
    """Give the validator of a place in the text."""
    registry = jsonschema_rs.Registry([("urn:text", text)])
    return lambda place: jsonschema_rs.Draft202012Validator({"$ref": f"urn:text#{place}"}, registry=registry)


def test_an_answer_to_every_worked_example_is_as_documented(sqlite_client, text, validator):
    for path, method, operation in operations(text):
        if not path.startswith("/v1/calculators/") or method != "post":
            continue
        (example,) = operation["requestBody"]["content"]["application/json"]["examples"].values()
        answer = sqlite_client.post(path, json=example["value"]).json()
        place = ("paths", path, method, "responses", "200", "content", "application/json", "schema")
        validator(pointer(*place)).validate(answer)
