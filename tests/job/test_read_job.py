"""Reading a folder: what a good job becomes."""

import math

import numpy as np
import pytest

import heightnet
from heightnet.job.convert import Batch, Sheet, convert
from heightnet.job.problems import Problems
from heightnet.ledger.recorded import TABLES
from heightnet.ledger.settings import Units


def texts(job, kind):
    return [n.text for n in job.notes if n.kind == kind]


def test_a_plain_job_in_metres_and_radians(folder, plain):
    job = heightnet.read_job(folder(**plain))
    assert job.name == "job"
    assert job.marks["mark"].tolist() == ["BM1", "BM2"]
    assert job.marks["sd"].iloc[0] == 0 and math.isnan(job.marks["sd"].iloc[1])
    shot = job.shots.iloc[0]
    assert shot["slope_distance"] == 50.990
    assert shot["zenith_angle"] == pytest.approx(math.radians(88 + 36 / 60 + 10 / 3600), abs=1e-15)
    assert (shot["face"], shot["session"], shot["row"]) == ("", "", 2)
    assert job.files["shots"] == "shots.csv"
    assert job.notes == ()
    for table in TABLES:
        assert list(job.tables[table]) == list(TABLES[table].held)


def test_names_are_text(folder, plain):
    plain["marks"] = "mark,height\nNA,100\n007,101\n1E5,102\nnull,103\n-,104\n"
    plain["setups"] = "setup,mark,height\nS1,007,1.536\n"
    plain["targets"] = "target,mark,height\nT1,1E5,1.6\n"
    job = heightnet.read_job(folder(**plain))
    assert job.marks["mark"].tolist() == ["NA", "007", "1E5", "null", "-"]
    assert job.setups["mark"].tolist() == ["007"]
    assert job.targets["mark"].tolist() == ["1E5"]


def test_a_setting_that_nothing_uses_any_more_is_read_and_said_once(folder, plain):
    """test.alpha is stated in older jobs; whatever it is, nothing of the result changes but the note."""
    said = []
    for number in (0.001, 0.1):
        job = heightnet.read_job(folder(f"job{number}", toml=f"title = 'x'\n[test]\nalpha = {number}\n", **plain))
        (note,) = job.notes
        assert (note.kind, note.file, note.row) == ("understood", "job.toml", 3)
        assert note.text.startswith("test.alpha is no longer used; ")
        facts = heightnet.check(job).facts
        assert [n["text"] for n in facts["notes"]].count(note.text) == 1
        assert facts["settings"]["test"].pop("alpha") == number
        said.append({**facts, "job": None})
    assert said[0] == said[1]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("bom", [b"", b"\xef\xbb\xbf"])
def test_separators_line_ends_and_bom(folder, plain, separator, end, bom):
    files = {n: bom + t.replace(",", separator).replace("\n", end).encode() for n, t in plain.items()}
    job = heightnet.read_job(folder(**files))
    assert job.shots["row"].tolist() == [2]
    assert job.marks["height"].tolist() == [100.0, 101.25]


def test_utf_16_is_read_and_said(folder, plain):
    plain["marks"] = plain["marks"].encode("utf-16")
    job = heightnet.read_job(folder(**plain))
    assert job.marks["mark"].tolist() == ["BM1", "BM2"]
    assert "the file is read as UTF-16" in texts(job, "understood")


def test_rows_are_numbered_as_a_spreadsheet_does(folder, plain):
    plain["marks"] = '\nmark,height,note\nBM1,100,"two\nlines"\n\nBM2,101,\n,,\nBM3,102,\n'
    job = heightnet.read_job(folder(**plain))
    assert dict(zip(job.marks["mark"], job.marks["row"], strict=True)) == {"BM1": 3, "BM2": 5, "BM3": 7}


def test_decimal_commas_where_cells_are_separated_by_something_else(folder, plain):
    plain["marks"] = "mark;height\nBM1;100,5\nBM2;101\n"
    job = heightnet.read_job(folder(**plain))
    assert job.marks["height"].tolist() == [100.5, 101.0]
    assert any("1,5 is read as one and a half" in t for t in texts(job, "understood"))


# 1 ft = 0.3048 m exactly, US survey foot 1200/3937 m: Federal Register 85 FR 62698
@pytest.mark.parametrize(("unit", "metres"), [("ft", 0.3048), ("ftUS", 1200 / 3937)])
def test_feet(folder, plain, unit, metres):
    plain["toml"] = f'[units]\nlength = "{unit}"\nangle = "deg"\n'
    plain["marks"] = "mark,height,sd_mm,east,north\nBM1,100,2,10,20\n"
    plain["setups"] = "setup,mark,height,sd_mm\nS1,BM1,5.25,1.5\n"
    plain["shots"] = "setup,target,slope_distance,zenith_angle,sd_zenith_sec,sd_distance_mm\nS1,T1,200,90.5,2,1\n"
    plain["levels"] = "from,to,rise,length\nBM1,X,-3.5,1000\n"
    plain["staff"] = "level_setup,mark,reading,distance\nL1,BM1,4.1,90\nL1,X,7.6,\n"
    job = heightnet.read_job(folder(**plain))
    assert job.marks.loc[0, ["height", "east", "north"]].tolist() == [100 * metres, 10 * metres, 20 * metres]
    assert job.marks["sd"].iloc[0] == 0.002
    assert job.setups["height"].iloc[0] == 5.25 * metres and job.setups["sd"].iloc[0] == 0.0015
    assert job.shots["slope_distance"].iloc[0] == 200 * metres
    assert job.shots["zenith_angle"].iloc[0] == pytest.approx(math.radians(90.5), abs=1e-15)
    assert job.shots["sd_zenith"].iloc[0] == pytest.approx(math.radians(2 / 3600), rel=1e-12)
    assert job.levels["length"].iloc[0] == 1000 * metres
    assert job.staff["distance"].tolist() == [90 * metres, 0.0]


def test_the_trades_words_are_recognised_and_said(folder):
    job = heightnet.read_job(
        folder(
            marks="Point,Reduced Level,Easting,NORTHING\nA,100,1,2\nB,101,3,4\n",
            shots="AT, Height of Instrument ,target,HT,Slope  Distance,zenith_distance\nA,1.5,B,1.6,100,89-00-00\n",
        )
    )
    assert job.marks["height"].tolist() == [100, 101]
    assert job.setups["height"].tolist() == [1.5]
    assert job.targets[["mark", "height"]].to_numpy().tolist() == [["B", 1.6]]
    said = " ".join(texts(job, "understood"))
    assert "'Reduced Level' as height" in said and "'Height of Instrument' as instrument_height" in said


def test_a_unit_in_a_heading_is_read_where_it_fits(folder, plain):
    plain["marks"] = "mark,height (m),sd_mm\nBM1,100,1\n"
    assert heightnet.read_job(folder(**plain)).marks["height"].tolist() == [100]


class TestFlat:
    def test_the_same_job_flat_and_rich(self, folder, plain):
        rich = heightnet.read_job(folder("rich", **plain))
        shots = "setup,at,instrument_height,mark,target_height,slope_distance,zenith_angle\n"
        shots += "S1,BM1,1.536,BM2,1.600,50.990,88-36-10\n"
        flat = heightnet.read_job(folder("flat", marks=plain["marks"], shots=shots))
        assert flat.files["setups"] == flat.files["targets"] == "shots.csv"
        for table, name in (("setups", "setup"), ("targets", "target")):
            a, b = rich.tables[table].drop(columns=name), flat.tables[table].drop(columns=name)
            assert a.equals(b)
        assert rich.shots.drop(columns="target").equals(flat.shots.drop(columns="target"))

    def test_putting_ups_are_shared_by_mark_height_and_placement(self, folder):
        shots = "setup,at,instrument_height,mark,target_height,placement,slope_distance,zenith_angle\n"
        shots += "S1,A,1.5,B,1.6,,50,90-00-10\nS2,C,1.4,B,1.6,,60,90-00-10\nS1,A,1.5,B,1.6,again,50,90-00-12\n"
        shots += "S1,A,1.5,B,1.7,,50,90-00-10\nS1,A,1.5,B,,,50,90-00-10\nS2,C,1.4,B,,,50,90-00-10\n"
        job = heightnet.read_job(folder(shots=shots))
        assert job.shots["target"].tolist() == ["B", "B", "B (again)", "B (3)", "B (4)", "B (4)"]
        assert np.isnan(job.targets["height"].iloc[3])

    def test_without_a_setup_column_mark_height_and_instrument_make_the_setup(self, folder):
        shots = "at,HI,mark,HT,SD,ZA\nA,1.5,B,1.6,50,90-00-10\nB,1.6,A,1.6,50,90-00-10\nA,1.5,C,1.6,50,90-00-12\n"
        shots += "A,1.52,C,1.6,50,90-00-13\n"
        job = heightnet.read_job(folder(shots=shots))
        assert job.shots["setup"].tolist() == ["A", "B", "A", "A (2)"]
        assert any("do not stand together" in t for t in texts(job, "doubt"))

    def test_blank_repeats_are_the_setups_own(self, folder):
        shots = "setup,at,instrument_height,mark,target_height,slope_distance,zenith_angle\n"
        shots += "S1,A,1.5,B,1.6,50,90-00-10\nS1,,,C,1.6,50,90-00-10\n"
        job = heightnet.read_job(folder(shots=shots))
        assert job.setups[["setup", "mark", "height"]].to_numpy().tolist() == [["S1", "A", 1.5]]

    def test_a_free_setup(self, folder):
        shots = "setup,at,instrument_height,mark,target_height,slope_distance,zenith_angle\nS1,,,B,1.6,50,90-00-10\n"
        job = heightnet.read_job(folder(shots=shots))
        assert job.setups["mark"].tolist() == [""] and np.isnan(job.setups["height"].iloc[0])

    def test_each_row_keeps_its_own_time(self, folder):
        shots = "at,hi,mark,ht,slope_distance,zenith_angle,date time\n"
        shots += "A,1.5,B,1.6,10,90-0-0,9:05\nA,1.5,B,1.6,10,90-0-1,9:20\nA,1.5,C,1.6,10,90-0-0,\n"
        job = heightnet.read_job(folder(shots=shots))
        assert job.shots["when"].tolist() == ["9:05", "9:20", ""]
        assert len(job.setups) == 1 and job.setups["when"].tolist() == [""]
        assert job.targets["when"].tolist() == ["", ""]

    @pytest.mark.parametrize("head", ["Date,time", "time,Date"])
    def test_a_date_and_a_time_are_one_when(self, folder, head):
        shots = f"at,hi,mark,ht,slope_distance,zenith_angle,{head}\n"
        cells = ["2026-05-04,9:05", ",9:20", "2026-05-05,", ","]
        turned = [",".join(cell.split(",")[:: 1 if head.startswith("Date") else -1]) for cell in cells]
        job = heightnet.read_job(folder(shots=shots + "".join(f"A,1.5,B,1.6,10,90-0-0,{cell}\n" for cell in turned)))
        assert job.shots["when"].tolist() == ["2026-05-04 9:05", "9:20", "2026-05-05", ""]
        assert f"'{head.replace(',', ' and ')}' as when" in texts(job, "understood")[0]

    @pytest.mark.parametrize(("between", "twice"), [("S1,A,1.5", False), ("S2,C,1.4", True)])
    def test_a_set_up_name_used_twice(self, folder, between, twice):
        rows = ["setup,at,hi,mark,ht,slope_distance,zenith_angle", "S1,A,1.5", between, "S1,A,1.6"]
        text = rows[0] + "\n" + "".join(f"{row},B,1.7,10,90-0-0\n" for row in rows[1:])
        with pytest.raises(heightnet.InputErrors) as caught:
            heightnet.read_job(folder(shots=text))
        (found,) = caught.value.problems
        assert (found.row, found.column, found.read) == (4, "instrument_height", "1.6") and "row 2" in found.expected
        assert ("S1 comes again after other set-ups: was its name used twice?" in found.cause) == twice

    @pytest.mark.parametrize(
        ("rows", "exchanged"),
        [
            (["1.55,1.60", "1.30,1.55", "1.55,1.70"], [3]),
            (["1.30,1.55", "1.55,1.60"], [2]),
            (["1.55,", "1.55,1.60", "1.30,1.55", "1.80,1.55", ",1.9"], [4, 5]),
            (["1.55,1.30", "1.55,1.30", "1.30,1.55"], [4]),  # one pole height
            (["1.30,1.55", "1.55,1.30", "1.55,1.30"], [2]),
        ],
    )
    def test_heights_exchanged_in_a_row_are_put_right_where_other_rows_say_so(self, folder, rows, exchanged):
        text = "setup,at,hi,ht,mark,slope_distance,zenith_angle\n"
        text += "".join(f"S1,A,{row},B{i},10,90-0-0\n" for i, row in enumerate(rows))
        job = heightnet.read_job(folder(shots=text))
        said = [n for n in job.notes if "read as exchanged" in n.text]
        assert [n.row for n in said] == exchanged and job.setups["height"].tolist() == [1.55]
        first = rows[exchanged[0] - 2].partition(",")[0].rstrip("0")
        assert said[0].text == (
            f"instrument_height {first} and target_height 1.55 are read as exchanged: other rows of set-up S1 have 1.55"
        )
        assert job.targets["height"][exchanged[0] - 2] == float(first)

    @pytest.mark.parametrize(
        ("rows", "asked"),
        [
            (["1.55,1.30", "1.30,1.55"], True),  # either may be exchanged
            (["1.55,1.30", "1.30,1.55", "1.55,1.30", "1.30,1.55"], True),
            (["1.55,1.60", "1.30,1.55", "1.40,1.70"], True),  # nothing makes all of them right
            (["1.55,1.60", "1.30,1.54"], False),
            (["1.55,1.60", "1.30,"], False),
        ],
    )
    def test_heights_that_nothing_puts_right_are_refused_with_both(self, folder, rows, asked):
        text = "setup,at,hi,ht,mark,slope_distance,zenith_angle\n"
        text += "".join(f"S1,A,{row},B{i},10,90-0-0\n" for i, row in enumerate(rows))
        with pytest.raises(heightnet.InputErrors) as caught:
            heightnet.read_job(folder(shots=text))
        found = caught.value.problems[0]
        assert (found.row, found.column, found.read) == (3, "instrument_height", "1.3")
        question = "Are instrument_height 1.3 and target_height 1.55 exchanged, here or in row 2?"
        assert found.cause.startswith(question) == asked

    @pytest.mark.parametrize("odd", [0, 1, 3])
    def test_the_odd_row_is_blamed_wherever_it_stands(self, folder, odd):
        rows = ["1.55,1.30"] * 3
        rows.insert(odd, "1.30,1.54")
        text = "setup,at,hi,ht,mark,slope_distance,zenith_angle\n"
        text += "".join(f"S1,A,{row},B{i},10,90-0-0\n" for i, row in enumerate(rows))
        with pytest.raises(heightnet.InputErrors) as caught:
            heightnet.read_job(folder(shots=text))
        (found,) = caught.value.problems
        assert (found.row, found.column, found.read) == (odd + 2, "instrument_height", "1.3")
        assert found.expected == f"1.55, which row {3 if odd == 0 else 2} gives for setup S1"

    @pytest.mark.parametrize("odd", [0, 1, 3])
    def test_heights_exchanged_where_no_set_up_is_named_are_doubted(self, folder, odd):
        rows = ["A,1.55,1.30"] * 3
        rows.insert(odd, "A,1.30,1.55")
        for name, beside, count in (("odd", "A,1.55,1.30", 1), ("other", "C,1.55,1.30", 0)):
            text = "at,hi,ht,mark,slope_distance,zenith_angle\n"
            text += "".join(f"{row if row == rows[odd] else beside},B{i},10,90-0-0\n" for i, row in enumerate(rows))
            said = [n for n in heightnet.read_job(folder(name, shots=text)).notes if "exchanged" in n.text]
            assert [(n.kind, n.row) for n in said] == [("doubt", odd + 2)] * count
            assert all(n.text.startswith("instrument_height 1.3 and target_height 1.55 are those of") for n in said)

    def test_mixed_with_rich(self, folder, plain):
        plain["shots"] = "setup,target,mark,target_height,at,instrument_height,slope_distance,zenith_angle\n"
        plain["shots"] += "S1,T1,,,,,50,90-00-10\nS1,,C,1.7,BM1,1.536,50,90-00-10\nS2,T1,BM2,1.6,C,1.5,50,90-00-10\n"
        job = heightnet.read_job(folder(**plain))
        assert job.setups["setup"].tolist() == ["S1", "S2"]
        assert job.targets["target"].tolist() == ["T1", "C"]
        assert job.shots["target"].tolist() == ["T1", "C", "T1"]


def test_a_known_height_says_where_it_comes_from(folder, plain):
    plain["marks"] = "bm,rl,List\nBM1,100.000,list 2019\nBM2,101.250,\n"
    assert heightnet.read_job(folder(**plain)).marks["source"].tolist() == ["list 2019", ""]


class TestTape:
    EQUIPMENT = (
        "equipment,point,radius_mm,offset_mm,usual,carries\n"
        "TS1,side mark,100,0,yes,instrument\nTS1,base,90,196,,instrument\nTS1,axis,0,196,,instrument\n"
        "P1,collar,0,85,,target\n"
    )

    def read(self, folder, plain, rows, **more):
        plain["setups"] = "setup,mark,height,instrument,tripod\nS1,BM1,,TS1,K1\n"
        plain["targets"] = "target,mark,height,equipment\nT1,BM2,1.600,P1\n"
        plain["equipment"] = self.EQUIPMENT
        head = "setup,target,tripod,reading,scale,kind,point,radius_mm,offset_mm,part,sd_mm\n"
        plain["tape"] = head + rows
        return heightnet.read_job(folder(**(plain | more)))

    def test_scales_and_stands(self, folder, plain):
        rows = 'S1,,,1.674,m,slant,,,,,\n,T1,,"5\' 2 7/16""",ftin,,collar,,,,0.5\n,,K1,1.478,m,,base,,,,\n'
        job = self.read(folder, plain, rows)
        tape = job.tape
        assert tape["stand_kind"].tolist() == ["setup", "target", "tripod"]
        assert tape["stand"].tolist() == ["S1", "T1", "K1"]
        assert tape["reading"].tolist() == [1.674, pytest.approx((62 + 7 / 16) * 0.0254), 1.478]
        assert tape["text"].iloc[1] == "5' 2 7/16\""
        assert tape["kind"].tolist() == ["slant", "vertical", "vertical"]
        # the set-up's slant is to its usual point; the shared stand's height is that of its seat, 196 mm below the axis
        assert tape["radius"].tolist() == [0.1, 0.0, 0.09]
        assert tape["offset"].tolist() == pytest.approx([0.0, 0.085, 0.0])
        assert tape["point"].tolist() == ["side mark", "collar", "base"]
        assert tape["sd"].iloc[1] == 0.0005 and np.isnan(tape["sd"].iloc[0])
        assert texts(job, "filled") == [
            "slant readings in row 2 name no point: the usual one of TS1, side mark, is taken"
        ]

    def test_explicit_radius_and_offset(self, folder, plain):
        job = self.read(folder, plain, "S1,,,1.674,m,slant,,120,-5,,\nS1,,,1.6,m,,chalk line,,30,,\n")
        assert job.tape["radius"].tolist() == [0.12, 0.0]
        assert job.tape["offset"].tolist() == [-0.005, 0.03]

    def test_vertical_with_nothing_said_is_to_the_axis(self, folder, plain):
        job = self.read(folder, plain, ",T1,,1.6,m,,,,,,\n")
        assert (job.tape["radius"].iloc[0], job.tape["offset"].iloc[0]) == (0, 0)

    def test_parts_take_no_usual_point(self, folder, plain):
        job = self.read(folder, plain, "S1,,,1.2,m,part,,,,a,\nS1,,,0.3,m,part,,,,a,\n")
        assert job.tape["offset"].tolist() == [0, 0]
        assert job.tape["part"].tolist() == ["a", "a"]

    def test_words_for_scale_and_kind(self, folder, plain):
        job = self.read(folder, plain, "S1,,,1.674,Metres,Slope,,,,,\n,T1,,5.25,feet,V,,,,,\n")
        assert job.tape["scale"].tolist() == ["m", "ft"] and job.tape["kind"].tolist() == ["slant", "vertical"]


class TestStaff:
    def test_change_points_belong_to_their_run(self, folder):
        staff = "level_setup,mark,reading,sight,distance,run\n"
        staff += "1,BM1,1.0,BS,30,east\n1,TP1,1.2,FS,30,east\n2,TP1,1.1,BS,,east\n2,TP2,0.9,FS,,east\n"
        staff += "1,BM1,1.0,BS,30,west\n1,TP1,1.3,FS,30,west\n"
        job = heightnet.read_job(folder(marks="mark,height\nBM1,100\n", staff=staff))
        assert job.staff["mark"].tolist() == ["BM1", "TP1 (east)", "TP1 (east)", "TP2", "BM1", "TP1 (west)"]
        assert job.staff["name"].tolist() == ["BM1", "TP1", "TP1", "TP2", "BM1", "TP1"]
        assert job.staff["level_setup"].tolist() == ["1 (east)", "1 (east)", "2", "2", "1 (west)", "1 (west)"]
        assert any(
            t.startswith("TP1: change points of several runs") and "east, west" in t for t in texts(job, "understood")
        )

    def test_a_name_other_tables_use_is_that_mark(self, folder):
        staff = "level_setup,mark,reading,run\n1,X,1.0,a\n1,Y,1.2,a\n2,X,1.1,b\n2,Y,1.2,b\n"
        job = heightnet.read_job(folder(levels="from,to,rise,sd_mm\nX,Z,1,1\n", staff=staff))
        assert job.staff["mark"].tolist() == ["X", "Y (a)", "X", "Y (b)"]
        assert any(t.startswith("X is not listed in marks") for t in texts(job, "doubt"))

    def test_a_level_book_with_a_column_for_each_sight(self, folder):
        staff = "Point,BS,IS,FS,HI,RL,distance\nBM1,1.234,,,101.234,100.000,30\nP,,1.5,,,99.734,\n"
        staff += "TP1,1.100,,0.900,101.434,100.334,30\nBM2,,,1.434,,100.000,30\n"
        job = heightnet.read_job(folder(marks="mark,height\nBM1,100\n", staff=staff))
        rows = job.staff[["level_setup", "mark", "reading", "sight", "row"]].to_numpy().tolist()
        assert rows == [
            ["1", "BM1", 1.234, "BS", 2],
            ["1", "P", 1.5, "IS", 3],
            ["1", "TP1", 0.9, "FS", 4],
            ["2", "TP1", 1.1, "BS", 4],
            ["2", "BM2", 1.434, "FS", 5],
        ]

    def test_a_book_keeps_when_and_with_which_staff_each_row_was_read(self, folder):
        staff = "point,BS,FS,staff,time,run\nBM1,1.1,,A,9:05,e\nTP1,1.2,0.9,B,9:20,e\nBM2,,1.4,A,,e\n"
        job = heightnet.read_job(folder(marks="mark,height\nBM1,100\n", staff=staff))
        assert job.staff[["reading", "staff", "when", "row"]].to_numpy().tolist() == [
            [1.1, "A", "9:05", 2], [0.9, "B", "9:20", 3], [1.2, "B", "9:20", 3], [1.4, "A", "", 4],
        ]  # fmt: skip
        assert job.staff["sight"].tolist() == ["BS", "FS", "BS", "FS"] and set(job.staff["run"]) == {"e"}

    BOOK = "point,BS,FS\nBM1,1,\nTP1,1,1\nTP2,1,1\nTP3,1,1\nTP4,1,1\nTP5,1,1\n{},1,1\nTP7,1,1\nBM2,,1\n"

    def test_a_change_point_read_again_after_others_may_be_two_places(self, folder):
        job = heightnet.read_job(folder(marks="mark,height\nBM1,100\nBM2,100\n", staff=self.BOOK.format("TP2")))
        (said,) = (n for n in job.notes if "two places" in n.text)
        assert (said.kind, said.row) == ("doubt", 8)
        assert said.text.startswith("TP2 is read at 3 and again at 6, with others between: if these are two places")

    def test_marks_and_pegs_of_the_way_back_are_read_again_as_they_should(self, folder):
        marks = "mark,height\nBM1,100\nBM2,100\nTP2,\n"
        there = "point,BS,FS\nBM1,1,\nTP1,1,1\nTP2,1,1\nTP3,1,1\nBM2,1,1\nTP3,1,1\nTP2,1,1\nTP1,1,1\nBM1,,1\n"
        for name, text in (("mark", self.BOOK.format("TP2")), ("back", there), ("plain", self.BOOK.format("TP6"))):
            known = marks if name == "mark" else marks.replace("TP2,\n", "")
            job = heightnet.read_job(folder(name, marks=known, staff=text))
            assert not [n for n in job.notes if "again" in n.text]

    @pytest.mark.parametrize(
        ("points", "said"),
        [
            ("BM1 TP1 TP2 TP3 BM2 TP1 TP2 TP4 BM1", "TP1 and TP2 are read again in the same order, TP1 at 2 and"),
            ("BM1 a b c d e f BM2 a b c d e f BM1", "a, b, c, d and 2 more are read again in the same order"),
            ("X TP1 TP2 TP3 TP4 X", ""),  # a loop whose beginning marks does not list
            ("BM1 a b c d e f g h BM2 x f y d b z BM1", ""),  # a way back that leaves out pegs
            ("BM1 a b c d e f BM2 f x c y z BM1", ""),
            ("BM1 a b c BM2 a b c BM1 c b a BM2", "a, b and c are read again in the same order"),
        ],
    )
    def test_what_restarts_keeps_its_order_and_the_way_back_turns_it(self, folder, points, said):
        first, *between, last = points.split()
        book = ["point,BS,FS", f"{first},1,", *(f"{point},1,1" for point in between), f"{last},,1"]
        job = heightnet.read_job(folder(marks="mark,height\nBM1,100\nBM2,100\n", staff="\n".join(book)))
        told = [n.text for n in job.notes if n.kind == "doubt"]
        assert len(told) == (said != "") and all(text.startswith(said) for text in told)

    def test_level_set_ups_that_restart_are_told_once(self, folder):
        rows = [f"{i},{a},1\n{i},{b},1" for i, a, b in zip("1231234", "ABCEFGH", "BCDFGHI", strict=True)]
        job = heightnet.read_job(folder(staff="level_setup,mark,reading\n" + "\n".join(rows)))
        (said,) = texts(job, "doubt")
        assert said.startswith("level set-ups 1, 2 and 3 come again in the same order")

    def test_a_level_set_up_that_comes_again_may_be_two(self, folder):
        head, rows = "level_setup,mark,reading\n", ["L1,A,1", "L1,B,1", "L2,B,1", "L2,C,1", "L1,C,1", "L1,D,1"]
        job = heightnet.read_job(folder(staff=head + "\n".join(rows)))
        (said,) = (n for n in job.notes if "two set-ups" in n.text)
        assert said.row == 6 and said.text.startswith("level set-up L1 of row 2 comes again after others")
        mixed = [f"L{i % 4},P{i},1" for i in range(12)]
        job = heightnet.read_job(folder("mixed", staff=head + "\n".join(mixed)))
        assert not [n for n in job.notes if "two set-ups" in n.text]  # rows in an order of their own

    @pytest.mark.parametrize(
        ("heading", "reading", "staff"),
        [
            ("staff", [1.25], [""]),  # alone it is the reading, as it always was
            ("rod", [1.25], [""]),
            ("Staff (m)", [1.25], [""]),
            ("reading,staff", [1.25], ["A"]),
            ("staff reading,rod", [1.25], ["A"]),
            ("rod reading (m),Staff", [1.25], ["A"]),
            ("staff,rod no", [1.25], ["A"]),
            ("rod,Staff_Name", [1.25], ["A"]),
            ("bs,staff", [1.25], ["A"]),
            ("BS,rod", [1.25], ["A"]),
        ],
    )
    def test_a_staff_and_its_reading_keep_to_their_columns(self, folder, heading, reading, staff):
        cells = "1.25,A" if "," in heading else "1.25"
        for name, order in (("one", slice(None)), ("other", slice(None, None, -1))):
            texts = [",".join(row.split(",")[order]) for row in (f"level_setup,mark,{heading}", f"L1,BM1,{cells}")]
            job = heightnet.read_job(folder(name, staff="\n".join(texts) + "\n"))
            assert (job.staff["reading"].tolist(), job.staff["staff"].tolist()) == (reading, staff)

    @pytest.mark.parametrize(
        ("heading", "cells", "reading", "staff"),
        [
            ("sight,BS,FS,Staff", "BS,,,1.25", [1.25], [""]),
            ("BS,FS,rod (m)", ",,1.25", [1.25], [""]),
            ("sight,FS,Staff", "BS,,1.25", [1.25], [""]),
            ("bs,fs,reading,staff", ",,1.25,A", [1.25], ["A"]),
            ("bs,fs,staff", "1.25,,A", [1.25], ["A"]),
        ],
    )
    def test_columns_of_a_book_that_hold_nothing_leave_the_staff_its_reading(
        self, folder, heading, cells, reading, staff
    ):  # fmt: skip
        text = f"level_setup,mark,{heading}\nL1,BM1,{cells}\n"
        job = heightnet.read_job(folder(staff=text))
        assert (job.staff["reading"].tolist(), job.staff["staff"].tolist()) == (reading, staff)

    @pytest.mark.parametrize(
        ("heading", "cells", "column", "expected"),
        [
            ("rod,staff", "1.25,A", "staff", "one column for reading"),  # either may be the reading
            ("reading,rod,staff", "1.25,A,B", "staff", "one column for staff"),
            ("reading,staff (m)", "1.25,1.25", "staff (m)", "no unit: staff holds a name or blank"),
            ("staff", "A", "reading", "a number"),
        ],
    )
    def test_headings_that_leave_the_reading_open_are_refused(self, folder, heading, cells, column, expected):
        with pytest.raises(heightnet.InputErrors) as caught:
            heightnet.read_job(folder(staff=f"level_setup,mark,{heading}\nL1,BM1,{cells}\n"))
        (found,) = caught.value.problems
        assert found.column == column and found.expected.startswith(expected)


def test_settings(folder, plain):
    plain["toml"] = 'title = "Weir"\nunits.angle = "dms"\n[precision]\ntape_mm = 2\n[test]\ntolerance_mm = 5.0\n'
    settings = heightnet.read_job(folder(**plain)).settings
    assert settings.title == "Weir" and settings.precision.tape_mm == 2.0 and settings.test.tolerance_mm == 5.0
    assert settings.precision.zenith_sec == 3.0 and settings.precision.target_mm is None


def test_what_only_looks_odd_is_a_doubt(folder, plain):
    plain["targets"] += "T2,bm1,1.6\n"
    plain["shots"] += "S1,T2,10,90-00-00\n"
    (home := folder(**plain)).joinpath("site plan.csv").write_text("x")
    doubts = texts(heightnet.read_job(home), "doubt")
    assert any("BM1 and bm1 are read as different marks" in t for t in doubts)
    assert any("site plan.csv is not a table" in t for t in doubts)


def test_row_order_changes_nothing_but_rows(folder, plain):
    plain["shots"] += "S1,T1,50.991,88-36-12\n"
    first = heightnet.read_job(folder("a", **plain))
    head, one, two = plain["shots"].splitlines()
    plain["shots"] = "\n".join([head, two, one]) + "\n"
    second = heightnet.read_job(folder("b", **plain))
    key = ["slope_distance"]
    a, b = (j.shots.sort_values(key).reset_index(drop=True).drop(columns="row") for j in (first, second))
    assert a.equals(b)


def test_names_that_need_a_look_are_found_once_not_searched_for_row_by_row():
    """A sheet may come in one batch of a million rows: looking up each row's place would take hours."""
    compared = 0

    class Name(str):
        __hash__ = str.__hash__

        def __eq__(self, other):
            nonlocal compared
            compared += 1
            return str.__eq__(self, other)

    names = [Name(f"TP {i}") for i in range(3000)]
    problems = Problems()
    sheet = Sheet("marks.csv", ["mark"], 1, [Batch(range(2, 3002), [[name] for name in names])])
    raw = convert(sheet, TABLES["marks"], Units(), problems)
    assert raw["mark"].tolist() == names and not problems
    assert compared < 50 * len(names)
