"""What is declared once stands on the pages, in the schemas and in what is written."""

import jsonschema
import pytest

from heightnet.archives.things import KINDS, MEASURES
from heightnet.judge.judgement import STATES
from heightnet.ledger import archive, results
from heightnet.ledger.pages import marked, with_tables
from heightnet.ledger.record import NUMBER, Fact, Many, Record, record_of
from heightnet.ledger.results import PARTS, declare, table
from heightnet.ledger.schema import schemas
from heightnet.report.facts import as_written
from heightnet.report.words import VERDICTS
from heightnet.result import Result
from heightnet.rows import Rows
from tests.make_descriptions import WITH_TABLES

WEATHER = Fact(
    "weather",
    Many(Record((Fact("place", "text", "where"), Fact("pressure_mm", NUMBER, "of mercury"), Fact("sky", "text")))),
    "what the sky was like",
    required=False,
)


@pytest.fixture
def weather():
    kept = dict(PARTS)
    declare(WEATHER, after="staff")
    yield
    PARTS.clear()
    PARTS.update(kept)


@pytest.mark.parametrize("path", WITH_TABLES, ids=lambda p: p.name)
def test_the_tables_on_a_page_are_current(path):
    page = path.read_text(encoding="utf-8")
    assert page == with_tables(page), "run: python -m tests.make_descriptions"


def test_every_part_of_the_results_has_a_table_on_their_page():
    there = marked(WITH_TABLES[0].read_text(encoding="utf-8"))
    parts = {name for name, part in PARTS.items() if record_of(part.type)} - {"targets"}
    assert set(there) == parts | {
        "results",
        "place",
        "member",
        "height",
        "reading",
        "cause",
        "move",
        "proof",
        "what has a test",
    }


def test_words_are_those_of_the_judgement():
    assert set(results.STATE.choices) == set(STATES) == set(archive.STATES) - {"error"}
    assert list(results.VERDICT.choices) == list(VERDICTS)
    assert list(archive.KIND.choices) == list(KINDS)
    assert {measure.list: measure.unit for measure in MEASURES} == archive.LISTS


def test_a_declared_part_is_written_described_and_a_frame(weather):
    sky = Rows({"sky": ["blue"], "pressure_mm": [760.123456789], "place": ["Quay"]})
    facts = {"notes": [], "weather": sky, "staff": []}
    written = as_written(facts)
    assert list(written) == ["staff", "weather", "notes"]
    assert list(written["weather"]) == [{"place": "Quay", "pressure_mm": 760.1235, "sky": "blue"}]
    schema = schemas()["results.schema.json"]["properties"]["weather"]
    jsonschema.Draft202012Validator(schema).validate(list(written["weather"]))
    assert "| `pressure_mm` | number, mm or null | of mercury |" in with_tables(
        "<!-- keys of weather -->\n<!-- so far -->"
    )
    assert list(Result({"weather": []}).weather) == table("weather").names
    with pytest.raises(ValueError, match="one already"):
        declare(WEATHER)
