"""The API describes itself, completely, and the description can be read under our policy."""

import re
from html.parser import HTMLParser

import pytest
from django.core.management import call_command
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.validation import validate_schema
from jsonschema import Draft202012Validator

from api.examples import EXAMPLES, codes
from api.urls import RESOURCES
from tests.api.conftest import V1, calibration


@pytest.fixture(scope="module")
def schema():
    return SchemaGenerator().get_schema(request=None, public=True)


def operations(schema):
    for path, methods in schema["paths"].items():
        for method, operation in methods.items():
            yield path, method, operation


def test_it_is_valid_and_without_a_warning(tmp_path):
    target = tmp_path / "schema.yml"
    call_command("spectacular", "--fail-on-warn", "--validate", "--file", str(target))
    assert "openapi: 3.1" in target.read_text()


def test_it_names_every_resource(schema):
    validate_schema(schema)
    for views in RESOURCES:
        assert f"{V1}{views.resource}/" in schema["paths"]
    assert f"{V1}visits/calendar.ics" in schema["paths"]


def test_every_error_is_declared(schema):
    for path, method, operation in operations(schema):
        statuses = {"401", "403", "404", "405", "406", "400"}
        if method in {"post", "put", "patch"}:
            statuses |= {"409", "413", "415", "422"}
        assert statuses <= set(operation["responses"]), (path, method)
        for status in statuses:
            content = operation["responses"][status]["content"]
            assert list(content) == ["application/problem+json"]
    tokens = schema["paths"][f"{V1}tokens/"]["post"]
    assert "429" in tokens["responses"]
    assert tokens.get("security", []) == []
    assert schema["paths"][f"{V1}tokens/"]["get"]["security"]


def test_every_operation_says_what_it_is(schema):
    for path, method, operation in operations(schema):
        assert operation.get("description"), (path, method)
        assert operation["operationId"]


def test_filters_stand_in_the_description(schema):
    parameters = schema["paths"][f"{V1}calibrations/"]["get"]["parameters"]
    names = {parameter["name"] for parameter in parameters}
    assert {"cursor", "page_size", "ordering", "search", "sensor_serial", "verdict"} <= names
    content = schema["paths"][f"{V1}calibrations/"]["get"]["responses"]["200"]["content"]
    assert {"application/json", "text/csv", "application/x-ndjson"} <= set(content)


def check(schema, name, value):
    """Check a value against a component, with the schema language that OpenAPI 3.1 uses."""
    whole = {"$ref": f"#/components/schemas/{name}", "components": schema["components"]}
    Draft202012Validator(whole).validate(value)


def test_answers_are_as_described(schema, tech, admin, rows):
    for path, name in (
        (f"calibrations/{rows['calibrations']['A']}/", "CalibrationAnswer"),
        (f"functional-tests/{rows['functional-tests']['A']}/", "FunctionalAnswer"),
        (f"flags/{rows['flags']['A']}/", "FlagAnswer"),
        (f"sensors/{rows['sensors']['A']}/", "Sensor"),
        (f"machines/{rows['machines']['A']}/", "MachineWithPositions"),
        (f"visits/{rows['visits']['A']}/", "Visit"),
        (f"policies/{rows['policies']['A']}/", "Policy"),
        (f"reminders/{rows['reminders']['A']}/", "Reminder"),
        (f"customers/{rows['customers']['A']}/visit-sheet/", "VisitSheetAnswer"),
        (f"customers/{rows['customers']['A']}/personal-data/", "PersonalDataAnswer"),
        (f"dealers/{rows['dealers']['A']}/readiness/", "ReadinessAnswer"),
        (f"sensors/{rows['sensors']['A']}/due/", "DueReasonsAnswer"),
        (f"references/{rows['references']['A']}/affected/", "AffectedAnswer"),
    ):
        check(schema, name, admin.get(V1 + path).json())
    check(schema, "CalibrationInputRequest", calibration())
    first = tech.post(f"{V1}calibrations/check/", calibration())
    check(schema, "CalibrationAnswer", first.json())
    batch = tech.post(f"{V1}calibrations/batch/", [calibration(), {}]).json()
    check(schema, "BatchAnswer", batch)
    check(schema, "Problem", tech.post(f"{V1}calibrations/", {}).json())
    check(schema, "PaginatedCalibrationAnswerList", tech.get(f"{V1}calibrations/").json())


@pytest.mark.parametrize("name", EXAMPLES)
def test_an_example_is_as_described(schema, name):
    assert schema["components"]["schemas"][name]["examples"] == [EXAMPLES[name]]
    check(schema, name, EXAMPLES[name])


def test_every_code_of_a_problem_is_named(schema):
    said = schema["components"]["schemas"]["Problem"]["properties"]["code"]["description"]
    assert set(codes()) == set(re.findall(r"[a-z_]{5,}", said.split(":")[1].split(";")[0]))


class Page(HTMLParser):
    """Collects what a strict policy would not run."""

    def __init__(self):
        super().__init__()
        self.inline, self.scripts, self._open = [], [], ""

    def handle_starttag(self, tag, attrs):
        names = dict(attrs)
        if tag == "style" or "style" in names or any(name.startswith("on") for name in names):
            self.inline.append((tag, names))
        if tag == "script":
            self.scripts.append(names.get("src"))


def test_the_page_runs_under_the_strict_policy(client, db):
    answer = client.get("/api/docs/")
    assert answer.status_code == 200
    policy = answer["Content-Security-Policy"]
    assert "unsafe-inline" not in policy
    page = Page()
    page.feed(answer.content.decode())
    assert page.inline == []
    assert len(page.scripts) == 3
    assert all(source and not re.match(r"(https?:)?//", source) for source in page.scripts)
    script = client.get(page.scripts[-1])
    assert script["Content-Type"].startswith("application/javascript")
    assert b"/api/schema/" in script.content


def test_the_description_is_for_everybody(client, db):
    answer = client.get("/api/schema/?format=json")
    assert answer.status_code == 200
    assert answer.json()["openapi"].startswith("3.1")
