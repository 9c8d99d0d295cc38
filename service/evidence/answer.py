"""The evidence answer: a function of the record up to one ledger position, and of nothing else."""

from service.evidence import shape
from service.evidence.certainty import certainty
from service.evidence.collect import Collected, collect
from service.evidence.counting import counted
from service.evidence.filters import Filters
from service.evidence.found import look_into
from service.evidence.method import METHOD_VERSION, SOURCES
from service.evidence.next_step import next_step
from service.evidence.said import said
from service.evidence.shape import AsOf, Comparison, EvidenceAnswer, MethodNote, QuestionShown
from service.record.database import Session
from service.record.tables import Question

_DRINKING = "Tasting is drinking: pour small, spit, spread it over days, and don't drive."
_DISTILLING = (
    "Distilling at home is unlawful in many places: follow local law, licences and fire codes. Alcohol vapour burns; a "
    "heated wash gives it off well below boiling."
)


def answer(
    session: Session, question: Question, filters: Filters, position: int, *, public_url: str = ""
) -> EvidenceAnswer:
    """Pool what the record held about a question at a ledger position.

    Parameters
    ----------
    session : Session
        A reading session of the record.
    question : Question
        The question asked.
    filters : Filters
        The comparison, and the part of its replications that is asked about.
    position : int
        The last ledger entry that touches the question, at or before the state asked for.
    public_url : str
        Where the record is served, for the citation.

    Raises
    ------
    ComparisonUnknownError
        The arms named are not two arms of this question.

    """
    return answer_from(collect(session, question, filters, position), public_url=public_url)


def answer_from(collected: Collected, *, public_url: str = "") -> EvidenceAnswer:
    """Pool what was collected."""
    found = look_into(collected)
    counts = counted(collected)
    claim = found.claim
    exploratory = collected.filters.exploratory
    weighed = (
        None if exploratory else certainty(claim, counts, mark_set_late=collected.primary in collected.aims.set_late)
    )
    chosen = "a part of the replications, chosen by the reader: exploratory, so no certainty is given"
    return EvidenceAnswer(
        question=_question(collected),
        protocol_versions=[version.version for version in collected.held.protocols],
        comparison=Comparison(control=collected.control, treatment=collected.treatment),
        comparisons=_comparisons(collected),
        filters=collected.filters.shown(),
        exploratory=exploratory,
        as_of=AsOf(position=collected.position, root_hash=collected.held.root_hash, at=collected.held.at),
        counted=shape.Counted.model_validate(counts),
        answer=said(collected, found),
        certainty=None if weighed is None else weighed.word,
        certainty_reasons=[chosen] if weighed is None else list(weighed.reasons),
        perceivable_difference=found.trials.block,
        preference=None if found.liking is None else found.liking.block,
        descriptors=found.words,
        measured={name: outcome.block for name, outcome in found.measured.items()},
        finished_dry=None if found.dryness is None else found.dryness.block,
        next=next_step(collected, claim),
        cautions=[_DRINKING, *([_DISTILLING] if collected.question.stage == "distil" else [])],
        method=MethodNote(version=METHOD_VERSION, sources=list(SOURCES)),
        cite_as=_citation(collected, public_url),
    )


def _question(collected: Collected) -> QuestionShown:
    question, merged = collected.question, collected.held.merged_into is not None
    status = "merged" if merged else "open" if question.status == "merged" else question.status
    return QuestionShown(
        slug=question.slug, title=question.title, factor=question.factor, stage=question.stage, status=status
    )


def _comparisons(collected: Collected) -> list[Comparison]:
    """List the control against each other arm, then what else the newest protocol or any replication compares."""
    arms = collected.question.arms
    control = next(arm["key"] for arm in arms if arm.get("is_control"))
    usual = [(control, arm["key"]) for arm in arms if arm["key"] != control]
    pairs = dict.fromkeys([*usual, *collected.aims.pairs, *collected.held.reported])
    return [Comparison(control=one, treatment=other) for one, other in pairs]


def _citation(collected: Collected, public_url: str) -> str:
    question, held = collected.question, collected.held
    return (
        f"Manybatch community record: “{question.title}”, pooled evidence at ledger position {held.position} "
        f"({held.at:%Y-%m-%d}, tree head {held.root_hash[:16]}), method version {METHOD_VERSION}. "
        f"{public_url}/v1/questions/{question.slug}/evidence?as_of={held.position}&method_version={METHOD_VERSION}"
    )
