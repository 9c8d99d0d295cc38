"""Where one answer leads next: the links of the OpenAPI text, so that a tool can walk from one call to another."""

from collections.abc import Iterator
from typing import Any, NamedTuple


class _Ways(NamedTuple):
    """What an operation's answer gives, and which operations can be called with it."""

    sources: tuple[tuple[str, str], ...]
    parameters: dict[str, str]
    targets: tuple[str, ...]


_REPLICATION = {"path.replication_id": "$response.body#/id"}
_REVISION = {**_REPLICATION, "header.If-Match": "$response.header.ETag"}
_REPLICATIONS = (
    *(("create_replication", "201"), ("read_replication", "200"), ("revise_replication", "200")),
    *(("submit_replication", "200"), ("withdraw_replication", "200")),
)
_OF_QUESTION = (
    *("read_question", "create_protocol", "list_protocols", "create_report"),
    *("read_evidence", "list_studies", "draw_forest_as_svg", "draw_path_as_svg", "read_data_package", "read_feed"),
)

_WAYS = (
    _Ways((("create_contributor", "201"),), {"path.contributor_id": "$response.body#/id"}, ("vouch_for_contributor",)),
    _Ways((("create_question", "201"), ("read_question", "200")), {"path.slug": "$response.body#/slug"}, _OF_QUESTION),
    _Ways((("list_questions", "200"),), {"path.slug": "$response.body#/items/0/slug"}, _OF_QUESTION),
    _Ways(
        (("create_protocol", "201"),),
        {"path.slug": "$response.body#/question", "path.version": "$response.body#/version"},
        ("read_protocol",),
    ),
    _Ways(_REPLICATIONS, _REVISION, ("revise_replication",)),
    _Ways(
        _REPLICATIONS,
        _REPLICATION,
        (
            *("read_replication", "read_report", "list_revisions", "draw_curves_as_svg"),
            *("open_trial", "submit_replication", "withdraw_replication", "retract_replication"),
        ),
    ),
    _Ways(_REPLICATIONS, {"path.slug": "$response.body#/question"}, ("read_evidence",)),
    _Ways(
        (("list_replications", "200"), ("list_my_replications", "200")),
        {"path.replication_id": "$response.body#/items/0/id"},
        ("read_replication", "read_report", "withdraw_replication"),
    ),
    _Ways((("open_trial", "201"),), {"path.trial_id": "$response.body#/id"}, ("read_trial", "close_trial")),
    _Ways((("list_ledger", "200"),), {"path.position": "$response.body#/items/0/position"}, ("prove_inclusion",)),
    _Ways((("read_ledger_head", "200"),), {"query.from": "$response.body#/size"}, ("prove_consistency",)),
)


def links_of(operation: str, status: str) -> dict[str, dict[str, Any]]:
    """Give the OpenAPI links of one answer of an operation, by the name of where each leads."""
    return dict(_links(operation, status))


def _links(operation: str, status: str) -> Iterator[tuple[str, dict[str, Any]]]:
    for way in _WAYS:
        if (operation, status) in way.sources:
            for target in way.targets:
                yield target, {"operationId": target, "parameters": dict(way.parameters)}
