import math

from tests.intake import documents
from tests.intake.weighing import weigh


def logged(arm, end, hours):
    """A logistic course, the symmetrical case of Richards 1959, J. Exp. Bot. 10:290."""
    readings = [{"at_h": h, "sg": round(end + 0.060 / (1 + math.exp(0.08 * (h - 60))), 4)} for h in hours]
    return documents.batch(arm, readings=readings)


def test_each_logged_batch_is_followed_by_itself():
    batches = [logged("control", 0.998, range(0, 241, 12)), logged("treatment", 1.020, range(0, 73, 12))]
    finished, going = weigh(batches=batches).report.ferments
    assert (finished.arm, finished.state) == ("control", "finished")
    assert finished.projected_final_sg.low <= 0.998 <= finished.projected_final_sg.high
    assert (going.arm, going.state) == ("treatment", "active")
    assert going.projected_final_sg.high - going.projected_final_sg.low > 0.002
    assert finished.reading != going.reading


def test_three_readings_are_not_a_course():
    assert weigh(batches=[logged("control", 0.998, range(0, 36, 12))]).report.ferments == []


def test_a_log_that_nothing_can_follow_is_kept_without_a_word():
    batch = documents.batch("control", readings=[{"at_h": 60_000 + h, "sg": 1.05} for h in range(4)])
    assert weigh(batches=[batch]).report.ferments == []
