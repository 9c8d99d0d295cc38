from datetime import UTC, datetime, timedelta, timezone

import pytest

from service.record.canonical import canonical_bytes, fingerprint, rfc3339
from service.record.errors import NotCanonical


def test_the_sample_of_the_standard_has_its_published_bytes():
    # RFC 8785 section 3.2.2 (input) and 3.2.4 (bytes).
    sample = {
        "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 0.000000000000000000000000001],
        "string": "\u20ac$\u000f\u000aA'\u0042\u0022\u005c\\\"/",
        "literals": [None, True, False],
    }
    assert canonical_bytes(sample) == bytes.fromhex(
        "7b226c69746572616c73223a5b6e756c6c2c747275652c66616c73655d2c226e756d62657273223a5b3333333333333333332e333333333333"
        "332c31652b33302c342e352c302e3030322c31652d32375d2c22737472696e67223a22e282ac245c75303030665c6e4127425c225c5c5c5c"
        "5c222f227d"
    )


def test_a_fingerprint_is_of_the_meaning_not_of_the_writing():
    assert fingerprint({"a": 1.0, "b": 2}) == fingerprint({"b": 2, "a": 1})
    assert fingerprint({"a": 1}) != fingerprint({"a": "1"})


def test_what_has_no_canonical_form_is_refused_with_a_way_out():
    with pytest.raises(NotCanonical, match="finite numbers"):
        canonical_bytes({"a": float("nan")})


def test_moments_are_written_with_six_digits_in_utc():
    assert rfc3339(datetime(2031, 1, 1, tzinfo=UTC)) == "2031-01-01T00:00:00.000000Z"
    east = timezone(timedelta(hours=2))
    assert rfc3339(datetime(2031, 1, 1, 1, 2, 3, 45, tzinfo=east)) == "2030-12-31T23:02:03.000045Z"
