"""The columns of a comparison say what its rows say."""

import random

import numpy as np
import pytest

from service.evidence.compared import WITHDRAWAL_ASKED, compared, is_about, outside_the_test
from service.evidence.filters import Filters, Where
from tests.evidence import builders

ARMS = ("control", "treatment")
KEYS = ("control", "treatment", "fined")


def some_rows(draw, count=60):
    """Rows of every kind, between any arms."""
    rows = []
    for _ in range(count):
        control, treatment = draw.sample(KEYS, 2)
        sham = draw.random() < 0.2
        given = {
            "replication": draw.randrange(1, 25),
            "control": control,
            "treatment": control if sham else treatment,
            "sham": sham,
            "sealed": draw.random() < 0.5,
            "registered": draw.random() < 0.5,
            "conditions_met": draw.choice([None, True, False]),
            "outside_the_test": draw.choice([None, None, "told_during", "orders_in_blocks"]),
            "protocol_version": draw.choice([None, 1, 2]),
            "moderators": draw.choice([{}, {"still": "Pot"}, {"still": "reflux", "plates": 2}]),
        }
        household = given["replication"] % 9 + 1
        kind = draw.randrange(4)
        if kind == 0:
            rows.append(builders.tasted(household, draw.randrange(13), **given))
        elif kind == 1:
            rows.append(builders.measured(household, draw.choice([0.0, 0.002, -0.004]), **given))
        elif kind == 2:
            liked = {"control": draw.randrange(4), "treatment": draw.randrange(4), "neither": 1}
            rows.append(builders.row(household, outcome="preference", presented=9, details=liked, **given))
        else:
            events = {"control_event": draw.random() < 0.5, "treatment_event": draw.choice([None, True])}
            rows.append(builders.row(household, outcome="reached_dryness", **events, **given))
        if draw.random() < 0.2:
            rows[-1] = builders.retracted(rows[-1])
    return rows


@pytest.fixture(params=range(5))
def held(request):
    rows = some_rows(random.Random(request.param))  # noqa: S311  # a seeded order, no secret
    return builders.held(rows)


@pytest.fixture
def chosen(held):
    asked_back = np.arange(len(held.starts.columns)) % 3 == 0
    return compared(held.rows, ARMS, asked_back)


def known(values, missing=-1):
    return [None if value == missing or value != value else value for value in values.tolist()]  # noqa: PLR0124  NaN


def test_every_column_is_that_of_the_rows(chosen):
    rows = list(chosen)
    assert rows
    for name in ("sham", "sealed", "registered"):
        assert chosen.number(name).tolist() == [getattr(row, name) for row in rows]
    for name in ("presented", "correct", "assessors", "protocol_version", "conditions_met"):
        assert known(chosen.number(name)) == [getattr(row, name) for row in rows]
    for name in ("control_event", "treatment_event", "difference", "variance"):
        assert known(chosen.number(name)) == [getattr(row, name) for row in rows]
    for name in ("control_value", "treatment_value", "control", "treatment", "neither"):
        assert known(chosen.told_number(name)) == [row.details.get(name) for row in rows]
    for name in ("outcome", "method", "outside_the_test"):
        said, codes = chosen.words(name)
        assert said.said(codes) == [getattr(row, name) for row in rows]
        assert chosen.says(name, "told_during").tolist() == [getattr(row, name) == "told_during" for row in rows]
    assert chosen.names("replication") == [str(row.replication_id) for row in rows]
    assert chosen.names("household") == [str(row.household_id) for row in rows]
    assert chosen.retracted.tolist() == [row.left_reason == "retracted" for row in rows]
    assert len(set(chosen.household.tolist())) == len({row.household_id for row in rows})
    assert len(set(chosen.replication.tolist())) == len({row.replication_id for row in rows})


def test_the_rows_are_those_about_the_arms_seen_from_one_side(held, chosen):
    about = [
        row
        for row in held.rows
        if (row.control in ARMS if row.sham else {row.control, row.treatment} == set(ARMS))
    ]  # fmt: skip
    assert [row.id for row in chosen] == [row.id for row in about]
    assert is_about(held.rows, ARMS).sum() == len(about)
    assert {(row.control, row.treatment) for row in chosen if not row.sham} == {ARMS}
    for row, before in zip(chosen, about, strict=True):
        turned = (before.treatment, before.control) == ARMS and not before.sham
        assert row.difference == (-before.difference if turned and before.difference is not None else before.difference)
        assert (WITHDRAWAL_ASKED in row.flags) == (held.starts.columns.rows_of([row.replication_id])[0] % 3 == 0)


def test_a_place_and_a_slice_are_those_of_the_list(chosen):
    fresh = chosen.where(np.full(len(chosen), fill_value=True))
    assert [fresh[0], fresh[-1], *fresh[2:5]] == [chosen[0], chosen[-1], *list(chosen)[2:5]]
    assert len(fresh[: len(fresh) + 5]) == len(chosen)
    with pytest.raises(IndexError):
        _ = fresh[len(fresh)]


def test_two_parts_put_together_are_in_order_of_receipt(chosen):
    odd = np.arange(len(chosen)) % 2 == 1
    together = chosen.where(odd).with_(chosen.where(~odd))
    assert list(together) == list(chosen)
    assert together.which == chosen.which != chosen.where(odd).which


def test_reasons_to_stand_outside_are_counted(chosen):
    reasons = [row.outside_the_test for row in chosen if row.outside_the_test is not None]
    assert outside_the_test(chosen) == {reason: reasons.count(reason) for reason in dict.fromkeys(reasons)}
    assert list(outside_the_test(chosen)) == list(dict.fromkeys(reasons))
    assert [row.outside_the_test for row in chosen.inside_the_test] == [None] * (len(chosen) - len(reasons))


def _as_said(filters, row):
    """What each filter means, row by row."""
    return (
        filters.protocol_version in {None, row.protocol_version}
        and filters.sealed in {None, row.sealed}
        and filters.registered in {None, row.registered}
        and filters.vouched in {None, row.vouched}
        and (filters.conditions_met is None or (row.conditions_met is True) == filters.conditions_met)
        and (filters.method is None or row.method in {None, filters.method})
        and all(condition.holds(row.moderators) for condition in filters.where)
    )


@pytest.mark.parametrize(
    "filters",
    [
        Filters(),
        Filters(protocol_version=2),
        Filters(sealed=True, registered=False),
        Filters(vouched=False),
        Filters(vouched=True),
        Filters(conditions_met=True),
        Filters(conditions_met=False),
        Filters(method="triangle"),
        Filters(method="tetrad"),
        Filters(where=(Where("still", "pot"),)),
        Filters(where=(Where("still", "reflux"), Where("plates", "2.0"))),
    ],
)
def test_a_filter_keeps_the_rows_that_it_means(chosen, filters):
    assert filters.mask(chosen).tolist() == [_as_said(filters, row) for row in chosen]
