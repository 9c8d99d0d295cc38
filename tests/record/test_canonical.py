import struct
from datetime import UTC, datetime, timedelta, timezone

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

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


_LEAVES = (
    st.none()
    | st.booleans()
    | st.integers(-(2**60), 2**60)
    | st.floats()
    | st.floats(1e-7, 1e-3)
    | st.floats(1e15, 1e23)
    | st.text(st.characters(codec=None, categories=None))
    | st.sampled_from(
        [-0.0, 1e-4, 9.999e-5, 2.0**53 - 1, 2.0**53, 1e16, 123456789012345680000.0, 1e21, "\x7f\u2028\U0001f37a"]
    )
)


@given(
    st.dictionaries(
        st.text(st.characters(codec="utf-8"), max_size=4) | st.sampled_from(["\U0001f37a", "\ufb33"]),
        st.recursive(_LEAVES, lambda inner: st.lists(inner) | st.dictionaries(st.text(max_size=3), inner)),
    )
)
def test_the_fast_way_writes_the_bytes_of_the_other_implementation_or_refuses_as_it_does(content):
    try:
        expected = rfc8785.dumps(content)
    except (rfc8785.CanonicalizationError, UnicodeEncodeError):
        expected = None
    try:
        written = canonical_bytes(content)
    except NotCanonical:
        written = None
    assert written == expected


@pytest.mark.parametrize(
    ("bits", "written"),
    # RFC 8785, appendix B.
    [
        (0x0000000000000000, "0"),
        (0x8000000000000000, "0"),
        (0x0000000000000001, "5e-324"),
        (0x7FEFFFFFFFFFFFFF, "1.7976931348623157e+308"),
        (0x4340000000000000, "9007199254740992"),
        (0xC340000000000000, "-9007199254740992"),
        (0x4430000000000000, "295147905179352830000"),
        (0x44B52D02C7E14AF5, "9.999999999999997e+22"),
        (0x44B52D02C7E14AF6, "1e+23"),
        (0x444B1AE4D6E2EF4E, "999999999999999700000"),
        (0x444B1AE4D6E2EF50, "1e+21"),
        (0x3EB0C6F7A0B5ED8C, "9.999999999999997e-7"),
        (0x3EB0C6F7A0B5ED8D, "0.000001"),
        (0x41B3DE4355555553, "333333333.3333332"),
        (0x41B3DE4355555557, "333333333.33333343"),
        (0xBECBF647612F3696, "-0.0000033333333333333333"),
        (0x43143FF3C1CB0959, "1424953923781206.2"),
    ],
)
def test_numbers_are_written_as_the_standard_lists_them(bits, written):
    number = struct.unpack(">d", bits.to_bytes(8, "big"))[0]
    assert canonical_bytes({"n": number}) == f'{{"n":{written}}}'.encode()


def test_moments_are_written_with_six_digits_in_utc():
    assert rfc3339(datetime(2031, 1, 1, tzinfo=UTC)) == "2031-01-01T00:00:00.000000Z"
    east = timezone(timedelta(hours=2))
    assert rfc3339(datetime(2031, 1, 1, 1, 2, 3, 45, tzinfo=east)) == "2030-12-31T23:02:03.000045Z"
