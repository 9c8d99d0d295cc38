"""How the calculators' inputs are written: each with what it is, its unit, its range and a usual value.

The range is documented here and held by the science, which says it together with its reason, for columns too.
"""

from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Field, GetJsonSchemaHandler, model_validator
from pydantic_core import CoreSchema

from service.intake.strict import Strict

MethodName = Literal["triangle", "duo_trio", "two_afc", "three_afc", "tetrad"]

METHODS_EXPLAINED = (
    "How the glasses were presented. triangle: three glasses, two alike, find the odd one. duo_trio: a reference and "
    "two glasses, find the one like the reference. two_afc: two glasses, find the one with more of a named quality. "
    "three_afc: three glasses, two alike, find the one with more of it. tetrad: four glasses, sort them into two "
    "pairs."
)


def number(description: str, low: float, high: float, example: float, *, held_here: bool = False) -> Any:  # noqa: ANN401  as pydantic's Field
    """Describe a number with its closed range and a usual value; `held_here` where the science may not look at it."""
    documented: dict[str, Any] = {"json_schema_extra": {"minimum": low, "maximum": high}}
    bounds: dict[str, Any] = {"ge": low, "le": high} if held_here else {}
    return Field(description=description, examples=[example], **documented, **bounds)


class OneOf(Strict):
    """Inputs of which exactly one of some, named in `one_of`, is given."""

    one_of: ClassVar[tuple[str, ...]]

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        given = [name for name in self.one_of if getattr(self, name) is not None]
        if len(given) == 1:
            return self
        found = f"{', '.join(given)} were given" if given else "none was given"
        raise ValueError(f"give exactly one of {', '.join(self.one_of)}; {found}")

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """Say so in the schema too."""
        found = handler(schema)
        handler.resolve_ref_schema(found)["oneOf"] = [{"required": [name]} for name in cls.one_of]
        return found


Method = Annotated[MethodName, Field(description=METHODS_EXPLAINED, examples=["triangle"])]

Confidence = Annotated[
    float, number("Coverage of the intervals, as a share; 0.95 is customary.", 0.5, 0.9999, 0.95)
]  # fmt: skip
Presented = Annotated[int, number("Presentations served and answered.", 1, 1_000_000, 12)]
Correct = Annotated[int, number("How many of them were answered rightly.", 0, 1_000_000, 8)]
Significance = Annotated[
    float, number("Largest chance of a false alarm that is put up with; 0.05 is customary.", 0.0001, 0.5, 0.05)
]  # fmt: skip
