"""The invented results fit the schema, so whatever is tested with them is tested with what a check writes."""

import jsonschema
import pytest
import sample_facts

from heightnet.report.facts import schema


def test_schema_is_valid_json_schema():
    jsonschema.Draft202012Validator.check_schema(schema())


@pytest.mark.parametrize("name", sample_facts.JOBS)
def test_sample_results_fit_the_schema(name):
    facts = sample_facts.JOBS[name]() if name != "big" else sample_facts.big(30, 4)
    jsonschema.Draft202012Validator(schema()).validate(facts)
