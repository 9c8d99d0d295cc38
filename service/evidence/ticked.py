"""Which words fit which arm: pairs of glasses, added up over replications."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from service.evidence.aims import DESCRIPTORS
from service.evidence.beside_blocks import Descriptor
from service.evidence.blocks import Estimate
from service.evidence.collect import Collected
from service.evidence.wording import households
from service.record.rows import RecordedObservation
from service.science.descriptors import DescriptorComparison, DescriptorCounts, compare_descriptors
from service.science.plain_words import counted

_MOST = 60
_SHOWN = 0.05
_COUNTS = ("both", "only_control", "only_treatment", "neither")


@dataclass(slots=True)
class _Word:
    """One word's counts by household."""

    term: str
    by_household: dict[object, list[int]] = field(default_factory=dict)

    @property
    def counts(self) -> list[int]:
        return [sum(column) for column in zip(*self.by_household.values(), strict=True)]

    def leaning(self, side: int, other: int) -> int:
        return sum(counts[side] > counts[other] for counts in self.by_household.values())


def ticked(collected: Collected) -> list[Descriptor]:
    """Compare each word between the arms, those of the protocol first."""
    rows = collected.of(DESCRIPTORS).inside_the_test
    words = _chosen(_words(rows), collected.aims.terms)
    if not words:
        return []
    counts = [DescriptorCounts(word.term, *_as_treatment_first(word.counts)) for word in words]
    return [_shown(word, found) for word, found in zip(words, compare_descriptors(counts).terms, strict=True)]


def _as_treatment_first(counts: Sequence[int]) -> tuple[int, int, int, int]:
    both, only_control, only_treatment, neither = counts
    return both, only_treatment, only_control, neither


def _words(rows: Iterable[RecordedObservation]) -> list[_Word]:
    words: dict[str, _Word] = {}
    for row in rows:
        for said in row.details.get("terms") or ():
            counts = [int(said.get(name) or 0) for name in _COUNTS]
            if not sum(counts):
                continue
            word = words.setdefault(str(said["term"]).strip().casefold(), _Word(str(said["term"]).strip()))
            own = word.by_household.setdefault(row.household_id, [0, 0, 0, 0])
            word.by_household[row.household_id] = [a + b for a, b in zip(own, counts, strict=True)]
    return list(words.values())


def _chosen(words: Sequence[_Word], asked: Sequence[str]) -> list[_Word]:
    """Choose which words to compare, not by which arm they fit: what was asked about, then the frequent."""
    places = {term.strip().casefold(): place for place, term in enumerate(asked)}
    ordered = sorted(
        words, key=lambda word: (places.get(word.term.casefold(), len(places)), -sum(word.counts), word.term.casefold())
    )
    return ordered[:_MOST]


def _shown(word: _Word, found: DescriptorComparison) -> Descriptor:
    both, only_control, only_treatment, neither = word.counts
    return Descriptor(
        term=word.term,
        households=len(word.by_household),
        pairs=found.pairs,
        both=both,
        only_control=only_control,
        only_treatment=only_treatment,
        neither=neither,
        p_value=found.p_value,
        adjusted_p_value=found.adjusted_p_value,
        difference=Estimate.model_validate(found.difference),
        households_more_control=word.leaning(1, 2),
        households_more_treatment=word.leaning(2, 1),
        reading=_reading(word, found),
    )


def _reading(word: _Word, found: DescriptorComparison) -> str:
    caveat = "pairs of one household are not independent, so that this is a lead to follow and no verdict"
    if found.adjusted_p_value > _SHOWN:
        return f"“{word.term}” was not shown to fit one arm more often, nor shown to fit both alike; {caveat}."
    more, less = ("treatment", "control") if float(found.difference.estimate) > 0.0 else ("control", "treatment")
    leaning = word.leaning(2, 1) if more == "treatment" else word.leaning(1, 2)
    who = f"{counted(leaning)} of {households(len(word.by_household))}"
    return f"“{word.term}” fitted the {more} more often than the {less}, in {who}; {caveat}."
