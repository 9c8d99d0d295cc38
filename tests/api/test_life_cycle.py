"""Whatever people do to replications, in whatever order: a small plain model says what must be readable after a step.

The ledger has no gap and verifies; an answer as of an earlier position stays what it was, erasures or not; a data
package of an earlier position is the same bytes, or gone where something in it was erased; every revision is kept;
nobody reads what isn't theirs; what is refused leaves nothing. `MANYBATCH_SOAK_LIVES` says how many lives are led under
`-m soak`.
"""

import os
import random
import shutil
from dataclasses import dataclass, field
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test
from pydantic import SecretStr

from service.api.evidence_cache import EvidenceCache
from service.record.database import Database
from service.record.verify import verify
from tests import postgres
from tests.api.community import Community, Person, registration, replication
from tests.api.conftest import new_steward
from tests.api.kitchen import PROTOCOL_TRIAL

LIVES = int(os.environ.get("MANYBATCH_SOAK_LIVES", "150"))
PEOPLE = st.integers(0, 2)
RUNS = st.integers(0, 30)
CORRECT = st.integers(0, 12)
REASON = {"category": "mixed_up", "reason": "swapped"}
OPENING = {"method": "triangle", "control": "control", "treatment": "treatment", "presentations": 2, "tasters": ["p1"]}
OUT = {"withdrawn", "retracted", "erased"}


@dataclass
class Member:
    """Somebody, and the tokens that are theirs no more."""

    person: Person
    erased: bool = False
    vouched: bool = False
    former: list[Person] = field(default_factory=list)


@dataclass
class Run:
    """What the model knows of one replication."""

    id: str
    owner: Member
    question: int
    state: str
    notes: list[str]
    typed: bool = False
    tasted: int = 0
    asked: bool = False
    public: bool = False
    trial: dict[str, Any] | None = None

    @property
    def open(self) -> bool:
        return self.trial is not None

    @property
    def counts(self) -> bool:
        """Whether it stands in the answer."""
        return self.state == "submitted" and (self.typed or self.tasted > 0)


class Life(RuleBasedStateMachine):
    """A question, another one that it may be merged into, three people and a steward."""

    begin = None
    """Gives an empty record, and a way to put a client before it."""

    @initialize()
    def found(self):
        self.database, self.join = type(self).begin()
        self.client, self.reader = self.join(self.database), self.join(self.database)
        self.community = Community(self.client)
        self.steward = new_steward(self.database)
        self.members = [Member(self.community.person()) for _ in range(3)]
        self.slugs = [self.community.asked(self.members[each].person, trial=PROTOCOL_TRIAL) for each in (0, 1)]
        self.merged = False
        self.runs: list[Run] = []
        self.size, self.looked_at = 4, 0
        self.answers: list[tuple[str, int, dict[str, Any]]] = []
        self.packages: dict[tuple[str, int], bytes] = {}
        self.erasures: list[int] = []
        self.last: tuple[Member, dict[str, Any], dict[str, Any]] | None = None
        self.draw = random.Random(7)  # noqa: S311  which of the earlier answers is read again
        self.keys = 0

    def teardown(self):
        if hasattr(self, "database"):
            self.earlier_answers_stay(len(self.answers))
            self.client.close()
            self.reader.close()
            self.database.dispose()

    # What people do

    @rule(who=PEOPLE, question=st.integers(0, 1), correct=st.none() | CORRECT)
    def start(self, who, question, correct):
        member, slug = self.members[who], self.slugs[question]
        notes = f"run {len(self.runs)}"
        make = registration(slug, notes=notes) if correct is None else replication(slug, (correct, 12), notes=notes)
        kind = "registration" if correct is None else "submission"
        refusal = 401 if member.erased else 409 if self.merged and question == 0 else None
        made = self.keyed(member, "POST", "/v1/replications", refusal or 201, [kind], json=make)
        if made:
            state = "registered" if correct is None else "submitted"
            run = Run(made["id"], member, question, state, [notes], typed=correct is not None)
            run.public = correct is not None
            self.runs.append(run)

    @rule(which=RUNS, who=PEOPLE)
    def submit(self, which, who):
        run, member = self.picked(which, who)
        if run is None:
            return
        refusal = self.refusal(run, member) or (409 if run.state != "registered" or run.open else None)
        if self.keyed(member, "POST", f"/v1/replications/{run.id}/submit", refusal or 200, ["submission"]):
            run.state, run.public = "submitted", True
            run.notes.append(run.notes[-1])

    @rule(which=RUNS, who=PEOPLE, correct=CORRECT, stale=st.booleans(), results=st.booleans())
    def amend(self, which, who, correct, stale, results):
        run, member = self.picked(which, who)
        if run is None:
            return
        number = len(run.notes) - (1 if stale else 0)
        body = self.revision(run, correct, f"revision {len(run.notes)} of {run.id}", results=results)
        refused = self.refusal(run, member)
        expected = {refused} if refused else {409, 412} if run.state in OUT else {412} if stale else {200}
        kinds = ["amendment"] if run.public else ["registration", "revision", "amendment"]
        made = self.sent(member, "PUT", f"/v1/replications/{run.id}", expected, kinds, json=body, match=number)
        if made:
            self.revised(run, body)

    @rule(which=RUNS, who=PEOPLE)
    def withdraw(self, which, who):
        run, member = self.picked(which, who)
        if run is None:
            return
        out = run.state in OUT or run.asked
        refusal = self.refusal(run, member) or (409 if out else None)
        kinds = ["withdrawal", "trial-closed"]
        if self.keyed(member, "POST", f"/v1/replications/{run.id}/withdraw", refusal or 200, kinds, json=REASON):
            if run.public or run.typed or run.tasted:
                run.asked = True
            else:
                run.state, run.trial = "withdrawn", None

    @rule(which=RUNS)
    def retract(self, which):
        run, _ = self.picked(which, 0)
        if run is None:
            return
        expected = {409, 410} if run.state in OUT else {200}
        kinds = ["retraction", "trial-closed"]
        if self.sent(self.steward, "POST", f"/v1/replications/{run.id}/retract", expected, kinds, json=REASON):
            run.state, run.trial = "retracted", None

    @rule(who=PEOPLE)
    def vouch(self, who):
        member = self.members[who]
        expected = {404, 409} if member.erased or member.vouched else {200}
        if self.sent(self.steward, "POST", f"/v1/contributors/{member.person.id}/vouch", expected, ["vouch"]):
            member.vouched = True

    @rule()
    def merge(self):
        body = {"into": self.slugs[1], "reason": "the same"}
        expected = {409} if self.merged else {200}
        if self.sent(self.steward, "POST", f"/v1/questions/{self.slugs[0]}/merge", expected, ["merge"], json=body):
            self.merged = True

    @rule(who=PEOPLE, sure=st.integers(0, 3))
    def erase(self, who, sure):
        member = self.members[who]
        if sure:
            return
        before = self.size
        self.sent(member, "DELETE", "/v1/me", {401} if member.erased else {204}, ["erasure"])
        if member.erased:
            return
        member.erased = True
        self.erasures.append(before + 1)
        for run in self.runs:
            if run.owner is member:
                run.state, run.trial = "erased", None

    @rule(who=PEOPLE)
    def change_token(self, who):
        member = self.members[who]
        made = self.sent(member, "POST", "/v1/me/token", {401} if member.erased else {200}, [])
        if made:
            member.former.append(member.person)
            member.person = Person(member.person.id, made["token"])

    @rule(which=RUNS, who=PEOPLE)
    def open_trial(self, which, who):
        run, member = self.picked(which, who)
        if run is None:
            return
        refusal = self.refusal(run, member) or (409 if run.state != "registered" else None)
        expected = {refusal} if refusal else {201, 409} if run.open or run.asked else {201}
        made = self.sent(member, "POST", f"/v1/replications/{run.id}/trials", expected, ["trial-opened"], json=OPENING)
        if made and not run.open:
            run.trial = made
        elif made:
            # A second one beside the first: it is closed at once, so that the model has one to follow.
            self.sent(member, "POST", f"/v1/trials/{made['id']}/close", {200}, ["trial-closed"])

    @rule(which=RUNS)
    def taste(self, which):
        run = self.with_trial(which)
        if run is None:
            return
        link = run.trial["tasters"][0]["taster_link"]
        turn = self.client.get(link).json()
        body = {"presentation": turn["presentation"], "chosen_codes": turn["codes"][: turn["choose"]]}
        self.sent(None, "POST", f"{link}/answers", {200}, ["trial-closed"], json=body)
        run.tasted += 1
        if turn["presentation"] == OPENING["presentations"]:
            run.trial = None

    @rule(which=RUNS, by_helper=st.booleans())
    def close_trial(self, which, by_helper):
        run = self.with_trial(which)
        if run is None:
            return
        path = f"{run.trial['helper_link']}/close" if by_helper else f"/v1/trials/{run.trial['id']}/close"
        self.sent(None if by_helper else run.owner, "POST", path, {200}, ["trial-closed"])
        run.trial = None

    @rule()
    def send_again(self):
        """The same key and body answer again as they did; another body is refused; nothing is written."""
        if self.last is None or self.last[0].erased:
            return
        member, call, said = self.last
        headers = member.person.headers | {"Idempotency-Key": call["key"]}
        again = self.client.request(call["method"], call["path"], json=call["json"], headers=headers)
        assert again.headers["idempotent-replayed"] == "true"
        assert again.json() == said
        other = {**(call["json"] or {}), "notes": "another", "reason": "another"}
        assert self.client.request(call["method"], call["path"], json=other, headers=headers).status_code == 422

    @rule(which=RUNS, first=CORRECT, second=CORRECT)
    def amend_at_once(self, which, first, second):
        run, _ = self.picked(which, 0)
        if run is None or run.state in OUT or run.owner.erased:
            return
        bodies = [
            self.revision(run, each, f"race {len(run.notes)}-{place}", results=True)
            for place, each in enumerate((first, second))
        ]
        headers = run.owner.person.headers | {"If-Match": f'"r{len(run.notes)}"'}
        path = f"/v1/replications/{run.id}"
        answers = self.client.together(
            [{"method": "PUT", "url": path, "json": body, "headers": headers} for body in bodies]
        )
        assert sorted(each.status_code for each in answers) == [200, 412]
        self.size += 1
        self.revised(run, bodies[0 if answers[0].status_code == 200 else 1])

    @rule(which=RUNS)
    def submit_and_withdraw_at_once(self, which):
        run, _ = self.picked(which, 0)
        if run is None or run.state != "registered" or run.open or run.asked or run.owner.erased:
            return
        headers, path = run.owner.person.headers, f"/v1/replications/{run.id}"
        submitted, withdrawn = self.client.together(
            [
                {"method": "POST", "url": f"{path}/submit", "headers": headers},
                {"method": "POST", "url": f"{path}/withdraw", "headers": headers, "json": REASON},
            ]
        )
        assert withdrawn.status_code == 200
        assert submitted.status_code in {200, 409}
        self.size += 1 + (submitted.status_code == 200)
        if submitted.status_code == 200:
            run.state, run.public, run.asked = "submitted", True, True
            run.notes.append(run.notes[-1])
        elif run.typed or run.tasted:
            run.asked = True
        else:
            run.state = "withdrawn"

    # What must hold after each step

    @invariant()
    def the_ledger_is_whole(self):
        if not hasattr(self, "database"):
            return
        with self.database.read() as session:
            report = verify(session)
        assert report.whole, report.problems
        assert report.size == self.size

    @invariant()
    def everybody_reads_what_is_theirs(self):
        if not hasattr(self, "database"):
            return
        for run in self.runs[-4:]:
            expected = 404 if not run.public else 410 if run.state == "erased" else 200
            for headers in ({}, self.members[0].person.headers, self.steward.headers):
                assert self.client.get(f"/v1/replications/{run.id}", headers=headers).status_code == expected
            history = self.client.get(f"/v1/replications/{run.id}/revisions")
            assert history.status_code == expected
            if expected == 200:
                told = [(each["revision"], each["document"]["notes"]) for each in history.json()["items"]]
                assert told == list(enumerate(run.notes, start=1))
        for member in self.members:
            for former in member.former[-2:]:
                assert self.client.get("/v1/me", headers=former.headers).status_code == 401
            mine = self.client.get("/v1/me/replications?limit=200", headers=member.person.headers)
            assert mine.status_code == (401 if member.erased else 200)
            if not member.erased:
                told = {each["id"]: (each["state"], each["revision"]) for each in mine.json()["items"]}
                assert told == {run.id: (run.state, len(run.notes)) for run in self.runs if run.owner is member}

    @invariant()
    def answers_count_what_stands(self):
        if not hasattr(self, "database") or self.size == self.looked_at:
            return
        self.looked_at = self.size
        for number, slug in enumerate(self.slugs):
            evidence = self.client.get(f"/v1/questions/{slug}/evidence").json()
            at = evidence["as_of"]["position"]
            if not self.answers or (slug, at) not in {each[:2] for each in self.answers}:
                self.answers.append((slug, at, evidence))
                self.packages[slug, at] = self.client.get(f"/v1/questions/{slug}/data-package?as_of={at}").content
            if self.merged and number == 0:
                assert evidence["counted"]["replications"] == 0
                continue
            here = [run for run in self.runs if run.question == number or self.merged]
            counted = evidence["counted"]
            assert counted["started"] == len(here)
            assert counted["reported"] == sum(run.public and run.state != "erased" for run in here)
            assert counted["replications"] == sum(run.counts for run in here)
        self.earlier_answers_stay(2)

    def earlier_answers_stay(self, most):
        """Read again as of earlier positions, by another application, which has kept no answer."""
        chosen = self.draw.sample(self.answers, min(most, len(self.answers)))
        if not chosen:
            return
        fresh = self.reader
        fresh.app.app.state.evidence = EvidenceCache()
        for slug, at, said in chosen:
            query = f"/v1/questions/{slug}/evidence?as_of={at}"
            assert fresh.get(query).json() == said
            assert self.client.get(query).json() == said
            package = fresh.get(f"/v1/questions/{slug}/data-package?as_of={at}")
            if package.status_code == 410:
                assert any(each > at for each in self.erasures)
            else:
                assert package.content == self.packages[slug, at]

    # How it is said

    def picked(self, which, who):
        return (self.runs[which % len(self.runs)] if self.runs else None), self.members[who]

    def with_trial(self, which):
        going = [run for run in self.runs if run.open]
        return going[which % len(going)] if going else None

    def refusal(self, run, member):
        if member.erased:
            return 401
        if run.owner is member:
            return None
        return 403 if run.public else 404

    def revision(self, run, correct, notes, *, results):
        slug = self.slugs[run.question]
        if run.public:
            return replication(slug, (correct, 12), notes=notes, reason="mistyped")
        trials = {"trials": replication(slug, (correct, 12))["trials"]} if results or run.typed else {}
        return registration(slug, notes=notes, **trials)

    def revised(self, run, body):
        run.notes.append(body["notes"])
        run.typed = "trials" in body

    def keyed(self, member, method, path, expected, kinds, json=None):
        """Send with a key of its own, to be sent again later."""
        self.keys += 1
        call = {"method": method, "path": path, "json": json, "key": f"key-{self.keys}"}
        made = self.sent(member, method, path, {expected}, kinds, json=json, key=call["key"])
        if made and isinstance(member, Member):
            self.last = (member, call, made)
        return made

    def sent(self, by, method, path, expected, kinds, *, json=None, match=None, key=None):
        """Send; the ledger grows by entries of these kinds where it was done, and by nothing where it was refused."""
        person = by.person if isinstance(by, Member) else by
        headers = dict(person.headers) if person else {}
        headers |= {"If-Match": f'"r{match}"'} if match is not None else {}
        headers |= {"Idempotency-Key": key} if key else {}
        answer = self.client.request(method, path, json=json, headers=headers)
        assert answer.status_code in expected, (method, path, answer.status_code, expected, answer.text)
        new = self.client.get(f"/v1/ledger?after={self.size}&limit=200").json()["items"]
        assert [each["position"] for each in new] == list(range(self.size + 1, self.size + len(new) + 1))
        self.size += len(new)
        if answer.status_code >= 300:
            assert new == []
            return None
        assert {each["kind"] for each in new} <= set(kinds)
        return answer.json() if answer.content else None


def led(begin, lives, steps):
    class Led(Life):
        pass

    Led.begin = staticmethod(begin)
    run_state_machine_as_test(
        Led,
        settings=settings(
            max_examples=lives,
            stateful_step_count=steps,
            deadline=None,
            database=None,
            derandomize=lives < 20,
            phases=[Phase.explicit, Phase.generate] if lives < 20 else [Phase.explicit, Phase.generate, Phase.shrink],
            suppress_health_check=list(HealthCheck),
        ),
    )


@pytest.fixture
def sealing(join):
    return lambda database: join(database, sealing_key=SecretStr("a secret that is long enough for a test"))


HOW_MANY = pytest.mark.parametrize(
    ("lives", "steps"), [(3, 15), pytest.param(LIVES, 40, marks=pytest.mark.soak)], ids=["few", "many"]
)


@HOW_MANY
def test_a_life_on_sqlite(migrated_sqlite, tmp_path, sealing, lives, steps):
    made = iter(range(10**6))

    def begin():
        return Database(f"sqlite:///{shutil.copy(migrated_sqlite, tmp_path / f'{next(made)}.db')}"), sealing

    led(begin, lives, steps)


@pytest.mark.postgres
@HOW_MANY
def test_a_life_on_postgresql(postgres_url, sealing, lives, steps):
    def begin():
        postgres.empty(postgres_url)
        return Database(postgres_url), sealing

    led(begin, lives, steps)
