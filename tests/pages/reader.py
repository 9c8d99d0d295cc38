"""Somebody at a browser without a screen: reads pages, fills in forms, keeps cookies."""

from html.parser import HTMLParser
from typing import Any

BROWSER = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
_VOID = {"area", "br", "col", "hr", "img", "input", "link", "meta"}


class Seen(HTMLParser):
    """A page taken apart: its elements, its text, and what its forms would send."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.fields: list[tuple[str, str]] = []
        self._select: str | None = None
        self._area: str | None = None
        self.open: list[str] = []
        self.unclosed: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        self.elements.append((tag, given))
        if tag not in _VOID:
            self.open.append(tag)
        if tag == "input" and given.get("name") and self._is_sent(given):
            self.fields.append((given["name"], given.get("value") or ""))
        elif tag == "select":
            self._select = given.get("name")
            self.fields.append((self._select or "", ""))
        elif tag == "option" and self._select and "selected" in given:
            self.fields[-1] = (self._select, given.get("value") or "")
        elif tag == "textarea":
            self._area = given.get("name")
            self.fields.append((self._area or "", ""))

    @staticmethod
    def _is_sent(given: dict[str, str | None]) -> bool:
        return given.get("type") not in {"radio", "checkbox", "file"} or "checked" in given

    def handle_endtag(self, tag):
        if tag in _VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.unclosed.append(tag)
        if tag == "select":
            self._select = None
        elif tag == "textarea":
            self._area = None

    def handle_data(self, data):
        self.words.append(data)
        if self._area is not None:
            name, before = self.fields[-1]
            self.fields[-1] = (name, before + data.removeprefix("\n"))

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def each(self, tag: str) -> list[dict[str, str | None]]:
        return [given for name, given in self.elements if name == tag]

    def field(self, name: str) -> str:
        return dict(self.fields)[name]


class Reader:
    """Reads pages as a browser does; `client` is a client of the tests of the doors."""

    def __init__(self, client) -> None:
        self.client = client

    def get(self, path: str, **headers: str):
        return self.client.get(path, headers=BROWSER | headers)

    def page(self, path: str, status: int = 200) -> Seen:
        answer = self.get(path)
        assert answer.status_code == status, f"{path}: {answer.status_code} {answer.text[:500]}"
        assert answer.headers["content-type"] == "text/html; charset=utf-8"
        seen = Seen(answer.text)
        assert not seen.unclosed, f"{path}: {seen.unclosed}"
        assert not seen.open, f"{path}: {seen.open}"
        return seen

    def send(self, path: str, fields: dict[str, Any], **headers: str):
        return self.client.post(path, data=fields, headers=BROWSER | headers)

    def sent(self, path: str, fields: dict[str, Any], status: int = 200) -> Seen:
        answer = self.send(path, fields)
        assert answer.status_code == status, f"{path}: {answer.status_code} {answer.text[:500]}"
        return Seen(answer.text)

    def begin(self) -> str:
        """Become a contributor, signed in; give the mark that forms carry."""
        self.sent("/take-part/begin", {"display_name": "Cellar mouse"})
        return self.page("/take-part").field("mark")
