"""``--seconds``: a search that is stopped by the clock says so, and one that is not is the same as ever."""

import json
import re

import pytest
from command_help import DATA, run

from heightnet.report.numbers import of_100

MARSH = DATA / "saltmarsh-antennas"  # its search takes a tenth of a second and more


@pytest.mark.parametrize("job", [MARSH, DATA / "mill-levels"], ids=lambda path: path.name)
def test_a_clock_that_does_not_strike_changes_nothing(job):
    plain, watched = (run("check", job, "--json", *more) for more in ((), ("--seconds", "1000")))
    assert plain.returncode == watched.returncode == 1
    assert plain.stdout == watched.stdout
    assert json.loads(plain.stdout)["judgement"]["stopped"] == ""


def test_where_it_strikes_terminal_page_and_results_say_so(tmp_path):
    done = run("check", MARSH, "--seconds", "0.01", "--to", tmp_path / "out")
    assert done.returncode == 1
    said = " ".join(done.stdout.split())
    facts = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))
    assert facts["judgement"]["stopped"] == "seconds" and 0.5 < facts["judgement"]["searched"] <= 1
    assert max(e["probability"] for e in facts["explanations"]) <= facts["judgement"]["searched"]
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    for text in (said, re.sub("<[^>]*>", "", page).replace("\N{NO-BREAK SPACE}", " ")):
        share = of_100(facts["judgement"]["searched"])
        assert f"{share} was looked at: the search was stopped after the seconds asked for." in text
