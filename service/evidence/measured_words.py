"""What an answer says of measurements."""

from dataclasses import dataclass

from service.evidence.outcomes import OutcomeWords
from service.evidence.wording import capital, evidence, households, labelled
from service.science.plain_words import counted

_FEWEST_FOR_SIGNS = 8
_CLAIMS = {"bigger_than_matters", "real_but_may_be_too_small"}


@dataclass(frozen=True, slots=True)
class MeasuredFigures:
    """The figures that a sentence about a measured outcome is made of, on the outcome's scale.

    `low` and `high` are of the any-time interval. `smallest` is the smallest difference that matters in the outcome's
    unit, `matters` the same on the scale.
    """

    households: int
    estimate: float | None
    low: float | None
    high: float | None
    smallest: float | None
    matters: float | None
    verdict: str
    identical: bool
    unfinished: int = 0


def measured_answer(figures: MeasuredFigures, words: OutcomeWords, control: str, treatment: str) -> str:
    """Answer a question about what was measured.

    Parameters
    ----------
    figures : MeasuredFigures
        Household means and the any-time interval.
    words : OutcomeWords
        How the outcome is said.
    control, treatment : str
        The arms' labels.

    """
    if figures.estimate is None:
        return _without_a_mean(figures, words)
    moved = f"“{treatment}” {words.moved(figures.estimate, on_average=figures.households > 1)} “{control}”"
    if figures.households == 1:
        return (
            f"One household has reported: {moved}. One household can't say whether the treatment or the bucket did it."
        )
    who = households(figures.households)
    if figures.identical:
        return f"Not known yet: {who} report the very same difference, which may be rounding or copies: {moved}."
    return _of_several(figures, words, (control, treatment), moved)


def _of_several(figures: MeasuredFigures, words: OutcomeWords, arms: tuple[str, str], moved: str) -> str:
    control, treatment = arms
    who = households(figures.households)
    over = f"over {who}{_range(figures, words)}"
    mark = _mark(figures, words)
    match figures.verdict:
        case "bigger_than_matters":
            return f"{moved} {over}; that is more than the {mark} that was said to matter."
        case "practically_the_same":
            return (
                f"“{treatment}” and “{control}” are practically the same in {words.title}: over {who} they lay "
                f"{words.size(figures.estimate or 0.0)} apart on average{_range(figures, words)}, within the {mark} "
                "that was said to matter."
            )
        case "real_but_may_be_too_small":
            return f"{moved} {over}; whether that is as much as the {mark} that was said to matter is open."
    if figures.smallest is None and _one_sided(figures):
        return f"{moved} {over}; how much would matter was never said."
    return f"Not known yet: over {who} {moved}, and {_open(figures, words)}."


def _without_a_mean(figures: MeasuredFigures, words: OutcomeWords) -> str:
    if figures.unfinished:
        return (
            f"Not known yet: {words.title} can only be counted by which arm finished first, because in "
            f"{counted(figures.unfinished)} of the replications an arm had not finished."
        )
    return f"No replication has reported {words.title} for both arms yet."


def _one_sided(figures: MeasuredFigures) -> bool:
    return figures.low is not None and figures.high is not None and (figures.low > 0.0 or figures.high < 0.0)


def _range(figures: MeasuredFigures, words: OutcomeWords) -> str:
    if figures.low is None or figures.high is None:
        return ""
    return f" (range {words.signed(figures.low)} to {words.signed(figures.high)})"


def _open(figures: MeasuredFigures, words: OutcomeWords) -> str:
    if figures.low is None or figures.high is None:
        return "so few households leave the true difference open"
    return f"anything from {words.signed(figures.low)} to {words.signed(figures.high)} could be the truth"


def _mark(figures: MeasuredFigures, words: OutcomeWords) -> str:
    if figures.smallest is None:
        return ""
    if words.scale == "log_ratio" and figures.matters is not None:
        return f"{words.mark(figures.smallest)} ({words.size(figures.matters)} here)"
    return words.mark(figures.smallest)


@dataclass(frozen=True, slots=True)
class ReadingFigures:
    """What a reading says beside the answer's own figures; limits are of Student's interval and of the next result."""

    low: float | None
    high: float | None
    e_value: float | None
    next_low: float | None
    next_high: float | None
    sd: float | None
    reading_sd: float | None
    lower: int
    higher: int
    one_household_decides: bool
    primary: bool


def measured_reading(figures: MeasuredFigures, beside: ReadingFigures, words: OutcomeWords) -> str:
    """Say what a measured outcome shows, and what it doesn't; the treatment is meant where nothing else is named."""
    return labelled(" ".join(_read(figures, beside, words)), primary=beside.primary)


def _read(figures: MeasuredFigures, beside: ReadingFigures, words: OutcomeWords) -> list[str]:
    if figures.estimate is None:
        return [_without_a_mean(figures, words)]
    sentences = [_mean(figures, beside, words)]
    if figures.households == 1:
        return [*sentences, "One household can't say whether the treatment or the bucket did it."]
    if figures.identical:
        return [*sentences, "All households report the same difference: rounding or copies?"]
    sentences += [*_any_time(figures, beside, words), *_spread(figures, beside, words)]
    # Near level the mean's side is chance, and an open answer has nothing that one household could decide.
    if beside.one_household_decides and figures.verdict in _CLAIMS:
        sentences.append("One household decides: without it the answer would be another.")
    return sentences


def _mean(figures: MeasuredFigures, beside: ReadingFigures, words: OutcomeWords) -> str:
    many = figures.households > 1
    moved = words.moved(figures.estimate or 0.0, on_average=many)
    said = f"{capital(households(figures.households))}: the treatment {moved} the control"
    if beside.low is None or beside.high is None:
        return f"{said}."
    return (
        f"{said}, from {words.signed(beside.low)} to {words.signed(beside.high)} if the number of households had been "
        "fixed beforehand."
    )


def _any_time(figures: MeasuredFigures, beside: ReadingFigures, words: OutcomeWords) -> list[str]:
    said = []
    if figures.low is not None and figures.high is not None:
        bounds = f"from {words.signed(figures.low)} to {words.signed(figures.high)}"
        said.append(f"However often it is looked at: {bounds}.")
    if beside.e_value is not None:
        said.append(f"{evidence(beside.e_value)}.")
    return said


def _spread(figures: MeasuredFigures, beside: ReadingFigures, words: OutcomeWords) -> list[str]:
    said = []
    if figures.households >= _FEWEST_FOR_SIGNS:
        side, count = ("lower", beside.lower) if beside.lower >= beside.higher else ("higher", beside.higher)
        said.append(f"{capital(counted(count))} of {households(figures.households)} went {side}.")
    if beside.sd:
        explained = f"; reading error explains {words.size(beside.reading_sd)}" if beside.reading_sd else ""
        said.append(f"Households' results differ by about {words.size(beside.sd)}, batch luck included{explained}.")
    if beside.next_low is None or beside.next_high is None:
        said.append("It is too early to say how households vary.")
    elif beside.next_low > 0.0 or beside.next_high < 0.0:
        said.append("Most households should see it.")
    else:
        said.append("Some households may see the opposite.")
    return said
