"""Path parameters that several routes share."""

from typing import Annotated

from fastapi import Path, Query

Slug = Annotated[str, Path(pattern=r"^[a-z0-9][a-z0-9_-]{0,63}$", description="The question's name in addresses.")]
Version = Annotated[int, Path(ge=1, le=100_000, description="A protocol's version.")]
SearchWords = Annotated[
    str | None, Query(max_length=200, pattern=r"^[^\x00]*$", description="Words that must all occur.")
]
