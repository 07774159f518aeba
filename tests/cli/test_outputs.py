"""--to, --pdf, --json and --tolerance: one meaning in every command."""

import json
import shutil
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from heightnet.commands.group import cli
from heightnet.report import pdf, task_output

DATA = Path(__file__).resolve().parents[2] / "data"
MADE = {
    "check": ["check", str(DATA / "bridge-check-shots")], "bust": ["bust", str(DATA / "mill-levels")],
    "prove": ["prove", str(DATA / "bridge-check-shots"), "--setup", "B1"],
    "plan": ["plan", str(DATA / "tunnel-forced-centring"), "--budget", "5"], "tape": ["tape", "1.586", "1.587"],
    "show": ["show", str(DATA / "mill-levels")], "trust": ["trust", str(DATA / "bridge-check-shots"), "--runs", "3"],
}  # fmt: skip


@pytest.fixture
def printing(monkeypatch):
    """No browser: what would be printed is copied."""

    def copied(page, to):
        to.write_bytes(page.read_bytes())
        return to

    for module in (pdf, task_output):
        monkeypatch.setattr(module, "print_page", copied)


def options(name):
    command = cli.get_command(click.Context(cli), name)
    return {p.opts[0]: p for p in command.params if isinstance(p, click.Option)}


@pytest.mark.parametrize("name", [*MADE, "archive"])
def test_the_same_options_with_the_same_words(name):
    mine, checks = options(name), options("check")
    assert {"--to", "--pdf", "--json"} <= set(mine)
    assert mine["--json"].help == checks["--json"].help
    if "--tolerance" in mine:
        assert mine["--tolerance"].help == checks["--tolerance"].help
        assert (mine["--tolerance"].type.within.low, mine["--tolerance"].type.within.high) == (0.01, 1000)


@pytest.mark.parametrize("name", MADE)
def test_facts_page_and_pdf_go_where_to_says(name, tmp_path, printing):
    done = CliRunner().invoke(cli, [*MADE[name], "--json", "--to", str(tmp_path / "out"), "--pdf"])
    assert done.exit_code in (0, 1), done.output
    page = "report" if name == "check" else name
    there = {path.name for path in (tmp_path / "out").iterdir()}
    assert {f"{page}.html", f"{page}.pdf"} <= there
    kept = "results.json" if name == "check" else f"{name}.json"
    assert json.loads(done.stdout) == json.loads((tmp_path / "out" / kept).read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", MADE)
def test_json_alone_writes_nothing_and_a_pdf_needs_a_folder(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert CliRunner().invoke(cli, [*MADE[name], "--json"]).exit_code in (0, 1)
    refused = CliRunner().invoke(cli, [*MADE[name], "--json", "--pdf"])
    assert refused.exit_code == 2
    assert "--to FOLDER" in refused.output
    assert list(tmp_path.iterdir()) == []


def test_a_page_that_is_left_out_is_not_printed(tmp_path):
    done = CliRunner().invoke(cli, [*MADE["check"], "--no-page", "--pdf", "--to", str(tmp_path / "out")])
    assert done.exit_code == 2
    assert not (tmp_path / "out").exists()


def test_no_report_among_a_jobs_own_tables(tmp_path):
    (tmp_path / "marks.csv").write_text("mark\n")
    for name in MADE:
        done = CliRunner().invoke(cli, [*MADE[name], "--to", str(tmp_path)])
        assert type(done.exception).__name__ == "HeightnetError" or done.exit_code == 2
        assert {path.name for path in tmp_path.iterdir()} == {"marks.csv"}


@pytest.mark.skipif(pdf.browser() is None, reason="needs an installed chromium (Debian package chromium)")
def test_a_task_is_printed(tmp_path):
    assert CliRunner().invoke(cli, [*MADE["tape"], "--to", str(tmp_path / "out"), "--pdf"]).exit_code == 0
    assert (tmp_path / "out" / "tape.pdf").read_bytes().startswith(b"%PDF")


def test_an_archive_has_them_too(tmp_path, printing):
    office = tmp_path / "office"
    shutil.copytree(DATA / "bridge-check-shots", office / "job")
    out = tmp_path / "out"
    arguments = ["archive", str(office), "--to", str(out), "--no-page", "--workers", "1", "--json", "--pdf"]
    done = CliRunner().invoke(cli, arguments)
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout) == json.loads((out / "archive.json").read_text(encoding="utf-8"))
    assert (out / "index.pdf").exists()
