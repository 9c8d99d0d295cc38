"""Random bytes, and good documents gone wrong, at every door that takes a body: refused or taken, never a failure.

`MANYBATCH_SOAK_BODIES` says how many each door gets under `-m soak`.
"""

import copy
import json
import os

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import SecretStr

from service.record.verify import verify
from tests.api.community import Community, registration, replication
from tests.api.kitchen import PROTOCOL_TRIAL, Kitchen
from tests.api.test_access_matrix import OPENING, REASON
from tests.intake import documents
from tests.write_openapi import OPENAPI

FEW = 12
MANY = int(os.environ.get("MANYBATCH_SOAK_BODIES", "1000"))
JSON = {"Content-Type": "application/json"}

_EXTREME = st.sampled_from(
    [
        None,
        True,
        "",
        "\x00",
        "\ud800",
        "9" * 400,
        "1 furlong",
        "NaN",
        -1,
        0,
        1.5,
        10**30,
        -(2**63),
        1e308,
        [],
        {},
        [[]],
        [None] * 300,
    ]
)
_ANY = st.recursive(
    _EXTREME | st.integers() | st.floats(allow_nan=False) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


def places(value, path=()):
    """Every place in a document, the whole of it first."""
    yield path
    parts = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, each in parts:
        yield from places(each, (*path, key))


@st.composite
def gone_wrong(draw, document):
    """A document with some of its places changed, doubled or left out, and then perhaps its bytes."""
    changed = copy.deepcopy(document)
    for _ in range(draw(st.integers(1, 3))):
        path = draw(st.sampled_from(list(places(changed))))
        if not path:
            changed = draw(_ANY) if draw(st.integers(0, 9)) == 0 else changed
            continue
        holder = changed
        for step in path[:-1]:
            holder = holder[step]
        match draw(st.sampled_from(["change", "leave out", "double", "rename"])):
            case "leave out":
                del holder[path[-1]]
            case "double" if isinstance(holder, list):
                holder.extend(copy.deepcopy(holder) * draw(st.integers(1, 5)))
            case "rename" if isinstance(holder, dict):
                holder[draw(st.text(max_size=10))] = holder[path[-1]]
            case _:
                holder[path[-1]] = draw(_ANY)
    body = json.dumps(changed).encode()
    if body and draw(st.integers(0, 3)) == 0:
        at = draw(st.integers(0, len(body) - 1))
        body = draw(
            st.sampled_from([body[:at], body[:at] + bytes([body[at] ^ 32]) + body[at + 1 :], body[at:], body + body])
        )
    return body


def bodies(document):
    return st.binary(max_size=200) | gone_wrong(document) | gone_wrong(document)


def calculators():
    text = json.loads(OPENAPI.read_text())
    paths = [path for path in text["paths"] if path.startswith("/v1/calculators/") and "post" in text["paths"][path]]
    return [path.removeprefix("/v1/calculators/") for path in paths]


@pytest.fixture
def doors(sqlite, join):
    """The doors, with something behind them: what each takes a body for, and a body that is good."""
    client = join(sqlite, sealing_key=SecretStr("a secret that is long enough for a test"))
    kitchen = Kitchen(client)
    trial = kitchen.open()
    community = Community(client)
    other = community.asked(kitchen.owner, trial=PROTOCOL_TRIAL)
    made = community.submitted(kitchen.owner, replication(kitchen.slug, batches=documents.replication()["batches"]))
    begun = community.submitted(kitchen.owner, registration(other))
    whole = {**replication(kitchen.slug), "batches": documents.replication()["batches"], "conditions": {"still": "pot"}}
    owned = f"/v1/replications/{made['id']}"
    return (
        client,
        kitchen.owner.headers,
        {
            ("POST", "/v1/contributors"): {"display_name": "Cellar mouse"},
            ("POST", "/v1/me/household"): {"join_code": "x"},
            ("POST", "/v1/questions"): documents.question(slug=None),
            ("POST", f"/v1/questions/{other}/protocols"): documents.protocol(),
            ("POST", f"/v1/questions/{other}/reports"): {"leans": "neither", "text": "x"},
            ("POST", f"/v1/questions/{other}/merge"): {"into": kitchen.slug, "reason": "the same"},
            ("POST", "/v1/replications"): whole,
            ("POST", "/v1/replications/check"): whole,
            ("PUT", owned): {**whole, "reason": "mistyped"},
            ("PUT", f"/v1/replications/{begun['id']}"): registration(other, notes="more"),
            ("POST", f"{owned}/withdraw"): REASON,
            ("POST", f"{owned}/retract"): REASON,
            ("POST", f"/v1/replications/{begun['id']}/trials"): OPENING,
            ("POST", f"{trial.links['p1']}/answers"): {
                "presentation": 1,
                "chosen_codes": trial.turn()["codes"][:1],
                "descriptors": {"fruity": trial.turn()["codes"][:1]},
            },
        },
    )


def assert_answered(answer):
    assert answer.status_code < 500, answer.text
    if answer.status_code >= 400:
        assert answer.headers["content-type"] == "application/problem+json"
        assert len(answer.content) < 40_000
        answer.json()


def throw(client, method, path, document, headers, number):
    @settings(
        max_examples=number,
        deadline=None,
        database=None,
        derandomize=number == FEW,
        suppress_health_check=list(HealthCheck),
    )
    @given(body=bodies(document))
    def one(body):
        own = headers | JSON | ({"If-Match": '"r1"'} if method == "PUT" else {})
        assert_answered(client.request(method, path, content=body, headers=own))

    one()


def test_each_door_that_takes_a_body_is_tried(doors):
    _, _, known = doors
    text = json.loads(OPENAPI.read_text())
    taking = sum("requestBody" in each for path in text["paths"].values() for each in path.values())
    revisions_twice = 1
    assert taking == len(known) - revisions_twice + len(calculators())


@pytest.mark.parametrize("number", [FEW, pytest.param(MANY, marks=pytest.mark.soak)])
def test_the_records_doors_refuse_or_take_whatever_comes(sqlite, doors, subtests, number):
    client, headers, known = doors
    for (method, path), document in known.items():
        with subtests.test(f"{method} {path}"):
            throw(client, method, path, document, headers, number)
    with sqlite.read() as session:
        assert verify(session).whole


@pytest.mark.parametrize("number", [FEW, pytest.param(MANY, marks=pytest.mark.soak)])
def test_calculators_refuse_or_take_whatever_comes(sqlite_client, subtests, number):
    examples = {each["name"]: each["example"] for each in sqlite_client.get("/v1/calculators").json()["items"]}
    for name in calculators():
        with subtests.test(name):
            throw(sqlite_client, "POST", f"/v1/calculators/{name}", examples[name], {}, number)


FORMS = [
    "/take-part/sign-in",
    "/take-part/begin",
    "/take-part/document",
    "/take-part/confirm",
    "/questions/{slug}/take-part",
]


@pytest.mark.parametrize("number", [FEW, pytest.param(MANY, marks=pytest.mark.soak)])
def test_forms_refuse_or_take_whatever_comes(doors, subtests, number):
    client, _, known = doors
    slug = known["POST", "/v1/replications"]["question"]
    kinds = [
        "application/x-www-form-urlencoded",
        "multipart/form-data; boundary=x",
        "multipart/form-data",
        "text/plain",
    ]
    names = st.sampled_from(
        [
            "document",
            "act",
            "token",
            "mark",
            "key",
            "about",
            "back",
            "display_name",
            "trials.0.method",
            "batches.9999.arm",
        ]
    )
    fields = st.dictionaries(names | st.text(max_size=12), st.text(max_size=40), max_size=5)

    @settings(
        max_examples=number * 2,
        deadline=None,
        database=None,
        derandomize=number == FEW,
        suppress_health_check=list(HealthCheck),
    )
    @given(
        path=st.sampled_from(FORMS),
        kind=st.sampled_from(kinds),
        body=st.binary(max_size=200),
        given_=fields,
        whole=st.booleans(),
    )
    def one(path, kind, body, given_, whole):
        address = path.format(slug=slug)
        if whole:
            answer = client.post(address, data=given_, headers={"Accept": "text/html"})
        else:
            answer = client.post(address, content=body, headers={"Content-Type": kind, "Accept": "text/html"})
        assert answer.status_code < 500, answer.text[:2000]

    one()
