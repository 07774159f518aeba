"""LandXML: what is refused with element and line, and what of a survey besides its observations is kept.

Every file here is invented and written by hand; names of elements, attributes and units are those of the public schema
LandXML-1.2.xsd.
"""

import csv

import pytest

import heightnet
from heightnet import InputErrors
from heightnet.job.bring_in import LOG, bring_in

METRIC = '<Units><Metric linearUnit="meter" angularUnit="decimal degrees"/></Units>'
FILE = """<?xml version="1.0"?>
<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2">
{units}
<Survey>
{body}
</Survey></LandXML>
"""
SETUP = '<InstrumentSetup id="s" stationName="A" instrumentHeight="1.5">\n{}\n</InstrumentSetup>'
SHOT = (
    '<RawObservation targetHeight="1.6" slopeDistance="100" zenithAngle="89.5"><TargetPoint name="B"/></RawObservation>'
)
ROD = '<RawObservation rod="1.2"><TargetPoint name="B"/></RawObservation>'
ONE = SETUP.format(SHOT)


def write(tmp_path, body=ONE, units=METRIC):
    path = tmp_path / "quay.xml"
    path.write_text(FILE.format(units=units, body=body), encoding="utf-8")
    return path


def problems(path):
    with pytest.raises(InputErrors) as caught:
        heightnet.read_job(path)
    return [str(problem) for problem in caught.value.problems]


def read(path):
    """The job, and what is doubted of elements of the file."""
    job = heightnet.read_job(path)
    return job, [note.text for note in job.notes if note.kind == "doubt" and note.text.startswith("line ")]


def table(path, name):
    """The rows of a table of the folder that `import` writes."""
    if not (path.parent / "job").exists():
        bring_in(path, path.parent / "job")
    with (path.parent / "job" / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


class TestUnits:
    @pytest.mark.parametrize(
        ("kind", "unit", "expected"),
        [
            ("Metric", "metre", "millimeter, centimeter, meter or kilometer. The nearest is 'meter'."),
            ("Metric", "METER", "millimeter, centimeter, meter or kilometer. The nearest is 'meter'."),
            ("Metric", "", "millimeter, centimeter, meter or kilometer"),
            ("Metric", "US Survey Foot", "millimeter, centimeter, meter or kilometer. The nearest is 'USSurveyFoot'."),
            ("Metric", "foot",
             "millimeter, centimeter, meter or kilometer. It is a unit of Imperial; which of the two is meant?"),
            ("Imperial", "chain", "foot, USSurveyFoot, inch or mile"),
        ],
    )  # fmt: skip
    def test_a_length_that_is_no_unit_is_refused(self, tmp_path, kind, unit, expected):
        units = f'<Units>\n<{kind} linearUnit="{unit}" angularUnit="grads"/></Units>'
        said = problems(write(tmp_path, units=units))
        assert said == [f"quay.xml, line 4, {kind} linearUnit: read '{unit}', expected {expected}"]

    def test_a_missing_length_is_refused(self, tmp_path):
        said = problems(write(tmp_path, units="<Units><Metric/></Units>"))
        assert said == [
            "quay.xml, line 3, Metric linearUnit: read '', expected millimeter, centimeter, meter or kilometer"
        ]

    def test_angles_and_elevations_too_and_all_at_once(self, tmp_path):
        units = METRIC.replace("decimal degrees", "Degrees").replace("/></", ' elevationUnit="yards"/></')
        body = SETUP.format(SHOT.replace('"100"', '"100,5"'))
        assert problems(write(tmp_path, body, units)) == [
            "quay.xml, line 3, Metric angularUnit: read 'Degrees', expected radians, grads, decimal degrees or decimal "
            "dd.mm.ss",
            "quay.xml, line 3, Metric elevationUnit: read 'yards', expected meter, kilometer, feet or miles",
            "quay.xml, line 6, RawObservation slopeDistance: read '100,5', expected a number. A decimal point, and "
            "nothing between thousands.",
        ]

    def test_a_refused_file_is_not_brought_in(self, tmp_path):
        with pytest.raises(InputErrors, match="line 3, Metric linearUnit: read 'rod'"):
            bring_in(write(tmp_path, units=METRIC.replace("meter", "rod")), tmp_path / "job")
        assert not (tmp_path / "job").exists()

    @pytest.mark.parametrize("units", ["", "<Units/>"])
    def test_no_units_are_told_at_the_root(self, tmp_path, units):
        (said,) = problems(write(tmp_path, units=units))
        assert said.startswith("quay.xml, line 2, LandXML: read 'no Units with Metric or Imperial', expected units, ")
        assert 'linearUnit="meter"' in said and "observation" not in said

    def test_units_that_differ_are_refused_and_the_same_ones_are_not(self, tmp_path):
        feet = METRIC.replace("Metric", "Imperial").replace("meter", "foot")
        header = f'<SurveyHeader name="Quay">\n{feet}</SurveyHeader>'
        (said,) = problems(write(tmp_path, f"{header}\n{ONE}"))
        assert said.startswith(
            "quay.xml, line 6, Imperial: read 'foot, decimal degrees', expected the units of line 3: meter, decimal "
        )
        same = write(tmp_path, f'<SurveyHeader name="Quay">\n{METRIC}</SurveyHeader>\n{ONE}')
        assert read(same)[1] == [] and len(read(same)[0].shots) == 1

    def test_units_in_the_survey_header_alone_are_units(self, tmp_path):
        path = write(tmp_path, f'<SurveyHeader name="Quay">{METRIC}</SurveyHeader>{ONE}', units="")
        assert read(path)[0].settings.units.length == "m"

    def test_degrees_in_a_file_of_radians_say_so(self, tmp_path):
        units = METRIC.replace(' angularUnit="decimal degrees"', "")
        (said,) = problems(write(tmp_path, units=units))
        assert "line 6" in said and "89.5 is more than a full circle; are angles really in radians?" in said


class TestNumbers:
    @pytest.mark.parametrize(
        ("body", "said"),
        [
            (ONE.replace('slopeDistance="100"', 'slopeDistance="-100"'),
             "quay.xml, observations, line 6, slopeDistance: read '-100', expected a number from 0.001 to 300,000 m"),
            (ONE.replace('slopeDistance="100"', 'horizDistance="-100"'),
             "quay.xml, line 6, RawObservation horizDistance: read '-100', expected a number from 0.001 to 300,000 m"),
            (ONE.replace('"1.5"', '"high"'),
             "quay.xml, line 5, InstrumentSetup instrumentHeight: read 'high', expected a number"),
            (SETUP.format(ROD.replace("1.2", "1,2")),
             "quay.xml, line 6, RawObservation rod: read '1,2', expected a number. A decimal point, and nothing "
             "between thousands."),
        ],
    )  # fmt: skip
    def test_what_is_no_number_or_no_distance_is_refused(self, tmp_path, body, said):
        assert problems(write(tmp_path, body)) == [said]

    def test_of_an_observation_that_the_file_drops_nothing_is_refused(self, tmp_path):
        dropped = SHOT.replace("100", "1 00").replace("<RawObservation", '<RawObservation unused="true"')
        job, doubted = read(write(tmp_path, SETUP.format(f"{SHOT}\n{dropped}")))
        assert len(job.shots) == 1 and doubted == []

    def test_heights_below_zero_are_doubted_by_the_files_own_words_and_line(self, tmp_path):
        path = write(tmp_path, ONE.replace('"1.5"', '"-1.5"').replace('"1.6"', '"-1.6"'))
        notes = {(n.file, n.row, n.text) for n in heightnet.read_job(path).notes if n.kind == "doubt"}
        assert notes == {
            ("quay.xml, set-ups", 5, "instrumentHeight -1.5 is unusual: it is mostly from 0.1 to 3 m"),
            ("quay.xml, observations", 6, "targetHeight -1.6 is unusual: it is mostly from 0 to 6 m"),
        }

    def test_a_staff_reading_below_zero_is_read_and_told(self, tmp_path):
        job, doubted = read(write(tmp_path, SETUP.format(ROD.replace("1.2", "-1.2"))))
        assert job.staff["reading"].tolist() == [-1.2]
        assert doubted == ["line 6, RawObservation s to B: rod -1.2 is below 0: a staff upside down? Read as it stands"]

    def test_an_angle_from_the_horizon_is_told_as_one(self, tmp_path):
        (said,) = problems(write(tmp_path, ONE.replace("89.5", "-0.5")))
        assert "line 6" in said and "zenith angle -0.5 is below 0: an angle from the horizon?" in said

    def test_capitals_of_names_are_told(self, tmp_path):
        (said,) = problems(write(tmp_path, ONE.replace("slopeDistance", "SlopeDistance")))
        assert "line 6, RawObservation: SlopeDistance is no attribute of the schema; is it slopeDistance?" in said
        (said,) = problems(write(tmp_path, ONE.replace("InstrumentSetup", "instrumentsetup")))
        assert "line 5, instrumentsetup s: no element of the schema; is it InstrumentSetup?" in said

    def test_a_survey_of_reductions_says_what_there_is(self, tmp_path):
        reduced = '<ObservationGroup id="g"><ReducedObservation name="r" horizDistance="10"/></ObservationGroup>'
        (said,) = problems(write(tmp_path, reduced))
        assert "line 5, ReducedObservation r: reduced by somebody already" in said
        (said,) = problems(write(tmp_path, ""))
        assert said.endswith("There is none in it.")


@pytest.mark.parametrize("prefix", ["", "lx:"])
def test_with_a_prefix_or_without_any_namespace_it_is_the_same_job(tmp_path, prefix):
    text = FILE.format(units=METRIC, body=ONE).replace(' xmlns="http://www.landxml.org/schema/LandXML-1.2"', "")
    if prefix:
        text = text.replace("</", "\0").replace("<", f"<{prefix}").replace("\0", f"</{prefix}").replace("<lx:?", "<?")
        text = text.replace("<lx:LandXML", '<lx:LandXML xmlns:lx="http://www.landxml.org/schema/LandXML-1.2"')
    (tmp_path / "quay.xml").write_text(text)
    job, doubted = read(tmp_path / "quay.xml")
    assert job.shots["slope_distance"].tolist() == [100.0] and doubted == []


class TestPegs:
    """From set-up 1 the pegs read alike too high, from set-up 2 not (common practice of a test by two pegs)."""

    TEST = (
        '<ControlChecks><TestObservation setup1RodA="1.500" setup1RodB="1.400" setup2RodA="1.601" setup2RodB="1.503" '
        'timeStamp="2026-05-04T07:30:00"><TargetPoint name="pegs"/><FieldNote>on the quay</FieldNote></TestObservation>'
        "</ControlChecks>"
    )

    def test_its_readings_are_rows_of_two_peg(self, tmp_path):
        path = write(tmp_path, SETUP.format(f"{ROD}\n{self.TEST}"))
        job, doubted = read(path)
        kept = job.two_peg[["test", "level_setup", "peg", "reading", "when", "row"]].to_numpy().tolist()
        assert [row[1:4] for row in kept] == [
            ["set-up 1", "A", 1.5], ["set-up 1", "B", 1.4], ["set-up 2", "A", 1.601], ["set-up 2", "B", 1.503],
        ]  # fmt: skip
        assert {(row[0], row[4], row[5]) for row in kept} == {("pegs", "2026-05-04T07:30:00", 7)}
        # (1.500 - 1.400) - (1.601 - 1.503) m, by hand
        assert len(doubted) == 1 and doubted[0].endswith("differ by 2.0 mm") and "distances" in doubted[0]
        rows = table(path, "two_peg")
        assert [row["reading"] for row in rows] == ["1.500", "1.400", "1.601", "1.503"]
        assert {row["note"] for row in rows} == {"on the quay"}

    def test_without_distances_bust_says_that_it_tells_nothing(self, tmp_path):
        second = ROD.replace('"B"', '"C"')
        facts = heightnet.bust(write(tmp_path, SETUP.format(f"{ROD}\n{second}\n{self.TEST}"))).facts
        (test,) = facts["level_tests"]
        assert test["collimation_mm_per_10m"] is None and test["sd_mm_per_10m"] is None
        # four readings, less two lines of sight and a rise: one is spare, each residual a quarter of the 2 mm
        assert test["spare"] == 1 and test["largest_residual_mm"] == pytest.approx(0.5)

    def test_distances_written_into_the_folder_give_the_error(self, tmp_path):
        path = write(tmp_path, SETUP.format(f"{ROD}\n{ROD.replace('B', 'C')}\n{self.TEST}"))
        rows = table(path, "two_peg")
        for row, distance in zip(rows, ("20", "20", "5", "45"), strict=True):
            row["distance"] = distance
        with (tmp_path / "job" / "two_peg.csv").open("w", newline="") as stream:
            writer = csv.DictWriter(stream, rows[0])
            writer.writeheader()
            writer.writerows(rows)
        (test,) = heightnet.bust(tmp_path / "job").facts["level_tests"]
        # 98 mm where 100 is right over 40 m more: the far peg B reads 2 mm too high, 0.5 mm at 10 m; the curvature of
        # 45 m is under 0.2 mm
        assert test["collimation_mm_per_10m"] == pytest.approx(0.5, abs=0.05)

    def test_two_tests_and_one_that_is_not_used(self, tmp_path):
        unused = self.TEST.replace("<TestObservation", '<TestObservation unused="true"')
        path = write(tmp_path, SETUP.format("\n".join((ROD, self.TEST, self.TEST, unused))))
        assert set(read(path)[0].two_peg["test"]) == {"pegs", "pegs (line 8)"}

    def test_a_stated_correction_of_the_level_is_told(self, tmp_path):
        details = (
            '<Equipment><InstrumentDetails id="L" vertCollimation="3.2"><Corrections/></InstrumentDetails></Equipment>'
        )
        body = SETUP.format(ROD).replace('id="s"', 'id="s" instrumentDetailsID="L"')
        _, doubted = read(write(tmp_path, f"{details}\n{body}"))
        assert doubted == [
            "line 5, InstrumentDetails L: vertCollimation 3.2 is not applied; readings are taken as they stand"
        ]


class TestRemarks:
    BODY = (
        '<SurveyHeader name="Quay"><FieldNote>crew of two</FieldNote></SurveyHeader>\n'
        + SETUP.format(
            '<InstrumentPoint name="A" desc="nail"/>\n'
            '<FieldNote>tripod leg <b xmlns="urn:invented">sank</b>\n a little</FieldNote>\n'
            '<Backsight circle="0"><BacksightPoint name="B"/><FieldNote>windy</FieldNote></Backsight>\n'
            '<TargetSetup id="t" targetHeight="1.6"><FieldNote>taped twice</FieldNote></TargetSetup>\n'
            '<RawObservation targetSetupID="t" slopeDistance="100" zenithAngle="89.5">'
            '<TargetPoint name="B" desc="bolt"/><FieldNote>=hazy</FieldNote><Feature name="f">'
            '<Property label="code" value="77"/><Feature><Property label="Note" value="kicked"/></Feature></Feature>'
            "</RawObservation>\n"
            '<RawObservation status="deleted" slopeDistance="1" zenithAngle="89"><TargetPoint name="B"/>'
            "<FieldNote>wrong point</FieldNote></RawObservation>\n"
            '<ObservationGroup id="g" setupID="s"><FieldNote>second round</FieldNote></ObservationGroup>\n'
            '<Feature><Property label="code" value="7"/></Feature>'
        )
        + '\n<InstrumentSetup id="l" stationName="L" instrumentHeight="0"><FieldNote>level dropped</FieldNote>'
        + ROD
        + ROD.replace("1.2", "1.3").replace("B", "C")
        + "</InstrumentSetup>"
    )

    def test_they_stand_beside_what_they_are_of(self, tmp_path):
        path = write(tmp_path, self.BODY)
        (setup,), (target,), (shot,) = (table(path, name) for name in ("setups", "targets", "shots"))
        assert setup["note"] == "tripod leg sank a little; backsight to B: windy; second round; nail"
        assert target["note"] == "taped twice"
        assert shot["note"] == "'=hazy; kicked; bolt"  # no spreadsheet may take it for a formula
        assert [row["note"] for row in table(path, "staff")] == ["level dropped", ""]
        assert len(heightnet.read_job(tmp_path / "job").shots) == 1  # the column asks nobody anything

    def test_each_is_logged_and_told_with_its_line(self, tmp_path):
        path = write(tmp_path, self.BODY)
        told = [n.text for n in heightnet.read_job(path).notes if "remark: " in n.text]
        assert told == [
            "line 5, FieldNote in SurveyHeader Quay: remark: crew of two",
            "line 8, FieldNote in InstrumentSetup s: remark: tripod leg sank a little",
            "line 10, FieldNote in Backsight: remark: windy",
            "line 11, FieldNote in TargetSetup t: remark: taped twice",
            "line 12, FieldNote in RawObservation: remark: =hazy",
            "line 12, Feature in RawObservation: remark: kicked",
            "line 13, FieldNote in RawObservation: remark: wrong point",
            "line 14, FieldNote in ObservationGroup g: remark: second round",
            "line 17, FieldNote in InstrumentSetup l: remark: level dropped",
        ]
        bring_in(path, tmp_path / "job")
        log = (tmp_path / "job" / LOG).read_text(encoding="utf-8")
        assert "15\tignored\tFeature\t\tfree data of the writing program (1 elements inside)" in log
        for text in told:
            assert text.partition("remark: ")[2] in log

    def test_nothing_inside_a_remark_is_read_as_a_survey(self, tmp_path):
        job, _ = read(write(tmp_path, SETUP.format(f"{SHOT}\n<FieldNote>as <x>{SHOT}</x></FieldNote>")))
        assert len(job.shots) == 1


class TestTimes:
    def when(self, tmp_path, survey, body=ONE):
        path = write(tmp_path, body)
        path.write_text(path.read_text().replace("<Survey>", f"<Survey {survey}>"))
        return read(path)

    @pytest.mark.parametrize(
        ("survey", "when"),
        [
            ('date="2026-05-04"', "survey of 2026-05-04"),
            ('startTime="2026-05-04T08:00:00Z" endTime="2026-05-04T17:00:00Z"', "survey of 2026-05-04"),
            ('startTime="2026-05-04T08:00:00" endTime="2026-05-06T17:00:00"', "survey of 2026-05-04 to 2026-05-06"),
        ],
    )
    def test_the_days_of_a_survey_are_when_for_set_ups_without_a_time(self, tmp_path, survey, when):
        job, doubted = self.when(tmp_path, survey, f"{ONE}\n{SETUP.format(ROD).replace(chr(34) + 's', chr(34) + 'l')}")
        assert job.setups["when"].tolist() == [when] and job.staff["when"].tolist() == [when] and doubted == []

    def test_a_time_of_its_own_counts_before_the_days(self, tmp_path):
        days = 'date="2026-05-04"'
        stamped = ONE.replace("<RawObservation", '<RawObservation timeStamp="2026-05-04T09:00:00"')
        job, _ = self.when(tmp_path, days, stamped)
        assert job.setups["when"].tolist() == [""] and job.shots["when"].tolist() == ["2026-05-04T09:00:00"]
        point = SETUP.format(f'<InstrumentPoint name="A" timeStamp="2026-05-04T08:30:00"/>{SHOT}')
        assert self.when(tmp_path, days, point)[0].setups["when"].tolist() == ["2026-05-04T08:30:00"]
        target = ONE.replace('<TargetPoint name="B"', '<TargetPoint name="B" timeStamp="2026-05-04T09:30:00"')
        assert self.when(tmp_path, days, target)[0].shots["when"].tolist() == ["2026-05-04T09:30:00"]

    def test_the_header_has_the_days_too_and_what_is_no_day_is_doubted(self, tmp_path):
        header = '<SurveyHeader name="Quay" startTime="2026-05-04T08:00:00"/>'
        assert read(write(tmp_path, f"{header}\n{ONE}"))[0].setups["when"].tolist() == ["survey of 2026-05-04"]
        job, doubted = self.when(tmp_path, 'date="yesterday"')
        assert job.setups["when"].tolist() == [""]
        assert doubted == ["line 4, Survey: date yesterday begins with no date; not used"]


class TestPoints:
    def body(self, own="", sighted="", lists=""):
        shot = SHOT.replace('<TargetPoint name="B"/>', f"<TargetPoint {sighted}</TargetPoint>")
        return f"{lists}\n" + SETUP.format(f"<InstrumentPoint {own}</InstrumentPoint>\n{shot}")

    def test_coordinates_inside_a_set_up_are_positions_and_no_known_heights(self, tmp_path):
        path = write(tmp_path, self.body('name="A">100.5 200.25 30', 'name="B">110 210 31'))
        job, doubted = read(path)
        assert job.marks[["mark", "north", "east"]].to_numpy().tolist() == [["A", 100.5, 200.25], ["B", 110, 210]]
        assert job.marks["height"].isna().all()
        assert ["not taken as known" in text for text in doubted] == [True, True]
        assert doubted[0].startswith("line 7, InstrumentPoint A") and doubted[1].startswith("line 8, TargetPoint B")
        bring_in(path, tmp_path / "known", known=["B"])
        marks = heightnet.read_job(tmp_path / "known").marks.dropna(subset="height")
        assert marks[["mark", "height"]].to_numpy().tolist() == [["B", 31.0]]

    def test_coordinates_that_are_none_are_quoted(self, tmp_path):
        lists = '<CgPoints><CgPoint name="B" pntSurv="control">1,5 2,5 30</CgPoint></CgPoints>'
        _, doubted = read(write(tmp_path, self.body('name="A">1 2 x', 'name="B">', lists)))
        rest = " is no north, east and elevation of a named point, with blanks between; not used"
        assert doubted == [f"line 5, CgPoint B: 1,5 2,5 30{rest}", f"line 7, InstrumentPoint A: 1 2 x{rest}"]

    def test_not_even_where_it_is_sighted_back_to(self, tmp_path):
        back = '<Backsight circle="0"><BacksightPoint name="B">110 210 31</BacksightPoint></Backsight>'
        job, _ = read(write(tmp_path, SETUP.format(f"{back}\n{SHOT}")))
        assert job.marks["mark"].tolist() == ["B"] and job.marks["height"].isna().all()

    def test_an_unnamed_point_is_called_as_its_station(self, tmp_path):
        job, _ = read(write(tmp_path, self.body(">100 200", 'name="B">')))
        assert job.marks[["mark", "north"]].to_numpy().tolist() == [["A", 100.0]]
        (said,) = problems(write(tmp_path, self.body('name="A">', ">110 210 31")))
        assert "no target point with a name" in said

    def test_the_list_of_points_counts_and_a_point_elsewhere_is_doubted(self, tmp_path):
        lists = '<CgPoints><CgPoint name="A">100 200</CgPoint></CgPoints>'
        job, doubted = read(write(tmp_path, self.body('name="A">100.4 200', 'name="B">', lists)))
        assert job.marks["north"].tolist() == [100.0] and doubted == []
        _, doubted = read(write(tmp_path, self.body('name="A">103 200', 'name="B">', lists)))
        assert doubted == ["line 7, InstrumentPoint A: lies 3 meter from the coordinates of line 5; those count"]

    def test_references_are_followed_to_the_point_that_has_coordinates(self, tmp_path):
        lists = (
            '<CgPoints><CgPoint name="BM1">1 2 3</CgPoint><CgPoint name="bolt" pntRef="BM1"/>'
            '<CgPoint name="b" pntRef="bolt"/></CgPoints>'
        )
        job, doubted = read(write(tmp_path, self.body('name="own" pntRef="A">', 'pntRef="b">', lists)))
        assert job.targets["mark"].tolist() == ["BM1"] and job.setups["mark"].tolist() == ["A"]
        assert job.marks["mark"].tolist() == ["BM1"] and len(doubted) == 1  # the elevation

    def test_a_name_that_stands_for_several_points_or_itself_is_left(self, tmp_path):
        shots = "".join(
            SHOT.replace('name="B"', f'name="1" pntRef="{point}"') for point in ("B", "C")
        ) + SHOT.replace('"B"', '"1"')  # fmt: skip
        assert read(write(tmp_path, SETUP.format(shots)))[0].targets["mark"].tolist() == ["B", "C", "1"]
        loop = '<CgPoints><CgPoint name="x" pntRef="y"/><CgPoint name="y" pntRef="x"/></CgPoints>'
        assert len(read(write(tmp_path, self.body('name="A">', 'name="x">', loop)))[0].shots) == 1


def test_a_reference_between_two_names_that_refer_to_each_other_ends(tmp_path):
    """Both names are one point, whichever of the two it is then called."""
    loop = '<CgPoints><CgPoint name="x" pntRef="y"/><CgPoint name="y" pntRef="x"/></CgPoints>'
    shots = SHOT.replace('"B"', '"x"') + SHOT.replace('"B"', '"y"')
    assert len(read(write(tmp_path, f"{loop}\n{SETUP.format(shots)}"))[0].shots) == 2


@pytest.mark.parametrize("linear", ["centimeter", "kilometer"])
def test_an_elevation_unit_that_is_not_that_of_lengths_is_doubted(tmp_path, linear):
    units = METRIC.replace('"meter"', f'"{linear}" elevationUnit="meter"')
    point = '<CgPoints><CgPoint name="B" pntSurv="control">1 2 3</CgPoint></CgPoints>'
    body = ONE.replace("100", "0.1").replace('"1.5"', '"0.0015"').replace('"1.6"', '"0.0016"')
    _, doubted = read(write(tmp_path, f"{point}\n{body}", units))
    assert f"line 5, CgPoint B: height taken in {linear}, the unit of lengths; elevationUnit says meter" in doubted
