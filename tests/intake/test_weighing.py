from uuid import UUID

import pytest

from service.intake.confounds import find
from service.intake.documents import ProtocolDocument, QuestionDocument, ReplicationDocument
from service.intake.observations import reduce
from service.intake.protocol_check import check
from service.intake.weighing import Sent, Setting, likened, weigh
from service.record.observations import observation_values
from service.record.replications import trial_values
from tests.intake import documents

SETTING = Setting(
    UUID(int=1),
    QuestionDocument.model_validate(documents.question()),
    ProtocolDocument.model_validate(documents.protocol()),
)


@pytest.mark.parametrize("like", ["none", "near", "same"])
@pytest.mark.parametrize("state", ["submitted", "registered"])
@pytest.mark.parametrize("flagged", [False, True])
def test_what_is_found_to_be_a_copy_afterwards_is_as_if_it_had_been_known(like, state, flagged):
    amiss = {"assignment": "chosen", "suspected_confounds": ["light"]} if flagged else {}
    sent = documents.replication(state=state, **amiss)
    start = likened(weigh(Sent(UUID(int=2), UUID(int=3), UUID(int=4), sent, SETTING)), like)
    checked = check(ReplicationDocument.model_validate(sent), SETTING.question, SETTING.protocol)
    known = reduce(checked, find(checked, registered_at=None, like=like), registered_at=None)
    assert start.observations == observation_values(known.observations)
    assert start.trials == trial_values(known.trials)
