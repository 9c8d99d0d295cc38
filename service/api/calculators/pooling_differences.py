from typing import Annotated

from pydantic import Field

from service.api.calculators.difference_results import PooledDifferencesResult
from service.api.calculators.fields import Confidence, number
from service.api.calculators.pooling_trials import MOST_STUDIES, Household, StudyLabel
from service.api.calculators.registry import Calculator
from service.intake.strict import Label, Strict
from service.science.pooling import differences
from service.science.pooling.difference_results import Estimator, IntervalName

_LARGEST = 1e12
_SMALLEST = 1e-12
"""Of a standard error: households a million million times apart in weight are a slip of the pen."""


class DifferenceInputs(Strict):
    """One household's measured difference."""

    label: StudyLabel
    household: Household = None
    difference: Annotated[
        float,
        number("Treatment less control, in any unit, all rows alike.", -_LARGEST, _LARGEST, -0.004, held_here=True),
    ]
    standard_error: Annotated[
        float | None,
        number(
            "Standard error of that difference from reading alone, in its unit.",
            _SMALLEST,
            _LARGEST,
            0.0014,
            held_here=True,
        ),
    ] = None
    moderator: Annotated[
        float | None,
        number("A condition as a number, such as the pitching temperature.", -_LARGEST, _LARGEST, 24.0, held_here=True),
    ] = None
    group: Annotated[
        Label | None, Field(description="A condition as a name, shared with other households.", examples=["pot still"])
    ] = None


class PooledDifferencesInputs(Strict):
    """Differences of many households, in order of receipt."""

    studies: Annotated[
        list[DifferenceInputs],
        Field(max_length=MOST_STUDIES, description="In order of receipt; none is an answer too."),
    ]
    estimator: Annotated[
        Estimator | None,
        Field(
            description="How they are pooled. household_mean: each household counts alike; the usual choice without "
            "standard errors. reml, paule_mandel, dersimonian_laird, maximum_likelihood: weighted by standard errors "
            "and by how much households differ; reml is the usual choice with them. common: as if all households had "
            "one true difference.",
            examples=["reml"],
        ),
    ] = None
    interval: Annotated[
        IntervalName | None,
        Field(
            description="How the range is made: hartung_knapp_modified is the usual choice, student goes with "
            "household_mean.",
            examples=["hartung_knapp_modified"],
        ),
    ] = None
    confidence: Confidence = 0.95
    smallest_difference_that_matters: Annotated[
        float | None,
        number(
            "Smallest difference that matters, chosen beforehand: gives the verdict.",
            0.0,
            _LARGEST,
            0.002,
            held_here=True,
        ),
    ] = None


def _pool(inputs: PooledDifferencesInputs) -> object:
    studies = [
        differences.DifferenceStudy(
            each.label, each.difference, each.household, each.standard_error, each.moderator, each.group
        )
        for each in inputs.studies
    ]
    return differences.pool_differences(
        studies,
        inputs.estimator,
        inputs.interval,
        inputs.confidence,
        inputs.smallest_difference_that_matters,
    )


POOLING_DIFFERENCES_CALCULATORS = (
    Calculator(
        name="pooling/differences",
        title="Measured differences of many households as one answer",
        summary="Each kitchen measured the same thing in both batches, and has one difference: final gravity, days, "
        "yield. Give them and get the mean, how sure it is, how much kitchens differ, what the next kitchen should "
        "expect, and whether a single kitchen decides.",
        inputs=PooledDifferencesInputs,
        result=PooledDifferencesResult,
        compute=_pool,
        method="Each household is one number. Student's t on households, or a random-effects mean (REML and others) "
        "with the Hartung-Knapp interval, its factor floored at 1; any-time t interval; prediction interval; "
        "heterogeneity by Cochran's Q.",
        sources=(
            "Student 1908, Biometrika 6:1",
            "Viechtbauer 2005, J. Educ. Behav. Stat. 30:261 (REML and the other estimators)",
            "Knapp & Hartung 2003, Stat. Med. 22:2693 (the interval, moderators, subgroups)",
            "Higgins, Thompson & Spiegelhalter 2009, J. R. Stat. Soc. A 172:137 (the next household)",
            "Cochran 1954, Biometrics 10:101 (Q); Egger, Davey Smith, Schneider & Minder 1997, BMJ 315:629 (small "
            "studies)",
            "Lai 1976, Ann. Stat. 4:265; Pérez-Ortiz, Lardy, de Heide & Grünwald 2024, Ann. Stat. (any-time t)",
        ),
        example={
            "studies": [
                {"label": "north kitchen", "difference": -0.004, "standard_error": 0.0014},
                {"label": "river kitchen", "difference": -0.002, "standard_error": 0.0014},
                {"label": "hill kitchen", "difference": -0.007, "standard_error": 0.0014},
                {"label": "mill kitchen", "difference": 0.001, "standard_error": 0.0014},
            ],
            "smallest_difference_that_matters": 0.002,
        },
        heavy=True,
    ),
)
