"""Which words fit which arm: pairs of glasses, added up over replications."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.evidence.aims import DESCRIPTORS
from service.evidence.beside_blocks import Descriptor
from service.evidence.blocks import Estimate
from service.evidence.collect import Collected
from service.evidence.compared import Compared
from service.evidence.listed_rows import details_of
from service.evidence.wording import households
from service.record.words import Codes, Words
from service.science.descriptors import DescriptorComparison, DescriptorCounts, compare_descriptors
from service.science.plain_words import counted

IntArray = npt.NDArray[np.int64]

_MOST = 60
_SHOWN = 0.05
_COUNTS = ("both", "only_control", "only_treatment", "neither")


@dataclass(frozen=True, slots=True)
class _Word:
    """One word's counts: in all, and for each household that was asked about it."""

    term: str
    by_household: IntArray

    @property
    def counts(self) -> list[int]:
        return [int(each) for each in self.by_household.sum(axis=0)]

    @property
    def households(self) -> int:
        return len(self.by_household)

    def leaning(self, side: int, other: int) -> int:
        return int((self.by_household[:, side] > self.by_household[:, other]).sum())


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


def _words(rows: Compared) -> list[_Word]:
    told = [details.get("terms") or () for details in details_of(rows)]
    each = [said for terms in told for said in terms]
    counts = np.array([[said.get(name) or 0 for said in each] for name in _COUNTS], dtype=np.int64).T.reshape(-1, 4)
    row = np.repeat(np.arange(len(told)), [len(terms) for terms in told])
    # What was told of the arms the other way round is turned with them.
    counts[rows.is_turned[row]] = counts[rows.is_turned[row]][:, [0, 2, 1, 3]]
    asked = counts.sum(axis=1) > 0
    terms = [str(said["term"]).strip() for said, there in zip(each, asked.tolist(), strict=True) if there]
    words = Words()
    word = words.codes([term.casefold() for term in terms])
    counts, household = counts[asked], rows.household[row[asked]]
    _, heads = np.unique(word, return_index=True)
    return [
        _Word(terms[head], _by_household(household[word == place], counts[word == place]))
        for place, head in enumerate(heads.tolist())
    ]


def _by_household(household: Codes, counts: IntArray) -> IntArray:
    """Add up counts by household."""
    _, place = np.unique(household, return_inverse=True)
    columns = [np.bincount(place.ravel(), column) for column in counts.T]
    return np.stack(columns, axis=1).astype(np.int64)


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
        households=word.households,
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
    who = f"{counted(leaning)} of {households(word.households)}"
    return f"“{word.term}” fitted the {more} more often than the {less}, in {who}; {caveat}."
