"""Who gets which glass under which code, drawn from one seed: orders that no memory helps against, and the key."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

from service.science import plain_words, trial_columns
from service.science.errors import InputError
from service.science.keyed_stream import SEED_BYTES, KeyedStream
from service.science.serving_codes import MOST_APART, CodeDeck
from service.science.trial_methods import find_method

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

_MOST_PRESENTATIONS = 1000
_MOST_TASTERS = 200
_MOST_IN_ALL = 10_000

# Left to right as served; the first glass of a duo-trio is the reference. ISO 4120:2021 7.1 (triangle), ISO 10399:2004
# (duo-trio, either batch as reference); the others by enumeration.
ORDERS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "triangle": ("AAB", "ABA", "BAA", "BBA", "BAB", "ABB"),
        "duo_trio": ("AAB", "ABA", "BAB", "BBA"),
        "two_afc": ("AB", "BA"),
        "three_afc": ("AAB", "ABA", "BAA"),
        "tetrad": ("AABB", "ABAB", "ABBA", "BAAB", "BABA", "BBAA"),
    }
)

_MIRROR = str.maketrans("AB", "BA")


@dataclass(frozen=True, slots=True)
class Glass:
    """A coded glass; `letter` tells the two batches apart also where both are of one arm."""

    code: str
    arm: str
    letter: str
    is_reference: bool


@dataclass(frozen=True, slots=True)
class Presentation:
    """One set of glasses in serving order; `right_choices` holds each answer that is right, as codes."""

    number: int
    order: str
    glasses: tuple[Glass, ...]
    right_choices: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class TasterSheet:
    """The presentations of one taster, counted from 1."""

    taster: int
    presentations: tuple[Presentation, ...]


@dataclass(frozen=True, slots=True)
class Balance:
    """How the draw fell out, which is reported and never drawn again to improve it.

    `letters_at_position` counts each batch at each place from the left.
    """

    orders: Mapping[str, int]
    letters_at_position: Mapping[str, tuple[int, ...]]


@dataclass(frozen=True, slots=True)
class ServingPlan:
    """A whole trial's key; secret until the last answer.

    `order_draw` is `each_afresh` for one taster and `blocks` for several; `sham` marks two batches of one arm.
    """

    method: str
    arms: tuple[str, str]
    sham: bool
    order_draw: str
    tasters: tuple[TasterSheet, ...]
    balance: Balance


def serving_plan(
    method: str,
    presentations: int,
    arms: tuple[str, str],
    seed: bytes,
    *,
    tasters: int = 1,
    expected_stronger: Literal["a", "b"] = "b",
) -> ServingPlan:
    """Draw the orders and codes of a trial.

    Parameters
    ----------
    method : str
        A key of `METHODS`.
    presentations : int
        For each taster, 1 to 1000, and at most 10 000 in all.
    arms : pair of str
        What the two batches are of; the same name twice is a sham trial.
    seed : bytes
        32 secret bytes; the same seed and arguments give the same plan for ever.
    tasters : int
        1 to 200. One taster's orders are each drawn afresh, because blocks let a memory gain. Several get blocks of all
        orders across tasters, afresh for each round, so that nobody's own orders hang together.
    expected_stronger : "a" or "b"
        The batch named beforehand, which 2-AFC and 3-AFC ask for.

    Raises
    ------
    InputError
        For an unknown method, numbers out of range, a seed of another length.

    References
    ----------
    Orders: ISO 4120:2021 7.1, ISO 10399:2004. Codes: ISO 4120:2021 5.5.

    """
    glasses = find_method(method).glasses_per_presentation
    rounds = int(
        trial_columns.whole_numbers("presentations", presentations, 1, _MOST_PRESENTATIONS, "sets for each taster")
    )
    people = int(trial_columns.whole_numbers("tasters", tasters, 1, _MOST_TASTERS, "people who taste"))
    if rounds * people > _MOST_IN_ALL:
        raise InputError(
            "presentations",
            f"times tasters must not exceed {plain_words.whole(_MOST_IN_ALL)}; draw a plan for each session.",
        )
    if len(seed) != SEED_BYTES:
        raise InputError("seed", f"must be {SEED_BYTES} bytes.")
    possible = possible_orders(method, expected_stronger)
    stream = KeyedStream(seed, f"orders {method}")
    if people == 1:
        drawn = [[order] for order in orders_afresh(possible, stream, rounds)]
    else:
        drawn = [orders_in_blocks(possible, stream, people) for _ in range(rounds)]
    # Every glass on the table gets its own code while there are enough; beyond that, every glass of one taster.
    one_deck = rounds * people * glasses <= MOST_APART
    decks = [CodeDeck(KeyedStream(seed, f"codes {taster}")) for taster in range(1 if one_deck else people)]
    sheets: list[list[Presentation]] = [[] for _ in range(people)]
    for number, round_orders in enumerate(drawn, start=1):
        for taster, order in enumerate(round_orders):
            codes = decks[0 if one_deck else taster].deal(glasses)
            right = _right_choices(method, order, codes, expected_stronger.upper())
            sheets[taster].append(Presentation(number, order, _glasses(method, order, codes, arms), right))
    return ServingPlan(
        method=method,
        arms=arms,
        sham=arms[0] == arms[1],
        order_draw="each_afresh" if people == 1 else "blocks",
        tasters=tuple(TasterSheet(taster, tuple(sheet)) for taster, sheet in enumerate(sheets, start=1)),
        balance=realised_balance(possible, [order for each in drawn for order in each]),
    )


def is_right(presentation: Presentation, chosen_codes: Collection[str]) -> bool:
    """Score an answer; the order in which its codes are named does not matter.

    Raises
    ------
    InputError
        Where the answer holds a code that is not in the set or is its reference, one twice, or another number of codes
        than the method asks for.

    """
    offered = {glass.code for glass in presentation.glasses if not glass.is_reference}
    asked = len(presentation.right_choices[0])
    if len(chosen_codes) != asked or len(set(chosen_codes)) != asked or not set(chosen_codes) <= offered:
        noun = "code" if asked == 1 else "different codes"
        raise InputError("chosen_codes", f"must be {asked} {noun} out of {', '.join(sorted(offered))}.")
    return any(set(chosen_codes) == set(choice) for choice in presentation.right_choices)


def possible_orders(method: str, expected_stronger: Literal["a", "b"] = "b") -> tuple[str, ...]:
    """List the orders in which a method serves; the named batch is the odd one of a 3-AFC."""
    orders = ORDERS[method]
    if method == "three_afc" and expected_stronger == "a":
        return tuple(order.translate(_MIRROR) for order in orders)
    return orders


def orders_afresh(possible: Sequence[str], stream: KeyedStream, count: int) -> list[str]:
    """Draw each order independently, all equally likely: what a lone taster needs."""
    return [stream.choice(possible) for _ in range(count)]


def orders_in_blocks(possible: Sequence[str], stream: KeyedStream, count: int) -> list[str]:
    """Draw orders in blocks that hold each once, for `count` tasters side by side; the last block may be partial."""
    whole_blocks, rest = divmod(count, len(possible))
    drawn = [order for _ in range(whole_blocks) for order in stream.shuffled(possible)]
    return drawn + _partial_block(possible, stream, rest)


def realised_balance(possible: Sequence[str], drawn: Sequence[str]) -> Balance:
    """Count how the orders and the places of the batches fell out."""
    used = Counter(drawn)
    places = range(len(possible[0]))
    return Balance(
        orders={order: used[order] for order in possible},
        letters_at_position={
            letter: tuple(sum(order[place] == letter for order in drawn) for place in places) for letter in "AB"
        },
    )


def _partial_block(possible: Sequence[str], stream: KeyedStream, count: int) -> list[str]:
    """Draw different orders, as evenly as can be from the two mirrored halves of the list."""
    halves: dict[str, list[str]] = {}
    for order in possible:
        lead = order.count("A") - order.count("B")
        # The batch that has more glasses or, where neither has, that comes first.
        halves.setdefault(order[0] if lead == 0 else ("A" if lead > 0 else "B"), []).append(order)
    first, *others = stream.shuffled([stream.shuffled(half) for half in halves.values()])
    if not others:
        return first[:count]
    return stream.shuffled(first[: count - count // 2] + others[0][: count // 2])


def _glasses(method: str, order: str, codes: tuple[str, ...], arms: tuple[str, str]) -> tuple[Glass, ...]:
    return tuple(
        Glass(code, arms["AB".index(letter)], letter, is_reference=method == "duo_trio" and place == 0)
        for place, (code, letter) in enumerate(zip(codes, order, strict=True))
    )


def _right_choices(method: str, order: str, codes: tuple[str, ...], stronger: str) -> tuple[tuple[str, ...], ...]:
    under = {letter: tuple(code for code, each in zip(codes, order, strict=True) if each == letter) for letter in "AB"}
    if method == "tetrad":
        return under["A"], under["B"]
    if method == "triangle":
        return (under["A"] if len(under["A"]) == 1 else under["B"],)
    if method == "duo_trio":
        return (tuple(code for code in under[order[0]] if code != codes[0]),)
    return (under[stronger],)
