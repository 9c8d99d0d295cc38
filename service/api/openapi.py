"""The OpenAPI text as served: the framework's own, with our refusals in place of its."""

from typing import TYPE_CHECKING, Any

from fastapi.openapi.utils import get_openapi

from service.api.openapi_links import links_of
from service.api.problems import MEDIA_TYPE, PROBLEMS, ProblemDocument

if TYPE_CHECKING:
    from collections.abc import Iterable

    from fastapi import FastAPI

_EVERY = ("not-acceptable", "invalid-input", "internal-error")
_WITH_BODY = ("malformed-json", "body-too-slow", "body-too-large", "not-json")
# What calculates, or only says that it lives, asks no record; health is counted under no limit.
_WITHOUT_RECORD = ("/v1/calculators", "/health/live")
_WITHOUT_LIMIT = "/health/"
_GONE = frozenset(
    {
        *("read_evidence", "list_studies", "read_data_package", "read_protocol"),
        *("draw_forest_as_svg", "draw_forest_as_png", "draw_path_as_svg", "draw_path_as_png"),
        *("read_replication", "read_report", "list_revisions", "draw_curves_as_svg", "draw_curves_as_png"),
    }
)
_OF_OPERATION = {
    "create_question": ("conflict",),
    "create_replication": ("conflict",),
    "call_household": ("not-found",),
    "submit_replication": ("trial-open", "no-sealing-key"),
    "list_replications": ("not-found",),
    "prove_consistency": ("not-found",),
    "open_trial": ("no-sealing-key",),
    "read_trial": ("gone", "no-sealing-key"),
    "close_trial": ("no-sealing-key",),
    "close_trial_as_helper": ("no-sealing-key",),
    "read_pour_sheet": ("no-sealing-key",),
    "read_turn": ("no-sealing-key",),
    "answer_set": ("trial-ended", "out-of-turn", "answer-is-final", "code-not-served", "no-sealing-key"),
}

_TAGGED = ("/v1/questions", "/v1/replications", "/v1/ledger")
_UNTAGGED = frozenset({"read_report", "read_replication"})
_REVISED = frozenset(
    {
        *("create_replication", "read_replication", "revise_replication"),
        *("submit_replication", "withdraw_replication"),
    }
)
_PLACELESS = frozenset({"create_report"})
_HEADERS = {
    "ETag": "Names this state of the answer: for If-None-Match, and where it is a revision for If-Match.",
    "Link": 'The next page, where there is one: `<...>; rel="next"`.',
    "Location": "Where what was made can be read.",
    "Idempotent-Replayed": "`true` where an earlier request with this key was answered again.",
    "X-Request-ID": "The id that the request brought, or was given.",
    "Retry-After": "Seconds to wait.",
    "WWW-Authenticate": "How to sign in.",
}
_HEADERS_OF_REFUSALS = {401: ("WWW-Authenticate",), 429: ("Retry-After",), 503: ("Retry-After",)}

DESCRIPTION = """
People who ferment at home, and distil where it is lawful, find out together whether a claim about their craft is true:
blind comparisons of a control and one change, submitted under a shared protocol, kept for ever and pooled.

Calculators need no account. Distilling at home is unlawful in many places: follow local law, licences and fire codes.
"""


def openapi_text(app: "FastAPI") -> dict[str, Any]:
    """Make the text once, and document each refusal that an operation can answer with."""
    if app.openapi_schema:
        return app.openapi_schema
    text = get_openapi(
        title=app.title,
        version=app.version,
        summary="Pooled blind comparisons for fermenting and distilling at home, and the calculators behind them.",
        description=DESCRIPTION,
        routes=app.routes,
        license_info={"name": "MIT (software), CC0-1.0 (pooled data)", "identifier": "MIT"},
    )
    schemas = text["components"]["schemas"]
    for framework_own in ("HTTPValidationError", "ValidationError"):
        schemas.pop(framework_own, None)
    schemas["Problem"] = ProblemDocument.model_json_schema(ref_template="#/components/schemas/{model}")
    schemas.update(schemas["Problem"].pop("$defs", {}))
    text["components"]["headers"] = {
        name: {"description": said, "schema": {"type": "string"}} for name, said in _HEADERS.items()
    }
    for path, operations in text["paths"].items():
        for method, operation in operations.items():
            _document_refusals(path, method, operation)
            _document_success(path, method, operation)
    app.openapi_schema = text
    return text


def _document_refusals(path: str, method: str, operation: dict[str, Any]) -> None:
    responses = operation["responses"]
    responses.pop("422", None)
    by_status: dict[int, list[str]] = {}
    for slug in dict.fromkeys(_refusals_of(path, method, operation)):
        kind = PROBLEMS[slug]
        by_status.setdefault(kind.status, []).append(kind.title)
    for status, titles in sorted(by_status.items()):
        responses[str(status)] = {
            "description": "; or ".join(titles),
            "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
        }
        if status in _HEADERS_OF_REFUSALS:
            responses[str(status)]["headers"] = _refer(_HEADERS_OF_REFUSALS[status])


def _refusals_of(path: str, method: str, operation: dict[str, Any]) -> list[str]:
    name = operation["operationId"]
    given = {parameter["name"] for parameter in operation.get("parameters", [])}
    signed, named = bool(operation.get("security")), "{" in path
    rules = (
        (not path.startswith(_WITHOUT_RECORD), ("unavailable",)),
        (not path.startswith(_WITHOUT_LIMIT), ("too-many-requests",)),
        ("requestBody" in operation, _WITH_BODY),
        ("after" in given, ("malformed-request",)),
        (name in _GONE, ("gone",)),
        (named, ("not-found",)),
        (signed, ("not-signed-in",)),
        (signed and named and method != "get", ("not-yours", "conflict")),
        ("If-Match" in given, ("stale-revision", "if-match-needed")),
        ("Idempotency-Key" in given, ("idempotency-key-reused", "request-in-flight")),
    )
    answered = [slug for holds, slugs in rules if holds for slug in slugs]
    return [*_EVERY, *answered, *_OF_OPERATION.get(name, ())]


def _document_success(path: str, method: str, operation: dict[str, Any]) -> None:
    """Say which headers come with what was done, and that what the caller holds isn't sent again."""
    responses = operation["responses"]
    given = {parameter["name"] for parameter in operation.get("parameters", [])}
    named = ["X-Request-ID"]
    if method == "get" and path.startswith(_TAGGED) and operation["operationId"] not in _UNTAGGED:
        named.append("ETag")
        responses["304"] = {"description": "What `If-None-Match` names is current", "headers": _refer(("ETag",))}
    if operation["operationId"] in _REVISED:
        named.append("ETag")
    if "after" in given:
        named.append("Link")
    if "201" in responses and operation["operationId"] not in _PLACELESS:
        named.append("Location")
    if "Idempotency-Key" in given:
        named.append("Idempotent-Replayed")
    for status in responses.keys() & {"200", "201", "204"}:
        responses[status]["headers"] = _refer(named)
        if links := links_of(operation["operationId"], status):
            responses[status]["links"] = links


def _refer(names: "Iterable[str]") -> dict[str, dict[str, str]]:
    return {name: {"$ref": f"#/components/headers/{name}"} for name in names}
