"""What can be taken away of a question, over HTTP."""

import io
import json
import zipfile
from xml.etree import ElementTree as ET

import pytest

from service.record import archive
from tests.api.community import Community, registration, replication

ATOM = "{http://www.w3.org/2005/Atom}"
REASON = {"category": "not_blind", "reason": "<they> & saw"}


@pytest.fixture
def asked(community):
    person = community.person()
    slug = community.asked(person)
    community.submitted(person, replication(slug))
    return person, slug


def test_a_data_package_is_sent_whole_and_said_to_be_a_file(client, asked, tmp_path):
    _, slug = asked
    answer = client.get(f"/v1/questions/{slug}/data-package")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/zip"
    assert int(answer.headers["content-length"]) == len(answer.content)
    position = client.get(f"/v1/questions/{slug}/evidence").json()["as_of"]["position"]
    assert answer.headers["content-disposition"] == f'attachment; filename="{slug}-as-of-{position}.zip"'
    path = tmp_path / "package.zip"
    path.write_bytes(answer.content)
    assert archive.check(path).whole
    with zipfile.ZipFile(io.BytesIO(answer.content)) as opened:
        assert json.loads(opened.read("evidence.json")) == client.get(f"/v1/questions/{slug}/evidence").json()
    head = client.head(f"/v1/questions/{slug}/data-package")
    assert (head.status_code, head.content) == (200, b"")


def test_a_package_is_the_same_bytes_for_one_state(client, community, asked):
    person, slug = asked
    first = client.get(f"/v1/questions/{slug}/data-package")
    position = client.get(f"/v1/questions/{slug}/evidence").json()["as_of"]["position"]
    community.submitted(person, replication(slug, (3, 12)))
    community.asked(person)
    then = client.get(f"/v1/questions/{slug}/data-package?as_of={position}&method_version=1")
    assert then.content == first.content
    assert then.headers["etag"] == first.headers["etag"]
    now = client.get(f"/v1/questions/{slug}/data-package")
    assert now.headers["etag"] != first.headers["etag"]
    unchanged = client.get(f"/v1/questions/{slug}/data-package", headers={"If-None-Match": now.headers["etag"]})
    assert (unchanged.status_code, unchanged.content) == (304, b"")


def test_a_package_of_something_erased_since_is_gone(client, community, asked):
    _, slug = asked
    person = community.person()
    community.submitted(person, replication(slug, (5, 12)))
    held = client.get(f"/v1/questions/{slug}/data-package")
    position = client.get(f"/v1/questions/{slug}/evidence").json()["as_of"]["position"]
    client.delete("/v1/me", headers=person.headers)
    path = f"/v1/questions/{slug}/data-package?as_of={position}"
    gone = client.get(path)
    assert (gone.status_code, gone.json()["type"]) == (410, "/problems/gone")
    # Nobody is told that the copy they hold is still what it was.
    assert client.get(path, headers={"If-None-Match": held.headers["etag"]}).status_code == 410
    assert client.get(f"/v1/questions/{slug}/data-package").status_code == 200
    assert client.get(f"/v1/questions/{slug}/data-package?as_of={position - 1}").status_code == 200


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("as_of=100000", 422),
        ("as_of=0", 422),
        ("as_of=x", 422),
        ("as_of=1", 200),
        ("method_version=0", 410),
        ("more=1", 422),
    ],
)
def test_only_states_that_there_were_are_packed(client, asked, query, status):
    _, slug = asked
    assert client.get(f"/v1/questions/{slug}/data-package?{query}").status_code == status
    assert client.get(f"/v1/questions/none/data-package?{query}").status_code in {404, status}


def test_only_what_is_served_is_accepted(client, asked):
    _, slug = asked
    for path, media in (("data-package", "application/zip"), ("feed", "application/atom+xml")):
        for accept, status in ((media, 200), ("*/*", 200), ("application/json", 406)):
            answer = client.get(f"/v1/questions/{slug}/{path}", headers={"Accept": accept})
            assert answer.status_code == status


def read(feed):
    """RFC 4287, 4.1.1 and 4.1.2: what a feed and an entry MUST contain, and how often."""
    root = ET.fromstring(feed)  # noqa: S314  # our own
    assert root.tag == f"{ATOM}feed"
    for holder in (root, *root.findall(f"{ATOM}entry")):
        for once in ("id", "title", "updated"):
            assert len(holder.findall(f"{ATOM}{once}")) == 1
    assert len(root.findall(f"{ATOM}author")) >= 1
    assert [link.get("rel") for link in root.findall(f"{ATOM}link")].count("self") == 1
    ids = [entry.find(f"{ATOM}id").text for entry in root.findall(f"{ATOM}entry")]
    assert len(set(ids)) == len(ids)
    assert all(each.startswith("urn:uuid:") for each in ids)
    return root


def titles(root):
    return [entry.find(f"{ATOM}title").text for entry in root.findall(f"{ATOM}entry")]


def test_a_feed_tells_what_happened_newest_first(client, community, asked, steward):
    person, slug = asked
    kept = community.submitted(person, replication(slug, (1, 12)))
    begun = community.submitted(person, registration(slug))
    client.post(f"/v1/questions/{slug}/reports", json={"leans": "treatment", "text": "secret"}, headers=person.headers)
    client.post(f"/v1/replications/{kept['id']}/retract", json=REASON, headers=steward.headers)
    answer = client.get(f"/v1/questions/{slug}/feed")
    assert answer.headers["content-type"] == "application/atom+xml; charset=utf-8"
    root = read(answer.content)
    assert titles(root) == [
        "A steward took a replication out of the answer",
        "Somebody left an impression without blinding",
        "A replication was registered",
        "A replication was submitted",
        "A replication was submitted",
        "A protocol version was published",
        "The question was asked",
    ]
    newest, *_ = root.findall(f"{ATOM}entry")
    assert "not blind. <they> & saw" in newest.find(f"{ATOM}summary").text
    assert newest.find(f"{ATOM}updated").text == root.find(f"{ATOM}updated").text
    links = [entry.find(f"{ATOM}link").get("href") for entry in root.findall(f"{ATOM}entry")]
    assert links[0] == f"/v1/replications/{kept['id']}"
    assert begun["id"] not in answer.text
    assert "secret" not in answer.text


def test_a_feed_is_tagged_and_its_entries_keep_their_names(client, community, asked):
    person, slug = asked
    before = client.get(f"/v1/questions/{slug}/feed")
    tag = before.headers["etag"]
    assert client.get(f"/v1/questions/{slug}/feed", headers={"If-None-Match": tag}).status_code == 304
    community.submitted(person, replication(slug, (2, 12)))
    after = client.get(f"/v1/questions/{slug}/feed", headers={"If-None-Match": tag})
    assert after.status_code == 200

    def names(feed):
        return [entry.find(f"{ATOM}id").text for entry in read(feed).findall(f"{ATOM}entry")]

    assert names(after.content)[1:] == names(before.content)


def test_a_feed_holds_the_newest_fifty(sqlite_client, village):
    person = village.person()
    slug = village.asked(person)
    for number in range(52):
        village.submitted(person, registration(slug, notes=str(number)))
    assert len(titles(read(sqlite_client.get(f"/v1/questions/{slug}/feed").content))) == 50


def cited(response) -> str:
    return next(link for link in response.headers["link"].split(", ") if 'rel="cite-as"' in link)


def test_answers_and_questions_say_how_they_are_cited(sqlite, join):
    client = join(sqlite, public_url="https://example.invalid")
    village = Community(client)
    person = village.person()
    slug = village.asked(person)
    village.submitted(person, replication(slug))
    evidence = client.get(f"/v1/questions/{slug}/evidence")
    position = evidence.json()["as_of"]["position"]
    pinned = f"https://example.invalid/v1/questions/{slug}/evidence?as_of={position}&method_version=1"
    # A page for people stands beside it.
    assert cited(evidence) == f'<{pinned}>; rel="cite-as"'
    # Asked again it comes from what is kept.
    assert cited(client.get(f"/v1/questions/{slug}/evidence")) == f'<{pinned}>; rel="cite-as"'
    assert cited(client.get(f"/v1/questions/{slug}")) == f'<{pinned}>; rel="cite-as"'
    narrowed = cited(client.get(f"/v1/questions/{slug}/evidence?where=still:pot&sealed=false"))
    assert narrowed == (
        f"<https://example.invalid/v1/questions/{slug}/evidence?where=still%3Apot&sealed=false"
        f'&as_of={position}&method_version=1>; rel="cite-as"'
    )
    path = pinned.removeprefix("https://example.invalid")
    assert client.get(path).json() == evidence.json()
    assert "immutable" in client.get(path).headers["cache-control"]
