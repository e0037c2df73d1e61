"""Throw generated requests at the API and hold every answer against its own description.

Run ``python -m tests.bench.fuzz_api`` (``--cases 20000``): the demo's fleet in a database of its
own (SQLite, thrown away), each operation of the OpenAPI document asked as each role, half the
requests as described and half not, then walks that follow one answer into the next request.
schemathesis makes the requests and checks that there is no 5xx and no status, media type or body
that the document does not declare. Exit code 1 where there is; each finding is printed once.
"""

import argparse
import os
import sys
import tempfile
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from http import HTTPStatus
from pathlib import Path
from typing import Any

SCHEMA = "/api/schema/?format=json"
WALKED = 0.15  # of the cases are steps of walks
STEPS = 6


@dataclass
class Found:
    """How many requests were made, with which answers, and what was wrong."""

    cases: int = 0
    statuses: Counter[int] = field(default_factory=Counter)
    wrong: dict[str, str] = field(default_factory=dict)
    known: Mapping[str, Sequence[Any]] = field(default_factory=dict)


def fuzz(
    tokens: Mapping[str, str], *, cases: int, seed: int, known: Mapping[str, Sequence[Any]]
) -> Found:
    """Ask so many times, in turns as each of the people whose tokens these are.

    `known` gives keys of rows of each resource: every other request for one row asks for one of
    them, for hardly any would be met by chance.
    """
    import schemathesis
    from django.core.handlers.wsgi import WSGIHandler

    class Plain(WSGIHandler):
        """Answers without compression: the client in this process does not undo it."""

        def __call__(self, environ: dict[str, Any], start: Any) -> Any:
            return super().__call__(environ | {"HTTP_ACCEPT_ENCODING": "identity"}, start)

    schema = schemathesis.openapi.from_wsgi(SCHEMA, app=Plain())
    operations = [result.ok() for result in schema.get_all_operations()]
    found, heads = (
        Found(known=known),
        [{"Authorization": f"Bearer {token}"} for token in tokens.values()],
    )
    each = max(2, round(cases * (1 - WALKED) / len(operations)))
    for number, operation in enumerate(operations):
        _ask(operation, heads, found, each=each, seed=seed + number)
    _walk(schema, heads[-1], found, cases=round(cases * WALKED), seed=seed)
    return found


def _settings(most: int, **more: Any) -> Any:
    from hypothesis import HealthCheck, Phase, settings

    return settings(
        max_examples=most, database=None, deadline=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck), **more,
    )  # fmt: skip


def _checks(*, in_part: bool) -> Sequence[Any]:
    """Return what is held against an answer; one that was asked for in part has not all fields."""
    from schemathesis import checks
    from schemathesis.specs.openapi import checks as described

    whole = [] if in_part else [described.response_schema_conformance]
    return [
        checks.not_a_server_error, described.status_code_conformance,
        described.content_type_conformance, *whole,
    ]  # fmt: skip


def _ask(
    operation: Any, heads: Sequence[dict[str, str]], found: Found, *, each: int, seed: int
) -> None:
    import hypothesis
    from schemathesis import GenerationMode

    for share, mode in enumerate((GenerationMode.POSITIVE, GenerationMode.NEGATIVE)):
        cases = operation.as_strategy(generation_mode=mode)

        def one(case: Any) -> None:
            _send(case, heads[found.cases % len(heads)], found)

        asked = _settings(max(1, each // 2))(hypothesis.given(cases)(one))
        try:
            hypothesis.seed(seed * 2 + share)(asked)()
        except hypothesis.errors.Unsatisfiable:
            continue  # there is no wrong input: a list without parameters, say


def _send(case: Any, head: dict[str, str], found: Found) -> None:
    keys = found.known.get(case.operation.path.split("/")[3], ())
    if keys and "id" in case.path_parameters and found.cases % 2:
        case.path_parameters["id"] = str(keys[found.cases // 2 % len(keys)])
    _hold(case.call(headers=head), case, found)


def _walk(schema: Any, head: dict[str, str], found: Found, *, cases: int, seed: int) -> None:
    """Follow answers: what one returns, the next asks for."""
    import hypothesis
    from schemathesis.generation.stateful import run_state_machine_as_test

    class Walk(schema.as_state_machine()):  # type: ignore[misc] # made at run time
        def get_call_kwargs(self, case: Any) -> dict[str, Any]:
            return {"headers": head}

        def validate_response(self, response: Any, case: Any, **_: Any) -> None:
            _hold(response, case, found)

    # Each walk by itself: every walk changes what rows there are, and hypothesis, which builds one
    # example on another, takes it for a mistake when the same choices lead somewhere else.
    one = _settings(1, stateful_step_count=STEPS)
    for number in range(max(1, cases // STEPS)):
        run_state_machine_as_test(hypothesis.seed(seed + number)(Walk), settings=one)


def _hold(answer: Any, case: Any, found: Found) -> None:
    """Hold an answer against the description, and note what is wrong with it, once of a kind."""
    from schemathesis.core.failures import FailureGroup

    found.cases += 1
    found.statuses[answer.status_code] += 1
    try:
        in_part = answer.status_code == HTTPStatus.OK and "fields" in (case.query or {})
        case.validate_response(answer, checks=_checks(in_part=in_part))
    except FailureGroup as group:
        for wrong in group.exceptions:
            place = f"{case.method} {case.operation.path} {answer.status_code}"
            name = f"{place} {type(wrong).__name__}"
            found.wrong.setdefault(name, f"{case.as_curl_command()}\n{str(wrong)[:1500]}")


def report(found: Found) -> str:
    """Return what was found, as text."""
    statuses = ", ".join(f"{status}: {count}" for status, count in sorted(found.statuses.items()))
    lines = [f"{found.cases:,} requests; answers {statuses}; {len(found.wrong)} findings"]
    return "\n\n".join([*lines, *(f"{name}\n{said}" for name, said in found.wrong.items())])


def main() -> None:
    """Make the database, ask, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        os.environ["DATABASE_URL"] = f"sqlite:///{Path(folder) / 'fuzz.sqlite3'}"
        os.environ["DJANGO_SETTINGS_MODULE"] = "fleet.config.settings"
        os.environ["REDIS_URL"] = ""
        import django

        django.setup()
        from django.core.management import call_command

        call_command("demo", "--no-serve", verbosity=0)
        from api.urls import RESOURCES
        from fleet.models import Role, User

        people = {
            str(role): User.objects.filter(memberships__role=role).order_by("pk").first()
            for role in (Role.WARRANTY_REVIEWER, Role.TECHNICIAN, Role.SERVICE_MANAGER,
                         Role.ADMINISTRATOR)
        }  # fmt: skip
        tokens = {
            name: person.auth_token_set.create(name="fuzz")[1] for name, person in people.items()
        }
        known = {
            views.resource: list(views.model.objects.values_list("pk", flat=True)[:20])
            for views in RESOURCES
            if views.resource != "tokens"
        }
        found = fuzz(tokens, cases=asked.cases, seed=asked.seed, known=known)
        print(report(found))
    sys.exit(bool(found.wrong))


if __name__ == "__main__":
    main()
