import pytest

from service.record import question_columns


@pytest.fixture
def readings(monkeypatch):
    """Count the readings of a question's rows, and whether each was a whole one."""
    found, read = [], question_columns.read_observations

    def counting(session, question_id, replications=None):
        found.append("all" if replications is None else len(replications))
        return read(session, question_id, replications)

    monkeypatch.setattr(question_columns, "read_observations", counting)
    return found
