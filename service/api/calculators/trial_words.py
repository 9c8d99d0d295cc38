from typing import Annotated

from pydantic import Field

from service.api.calculators.fields import Confidence, number
from service.api.calculators.registry import Calculator
from service.api.calculators.results import Result
from service.api.calculators.sources import BINOMIAL, CLOPPER_PEARSON
from service.evidence.blocks import Estimate
from service.intake.strict import Label, Strict
from service.science.descriptors import DescriptorCounts, compare_descriptors, descriptors_reading
from service.science.preference import preference, preference_reading

_MOST = 1_000_000


class PreferenceInputs(Strict):
    """How often each of two drinks was preferred, blind."""

    presented: Annotated[int, number("Answers given, those without a preference among them.", 1, _MOST, 12)]
    preferred_a: Annotated[int, number("How many of them preferred the first drink.", 0, _MOST, 8)]
    no_preference: Annotated[
        int, number("How many of them had no preference; they stand outside the test.", 0, _MOST, 0)
    ] = 0
    confidence: Confidence = 0.95


class PreferenceResult(Result):
    """Which way the answers lean."""

    preferred_b: int = Field(description="What is left: answers that preferred the second drink.")
    p_value: float = Field(description="Chance that a toss of a coin splits at least this unevenly, either way.")
    share_preferring_a: Estimate = Field(description="Of the answers with a preference.")
    reading: str


class DescriptorTerm(Strict):
    """How often one word was ticked in pairs of glasses, one of each drink."""

    term: Annotated[Label, Field(description="The word as it stood on the sheet.", examples=["fruity"])]
    both: Annotated[int, number("Pairs in which it was ticked for both drinks.", 0, _MOST, 3)]
    only_a: Annotated[int, number("Pairs in which it was ticked for the first alone.", 0, _MOST, 7)]
    only_b: Annotated[int, number("Pairs in which it was ticked for the second alone.", 0, _MOST, 1)]
    neither: Annotated[int, number("Pairs in which it was ticked for neither.", 0, _MOST, 4)]


class DescriptorsInputs(Strict):
    """A sheet of words, each with its counts."""

    terms: Annotated[
        list[DescriptorTerm],
        Field(
            min_length=1, max_length=200, description="Every word that stood on the sheet, also those nobody ticked."
        ),
    ]
    confidence: Confidence = 0.95


class DescriptorResult(Result):
    """One word between the two drinks."""

    term: str
    pairs: int
    p_value: float = Field(description="Exact McNemar test of this word alone.")
    adjusted_p_value: float = Field(description="The same, allowing for how many words were tested (Holm).")
    difference: Estimate = Field(description="Share ticking it for the first, less that for the second.")


class DescriptorsResult(Result):
    """Every word, in the order given."""

    terms: list[DescriptorResult]
    reading: str


WORD_CALCULATORS = (
    Calculator(
        name="trial/preference",
        title="Which of two drinks is preferred",
        summary="Count how often each of two drinks was preferred when tasted blind. This says whether the answers "
        "lean one way more than the toss of a coin would, and how many people like these might share the preference. "
        "Ask it only where the two can be told apart at all.",
        inputs=PreferenceInputs,
        result=PreferenceResult,
        compute=lambda i: preference(i.presented, i.preferred_a, i.no_preference, i.confidence),
        reading=lambda _, result: preference_reading(result),
        method="Two-sided exact binomial test at one half, over the answers with a preference; Clopper-Pearson "
        "interval.",
        sources=(BINOMIAL, CLOPPER_PEARSON),
        example={"presented": 12, "preferred_a": 8, "no_preference": 1},
    ),
    Calculator(
        name="trial/descriptors",
        title="Which words fit one drink more than the other",
        summary="Tasters ticked words (fruity, sharp, hot ...) for each of two drinks, poured as blind pairs. For "
        "every word this says whether it was ticked more often for one of the two, allowing for how many words were "
        "tried: with twenty words, one will look different by luck alone.",
        inputs=DescriptorsInputs,
        result=DescriptorsResult,
        compute=lambda i: compare_descriptors(
            [DescriptorCounts(each.term, each.both, each.only_a, each.only_b, each.neither) for each in i.terms],
            i.confidence,
        ),
        reading=lambda _, result: descriptors_reading(result),
        method="Exact McNemar test on the pairs that differ; Holm's adjustment over all words; Tango's score interval "
        "of the paired difference.",
        sources=(
            "McNemar 1947, Psychometrika 12:153 (exact binomial form)",
            "Holm 1979, Scand. J. Stat. 6:65",
            "Tango 1998, Stat. Med. 17:891",
        ),
        example={
            "terms": [
                {"term": "fruity", "both": 3, "only_a": 9, "only_b": 1, "neither": 5},
                {"term": "sharp", "both": 6, "only_a": 2, "only_b": 3, "neither": 7},
            ]
        },
    ),
)
