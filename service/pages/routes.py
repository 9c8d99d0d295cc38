"""Every page, in the order in which addresses are tried."""

from service.pages import assets, calculators, guides, questions, replications, submitting, take_part

ROUTERS = (
    questions.router,
    replications.router,
    calculators.router,
    guides.router,
    take_part.router,
    submitting.router,
    assets.router,
)
