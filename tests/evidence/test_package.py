"""The data package: valid, whole, the same bytes for the same state, and nothing in it that isn't to be seen."""

import csv
import dataclasses
import hashlib
import io
import json
import re
import zipfile

import pytest

from service.evidence.answer import answer
from service.evidence.filters import Filters
from service.evidence.package import ErasedSinceError, write_package
from service.record import archive, contributors, ledger, merging, replications, reports
from service.record.archive import NotAPackage
from service.record.erasure import erase
from service.record.verify import KnownHead
from tests.record import builders


@pytest.fixture
def session(database):
    with database.write() as session:
        yield session


@pytest.fixture
def steward(session):
    return builders.contributor(session, steward=True)


@pytest.fixture
def question(session, steward):
    return builders.question(session, steward, title="Does it ferment out further?")


def submitted(session, question, by=None, **document):
    by = by or builders.contributor(session)
    sent = {"question": question.slug, "kitchen": "a shed", "conditions": {"still": "pot"}, "notes": "=1+1"} | document
    return builders.replication(session, question, by, document=sent)


def packed(session, question, position=None, **given):
    target = io.BytesIO()
    write_package(session, question, position or ledger.last_position_of(session, question.id), target, **given)
    return target.getvalue()


def parts(data):
    with zipfile.ZipFile(io.BytesIO(data)) as opened:
        assert opened.testzip() is None
        return {name: opened.read(name) for name in opened.namelist()}


def table(data, name):
    return list(csv.DictReader(io.StringIO(parts(data)[name].decode(), newline="")))


@pytest.fixture
def file(tmp_path):
    def write(data):
        path = tmp_path / "package.zip"
        path.write_bytes(data)
        return path

    return write


def test_the_same_state_gives_the_same_bytes_whatever_came_after(session, question, steward):
    submitted(session, question)
    then = ledger.last_position_of(session, question.id)
    first = packed(session, question, then)
    assert packed(session, question, then) == first
    later = submitted(session, question)
    other = builders.question(session, steward)
    replications.retract(session, replication=later, steward=steward, category="fabricated", reason="so")
    contributors.vouch(session, contributor=contributors.get(session, later.contributor_id), steward=steward)
    merging.merge(session, question=question, into=other, steward=steward, reason="the same")
    assert packed(session, question, then) == first
    assert packed(session, question) != first


def test_the_descriptor_is_a_data_package_of_version_two(session, question):
    submitted(session, question)
    data = packed(session, question, public_url="https://example.invalid")
    found = parts(data)
    descriptor = json.loads(found["datapackage.json"])
    # Data Package (v2), the properties that MUST have a form: https://datapackage.org/standard/data-package/
    assert descriptor["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    assert re.fullmatch(r"[-a-z0-9._/]+", descriptor["name"])
    assert descriptor["licenses"][0]["name"] == "CC0-1.0"
    assert descriptor["homepage"] == f"https://example.invalid/v1/questions/{question.slug}"
    names = [each["name"] for each in descriptor["resources"]]
    assert len(set(names)) == len(names)
    for resource in descriptor["resources"]:
        content = found[resource["path"]]
        assert resource["bytes"] == len(content)
        assert resource["hash"] == f"sha256:{hashlib.sha256(content).hexdigest()}"
        assert not resource["path"].startswith(("/", "."))
    assert {each["path"] for each in descriptor["resources"]} == set(found) - {"datapackage.json"}


READERS = {
    "string": str,
    "integer": int,
    "number": float,
    "boolean": {"true": True, "false": False}.__getitem__,
    "datetime": lambda text: re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z", text)[0],
    "date": lambda text: re.fullmatch(r"\d{4}-\d\d-\d\d", text)[0],
    "object": lambda text: dict(json.loads(text)),
    "array": lambda text: list(json.loads(text)),
}


def test_every_table_is_what_its_schema_says(session, question):
    submitted(session, question)
    builders.replication(session, question, builders.contributor(session), state="registered")
    reports.add(session, question=question, contributor=builders.contributor(session), leans="control", text="+1")
    builders.question(session, builders.contributor(session))
    submitted(session, question)
    data = packed(session, question)
    keys = {}
    tables = [each for each in json.loads(parts(data)["datapackage.json"])["resources"] if each.get("type") == "table"]
    for resource in tables:
        rows, schema = table(data, resource["path"]), resource["schema"]
        assert rows, resource["path"]
        assert list(rows[0]) == [field["name"] for field in schema["fields"]]
        for row in rows:
            for field in schema["fields"]:
                if row[field["name"]] not in schema["missingValues"]:
                    READERS[field["type"]](row[field["name"]])
        keys[resource["name"]] = [tuple(row[name] for name in schema["primaryKey"]) for row in rows]
        assert len(set(keys[resource["name"]])) == len(rows)
    for resource in tables:
        for foreign in resource["schema"].get("foreignKeys", []):
            for row in table(data, resource["path"]):
                assert (row[foreign["fields"][0]],) in keys[foreign["reference"]["resource"]]


def test_the_answer_in_it_is_the_answer(session, question):
    submitted(session, question)
    position = ledger.last_position_of(session, question.id)
    said = answer(session, question, Filters(), position, public_url="https://example.invalid")
    found = parts(packed(session, question, public_url="https://example.invalid"))
    assert found["evidence.json"].decode() == said.model_dump_json()
    cited = dict(line.split(": ", 1) for line in found["CITATION.cff"].decode().splitlines())
    # Citation File Format 1.2.0: these four are required, and dataset is one of two types.
    assert {"cff-version", "message", "title", "authors"} <= set(cited)
    assert json.loads(cited["type"]) == "dataset"
    assert json.loads(cited["title"]) == question.title
    assert json.loads(cited["license"]) == "CC0-1.0"


def test_what_was_never_submitted_is_counted_and_not_shown(session, question, file):
    begun = builders.replication(
        session, question, builders.contributor(session), state="registered", document={"notes": "between us"}
    )
    data = packed(session, question)
    assert b"between us" not in data
    (row,) = table(data, "replications.csv")
    assert (row["replication"], row["state"], row["household"]) == (
        str(begun.id),
        "registered",
        str(begun.household_id),
    )
    assert (row["kitchen"], row["notes"], row["plan_primary_outcome"]) == ("", "", "")
    # It is also pooled as if it had done as guessing does, so its size is told.
    assert (row["plan_method"], row["plan_presentations"]) == ("triangle", "12")
    shown = {row["kind"]: row["showing"] for row in table(data, "ledger.csv")}
    assert shown == {"question": "shown", "protocol": "shown", "registration": "withheld"}
    report = archive.check(file(data))
    assert (report.whole, report.withheld, report.contents) == (True, 1, 2)


def test_a_package_proves_its_entries_in_the_head_of_the_whole_ledger(session, question, file):
    for _ in range(3):
        submitted(session, question)
        builders.question(session, builders.contributor(session))
    data = packed(session, question)
    position = ledger.last_position_of(session, question.id)
    seen = []
    report = archive.check(file(data), progress=lambda done, total: seen.append((done, total)))
    assert report.whole, report.problems
    assert (report.size, report.root_hash) == (position, ledger.entry(session, position).root_hash)
    assert seen
    assert len(table(data, "ledger.csv")) < position
    assert archive.check(file(data), known=KnownHead(position, report.root_hash)).whole
    assert not archive.check(file(data), known=KnownHead(position, "0" * 64)).whole
    assert not archive.check(file(data), known=KnownHead(position + 1, report.root_hash)).whole


def repacked(data, **changed):
    """The package with some parts altered, by somebody who puts the descriptor right again."""
    found = parts(data)
    for name, alter in changed.items():
        path = name.replace("__", "-").replace("_", ".")
        found[path] = alter(found[path].decode()).encode()
    descriptor = json.loads(found["datapackage.json"])
    for resource in descriptor["resources"]:
        resource["hash"] = f"sha256:{hashlib.sha256(found[resource['path']]).hexdigest()}"
    found["datapackage.json"] = json.dumps(descriptor).encode()
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as opened:
        for name, content in found.items():
            opened.writestr(name, content)
    return target.getvalue()


ALTERATIONS = {
    "a document": {"contents_jsonl": lambda text: text.replace("a shed", "a barn")},
    "a time": {"ledger_csv": lambda text: re.sub(r"(submission,[^,]+,)20", r"\g<1>19", text, count=1)},
    "a kind": {"ledger_csv": lambda text: text.replace("submission,", "amendment,", 1)},
    "a leaf left out": {"ledger_csv": lambda text: "\r\n".join(text.split("\r\n")[:-2]) + "\r\n"},
    "a hash": {"ledger_csv": lambda text: re.sub(r",[0-9a-f]{64},shown", f",{'0' * 64},shown", text, count=1)},
    "a subtree": {"ledger__blocks_csv": lambda text: re.sub(r"[0-9a-f]{64}", "0" * 64, text, count=1)},
    "a head": {"evidence_json": lambda text: re.sub(r'"root_hash":"..', '"root_hash":"00', text)},
    "a shown content called erased": {"ledger_csv": lambda text: text.replace("shown", "erased", 1)},
}


@pytest.mark.parametrize("what", ALTERATIONS)
def test_whatever_is_altered_is_found(session, question, file, what):
    builders.question(session, builders.contributor(session))
    submitted(session, question)
    data = packed(session, question)
    assert archive.check(file(repacked(data))).whole
    altered = repacked(data, **ALTERATIONS[what])
    assert altered != repacked(data)
    try:
        report = archive.check(file(altered))
    except NotAPackage:
        return
    assert report.problems


def test_a_part_that_is_altered_alone_is_found(session, question, file):
    submitted(session, question)
    found = parts(packed(session, question))
    found["observations.csv"] = found["observations.csv"].replace(b",12,6,", b",12,9,")
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as opened:
        for name, content in found.items():
            opened.writestr(name, content)
        opened.writestr("more.csv", "")
    details = [problem.detail for problem in archive.check(file(target.getvalue())).problems]
    assert details == ["more.csv is not in the descriptor", "observations.csv isn't what its hash was made from"]


@pytest.mark.parametrize("content", [b"", b"nonsense", b"PK\x03\x04 cut off"])
def test_what_is_no_package_is_said_to_be_none(file, content):
    with pytest.raises(NotAPackage):
        archive.check(file(content))


def test_a_package_of_something_erased_since_is_gone_and_the_next_is_whole(session, question, file):
    brewer = builders.contributor(session)
    submitted(session, question, brewer, notes="my cellar in Elmstead")
    submitted(session, question)
    before = ledger.last_position_of(session, question.id)
    erase(session, brewer)
    with pytest.raises(ErasedSinceError):
        packed(session, question, before)
    packed(session, question, before - 2)
    after = packed(session, question)
    assert b"Elmstead" not in after
    report = archive.check(file(after))
    assert (report.whole, report.erased) == (True, 1)


def test_a_merged_question_comes_along(session, question, steward, file):
    other = builders.question(session, steward)
    submitted(session, question)
    submitted(session, other)
    merging.merge(session, question=question, into=other, steward=steward, reason="the same")
    data = packed(session, other)
    assert archive.check(file(data)).whole
    assert {row["question"] for row in table(data, "replications.csv")} == {question.slug, other.slug}
    assert len(table(data, "observations.csv")) == 2


def test_a_text_that_a_spreadsheet_would_run_has_an_apostrophe_before_it(session, question):
    submitted(session, question, kitchen="'quoted", notes="-2+3")
    data = packed(session, question)
    (row,) = table(data, "replications.csv")
    assert (row["kitchen"], row["notes"]) == ("''quoted", "'-2+3")
    for text in ("=1", "+1", "-1", "@x", "\tx", "\rx", "\nx", "＝1", "'x"):
        assert archive.guarded(text) == f"'{text}"
        assert archive.unguarded(archive.guarded(text)) == text
    assert archive.guarded("plain") == archive.unguarded("plain") == "plain"


def test_numbers_stay_numbers(session, question):
    by = builders.contributor(session)
    row = dataclasses.replace(
        builders.observation(), outcome="final_sg", method=None, presented=None, correct=None, difference=-0.0125
    )
    builders.replication(session, question, by, trials=[], observations=[row])
    assert table(packed(session, question), "observations.csv")[0]["difference"] == "-0.0125"
