from typing import Protocol
from uuid import UUID

from sqlalchemy import bindparam, select, update
from sqlalchemy.orm import Session
from sqlmodel import col

from service.record import ledger
from service.record.clock import now
from service.record.errors import Conflict, NotFound
from service.record.tables import Contributor, Household, Replication, table_of


class Known(Protocol):
    """Whoever is known by the identifier of a contributor."""

    @property
    def id(self) -> UUID:
        """The contributor's."""
        ...


# Made once: every write runs these.
_PEOPLE = table_of(Contributor)
_WRITING = (
    select(_PEOPLE.c.household_id, _PEOPLE.c.erased_at, _PEOPLE.c.token_hash)
    .where(_PEOPLE.c.id == bindparam("contributor_id"))
    .with_for_update(read=True, key_share=True)
)
_HELD = "writing_for"
_BY_TOKEN = select(Contributor).where(col(Contributor.token_hash) == bindparam("token_hash"))


def create(session: Session, *, display_name: str, token_hash: str | None, steward: bool = False) -> Contributor:
    """Add a contributor in a household of their own; `token_hash` is the hex SHA-256 of their token."""
    moment = now(session)
    household = Household(created_at=moment)
    session.add(household)
    session.flush()
    contributor = Contributor(
        display_name=display_name,
        household_id=household.id,
        token_hash=token_hash,
        is_steward=steward,
        created_at=moment,
    )
    session.add(contributor)
    session.flush()
    return contributor


def get(session: Session, contributor_id: UUID) -> Contributor:
    """Return a contributor, erased ones too; raise NotFound for none."""
    contributor = session.get(Contributor, contributor_id)
    if contributor is None:
        raise NotFound("There is no such contributor.")
    return contributor


def by_token_hash(session: Session, token_hash: str) -> Contributor | None:
    """Return whose token has this hash; None for a token that was replaced, revoked or never given."""
    return session.execute(_BY_TOKEN, {"token_hash": token_hash}).scalar_one_or_none()


def has_token_hash(session: Session, contributor_id: UUID, token_hash: str) -> bool:
    """Say whether a contributor's token still has this hash; if so, what `refuse_erased` keeps is kept from here on."""
    found = session.connection().execute(_WRITING, {"contributor_id": contributor_id}).one_or_none()
    if found is None or found.erased_at is not None or found.token_hash != token_hash:
        return False
    session.info[_HELD] = (contributor_id, found.household_id)
    return True


def set_token_hash(session: Session, contributor: Contributor, token_hash: str | None) -> Contributor:
    """Replace a contributor's token, or revoke it (None)."""
    contributor = locked(session, contributor)
    contributor.token_hash = token_hash
    session.flush()
    return contributor


def new_join_code(session: Session, household_id: UUID, code_hash: str) -> None:
    """Let whoever has the code join the household; the code before it stops working."""
    session.execute(update(Household).where(col(Household.id) == household_id).values(join_code_hash=code_hash))


def join_household(session: Session, contributor: Contributor, code_hash: str) -> Contributor:
    """Move a contributor to the household of a join code; what they did before stays with the one before.

    Raises
    ------
    NotFound
        The code is nobody's.

    """
    household_id = session.execute(
        select(col(Household.id)).where(col(Household.join_code_hash) == code_hash)
    ).scalar_one_or_none()
    if household_id is None:
        raise NotFound("No household has this join code: ask for a new one.")
    contributor = locked(session, contributor)
    contributor.household_id = household_id
    session.flush()
    return contributor


def vouch(session: Session, *, contributor: Contributor, steward: Contributor, reason: str = "") -> Contributor:
    """Write down a steward's word for a contributor.

    Every question in which the contributor has a replication gets an entry, because its evidence is touched.

    Raises
    ------
    Conflict
        They are vouched for already, or erased.

    """
    contributor = locked(session, contributor)
    if contributor.erased_at is not None:
        raise Conflict("This contributor was erased.")
    if contributor.vouched_position is not None:
        raise Conflict("This contributor is vouched for already.")
    content = {"contributor": str(contributor.id), "steward": str(steward.id), "reason": reason}
    touched: list[UUID | None] = []
    while True:
        # Read again after an append, when nothing can be merged any more: a question may have been while we waited.
        missing: list[UUID | None] = [each for each in questions_of(session, contributor.id) if each not in touched]
        if touched and not missing:
            break
        for question_id in missing or [None]:
            entry = ledger.append(
                session, kind="vouch", subject=str(contributor.id), content=content, question_id=question_id
            )
            touched.append(question_id)
            contributor.vouched_position = contributor.vouched_position or entry.position
    session.flush()
    return contributor


def questions_of(session: Session, contributor_id: UUID) -> list[UUID]:
    """Return the questions in whose answers a contributor's replications stand."""
    query = (
        select(col(Replication.counted_in_id))
        .where(col(Replication.contributor_id) == contributor_id)
        .distinct()
        .order_by(col(Replication.counted_in_id))
    )
    return list(session.execute(query).scalars())


def refuse_erased(session: Session, contributor_id: UUID) -> UUID:
    """Refuse to write anything more for somebody who was erased, and keep them from being until the transaction ends.

    Before any ledger append: an erasure takes the contributor first too. Returns the household they are in now.

    Raises
    ------
    Conflict
        They were erased, perhaps while this was on its way.

    """
    held_id, household_id = session.info.get(_HELD, (None, None))
    if held_id != contributor_id:
        found = session.connection().execute(_WRITING, {"contributor_id": contributor_id}).one()
        if found.erased_at is not None:
            raise Conflict("This contributor was erased: nothing more is written for them.")
        household_id = found.household_id
    held: UUID = household_id
    return held


def locked(session: Session, contributor: Contributor, *, alone: bool = False) -> Contributor:
    """Read a contributor again, and keep others from changing it until the transaction ends.

    With `alone` nobody may write anything for them meanwhile either.
    """
    return session.execute(
        select(Contributor)
        .where(col(Contributor.id) == contributor.id)
        .with_for_update(key_share=not alone)
        .execution_options(populate_existing=True)
    ).scalar_one()
