"""A sealed trial over HTTP: its owner, its helper and its tasters, each with what they were given. Invented."""

from typing import Any

from tests.api.community import Community, registration

PROTOCOL_TRIAL = {
    "method": "triangle",
    "control": "control",
    "treatment": "treatment",
    "presentations": 12,
    "pour_ml": 5,
    "tasting_abv_percent": 20.0,
}


class Kitchen:
    """One registered replication of a question of its own, ready for sealed trials."""

    def __init__(self, client, **protocol: Any) -> None:
        self.client = client
        self.community = Community(client)
        self.owner = self.community.person()
        self.slug = self.community.asked(self.owner, **{"trial": PROTOCOL_TRIAL, **protocol})
        answer = client.post("/v1/replications", headers=self.owner.headers, json=registration(self.slug))
        assert answer.status_code == 201, answer.text
        self.replication = answer.json()["id"]

    def send_opening(self, **changes: Any):
        body = {"method": "triangle", "control": "control", "treatment": "treatment", "presentations": 3, **changes}
        body.setdefault("tasters", ["p1"])
        return self.client.post(f"/v1/replications/{self.replication}/trials", headers=self.owner.headers, json=body)

    def open(self, **changes: Any) -> "Trial":
        answer = self.send_opening(**changes)
        assert answer.status_code == 201, answer.text
        return Trial(self, answer.json())

    def submit(self):
        return self.client.post(f"/v1/replications/{self.replication}/submit", headers=self.owner.headers)


class Trial:
    def __init__(self, kitchen: Kitchen, opened: dict[str, Any]) -> None:
        self.kitchen = kitchen
        self.client = kitchen.client
        self.opened = opened
        self.id = opened["id"]
        self.helper = opened["helper_link"]
        self.links = {each["assessor"]: each["taster_link"] for each in opened["tasters"]}

    def turn(self, taster: str = "p1") -> dict[str, Any]:
        return self.client.get(self.links[taster]).json()

    def answer(self, presentation: int, codes: list[str], taster: str = "p1", **beside: Any):
        body = {"presentation": presentation, "chosen_codes": codes, **beside}
        return self.client.post(f"{self.links[taster]}/answers", json=body)

    def guess(self, taster: str = "p1", **beside: Any):
        turn = self.turn(taster)
        return self.answer(turn["presentation"], turn["codes"][-turn["choose"] :], taster, **beside)

    def finish(self) -> None:
        for taster in self.links:
            while self.turn(taster)["presentation"]:
                assert self.guess(taster).status_code == 200

    def shown(self) -> dict[str, Any]:
        return self.client.get(f"/v1/trials/{self.id}").json()
