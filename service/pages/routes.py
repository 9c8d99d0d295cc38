"""Every page, in the order in which addresses are tried."""

from service.pages import (
    account,
    assets,
    calculators,
    going_on,
    guides,
    impressions,
    new_question,
    pour,
    questions,
    replications,
    review,
    sealed_trials,
    submitting,
    take_part,
    taste,
)

ASKED_FOR_MOST = questions.kept_pages
ROUTERS = (
    questions.router,
    replications.router,
    calculators.router,
    guides.router,
    take_part.router,
    submitting.router,
    review.router,
    going_on.router,
    account.router,
    impressions.router,
    new_question.router,
    sealed_trials.router,
    taste.router,
    pour.router,
    assets.router,
)
