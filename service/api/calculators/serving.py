import secrets
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from service.api.calculators.cautions import DRINKING
from service.api.calculators.fields import Method, number
from service.api.calculators.registry import Calculator
from service.api.calculators.results import Result
from service.api.calculators.tasting import AlcoholLoadResult
from service.intake.quantities import MILLILITRES, STRENGTH
from service.intake.strict import Label, Strict
from service.science.drinking import AlcoholLoad, alcohol_load
from service.science.errors import InputError
from service.science.keyed_stream import SEED_BYTES, seed_from
from service.science.serving import Balance, Presentation, serving_plan
from service.science.trial_methods import METHODS


def _seed_as_hex(value: object) -> object:
    """Take a whole number or 64 hexadecimal digits, and understand both as the digits."""
    try:
        return seed_from(value).hex() if isinstance(value, (int, str)) else value
    except InputError as error:
        raise ValueError(error.detail) from None


Seed = Annotated[
    str,
    BeforeValidator(_seed_as_hex),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "string", "pattern": "^[0-9a-fA-F]{64}$"},
                {"type": "integer", "minimum": 0, "maximum": 2**256 - 1},
            ]
        }
    ),
]


class ServingPlanInputs(Strict):
    """Who tastes what, and how it is presented."""

    method: Method
    presentations: Annotated[int, number("Presentations for each taster; at most 10 000 in all.", 1, 1000, 12)]
    arms: Annotated[
        list[Label],
        Field(
            min_length=2,
            max_length=2,
            description="What the two batches are of. The same name twice is a sham trial of two vessels of one arm.",
            examples=[["control", "treatment"]],
        ),
    ]
    tasters: Annotated[int, number("How many people taste.", 1, 200, 1)] = 1
    seed: Annotated[
        Seed | None,
        Field(
            description="256 secret bits that the whole plan is drawn from, as 64 hexadecimal digits or a whole "
            "number. Left out, they are drawn here; keep what comes back to draw the same plan again."
        ),
    ] = None
    expected_stronger: Annotated[
        Literal["a", "b"],
        Field(description="For two_afc and three_afc: which of the two arms should have more of what is asked for."),
    ] = "b"
    pour_ml: Annotated[
        float | None,
        number("Poured into each glass, in mL: for the alcohol count.", 0.1, 1000.0, 15, held_here=True),
        MILLILITRES,
    ] = None
    abv_percent: Annotated[
        float | None,
        number("Strength as served, % vol: for the alcohol count.", 0.0, 100.0, 20, held_here=True),
        STRENGTH,
    ] = None


class PouredGlass(Result):
    """One coded glass, from left to right."""

    code: str = Field(description="What stands on the glass.")
    arm: str = Field(description="What is in it: the helper's secret.")
    letter: str = Field(description="Which of the two batches, A or B; tells them apart in a sham trial too.")
    is_reference: bool = Field(description="The glass that a duo-trio compares with.")


class Served(Result):
    """One set of glasses."""

    presentation: int = Field(description="Counted from 1.")
    order: str = Field(description="The batches from left to right.")
    glasses: list[PouredGlass]
    odd_one: str | None = Field(description="Code of the one glass unlike the other two; null where there is none.")
    right_choices: list[list[str]] = Field(description="Each answer that is right, as codes.")


class TasterSheet(Result):
    """What one taster is served."""

    taster: int = Field(description="Counted from 1.")
    presentations: list[Served]


class Realised(Result):
    """How the draw fell out; it is never drawn again to look better."""

    orders: dict[str, int] = Field(description="How often each order is served.")
    letters_at_position: dict[str, list[int]] = Field(description="How often each batch stands at each place.")


class ServingPlanResult(Result):
    """The key of a whole trial: secret until the last answer."""

    seed: str = Field(description="64 hexadecimal digits: the same seed and inputs draw the same plan for ever.")
    sham: bool
    order_draw: str = Field(description="each_afresh for one taster, blocks across several.")
    tasters: list[TasterSheet]
    balance: Realised
    alcohol_load: AlcoholLoadResult | None = Field(
        description="For each taster; null unless pour and strength are given."
    )


_AT_ONCE = 50
"""Presentations that are drawn in a millisecond or two."""


@dataclass(frozen=True, slots=True)
class _Set:
    presentation: int
    order: str
    glasses: object
    odd_one: str | None
    right_choices: object


@dataclass(frozen=True, slots=True)
class _Sheet:
    taster: int
    presentations: list[_Set]


@dataclass(frozen=True, slots=True)
class _Plan:
    seed: str
    sham: bool
    order_draw: str
    tasters: list[_Sheet]
    balance: Balance
    alcohol_load: AlcoholLoad | None


def _with_seed(inputs: ServingPlanInputs) -> ServingPlanInputs:
    return inputs if inputs.seed is not None else inputs.model_copy(update={"seed": secrets.token_hex(SEED_BYTES)})


def _serve(inputs: ServingPlanInputs) -> _Plan:
    seed = inputs.seed or secrets.token_hex(SEED_BYTES)
    first, second = inputs.arms
    drawn = serving_plan(
        inputs.method,
        inputs.presentations,
        (first, second),
        seed_from(seed),
        tasters=inputs.tasters,
        expected_stronger=inputs.expected_stronger,
    )
    sheets = [_Sheet(sheet.taster, [_set(each) for each in sheet.presentations]) for sheet in drawn.tasters]
    return _Plan(seed, drawn.sham, drawn.order_draw, sheets, drawn.balance, _load(inputs))


def _set(presentation: Presentation) -> _Set:
    letters = presentation.order
    odd = [glass.code for glass in presentation.glasses if len(letters) == 3 and letters.count(glass.letter) == 1]
    return _Set(presentation.number, letters, presentation.glasses, odd[0] if odd else None, presentation.right_choices)


def _load(inputs: ServingPlanInputs) -> AlcoholLoad | None:
    if inputs.pour_ml is None or inputs.abv_percent is None:
        return None
    glasses = METHODS[inputs.method].glasses_per_presentation
    return alcohol_load(inputs.presentations, glasses, inputs.pour_ml, inputs.abv_percent)


SERVING_CALCULATORS = (
    Calculator(
        name="tasting/serving-plan",
        title="Who gets which glass under which code",
        summary="Draws the order of the glasses and a three-digit code for each, so that whoever tastes can't know "
        "what is where. Give the result to the helper who pours, and to nobody who tastes. The seed draws the same "
        "plan again; whoever knows it knows the key.",
        inputs=ServingPlanInputs,
        result=ServingPlanResult,
        compute=_serve,
        complete=_with_seed,
        method="Keyed stream (HMAC-SHA-256) from a 256-bit seed. One taster: each order drawn afresh. Several: blocks "
        "of all orders across tasters. Codes of three digits, dealt without replacement.",
        sources=(
            "ISO 4120:2021, 5.5 and 7.1 (codes, orders of the triangle)",
            "ISO 10399:2004 (orders of the duo-trio)",
            "RFC 2104, FIPS 198-1 (HMAC)",
        ),
        example={
            "method": "triangle",
            "presentations": 6,
            "arms": ["control", "treatment"],
            "seed": "5eed" * 16,
            "pour_ml": 15,
            "abv_percent": 20,
        },
        cautions=(DRINKING,),
        heavy=lambda inputs: inputs.presentations * inputs.tasters > _AT_ONCE,
    ),
)
