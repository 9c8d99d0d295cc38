"""Are the documents whole, possible, in order, the same each time, and marked as invented."""

import json
import re
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest

import seed_demo
from seed_demo.community import draw_community
from seed_demo.questions import PROTOCOLS, QUESTIONS
from seed_demo.truth import TRUTHS, WASH
from service.intake.documents import Impression, ProtocolDocument, QuestionDocument, ReplicationDocument
from service.intake.protocol_check import check, check_protocol
from service.intake.strict import plain


def sent(community):
    """Every document that any act sends."""
    return [event.document for event in community.events if event.document is not None]


def texts(value):
    if isinstance(value, dict):
        for each in value.values():
            yield from texts(each)
    elif isinstance(value, list):
        for each in value:
            yield from texts(each)
    elif isinstance(value, str):
        yield value


def test_one_seed_gives_one_community():
    again = [draw_community(7) for _ in range(2)]

    assert again[0] == again[1]
    assert draw_community(8).events != again[0].events


def test_documents_are_plain_json(community):
    for document in sent(community):
        assert json.loads(json.dumps(document, allow_nan=False)) == document


def test_every_replication_fits_its_question_and_protocol_and_loses_nothing(community):
    for slug, replications in community.replications.items():
        question = QuestionDocument.model_validate(QUESTIONS[slug])
        protocol = ProtocolDocument.model_validate(PROTOCOLS[slug])
        check_protocol(question, protocol)
        for each in replications:
            document = ReplicationDocument.model_validate(each.document)
            assert json.loads(json.dumps(plain(document))).keys() == each.document.keys()
            check(document, question, protocol)
            check(ReplicationDocument.model_validate(each.registration), question, protocol)


@pytest.mark.parametrize("question", TRUTHS, ids=lambda question: question.slug)
def test_protocols_name_the_primary_outcome_and_size_that_the_truth_states(question):
    primary = ProtocolDocument.model_validate(PROTOCOLS[question.slug]).primary

    assert primary.outcome == question.primary_outcome
    assert primary.smallest == question.smallest_that_matters


def test_protocols_say_where_the_work_can_hurt():
    steps = {slug: " ".join(protocol["steps"]).lower() for slug, protocol in PROTOCOLS.items()}

    assert all("tasting is drinking" in text for text in steps.values())
    assert all(
        word in steps[WASH.slug] for word in ("lawful", "vapour ignites", "scalds", "methanol", "not for drinking")
    )
    assert all("burst" in text for slug, text in steps.items() if slug != WASH.slug)


def test_everything_says_that_it_is_invented(community):
    for name in community.names.values():
        assert name.startswith("Invented ")
    for question in QUESTIONS.values():
        assert question["background"].startswith("Invented for demonstration")
    for protocol in PROTOCOLS.values():
        assert protocol["summary"].startswith("Invented for demonstration")
    for replications in community.replications.values():
        for each in replications:
            assert each.document["notes"].startswith("Invented for demonstration")
            assert each.document["kitchen"].startswith("Invented")
            assert all(batch["notes"].startswith("Invented for demonstration") for batch in each.document["batches"])
    for event in community.events:
        if event.act == "report":
            assert Impression.model_validate(event.document).text.startswith("Invented for demonstration")


def test_every_file_says_that_it_is_invented():
    files = list(Path(seed_demo.__file__).parent.rglob("*.py"))

    assert len(files) > 10
    for file in files:
        opening = file.read_text(encoding="utf-8").split('"""')[1]
        assert "invented" in opening.lower(), file.name


def test_no_name_of_anybody_or_anything_stands_in_a_text(community):
    every = [*community.names.values(), *texts(sent(community))]
    capitalised_inside_a_sentence = {
        word
        for text in every
        for sentence in re.split(r"[.:?!]\s+|^", text)
        for word in re.findall(r"\b[A-Z][a-z]{2,}\b", sentence[1:])
    }

    assert len(every) > 1000
    assert capitalised_inside_a_sentence == set()
    assert {event.document["slug"] for event in community.events if event.act == "ask"} == set(QUESTIONS)


def test_acts_follow_each_other_in_time_and_everybody_joins_first(community):
    ledger_acts = [event for event in community.events if event.act != "join"]
    joined = {event.household: event.at for event in community.events if event.act == "join"}

    assert all(earlier.at <= later.at for earlier, later in pairwise(ledger_acts))
    assert all(joined[event.household] < event.at for event in ledger_acts)
    assert ledger_acts[0].at >= datetime(2025, 2, 1, tzinfo=UTC)
    assert ledger_acts[-1].at < datetime(2026, 11, 1, tzinfo=UTC)


@pytest.mark.parametrize("seed", range(20))
def test_acts_of_other_seeds_keep_to_the_years_too(seed):
    acts = [event for event in draw_community(seed).events if event.act != "join"]

    assert max(event.at for event in acts) < datetime(2026, 11, 1, tzinfo=UTC)


def test_results_are_reported_after_they_were_tasted(community):
    for replications in community.replications.values():
        for each in replications:
            first, last = each.document["trials"][0], each.document["trials"][-1]
            assert each.document["batches"][0]["pitched_at"][:10] < first["tasted_on"] <= last["tasted_on"]
            assert last["tasted_on"] < each.reported_at.date().isoformat()


def test_gravity_falls_as_a_sigmoid_from_the_original_to_the_final(community):
    for slug, replications in community.replications.items():
        for batch in (batch for each in replications for batch in each.document["batches"]):
            curve = [reading["sg"] for reading in batch["readings"]]
            noise = 6 * batch["reading_uncertainty_sg"]
            assert curve[0] == batch["original_sg"] == max(curve)
            assert curve[-1] == pytest.approx(batch["final_sg"], abs=noise if slug == WASH.slug else 0)
            assert all(later <= earlier + noise for earlier, later in pairwise(curve))
            falls = [earlier - later for earlier, later in pairwise(curve)]
            assert falls.index(max(falls)) not in {0, len(falls) - 1}


def test_runs_give_back_most_of_the_alcohol_that_was_charged_and_no_more(community):
    for each in community.replications[WASH.slug]:
        for spirit in (batch["spirit"] for batch in each.document["batches"]):
            charged = spirit["charge_l"] * spirit["charge_abv_percent"]
            won = sum(part["volume_l"] * part["abv_percent"] for part in spirit["fractions"])
            strengths = [part["abv_percent"] for part in spirit["fractions"]]
            assert 0.8 * charged < won < charged
            assert strengths == sorted(strengths, reverse=True)
