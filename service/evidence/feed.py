"""A question's news as an Atom feed (RFC 4287): its ledger entries, in words."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any
from uuid import uuid5

from service.record import ledger, replication_reads
from service.record.canonical import rfc3339
from service.record.database import Session
from service.record.rows import Entry
from service.record.tables import Question

MEDIA_TYPE = "application/atom+xml"
MOST_ENTRIES = 50
_NOT_IN_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_ABOUT_A_REPLICATION = {"registration", "submission", "amendment", "withdrawal", "retraction"}
_SAID: Mapping[str, str] = {
    "question": "The question was asked",
    "protocol": "A protocol version was published",
    "registration": "A replication was registered",
    "submission": "A replication was submitted",
    "amendment": "A replication was revised",
    "withdrawal": "A replication was withdrawn, or its owner asked for it",
    "report": "Somebody left an impression without blinding",
    "trial-opened": "A sealed trial was opened",
    "trial-closed": "A sealed trial ended",
    "retraction": "A steward took a replication out of the answer",
    "merge": "A steward merged questions",
    "erasure": "A contributor's content was erased",
    "vouch": "A steward vouched for a contributor",
}


@dataclass(frozen=True, slots=True)
class _Told:
    """One entry of the feed."""

    entry: Entry
    title: str
    summary: str
    path: str


def feed(session: Session, question: Question, *, public_url: str = "") -> bytes:
    """Write the feed of a question's newest ledger entries, newest first.

    Parameters
    ----------
    session : Session
        A reading session of the record.
    question : Question
        The question.
    public_url : str
        Where the record is served; without it links are paths, which RFC 4287 allows.

    """
    entries = ledger.question_entries(session, question.id, limit=MOST_ENTRIES)
    told = _told(session, question, entries)
    home = f"{public_url}/v1/questions/{question.slug}"
    lines = [
        '<?xml version="1.0" encoding="utf-8"?>',
        '<feed xmlns="http://www.w3.org/2005/Atom" xml:lang="en">',
        f"<id>urn:uuid:{question.id}</id>",
        f"<title>{_text(question.title)}</title>",
        f"<updated>{rfc3339(entries[0].at)}</updated>",
        "<author><name>Contributors to the manybatch record</name></author>",
        "<rights>CC0-1.0</rights>",
        f'<link rel="self" type="{MEDIA_TYPE}" href="{_text(home)}/feed"/>',
        f'<link rel="alternate" type="text/html" href="{_text(public_url)}/questions/{question.slug}"/>',
        f'<link rel="related" type="application/json" href="{_text(home)}/evidence"/>',
        *(_entry(question, each, public_url) for each in told),
        "</feed>",
    ]
    return "\n".join(lines).encode()


def _entry(question: Question, told: _Told, public_url: str) -> str:
    at = rfc3339(told.entry.at)
    return (
        f"<entry><id>urn:uuid:{uuid5(question.id, str(told.entry.position))}</id>"
        f"<title>{_text(told.title)}</title><updated>{at}</updated><published>{at}</published>"
        f'<link rel="alternate" href="{_text(public_url + told.path)}"/>'
        f"<summary>{_text(told.summary)}</summary></entry>"
    )


def _text(text: str) -> str:
    """Write text so that XML can hold it."""
    return escape(_NOT_IN_XML.sub("\ufffd", text))


def _told(session: Session, question: Question, entries: Sequence[Entry]) -> list[_Told]:
    contents = ledger.contents_of(session, [each.position for each in entries])
    shown = replication_reads.submitted_by_name(
        session, {each.subject for each in entries if each.kind in _ABOUT_A_REPLICATION}
    )
    return [_in_words(question, each, contents.get(each.position, {}), shown) for each in entries]


def _in_words(question: Question, entry: Entry, content: Mapping[str, Any], shown: set[str]) -> _Told:
    """Say what happened; of a replication that nobody may know yet, no more than that."""
    path = f"/v1/questions/{question.slug}"
    details = ""
    match entry.kind:
        case "protocol":
            path = f"{path}/protocols/{content['version']}" if content else path
        case "report" if content:
            leaning = {"neither": "neither batch"}.get(content["leans"], f"the {content['leans']}")
            details = f" It leans to {leaning}, and is counted apart from the evidence."
        case "retraction" if content:
            details = f" The reason: {content['category'].replace('_', ' ')}. {content['reason']}"
        case "amendment" if content and entry.subject in shown and content["reason"]:
            details = f" The reason: {content['reason']}"
    if entry.subject in shown:
        path = f"/v1/replications/{entry.subject}"
    title = _SAID.get(entry.kind, entry.kind)
    return _Told(entry, title, f"{title}.{details} Ledger position {entry.position}.", path)
