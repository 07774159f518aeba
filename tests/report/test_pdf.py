"""report.pdf is printed by an installed browser, or a sentence says how to get one."""

import os

import pytest
import sample_facts

from heightnet.errors import HeightnetError
from heightnet.report import pdf
from heightnet.report.page import page


@pytest.fixture
def report(tmp_path):
    path = tmp_path / "report.html"
    path.write_text(page(sample_facts.clean()), encoding="utf-8")
    return path


def test_without_a_browser_the_message_names_the_way_out(report, monkeypatch):
    monkeypatch.setenv("HEIGHTNET_BROWSER", "no-such-browser")
    with pytest.raises(HeightnetError, match=r"none was found.*print it to a PDF"):
        pdf.print_page(report, report.with_suffix(".pdf"))
    assert os.listdir(report.parent) == ["report.html"]


def test_a_browser_that_fails_leaves_nothing_and_says_so(report, monkeypatch):
    monkeypatch.setenv("HEIGHTNET_BROWSER", "false")
    with pytest.raises(HeightnetError, match="ended with status 1"):
        pdf.print_page(report, report.with_suffix(".pdf"))
    assert os.listdir(report.parent) == ["report.html"]


@pytest.mark.browser
@pytest.mark.skipif(pdf.browser() is None, reason="needs an installed chromium (Debian package chromium)")
def test_the_page_is_printed(report):
    printed = pdf.print_page(report, report.with_suffix(".pdf"))
    assert printed.read_bytes().startswith(b"%PDF") and sorted(os.listdir(report.parent)) == [
        "report.html",
        "report.pdf",
    ]
