"""Every flag that a replication can carry, in one table; a flag never refuses, it names and counts."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

Group = Literal["confound", "deviation", "gap", "note"]
"""A confound is another explanation; a deviation is unlike the plan; a gap is something that wasn't recorded; a note is
how a sealed trial went."""

Concerns = Literal["tasting", "measured", "both"]


@dataclass(frozen=True, slots=True)
class FlagKind:
    """One name that a flag can have, what it means, and which outcomes it bears on."""

    name: str
    group: Group
    concerns: Concerns
    explanation: str


@dataclass(frozen=True, slots=True)
class Flag:
    """One flag raised on a replication.

    `trial` and `arms` say which of several trials or comparisons it is about; None means all of them.
    """

    name: str
    detail: str
    numbers: Mapping[str, float] = field(default_factory=dict)
    trial: int | None = None
    arms: tuple[str, str] | None = None

    @property
    def kind(self) -> FlagKind:
        """What the name means."""
        return FLAGS[self.name]


def _table(*rows: FlagKind) -> Mapping[str, FlagKind]:
    return {row.name: row for row in rows}


FLAGS: Mapping[str, FlagKind] = _table(
    FlagKind("vessels_not_drawn", "confound", "both", "Somebody chose which vessel got which arm."),
    FlagKind("assignment_not_recorded", "gap", "both", "How vessels got their arms isn't said."),
    FlagKind(
        "order_in_blocks", "confound", "tasting", "A lone taster had balanced blocks, which can be guessed along."
    ),
    FlagKind("order_unknown", "confound", "tasting", "How the order of each set was drawn isn't known."),
    FlagKind("order_not_recorded", "gap", "tasting", "How the order of each set was drawn isn't said."),
    FlagKind("told_during", "confound", "tasting", "Tasters heard results before the last answer."),
    FlagKind("pourer_is_taster", "confound", "tasting", "The key was held by whoever tasted."),
    FlagKind("key_holder_not_recorded", "gap", "tasting", "Who held the key isn't said."),
    FlagKind("appearance_not_masked", "confound", "tasting", "Colour or haze could be seen, and may differ."),
    FlagKind("appearance_not_recorded", "gap", "tasting", "Whether colour and haze were hidden isn't said."),
    FlagKind("stopped_early", "confound", "tasting", "Fewer sets were presented than planned."),
    FlagKind("trial_unanswered", "deviation", "tasting", "A sealed trial was opened, and nobody answered."),
    FlagKind(
        "answered_before_pouring",
        "confound",
        "tasting",
        "Answers to a sealed trial came before anybody had opened its pour sheet.",
    ),
    FlagKind(
        "pour_sheet_opened", "note", "tasting", "Somebody opened the pour sheet of a sealed trial, and knew its key."
    ),
    FlagKind("several_tasters", "note", "tasting", "Several tasters of a sealed trial shared one pair of batches."),
    FlagKind("count_unlike_plan", "deviation", "tasting", "The number of sets isn't the plan's."),
    FlagKind("method_unlike_plan", "deviation", "tasting", "The method isn't the plan's."),
    FlagKind("comparison_unlike_plan", "deviation", "tasting", "The arms compared aren't the plan's."),
    FlagKind("plan_unlike_protocol", "deviation", "both", "The plan isn't the protocol's."),
    FlagKind("not_registered", "gap", "both", "The plan wasn't registered beforehand."),
    FlagKind("registered_after_tasting", "confound", "tasting", "The plan was registered after the first answer."),
    FlagKind(
        "tasting_time_not_recorded", "gap", "tasting", "When it was tasted isn't said, so registration can't count."
    ),
    FlagKind(
        "registered_after_pitching", "deviation", "measured", "The plan was registered after a vessel was pitched."
    ),
    FlagKind(
        "pitching_time_not_recorded", "gap", "measured", "When it was pitched isn't said, so registration can't count."
    ),
    FlagKind("observer_knew_the_arms", "confound", "measured", "Whoever read the instruments knew the arms."),
    FlagKind(
        "readings_not_degassed", "confound", "measured", "Gravity was read with gas in the sample, which lifts it."
    ),
    FlagKind("condition_outside_tolerance", "confound", "both", "A condition to be held constant wasn't."),
    FlagKind("condition_not_recorded", "gap", "both", "A condition to be held constant isn't recorded."),
    FlagKind("measurement_missing", "gap", "both", "A field that the protocol requires isn't there."),
    FlagKind("outcome_not_reported", "gap", "both", "An outcome of the protocol can't be told from this document."),
    FlagKind("arm_without_batch", "gap", "both", "An arm that was compared has no batch in the document."),
    FlagKind("ferments_apart", "confound", "tasting", "Final gravities differ beyond reading: a possible pathway."),
    FlagKind("not_cleaned_between", "confound", "tasting", "The still wasn't cleaned between runs."),
    FlagKind("cut_by_taste_knowing_arm", "confound", "both", "Cuts were made by taste by someone who knew the arm."),
    FlagKind("cut_shares_unlike", "confound", "tasting", "The cuts took different shares of the alcohol."),
    FlagKind(
        "strengths_not_shown_to_match", "confound", "tasting", "Tasting strengths may differ beyond the tolerance."
    ),
    FlagKind("strengths_not_given", "gap", "tasting", "Tasting strengths aren't recorded for both arms."),
    FlagKind("rest_times_unequal", "confound", "tasting", "One arm rested longer before tasting."),
    FlagKind("bottle_ages_unequal", "confound", "tasting", "One arm's bottles were older."),
    FlagKind("carbonation_apart", "confound", "tasting", "The arms hold different amounts of gas."),
    FlagKind("confound_suspected", "confound", "both", "The contributor suspects something else."),
    FlagKind(
        "copy_of_another_document", "deviation", "both", "Another replication of this question has the same content."
    ),
    FlagKind(
        "near_copy_of_another_document",
        "deviation",
        "both",
        "Another replication of this question has the same figures, six results or more, to what a kitchen's "
        "instruments can tell apart; words, names, days or the order of rows differ. Chance alone does so in less than "
        "one of 4 000 pairs.",
    ),
)

_PLACES = {name: place for place, name in enumerate(FLAGS)}


def names_for(flags: tuple[Flag, ...], *, tasting: bool, trial: int | None, arms: tuple[str, str]) -> tuple[str, ...]:
    """Return the names of the flags that bear on one observation, in the table's order."""
    unwanted: Concerns = "measured" if tasting else "tasting"
    raised = {
        flag.name
        for flag in flags
        if flag.kind.concerns != unwanted and flag.trial in {None, trial} and flag.arms in {None, arms}
    }
    return in_order(raised)


def in_order(names: Iterable[str]) -> tuple[str, ...]:
    """Return names of flags in the table's order."""
    return tuple(sorted(names, key=_PLACES.__getitem__))
