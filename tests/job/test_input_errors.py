"""Bad input: every problem of a job at once, each with its place, what was read and what was expected."""

import os

import pytest

import heightnet
from heightnet import InputErrors


def problems(path):
    with pytest.raises(InputErrors) as caught:
        heightnet.read_job(path)
    found = caught.value.problems
    assert all(p.expected for p in found)
    assert all(str(p) for p in found)
    return found


def one(path):
    found = problems(path)
    assert len(found) == 1, str(found)
    return found[0]


SHOTS = "setup,target,slope_distance,zenith_angle,face\n"
GOOD = "S1,T1,50.990,88-36-10,\n"

# table, its text, and of the one problem: row, column, part of what was read, part of what is said besides
CASES = [
    ("marks", "mark,height\nBM1,abc\n", 2, "height", "abc", "a number from -12,000 to 100,000 m or blank"),
    ("marks", "mark,height\nBM1,nan\n", 2, "height", "nan", "Leave the cell blank"),
    ("marks", "mark,height\nBM1,-inf\n", 2, "height", "-inf", "Leave the cell blank"),
    ("marks", "mark,height\nBM1,1e999\n", 2, "height", "1e999", "a number"),
    ("marks", "mark,height\nBM1,1_000\n", 2, "height", "1_000", "a number"),
    ("marks", 'mark,height\nBM1,"1,000.5,3"\n', 2, "height", "1,000.5,3", "nothing between thousands"),
    ("marks", "mark,height\nBM1,100.5 ft\n", 2, "height", "100.5 ft", "A number only"),
    ("marks", "mark,height\nBM1,=A1\n", 2, "height", "=A1", "A formula"),
    ("marks", "mark,height\nBM1,#REF!\n", 2, "height", "#REF!", "error value"),
    ("marks", "mark,height,sd_mm\nBM1,100,-1\n", 2, "sd_mm", "-1", "0, or a number from 0.001 to 1,000,000 mm"),
    ("marks", "mark,height\nBM1,100\nBM2,101\nBM1,102\n", 4, "mark", "BM1", "Row 2 has it already"),
    ("marks", "mark,height\n,100\n", 2, "mark", "", "a name"),
    ("marks", "mark,hieght\nBM1,100\n", 1, "hieght", "hieght", "It may be height: Known height of the mark."),
    ("marks", "mark,height,RL\nBM1,100,100.5\n", 1, "RL", "RL", "'height' is read as height already"),
    ("marks", "height\n100\n", 1, "mark", "", "a column mark"),
    ("marks", "mark,height,,east\nBM1,100,7,1\n", 1, "", "", "a heading over every column"),
    ("marks", "mark,height (ft)\nBM1,100\n", 1, "height (ft)", "height (ft)", "lengths in m"),
    ("shots", "setup,target,SD,zenith_angle (ft)\nS1,T1,5,91-00-00\n", 1, "zenith_angle (ft)", "", "angles in dms"),
    ("setups", "setup,mark,height,sd_mm (m)\nS1,BM1,1,1\n", 1, "sd_mm (m)", "", "millimetres, whatever"),
    ("levels", "from,to,rise,setups (m)\nA,B,1,1\n", 1, "setups (m)", "", "no unit"),
    ("marks", "mark,height\nBM1,100,7\n", 2, "", "7", "2 cells"),
    ("marks", "", None, "", "", "empty"),
    ("marks", b"PK\x03\x04 and so on", None, "", "not text", "zip archive"),
    ("marks", b"mark,height\nBM\x001,100\n", None, "", "NUL", "not text"),
    ("marks", 'mark,height\n"BM1,100\n', 2, "", "unexpected end", "quotation mark"),
    ("marks", "mark,height\nBM1,100\n" + "x" * 5_000_000 + ",1\n", 3, "", "10000", "quotation mark"),
    ("marks", "mark,height\n" + "x" * 1000 + ",100\n", 2, "mark", "xxx", "at most 200 characters"),
    ("marks", 'mark,height\n"BM\n1",100\n', 2, "mark", "BM\n1", "a name on one line"),
    ("marks", "mark,height\nBM\x07,100\n", 2, "mark", "BM\x07", "cannot be printed"),
    ("marks", "mark,height\nStraße,1\n".encode("latin-1"), 2, "", "Straße,1", "save the file as UTF-8"),
    ("marks", "mark,Höhe\nBM1,1\n".encode("latin-1"), 1, "", "mark,Höhe", "save the file as UTF-8"),
    ("marks", "mark,he\x1b[2Jight\nBM1,1\n", 1, "he?[2Jight", "", "It may be height: Known height of the mark."),
    ("setups", "setup,mark,height\nS1,BM1,101.5\n", 2, "height", "101.5", "elevation of the line of sight"),
    ("setups", "setup,mark,height,sd_mm\nS1,BM1,1.5,0\n", 2, "sd_mm", "0", "a number from 0.001 to 1,000,000 mm"),
    ("targets", "target,mark,height\nT1,,1.6\n", 2, "mark", "", "a name"),
    ("shots", SHOTS + "S1,T1,-5,88-36-10,\n", 2, "slope_distance", "-5", "a number from 0.001 to 300,000 m"),
    ("shots", SHOTS + "S1,T1,0,88-36-10,\n", 2, "slope_distance", "0", "a number from 0.001 to 300,000 m"),
    ("shots", SHOTS + "S1,T1,,88-36-10,\n", 2, "slope_distance", "", "a number"),
    ("shots", SHOTS + GOOD + "S1,T1,5,0-00-00,\n", 3, "zenith_angle", "0-00-00", "carries no distance"),
    ("shots", SHOTS + GOOD + "S1,T1,5,180 00 00,\n", 3, "zenith_angle", "180 00 00", "straight down"),
    ("shots", SHOTS + GOOD + "S1,T1,5,400-00-00,\n", 3, "zenith_angle", "400-00-00", "Is units.angle right?"),
    ("shots", SHOTS + GOOD + "S1,T1,5,-1-00-00,\n", 3, "zenith_angle", "-1-00-00", "90° less the vertical"),
    ("shots", SHOTS + "S1,T1,5,88.60,\n", 2, "zenith_angle", "88.60", "units.angle"),
    ("shots", SHOTS + "S1,T1,5,1-20-00,\nS1,T1,5,358-40-00,\n", 2, "zenith_angle", "within 30°", "vertical angles"),
    ("shots", SHOTS + "S1,T1,5,88-36-10,X\n", 2, "face", "X", "one of L, R"),
    ("shots", SHOTS + "S1,T1,5,88-36-10,R\n", 2, "face", "R", "face L with"),
    ("shots", SHOTS + "S1,T1,5,271-23-50,L\n", 2, "face", "L", "face R with"),
    ("shots", SHOTS + "S1,T1,5,271-23-50,\n", 2, "face", "", "A mean of both faces lies below 180"),
    ("shots", SHOTS + "S2,T1,5,88-36-10,\n", 2, "setup", "S2", "nearest is 'S1'"),
    ("shots", SHOTS + "S1,T01,5,88-36-10,\n", 2, "target", "T01", "nearest is 'T1'"),
    ("shots", SHOTS + "S1,,5,88-36-10,\n", 2, "target", "", "a target, or the mark"),
    ("shots", SHOTS + ",T1,5,88-36-10,\n", 2, "setup", "", "a name"),
    ("shots", "setup,target,SD,vertical_angle\nS1,T1,5,1-00-00\n", 1, "vertical_angle", "", "from the horizon"),
    ("levels", "from,to,rise,length\nBM1,BM1,1,100\n", 2, "to", "BM1", "another mark"),
    ("levels", "from,to,rise\nBM1,BM2,1\n", 2, "sd_mm", "", "sd_mm, length or setups"),
    ("levels", "from,to,rise,setups\nBM1,BM2,1,0\n", 2, "setups", "0", "a number from 0.5 to 1,000,000"),
    ("staff", "setup,mark,reading,time\nL1,BM1,1,2026-13-45\n", 2, "when", "2026-13-45", "a date and time that there"),
    ("staff", "setup,mark,reading,time\nL1,BM1,1,2026-05-04 9:71\n", 2, "when", "2026-05-04 9:71", "a date and time"),
    ("staff", "level_setup,mark,reading\nL1,BM1,\n", 2, "reading", "", "a number"),
    ("staff", "point,BS,FS\nBM1,,1.2\n", 2, "fore_sight", "1.2", "a back sight before it"),
    ("staff", "point,BS,FS\nBM1,1.1,\nBM2,,\n", 3, "back_sight", "", "a back sight, intermediate sight or fore"),
    ("staff", "point,BS,FS,reading\nBM1,1.1,,1.1\nBM2,,1.7,1.4\n", 3, "reading", "1.4", "nothing, or 1.7 again"),
    ("tape", "setup,target,reading,scale\nS1,T1,1.5,m\n", 2, "", "setup S1, target T1", "whose height it is"),
    ("tape", "setup,reading,scale\n,1.5,m\n", 2, "", "", "whose height it is"),
    ("tape", "setup,reading,scale\nS9,1.5,m\n", 2, "setup", "S9", "nearest is 'S1'"),
    ("tape", "setup,reading,scale\nT1,1.5,m\n", 2, "setup", "T1", "'T1' is a target"),
    ("tape", "setup,reading,scale\nS1,1.5,yd\n", 2, "scale", "yd", "one of m, mm, ft, ftUS, ftin"),
    ("tape", "setup,reading,scale\nS1,\"5' 2\"\"\",m\n", 2, "reading", "5' 2\"", "scale ftin"),
    ("tape", "setup,reading,scale,kind\nS1,1.5,m,slant\n", 2, "radius_mm", "", "a slant is measured beside"),
    ("tape", "setup,reading,scale,kind,radius_mm\nS1,0.1,m,slant,100\n", 2, "reading", "0.1", "longer than its radius"),
    ("tape", "setup,reading,scale,point\nS1,1.5,m,hook\n", 2, "point", "hook", "names no instrument"),
    ("tape", "setup,reading,scale,part\nS1,1.5,m,a\n", 2, "part", "a", "Parts have kind part"),
    ("equipment", "equipment,point,usual\nP,a,yes\nP,b,yes\n", 3, "usual", "yes", "Row 2 is its usual point"),
    ("equipment", "equipment,point,usual\nP,a,perhaps\n", 2, "usual", "perhaps", "yes or no"),
    ("equipment", "equipment,point\nP,a\nP,a\n", 3, "point", "P, a", "Row 2 has it already"),
    ("equipment", "equipment,point,carries\nP,a,target\nP,b,instrument\n", 3, "carries", "instrument", "one and the"),
    ("toml", "units = 3\n", 1, "units", "3", "a setting of a job"),
    ("toml", "[units]\nlength = 'yards'\n", 2, "units.length", "yards", "one of m, ft, ftUS"),
    ("toml", "[precision]\ntape = 1\n", 2, "precision.tape", "1", "precision.tape_mm"),
    ("toml", "[precision]\ntape_mm = '1'\n", 2, "precision.tape_mm", "1", "without quotation marks"),
    ("toml", "[precision]\ntape_mm = 0\n", 2, "precision.tape_mm", "0", "a number from 0.001 to 1,000,000 mm"),
    ("toml", "[precision]\ntape_mm = true\n", 2, "precision.tape_mm", "True", "a number"),
    ("toml", "[precision]\ntape_mm = nan\n", 2, "precision.tape_mm", "nan", "a number"),
    ("toml", "[test]\nfalse_alarm = 1.0\n", 2, "test.false_alarm", "1.0", "a number from 0.001 to 0.2"),
    ("toml", "[test]\nalpha = 0x" + "f" * 5000 + "\n", 2, "test.alpha", "very large", "a number from 0.000001 to 0.5"),
    ("toml", "title = [\n", None, "", "", "TOML"),
    ("toml", "a = " + "[" * 20000 + "\n", None, "", "", "TOML"),
    ("toml", "title = 'x'\ntitle = 'y'\n", 2, "", "title", "TOML"),
    ("toml", b"title = '\xe9'\n", 1, "", "", "UTF-8"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "content", "row", "column", "read", "says"), CASES)
def test_one_thing_wrong_gives_one_problem(folder, plain, table, content, row, column, read, says):
    plain[table] = content
    found = one(folder(**plain))
    assert found.file == ("job.toml" if table == "toml" else f"{table}.csv")
    assert found.row == row or (row is None and table == "toml")
    assert found.column == column
    assert read in found.read
    assert says in f"{found.expected}. {found.cause}"


def test_everything_at_once_in_file_and_row_order(folder, plain):
    plain["marks"] = "mark,height\nBM1,x\nBM2,y\n"
    plain["shots"] = "setup,target,slope_distance,zenith_angle\nS7,T7,-1,88\n"
    plain["toml"] = "[test]\npower = 2\n"
    places = [(p.file, p.row, p.column) for p in problems(folder(**plain))]
    assert places == [
        ("job.toml", 2, "test.power"),
        ("marks.csv", 2, "height"),
        ("marks.csv", 3, "height"),
        ("shots.csv", 2, "slope_distance"),
        ("shots.csv", 2, "zenith_angle"),
        ("shots.csv", 2, "setup"),
        ("shots.csv", 2, "target"),
    ]


def test_a_million_of_a_kind_are_counted(folder, plain):
    plain["shots"] = "setup,target,slope_distance,zenith_angle\n" + "S1,T1,50,88.5\n" * 1000
    found = problems(folder(**plain))
    assert len(found) == 21
    assert found[-1].read == "980 more rows like these"


@pytest.mark.parametrize(
    ("unit", "text"),
    [
        ("gon", "0"),
        ("gon", "200"),
        ("gon", "400"),
        ("deg", "0.0"),
        ("deg", "180"),
        ("deg", "360"),
        ("packed", "180.0000"),
    ],
)
def test_straight_up_down_and_full_circles_in_every_unit(folder, plain, unit, text):
    level = "100.1" if unit == "gon" else "90.1"
    plain["toml"] = f'[units]\nangle = "{unit}"\n'
    plain["shots"] = SHOTS + f"S1,T1,5,{level},\nS1,T1,5,{text},\n"
    found = one(folder(**plain))
    assert (found.row, found.column, found.read) == (3, "zenith_angle", text)
    assert "not straight up, straight down or a full circle" in found.expected


def test_many_that_differ_only_in_what_they_quote_are_counted_too(folder, plain):
    rows = "".join(f"S{i // 2},M{i // 2},1.{i:03d},B,1.6,50,90-00-10\n" for i in range(100))
    shots = "setup,at,instrument_height,mark,target_height,slope_distance,zenith_angle\n" + rows
    found = problems(folder("flat", shots=shots))
    assert len(found) == 21
    assert (found[-1].read, found[-1].expected) == ("30 more rows like these", "one instrument_height for each setup")
    staff = "level_setup,mark,reading\n" + "".join(f"L{i},P{i},1.5\n" for i in range(100))
    notes = heightnet.read_job(folder("book", staff=staff)).notes
    assert len(notes) == 21
    assert notes[-1].text == "80 more like these: level set-ups with one reading"


def test_flat_rows_that_contradict_each_other_or_a_table(folder, plain):
    shots = "setup,at,instrument_height,mark,target_height,slope_distance,zenith_angle\n"
    shots += "S1,A,1.5,B,1.6,50,90-00-10\nS1,A,1.6,B,1.6,50,90-00-10\nS1,C,,B,1.6,50,90-00-10\n"
    found = problems(folder("flat", shots=shots))
    assert [(p.row, p.column, p.read) for p in found] == [(3, "instrument_height", "1.6"), (4, "at", "C")]
    plain["shots"] = shots.replace("S1,A,1.5", "S1,BM1,1.536")
    found = problems(folder("both", **plain))
    assert [(p.row, p.column, p.read) for p in found] == [
        (3, "at", "A"),
        (3, "instrument_height", "1.6"),
        (4, "at", "C"),
    ]


def test_no_setups_at_all(folder, plain):
    del plain["setups"], plain["targets"]
    found = problems(folder(**plain))
    assert [(p.column, p.cause) for p in found] == [
        ("setup", "The job has no setups: add the table, or the columns at and instrument_height to shots."),
        ("target", "The job has no targets: add the table, or the columns mark and target_height to shots."),
    ]


def test_points_of_equipment(folder, plain):
    plain["equipment"] = (
        "equipment,point,radius_mm,offset_mm,carries\nTS1,hook,100,50,instrument\nTS2,hook,90,50,instrument\n"
    )
    plain["setups"] = "setup,mark,instrument,tripod\nS1,BM1,TS1,K\nS2,BM1,TS2,K\nS3,BM1,TS3,\n"
    plain["tape"] = "setup,tripod,reading,scale,kind,point,radius_mm\n"
    plain["tape"] += "S1,,1.5,m,slant,hok,\nS1,,1.5,m,slant,hook,90\n,K,1.5,m,slant,hook,\n"
    found = {(p.file, p.row, p.column): f"{p.expected}. {p.cause}" for p in problems(folder(**plain))}
    assert "nearest is 'hook'" in found["tape.csv", 2, "point"]
    assert "TS1, hook: radius 100 mm, offset 50 mm" in found["tape.csv", 3, "radius_mm"]
    assert "give radius_mm and offset_mm" in found["tape.csv", 4, "point"]
    assert "a name that equipment lists" in found["setups.csv", 4, "instrument"]


def test_one_stand_over_two_marks(folder, plain):
    plain["setups"] = "setup,mark,height,tripod\nS1,BM1,1.5,K\n"
    plain["targets"] = "target,mark,height,tripod\nT1,BM2,1.5,K\n"
    found = one(folder(**plain))
    assert (found.file, found.row, found.column) == ("targets.csv", 2, "tripod")
    assert "setups.csv, row 2 has it over BM1" in found.cause


def test_a_level_books_hi_is_the_line_of_sight(folder):
    staff = "point,BS,FS,HI,RL\nBM1,1.234,,1.520,100.000\nBM2,,1.434,,99.800\n"
    found = one(folder(marks="mark,height\nBM1,100\n", staff=staff))
    assert (found.row, found.column, found.read) == (2, "line_of_sight", "1.52")
    assert "height of the line of sight" in found.cause


def test_nothing_observed(folder):
    found = one(folder(marks="mark,height\nBM1,100\n", shots="setup,target,slope_distance,zenith_angle\n"))
    assert found.read == "no observation"


class TestPaths:
    def test_no_such_job_names_the_nearest(self, folder, plain):
        home = folder("weir", **plain)
        assert "'weir'" in one(home.parent / "wier").cause

    def test_an_empty_folder(self, tmp_path):
        assert "heightnet new" in one(tmp_path).cause

    def test_other_files_say_what_to_do(self, tmp_path):
        for name, says in (("a.xml", "damaged"), ("a.xls", ".xlsx"), ("shot.csv", "'shots'")):
            (tmp_path / name).write_text("x")
            assert says in one(tmp_path / name).cause

    def test_a_table_or_the_settings_stand_for_their_folder(self, folder, plain):
        home = folder(**plain, toml="")
        assert heightnet.read_job(home / "shots.csv").name == heightnet.read_job(home / "job.toml").name == "job"

    def test_a_misspelt_file(self, folder, plain):
        plain["setup"] = plain.pop("setups")
        found = problems(folder(**plain))
        assert ("setup.csv", "The nearest table is 'setups'.") in [(p.file, p.cause) for p in found]

    def test_two_files_for_one_table(self, folder, plain):
        home = folder(**plain)
        (home / "Marks.CSV").write_text(plain["marks"])
        assert one(home).expected == "one file for marks"

    def test_links_do_not_lead_out_of_the_folder(self, folder, plain, tmp_path):
        (tmp_path / "secret.txt").write_text(plain["marks"])
        home = folder(**{n: t for n, t in plain.items() if n != "marks"})
        os.symlink(tmp_path / "secret.txt", home / "marks.csv")
        assert one(home).read == "a link out of the job's folder"

    def test_a_link_to_itself(self, folder, plain):
        home = folder(**{n: t for n, t in plain.items() if n != "marks"})
        os.symlink("marks.csv", home / "marks.csv")
        assert one(home).read == "no ordinary file"

    def test_a_path_no_file_can_have(self):
        assert "too long" in one("x" * 5000).read
        assert one("a\0b").expected

    def test_a_pipe_is_not_waited_for(self, folder, plain):
        home = folder(**{n: t for n, t in plain.items() if n != "marks"})
        os.mkfifo(home / "marks.csv")
        assert one(home).read == "no ordinary file"
