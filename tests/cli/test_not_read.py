"""The page of a job that could not be read: where it is written, what it says, what it leaves alone.

All jobs here are invented.
"""

import json
import os
from pathlib import Path

import pytest
from command_help import DATA, broken, run
from lxml import html
from workbooks import write_book

GOLDEN = Path(__file__).resolve().parents[1] / "report" / "golden" / "not-read.html"
SAID = "The table with each problem in its cell: "
SHOTS = "setup,at,instrument_height,mark,target_height,slope_distance,zenith_angle\n"
GOOD = "S1,A,1.600,B,1.500,50.120,90-00-10\n"


def page_of(done, folder):
    """The page that a command said it wrote, its problems by number as (row number, text of the marks)."""
    assert done.returncode == 2, done.stderr
    path = folder / done.stderr.split(SAID)[1].splitlines()[0]
    page = html.document_fromstring(path.read_text(encoding="utf-8"))
    marked = {}
    for link in page.xpath("//*[contains(@class, 'spoilt')]/a"):
        number = int(link.text.removeprefix("problem "))
        row = link.xpath("ancestor::tr/th[1]/text()")[0].strip()
        marks = link.xpath("preceding-sibling::mark[1]")
        marked.setdefault(number, []).append((row, marks[0].text_content() if marks else ""))
    numbers = [int(text.removeprefix("Problem ")) for text in page.xpath("//*[@class='wrong']//b/text()")]
    assert len(set(numbers)) == len(numbers)
    assert set(page.xpath("//@href[starts-with(., '#problem')]")) <= {f"#{id}" for id in page.xpath("//@id")}
    return page, marked


def text_of(page):
    return " ".join(page.xpath("string(//body)").split())


def job(folder, **tables):
    home = folder / "weir"
    home.mkdir()
    for name, text in tables.items():
        home.joinpath(f"{name}.csv").write_bytes(text if isinstance(text, bytes) else text.encode())
    return home


def test_a_small_page_is_as_it_was_looked_at(tmp_path):
    """Golden: this body was read by eye when it was written; WRITE_GOLDEN=1 writes it anew."""
    job(tmp_path, shots=SHOTS + GOOD + "S1,A,1.6OO,C,1.5,,89-74-10\n" + GOOD, marks="mark,Hgt\nA,100\n")
    page, marked = page_of(run("check", "weir", cwd=tmp_path), tmp_path)
    assert marked == {1: [("1", "Hgt")], 2: [("3", "1.6OO")], 3: [("3", "(blank)")], 4: [("3", "89-74-10")]}
    body = html.tostring(page.body, encoding="unicode")
    if os.environ.get("WRITE_GOLDEN"):
        GOLDEN.write_text(body, encoding="utf-8")
    assert body == GOLDEN.read_text(encoding="utf-8")


def test_stderr_and_status_stay_as_they_were(tmp_path):
    job(tmp_path, shots=SHOTS + GOOD.replace("1.600", "l.6"))
    without, done = (run("check", "weir", *more, cwd=tmp_path) for more in (["--no-page"], []))
    assert (without.returncode, done.returncode) == (2, 2)
    assert done.stderr == f"{without.stderr}{SAID}{Path('reports', 'weir', 'not-read.html')}\n"
    assert SAID not in without.stderr


@pytest.mark.parametrize("arguments", [("show",), ("bust",), ("plan",), ("check", "--json"), ("check", "--no-page")])
def test_nothing_is_written_where_no_page_would_be(tmp_path, arguments):
    job(tmp_path, shots=SHOTS + "S1\n")
    done = run(arguments[0], "weir", *arguments[1:], cwd=tmp_path)
    assert done.returncode == 2
    assert SAID not in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["weir"]


@pytest.mark.parametrize("command", ["show", "bust", "plan", "trust", "check"])
def test_a_folder_that_is_named_gets_it(tmp_path, command):
    job(tmp_path, shots=SHOTS + GOOD.replace("1.600", "l.6"))
    json_too = ["--json"] if command == "check" else []
    _, marked = page_of(run(command, "weir", "--to", "out", *json_too, cwd=tmp_path), tmp_path)
    assert marked == {1: [("2", "l.6")]}
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["not-read.html"]


def test_a_report_of_an_earlier_run_stays_and_is_said_to_be_one(tmp_path):
    home = tmp_path / "weir"
    home.mkdir()
    for path in (DATA / "bridge-check-shots").iterdir():
        (home / path.name).write_bytes(path.read_bytes())
    assert run("check", "weir", cwd=tmp_path).returncode == 0
    report = tmp_path / "reports" / "weir" / "report.html"
    before, sound = report.read_bytes(), (home / "shots.csv").read_text()
    (home / "shots.csv").write_text(sound + "S99,,,\n")
    done = run("check", "weir", cwd=tmp_path)
    page, _ = page_of(done, tmp_path)
    assert "report.html in that folder is of an earlier run." in done.stderr
    assert "report.html in this folder is of an earlier run" in text_of(page)
    assert report.read_bytes() == before
    (home / "shots.csv").write_text(sound)
    assert run("check", "weir", cwd=tmp_path).returncode == 0
    assert not report.with_name("not-read.html").exists()  # it would be of an earlier run now


def test_what_others_wrote_stays(tmp_path):
    home = job(tmp_path, shots=SHOTS + GOOD)
    (tmp_path / "out").mkdir()
    mine = tmp_path / "out" / "not-read.html"
    mine.write_text("notes of mine")
    run("show", "weir", "--to", "out", cwd=tmp_path)
    assert mine.read_text() == "notes of mine"
    (home / "shots.csv").write_text(SHOTS + GOOD.replace("1.600", "l.6"))
    done = run("show", "weir", "--to", "weir", cwd=tmp_path)
    assert done.returncode == 2
    assert "No page of it was written: weir holds a job's own tables" in " ".join(done.stderr.split())
    assert [path.name for path in home.iterdir()] == ["shots.csv"]
    done = run("show", "weir", "--to", Path("out", "not-read.html"), cwd=tmp_path)
    assert done.returncode == 2
    assert "No page of it could be written" in done.stderr


def test_a_path_that_nobody_reads_gets_none(tmp_path):
    done = run("check", "nowhere", cwd=tmp_path)
    assert done.returncode == 2
    assert list(tmp_path.iterdir()) == []


def test_a_fault_of_ours_at_the_page_hides_nothing_of_what_is_wrong(tmp_path):
    job(tmp_path, shots=SHOTS + GOOD.replace("1.600", "l.6"))
    env = broken(tmp_path, "heightnet.report.not_read_words:not_read_document")
    done = run("check", "weir", cwd=tmp_path, env=env)
    assert done.returncode == 2
    assert "read 'l.6'" in done.stderr
    assert "heightnet itself failed at the page of it" in done.stderr
    assert "Traceback" not in done.stderr
    assert len(list(tmp_path.glob("heightnet-fault-*.zip"))) == 1


# ---- every kind of file ----


def test_an_export_in_a_code_page_with_titles_and_semicolons(tmp_path):
    lines = ["Steinbruch;;;", "", "Setup;Inst hgt;At;Point;Pole;Slope dist;Zenith",
             "S1;1,611;A;Pö2;1,425;237,305;88-47-36", "S1;1,6x;A;P3;1,425;125,350;90-42-27"]  # fmt: skip
    (tmp_path / "quarry.csv").write_bytes("\r\n".join(lines).encode("cp1252"))
    page, marked = page_of(run("check", "quarry.csv", cwd=tmp_path), tmp_path)
    assert "quarry.csv could not be read" in text_of(page)
    assert marked == {1: [("4", "")]}  # which code page is open: of the row, not of a cell
    assert page.xpath("//td[text()='Pö2']")
    (tmp_path / "columns.toml").write_text('encoding = "cp1252"\n[shots]\n"Pole" = "target_height"\n')
    page, marked = page_of(run("check", "quarry.csv", cwd=tmp_path), tmp_path)
    assert ("5", "1,6x") in [place for places in marked.values() for place in places]
    assert page.xpath("//thead//tr[th[1]='3']")  # the headings stand in row 3


def test_files_read_together_are_counted_on(tmp_path):
    (tmp_path / "one.csv").write_text(SHOTS + GOOD)
    (tmp_path / "two.csv").write_text(SHOTS + GOOD + GOOD.replace("1.500", "1.5oo"))
    (tmp_path / "columns.toml").write_text('[file.shots]\nfiles = ["two.csv"]\nangle = "dms"\n')
    _, marked = page_of(run("check", "one.csv", cwd=tmp_path), tmp_path)
    assert marked == {1: [("5", "1.5oo")]}  # the third row of the second file, two rows being in the first


def test_a_workbook(tmp_path):
    book = write_book(
        tmp_path / "book.xlsx", setups=[["Set-ups of Monday"], [], ["setup", "mark", "height"], ["S1", "BM1", "1.5b"]],
        job=[["setting", "value"], ["units.lenght", "m"]],
    )  # fmt: skip
    page, marked = page_of(run("check", book.name, cwd=tmp_path), tmp_path)
    assert ("4", "1.5b") in [place for places in marked.values() for place in places]
    assert page.xpath("//thead//tr[th[1]='3']")
    assert "units.length" in text_of(page)


def test_landxml_by_line_and_attribute(tmp_path):
    (tmp_path / "s.xml").write_text(
        '<?xml version="1.0"?>\n<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2">\n'
        '<Units><Metric linearUnit="meter" angularUnit="decimal dd.mm.ss" directionUnit="decimal dd.mm.ss"/></Units>\n'
        '<Survey>\n<InstrumentSetup id="i" stationName="A" instrumentHeight="1.5">\n<InstrumentPoint name="A"/>\n'
        '</InstrumentSetup>\n<ObservationGroup id="g" setupID="i">\n'
        '<RawObservation setupID="i" targetHeight="one" slopeDistance="50" zenithAngle="90.0010">'
        '<TargetPoint name="&lt;B&gt;"/></RawObservation>\n</ObservationGroup>\n</Survey>\n</LandXML>\n'
    )
    page, marked = page_of(run("check", "s.xml", cwd=tmp_path), tmp_path)
    assert ("9", 'targetHeight="one"') in [place for places in marked.values() for place in places]
    assert "&lt;B&gt;" in text_of(page)  # the file's own escape is shown


def test_a_setting_is_marked_in_its_line(tmp_path):
    home = job(tmp_path, shots=SHOTS + GOOD)
    (home / "job.toml").write_text('# weir\n[units]\nlenght = "m"\n')
    _, marked = page_of(run("check", "weir", cwd=tmp_path), tmp_path)
    assert marked == {1: [("3", 'lenght = "m"')]}


# ---- what is hostile, and what is much ----


def test_what_a_cell_holds_does_nothing(tmp_path):
    evil = '"<script>alert(1)</script>","<img src=x onerror=alert(1)>"\n'
    told = "\ue000mark:A\ue001height_m\ue0011\ue001proved\ue002,\u202e1\n"
    job(tmp_path, marks="mark,height\n" + evil + told + '"</td></table><h1>x",1e\n')
    page, marked = page_of(run("check", "weir", cwd=tmp_path), tmp_path)
    assert not page.xpath("//script | //img | //@onerror | //@style | //@data-of")
    assert len(page.xpath("//h1")) == 1
    assert ("2", "<img src=x onerror=alert(1)>") in [place for places in marked.values() for place in places]
    assert "default-src 'none'" in page.xpath("//meta[@http-equiv]/@content")[0]


def test_a_row_of_ten_thousand_cells_and_one_of_many_characters(tmp_path):
    wide = GOOD.strip() + "," + ",".join(map(str, range(10_000))) + "\n"
    job(tmp_path, shots=SHOTS + GOOD + wide + GOOD.replace("S1", "S" * 9_000))
    page, _ = page_of(run("check", "weir", cwd=tmp_path), tmp_path)
    assert "more cells" in text_of(page)
    assert "(9,000 characters)" in text_of(page)
    assert len(html.tostring(page)) < 60_000


@pytest.mark.parametrize(
    "table",
    [bytes(range(256)) * 40, b"\xff\xfe" + bytes(range(255, 0, -1)) * 7, b"mark,height\nA,\"1\nB,2\n", b"\0" * 5_000,
     b"", b",".join([b"h"] * 10_000) + b"\n1\n", b"PK\x03\x04rubbish"],
    ids=["binary", "half a UTF-16", "open quotation", "zeros", "empty", "wide headings", "an archive"],
)  # fmt: skip
def test_no_rubbish_breaks_the_page(tmp_path, table):
    job(tmp_path, marks=table)
    page, _ = page_of(run("check", "weir", cwd=tmp_path), tmp_path)
    assert "marks.csv" in text_of(page)


def test_a_damaged_workbook(tmp_path):
    book = write_book(tmp_path / "book.xlsx", setups=[["setup", "mark", "height"], ["S1", "BM1", "1.5b"]])
    whole = book.read_bytes()
    for size in (40, len(whole) // 2, len(whole) - 30):
        book.write_bytes(whole[:size])
        page, _ = page_of(run("check", book.name, cwd=tmp_path), tmp_path)
        assert "book.xlsx" in text_of(page)


def test_many_are_counted(tmp_path):
    columns = ["height", "sd_mm", "east", "north", "mark"]
    rows = [f"{'x' * 300},x,x,x,M{i}" if i % 2 else f"x,-5,x,x,{'m' * 300}{i}" for i in range(500)]
    job(tmp_path, marks=",".join(columns) + "\n" + "\n".join(rows) + "\n")
    done = run("check", "weir", cwd=tmp_path)
    page, marked = page_of(done, tmp_path)
    assert len(marked) == 60
    assert "more problems of this file, all on the terminal" in text_of(page)
    headline = page.xpath("string(//h1)")
    assert headline.rpartition(": ")[2] in done.stderr.splitlines()[0]


def test_a_million_rows_are_read_only_as_far_as_the_last_problem(tmp_path):
    from heightnet.errors import InputProblem
    from heightnet.job.again import AROUND, look_again

    with (job(tmp_path) / "marks.csv").open("w") as file:
        file.write("mark,height\n")
        file.writelines(f"M{i},100.5\n" for i in range(1_000_000))
    last = InputProblem("marks.csv", 1_000_001, "height", "100.5", "")
    found = look_again(tmp_path / "weir", None, [last])["marks.csv"]
    assert set(found.rows) == {1, *range(last.row - AROUND, last.row + 1)}
    assert found.rows[last.row] == ["M999999", "100.5"]


def test_files_that_reading_did_not_open_are_not_opened_here(tmp_path):
    from heightnet.errors import InputProblem
    from heightnet.job.again import look_again

    (tmp_path / "secret.csv").write_text(SHOTS + GOOD)
    home = job(tmp_path, shots=SHOTS + GOOD)
    asked = [
        InputProblem(name, 2, "", "", "") for name in ("../secret.csv", "secret.csv", str(tmp_path / "secret.csv"))
    ]
    assert look_again(home, None, asked) == {}


def test_show_says_the_same_on_its_page_with_its_doubts_on_top(tmp_path):
    home = tmp_path / "weir"
    home.mkdir()
    for path in (DATA / "quarry-traverse").iterdir():
        (home / path.name).write_bytes(path.read_bytes())
    (home / "photographs.csv").write_text("a,b\n1,2\n")
    done = run("show", "weir", "--to", "out", "--all", cwd=tmp_path)
    assert done.returncode == 0
    page = html.document_fromstring((tmp_path / "out" / "show.html").read_text(encoding="utf-8"))
    shown = text_of(page).replace("\xa0", " ")
    lines = done.stdout.split("The page: ")[0].split("\n\n")
    words = [word for part in lines for word in part.split()]
    missing = [word for word in dict.fromkeys(words) if word not in shown]
    assert missing == []
    headings = [h for h in page.xpath("//h2/text()")]
    assert headings[0] == "In doubt: look at these first"
    assert json.loads((tmp_path / "out" / "show.json").read_text())["notes"]
