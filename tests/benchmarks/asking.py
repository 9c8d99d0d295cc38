"""Records with questions in them."""

from service.api.security import hashed, new_secret
from service.intake import asking
from service.intake.documents import ProtocolDocument, QuestionDocument
from service.record import contributors
from service.record.database import Database
from service.settings import Settings
from tests.benchmarks.documents import Primary, protocol, question

WARMING = "warming"
"""A small question in every record, for what has to be done once before anything can be measured."""


def settings_on(url: str) -> Settings:
    return Settings().on(database_url=url, log_level="error", rate_limits="off")


def ask(url: str, questions: dict[str, Primary]) -> str:
    """Migrate a record, ask questions in it with a protocol each, and return their author's token."""
    database = Database(url)
    token = new_secret()
    try:
        database.migrate()
        with database.write() as session:
            author = contributors.create(session, display_name="Cellar mouse", token_hash=hashed(token))
            for slug, primary in questions.items():
                made = asking.add_question(session, author, QuestionDocument.model_validate(question(slug)))
                asking.add_protocol(session, author, made, ProtocolDocument.model_validate(protocol(primary)))
    finally:
        database.dispose()
    return token
