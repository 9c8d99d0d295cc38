import numpy as np
import pytest

from service.science.checks import number, only_one, refuse_where, same_length
from service.science.errors import InputError


@pytest.mark.parametrize("value", [2, 2.0, np.float64(2.0), np.array(2.0)])
def test_one_number_comes_back_as_a_python_float(value):
    assert type(number("x", value, 0.0, 3.0, "a test")) is float


@pytest.mark.parametrize("value", [[1, 2], (1.0, 2.0), np.array([1, 2])])
def test_several_come_back_as_an_array_of_floats(value):
    array = number("x", value, 0.0, 3.0, "a test")
    assert array.dtype == np.float64
    assert array.tolist() == [1.0, 2.0]


@pytest.mark.parametrize("value", [None, "1", [[1.0]], float("nan"), float("-inf"), 3.1, -0.1])
def test_what_is_no_number_in_range_is_refused(value):
    with pytest.raises(InputError) as caught:
        number("x", value, 0.0, 3.0, "a test")
    assert caught.value.field == "x"


def test_errors_name_the_row_and_state_the_range():
    with pytest.raises(InputError, match="between 0 and 3: a test") as caught:
        number("x", [1.0, np.nan], 0.0, 3.0, "a test")
    assert caught.value.index == 1
    with pytest.raises(InputError, match="at least 0: a test"):
        number("x", -1.0, 0.0, np.inf, "a test")
    with pytest.raises(InputError, match="finite number: a test"):
        number("x", np.inf, -np.inf, np.inf, "a test")


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (0.0, 1e9, "between 0 and 1 000 000 000:"),
        (1e-6, 10.0, "between 0.000001 and 10:"),
        (-20.0, 0.9999, "between -20 and 0.9999:"),
    ],
)
def test_limits_are_written_without_exponents(low, high, said):
    with pytest.raises(InputError, match=said):
        number("x", 2e9, low, high, "a test")


def test_refusing_rows():
    refuse_where("x", np.array([False, False]), "never")
    refuse_where("x", condition=False, detail="never")
    with pytest.raises(InputError) as caught:
        refuse_where("x", np.array([False, True]), "row")
    assert caught.value.index == 1
    with pytest.raises(InputError) as caught:
        refuse_where("x", np.bool_(True), "one")  # noqa: FBT003  what comparing two floats of numpy gives
    assert caught.value.index is None
    with pytest.raises(InputError, match="row is 5 of 7") as caught:
        refuse_where("x", np.array([False, True]), "row is {a:g} of {b:g}", lambda: {"a": np.array([3, 5]), "b": 7.0})


def test_exactly_one_and_equal_lengths():
    assert only_one({"a": None, "b": 0.0}) == "b"
    with pytest.raises(InputError, match="a, b were given"):
        only_one({"a": 1, "b": 0.0})
    same_length({"a": np.zeros(2), "b": 1.0, "c": None})
    with pytest.raises(InputError, match="equal length"):
        same_length({"a": np.zeros(2), "b": np.zeros(3)})
