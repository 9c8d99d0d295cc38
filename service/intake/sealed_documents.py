"""What people send to a sealed trial: the owner to open it, the tasters to answer."""

from typing import Annotated

from pydantic import Field, ValidationInfo, field_validator

from service.intake.measures import Strength, Temperature
from service.intake.protocol_documents import Method
from service.intake.quantities import MILLILITRES
from service.intake.strict import Key, Label, Prose, Strict

_MOST_SETS = 2000

Pour = Annotated[float, Field(ge=0.1, le=1000), MILLILITRES]


class TrialOpening(Strict):
    """A blind trial whose key the service is to hold. `control` equal to `treatment` is a sham trial of two vessels."""

    method: Method = Field(description="A 2-AFC or 3-AFC asks for the glass of the treatment, named beforehand.")
    control: Key
    treatment: Key
    presentations: Annotated[int, Field(ge=1, le=500)] = Field(description="Sets for each taster.", examples=[12])
    tasters: Annotated[list[Label], Field(min_length=1, max_length=100)] = Field(
        description="A code for each, never a name.", examples=[["p1", "p2"]]
    )
    pour_ml: Pour | None = Field(default=None, description="In each glass; the protocol's where left out.")
    abv_percent: Strength | None = Field(
        default=None, description="Strength as served, at 20 °C; the protocol's where left out."
    )
    swallowed_fraction: Annotated[float, Field(ge=0, le=1)] = Field(
        default=1.0, description="Share of the pour that is swallowed; below 1 where tasters spit."
    )
    days: Annotated[int, Field(ge=1, le=30)] = Field(default=1, description="Days over which the sets are spread.")
    preference: bool | None = Field(
        default=None,
        description="Whether each set also asks which glass is liked better; left out, as the protocol has it.",
    )
    descriptors: Annotated[list[Label], Field(max_length=40)] | None = Field(
        default=None, description="Words to tick for each glass; the protocol's where left out."
    )
    serving_c: Temperature | None = None
    appearance_masked: bool | None = Field(default=None, description="Whether colour and haze are hidden.")

    @field_validator("tasters")
    @classmethod
    def _each_taster_once(cls, tasters: list[str], info: ValidationInfo) -> list[str]:
        if len(set(tasters)) < len(tasters):
            raise ValueError("a taster stands twice; give each a code of their own")
        if info.data.get("presentations", 1) * len(tasters) > _MOST_SETS:
            raise ValueError(f"a trial has at most {_MOST_SETS} sets over all tasters; open one for each session")
        return tasters

    @field_validator("descriptors")
    @classmethod
    def _each_word_once(cls, descriptors: list[str] | None) -> list[str] | None:
        if descriptors is not None and len(set(descriptors)) < len(descriptors):
            raise ValueError("a word stands twice; name each once")
        return descriptors

    @property
    def is_sham(self) -> bool:
        """Whether both vessels are of one arm."""
        return self.control == self.treatment


Code = Annotated[str, Field(min_length=1, max_length=20, examples=["345"])]


class TasterAnswer(Strict):
    """One taster's answer to one set, for good: it can't be taken back or changed."""

    presentation: Annotated[int, Field(ge=1, le=1_000_000)] = Field(description="The present one.", examples=[1])
    chosen_codes: Annotated[list[Code], Field(min_length=1, max_length=4)] = Field(
        description="As many codes as the set asks for, in any order."
    )
    confidence: Annotated[float, Field(ge=0, le=100)] | Label | None = Field(
        default=None, description="A number from 0 to 100, or a word such as `guess`.", examples=[50]
    )
    notes: Annotated[Prose, Field(max_length=2000)] | None = Field(
        default=None, description="Shown with the answers once the key is."
    )
    descriptors: Annotated[dict[Code, Annotated[list[Label], Field(max_length=40)]], Field(max_length=4)] | None = (
        Field(
            default=None,
            description="For each glass, by its code, the words that fit it; a glass left out fits none.",
            examples=[{"345": ["fruity"]}],
        )
    )
    preferred_code: Code | None = Field(
        default=None, description="The glass liked best, where that is asked; null for no preference."
    )
