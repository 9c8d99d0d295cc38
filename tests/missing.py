"""What a test needs and this machine doesn't have."""

from typing import ClassVar


class Missing(Exception):  # noqa: N818  # a reason to skip, not a fault
    """Something isn't here; the message says what was looked for."""

    what: ClassVar[str]
    """Its name in MANYBATCH_TESTS_REQUIRE."""
