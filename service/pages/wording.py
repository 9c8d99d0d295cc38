"""How the names in an answer are said on a page, and every filter that templates use."""

from collections.abc import Callable, Mapping
from typing import Any

from service.api.problems import PROBLEMS
from service.intake.flags import FLAGS
from service.intake.outcomes import outcome_named
from service.pages import fields, figures
from service.pages.prose import prose
from service.science.plain_words import counted

VERDICTS: Mapping[str, str] = {
    "bigger_than_matters": "bigger than what matters",
    "practically_the_same": "practically the same",
    "real_but_may_be_too_small": "real, but perhaps too small to matter",
    "cannot_tell_yet": "can’t tell yet",
}
CERTAINTY: Mapping[str, str] = {
    "none": "nobody has reported yet",
    "single": "one household has reported",
    "thin": "a few households, or not decided yet",
    "building": "five households or more, and decided",
    "solid": "eight households or more, decided, and it holds from every side",
}
METHODS: Mapping[str, str] = {
    "triangle": "triangle",
    "duo_trio": "duo-trio",
    "two_afc": "two-alternative (2-AFC)",
    "three_afc": "three-alternative (3-AFC)",
    "tetrad": "tetrad",
}
_POOLING: Mapping[str, str] = {
    "reml": "REML",
    "paule_mandel": "Paule–Mandel",
    "dersimonian_laird": "DerSimonian–Laird",
    "hartung_knapp": "Hartung–Knapp",
    "hartung_knapp_modified": "Hartung–Knapp, modified",
    "wald": "Wald",
    "student": "Student’s t",
}
STAGES: Mapping[str, str] = {"ferment": "fermenting", "distil": "distilling"}
SPLIT_POINTS: Mapping[str, str] = {
    "recipe": "from the recipe on",
    "must": "once the must is made",
    "ferment": "once it has fermented",
    "spirit": "when it goes to the still",
}
STATES: Mapping[str, str] = {
    "registered": "registered, not reported yet",
    "submitted": "submitted",
    "withdrawn": "withdrawn",
    "retracted": "retracted",
    "erased": "erased",
}
_OUTSIDE: Mapping[str, str] = {
    "taster_held_key": "whoever tasted held the key",
    "told_during": "results were heard on the way",
    "order_in_blocks": "orders in blocks can be counted along",
    "order_unknown": "nobody knows how the orders were drawn",
}
_CHOICES: Mapping[str, str] = {
    "drawn": "by a draw",
    "coin": "by a coin",
    "chosen": "somebody chose",
    "each_afresh": "afresh for each set",
    "blocks": "in balanced blocks",
    "unknown": "not known",
    "helper": "a helper",
    "taster": "whoever tasted",
    "volume": "by volume",
    "strength": "by strength",
    "taste": "by taste",
}
_WORDS: Mapping[str, str] = {**VERDICTS, **METHODS, **_POOLING, **STAGES, **STATES}
_VIEWS: Mapping[str, str] = {
    "all of it": "All that stands",
    "with_retracted": "With what was retracted",
    "with_outside_the_test": "With what stands outside the test",
    "silent_as_chance": "Every silent start taken as guessing",
    "silent_as_zero": "Every silent start taken as no difference",
    "sealed_only": "Only the sealed",
    "sealed_or_registered_only": "Only the sealed or registered",
    "registered_only": "Only the registered",
    "vouched_only": "Only contributors vouched for",
    "conditions_met_only": "Only where conditions were held",
}
_TASTED: Mapping[str, str] = {
    "perceivable_difference": "whether it can be told, blind",
    "preference": "which is liked better",
    "descriptors": "the words that fit",
}


def words(name: str | None) -> str:
    """Write a name from an answer as people would."""
    if name is None:
        return ""
    return _WORDS.get(name) or name.replace("_", " ")


def choice(name: str) -> str:
    """Write one of the words that a field takes."""
    return _CHOICES.get(name) or words(name)


def outcome(name: str) -> str:
    """Write what was found out."""
    return within(_TASTED.get(name) or words(outcome_named(name).title))


def outside(reason: str) -> str:
    """Say why a trial's count has no place in the test against guessing."""
    return _OUTSIDE.get(reason) or words(reason)


def flag(name: str) -> str:
    """Say what a flag means."""
    kind = FLAGS.get(name)
    return words(name).capitalize() if kind is None else kind.explanation


def flag_rank(name: str) -> int:
    """Put other explanations first, then what is unlike the plan, then what nobody wrote down."""
    kind = FLAGS.get(name)
    return 1 if kind is None else ("confound", "deviation", "gap").index(kind.group)


def is_confound(name: str) -> bool:
    """Whether a flag names another explanation than the factor."""
    return flag_rank(name) == 0


def certainty(word: str) -> str:
    """Say what a certainty word stands for."""
    return CERTAINTY.get(word, "")


def view_name(name: str) -> str:
    """Write which rows a part of the robustness counts."""
    return _VIEWS.get(name) or sentence(words(name))


def unit(name: str) -> str:
    """Write a unit as people do."""
    return {"degC": "°C", "degF": "°F", "percent": "%"}.get(name, name)


def short(identifier: object) -> str:
    """Write the end of an identifier, enough to tell two apart in one table."""
    return str(identifier)[-4:]


def count_of(number: int, one: str, many: str | None = None) -> str:
    """Write how many, small counts as words."""
    return f"{counted(number) if number else 'no'} {one if number == 1 else many or f'{one}s'}"


def within(text: str) -> str:
    """Begin without a capital, within a sentence; but leave abbreviations as they are."""
    return text if len(text) == 1 or text[1:2].isupper() else f"{text[:1].lower()}{text[1:]}"


def sentence(text: str) -> str:
    """Begin with a capital, but leave pH, and a field's own name, as they are."""
    as_it_is = text[1:2].isupper() or "_" in text.partition(" ")[0]
    return text if as_it_is else f"{text[:1].upper()}{text[1:]}"


def split_point(name: str | None) -> str:
    """Say where the arms part."""
    return SPLIT_POINTS[name or "recipe"]


_ADVICE: Mapping[str, str] = {
    "body-too-large": "What you sent is longer. A long log of readings is better thinned.",
    "invalid-input": "Nothing was kept. Go back, mend it there and send it again.",
    "malformed-request": "Go back, and send the form again from its page.",
    "method-not-allowed": "This address is read, and takes no form.",
    "not-signed-in": "For this page somebody has to be signed in.",
    "not-yours": "Only its owner may do this. If it is yours, sign in as the one who began it.",
    "stale-revision": "Open its page again, and make your change on what stands there now.",
    "too-many-requests": "Too much was asked for from here in a short while.",
    "unavailable": "The record is busy or being looked after. What you typed is still on the page before.",
}


def advice(slug: str) -> str:
    """Say what somebody at a browser can do about a problem; its own explanation is for programs."""
    return _ADVICE.get(slug) or PROBLEMS[slug].explanation.replace("`", "")


FILTERS: Mapping[str, Callable[..., Any]] = {
    "advice": advice,
    "certainty": certainty,
    "chance": figures.chance_of,
    "choice": choice,
    "count_of": count_of,
    "day": figures.day,
    "figure": figures.figure,
    "flag": flag,
    "grams": figures.grams,
    "gravity": figures.gravity,
    "labelled": fields.labelled,
    "measured": figures.measured,
    "moment": figures.moment,
    "odds": figures.odds_of,
    "outcome": outcome,
    "outside": outside,
    "outcome_difference": figures.outcome_difference,
    "places": figures.places,
    "prose": prose,
    "sentence": sentence,
    "share": figures.share,
    "short": short,
    "shown": figures.shown,
    "side_by_side": fields.side_by_side,
    "signed": figures.signed,
    "split_point": split_point,
    "spoken": counted,
    "unit": unit,
    "unit_of": fields.unit_of,
    "view_name": view_name,
    "words": words,
    "written": fields.written,
}
TESTS: Mapping[str, Callable[..., bool]] = {"confound": is_confound}
