"""The invented results fit the schema, and so does what a check of every demo job finds."""

import json
import re
from pathlib import Path

import jsonschema
import pandas as pd
import pytest
import sample_facts

import heightnet
from heightnet import Job
from heightnet.ledger.schema import schemas

DATA = Path(__file__).resolve().parents[2] / "data"
FILES = Path(heightnet.__file__).parent / "report"
SCHEMA = schemas()["results.schema.json"]
PAGE = Path(heightnet.__file__).parent / "docs" / "results.md"


@pytest.mark.parametrize("name", schemas())
def test_the_schemas_for_others_are_current_and_valid(name):
    jsonschema.Draft202012Validator.check_schema(schemas()[name])
    written = json.loads((FILES / name).read_text(encoding="utf-8"))
    assert json.dumps(written) == json.dumps(schemas()[name]), "run: python -m tests.make_descriptions"


def names_in(part, key):
    """Everything that stands under a keyword of the schema, at any depth: names of properties, values of an enum."""
    if isinstance(part, list):
        return set().union(*(names_in(one, key) for one in part))
    if not isinstance(part, dict):
        return set()
    own = set(part[key]) if isinstance(part.get(key), (dict, list)) else set()
    return own.union(*(names_in(one, key) for one in part.values()))


@pytest.mark.parametrize("key", ["properties", "enum"])
def test_the_page_of_results_names_everything_in_the_schema(key):
    """In code, where it stands for the key or the word itself; texts of an enum may be quoted instead."""
    page = PAGE.read_text(encoding="utf-8")
    said = set(re.findall(r"\w+", " ".join(re.findall(r"`([^`]+)`", page)))) | set(re.findall(r'"([\w ]*)"', page))
    wanted = {name for name in names_in(SCHEMA, key) if name is not None}
    assert len(wanted) > 20 and wanted <= said, sorted(wanted - said)


@pytest.mark.parametrize("name", sample_facts.JOBS)
def test_sample_results_fit_the_schema(name):
    facts = sample_facts.JOBS[name]() if name != "big" else sample_facts.big(30, 4)
    jsonschema.Draft202012Validator(SCHEMA).validate(facts)


@pytest.mark.parametrize("job", sorted(p.name for p in DATA.iterdir() if p.is_dir()))
def test_what_a_check_of_a_demo_finds_fits_the_schema_and_makes_a_report(job):
    result = heightnet.check(DATA / job)
    jsonschema.Draft202012Validator(SCHEMA).validate(json.loads(result.to_json()))
    assert result.summary() and "</html>" in result.page()


def test_where_nothing_can_contradict_anything_the_limits_are_none():
    levels = pd.DataFrame({"from_mark": ["A"], "to_mark": ["B"], "rise": [1.0], "sd": [0.001]})
    facts = json.loads(heightnet.check(Job.from_frames(levels=levels)).to_json())
    assert (facts["fit"]["critical_by"], facts["fit"]["critical_w"], facts["fit"]["critical_log_odds"]) == (
        "none", None, None)  # fmt: skip
    jsonschema.Draft202012Validator(SCHEMA).validate(facts)
