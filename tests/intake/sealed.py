"""A kitchen table with a sealed trial on it: a record, people, a registered replication, and links by their hashes."""

import itertools
from datetime import UTC, datetime, timedelta
from uuid import UUID

from service.intake import asking, pouring, submission, trial_answering, trial_opening
from service.intake.documents import ProtocolDocument, QuestionDocument, ReplicationDocument
from service.intake.sealed_documents import TasterAnswer, TrialOpening
from service.record import contributors, trials
from tests.intake import documents

NOON = datetime(2026, 4, 1, 12, tzinfo=UTC)
SECRET = "0123456789abcdef" * 4
_numbers = itertools.count(1)


class Clock:
    """Shows a second more each time."""

    def __init__(self):
        self.shows = NOON

    def __call__(self):
        self.shows += timedelta(seconds=1)
        return self.shows


class Table:
    def __init__(self, database, **protocol):
        self.database = database
        database.seal_under(SECRET)
        with database.write() as session:
            self.owner = contributors.create(session, display_name="Owner", token_hash=f"{next(_numbers):064x}")
            asked = {**documents.question(), "slug": None}
            question = asking.add_question(session, self.owner, QuestionDocument.model_validate(asked))
            published = ProtocolDocument.model_validate(documents.protocol(**protocol))
            asking.add_protocol(session, self.owner, question, published)
        self.question = question
        self.replication_id = self.registered()

    def registered(self) -> UUID:
        plan = {"question": self.question.slug, "protocol_version": 1, "state": "registered", "assignment": "drawn"}
        with self.database.write() as session:
            document = ReplicationDocument.model_validate(plan)
            return submission.post_replication(session, self.owner, document).replication.id

    def open(self, tasters=("p1",), **given) -> "Trial":
        sent = {"method": "triangle", "control": "control", "treatment": "treatment", "presentations": 3, **given}
        opening = TrialOpening.model_validate({"tasters": list(tasters), **sent})
        helper, *links = (f"{next(_numbers):064x}" for _ in range(1 + len(opening.tasters)))
        with self.database.write() as session:
            opened = trial_opening.open_trial(
                session, self.owner, self.replication_id, opening, helper_hash=helper, taster_hashes=links
            )
        return Trial(self, opened, helper, dict(zip(opening.tasters, links, strict=True)))

    def submit(self):
        with self.database.write() as session:
            return submission.submit_registered(session, self.owner, self.replication_id)


class Trial:
    def __init__(self, table, opened, helper, links):
        self.table = table
        self.opened = opened
        self.id = opened.trial.id
        self.helper = helper
        self.links = links

    def turn(self, taster="p1"):
        with self.table.database.read() as session:
            return trial_answering.turn(session, self.links[taster])

    def answer(self, presentation, codes, taster="p1", **beside):
        given = TasterAnswer.model_validate({"presentation": presentation, "chosen_codes": list(codes), **beside})
        with self.table.database.write() as session:
            return trial_answering.answer(session, self.links[taster], given)

    def guess(self, taster="p1", **beside):
        """Choose from the left, as many as are asked for."""
        turn = self.turn(taster)
        open_to_choice = [code for code in turn.codes if code != turn.reference_code]
        return self.answer(turn.presentation, open_to_choice[: turn.choose], taster, **beside)

    def sheet(self):
        with self.table.database.write() as session:
            return pouring.pour_sheet(session, self.helper)

    def close(self, ended_by="owner"):
        with self.table.database.write() as session:
            return pouring.close(session, trials.get(session, self.id), ended_by)

    def key(self):
        """What nobody may see: read as the host could, with its key."""
        with self.table.database.read() as session:
            return trials.unsealed(session, trials.get(session, self.id))
