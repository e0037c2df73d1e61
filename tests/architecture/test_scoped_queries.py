"""No query of the API goes past `visible_to`, and no resource without rights is served."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import api
from api.permissions import VERBS
from api.urls import RESOURCES
from fleet.access import RIGHTS

FOLDER = Path(api.__file__).parent
MODULES = sorted(FOLDER.rglob("*.py"))
# Doors other than a manager's: each takes every row of a table.
OTHER_DOORS = {"_default_manager", "_base_manager", "get_object_or_404", "raw", "RawSQL"}


def unscoped(tree: ast.AST) -> Iterator[str]:
    """Yield every use of a manager that `visible_to` does not follow at once."""
    parents = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
    for node in ast.walk(tree):
        name = getattr(node, "attr", getattr(node, "id", None))
        if name in OTHER_DOORS:
            yield f"line {node.lineno}: {name}"
        if not isinstance(node, ast.Attribute) or node.attr != "objects":
            continue
        then = parents.get(node)
        if not (isinstance(then, ast.Attribute) and then.attr == "visible_to"):
            yield f"line {node.lineno}: .objects without visible_to"


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(FOLDER)))
def test_every_query_is_scoped(path: Path):
    assert list(unscoped(ast.parse(path.read_text()))) == []


@pytest.mark.parametrize(
    "line",
    [
        "Machine.objects.all()",
        "rows = Machine.objects",
        "Machine.objects.filter(pk=1).visible_to(scope)",
        "get_object_or_404(Machine, pk=1)",
        "Machine._default_manager.all()",
    ],
)
def test_the_walk_sees_what_it_looks_for(line: str):
    assert list(unscoped(ast.parse(line)))


def test_the_walk_lets_scoped_queries_through():
    assert not list(unscoped(ast.parse("Machine.objects.visible_to(scope).filter(pk=1)")))


@pytest.mark.parametrize("views", RESOURCES, ids=lambda views: views.resource)
def test_every_resource_has_a_row_of_rights(views):
    assert "read" in RIGHTS[views.resource]


@pytest.mark.parametrize("views", RESOURCES, ids=lambda views: views.resource)
def test_every_action_has_a_verb_that_somebody_has(views):
    actions = {action.__name__ for action in views.get_extra_actions()}
    actions |= {name for name in VERBS if hasattr(views, name)}
    for action in actions:
        needed = views.verbs[action] if action in views.verbs else VERBS[action]
        resource, verb = needed if isinstance(needed, tuple) else (views.resource, needed)
        assert RIGHTS[resource].get(verb), f"{action}: nobody may {verb} {resource}"


def test_every_right_is_served():
    assert {views.resource for views in RESOURCES} == set(RIGHTS)
