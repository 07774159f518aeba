"""The invented results fit the schema, and so does what a check of every demo job finds."""

import json
from pathlib import Path

import jsonschema
import pytest
import sample_facts

import heightnet
from heightnet.report.facts import schema

DATA = Path(__file__).resolve().parents[2] / "data"


def test_schema_is_valid_json_schema():
    jsonschema.Draft202012Validator.check_schema(schema())


@pytest.mark.parametrize("name", sample_facts.JOBS)
def test_sample_results_fit_the_schema(name):
    facts = sample_facts.JOBS[name]() if name != "big" else sample_facts.big(30, 4)
    jsonschema.Draft202012Validator(schema()).validate(facts)


@pytest.mark.parametrize("job", sorted(p.name for p in DATA.iterdir() if p.is_dir()))
def test_what_a_check_of_a_demo_finds_fits_the_schema_and_makes_a_report(job):
    result = heightnet.check(DATA / job)
    jsonschema.Draft202012Validator(schema()).validate(json.loads(result.to_json()))
    assert result.summary() and "</html>" in result.page()
