"""LandXML (an open schema, versions 1.0 to 1.2) brought in as a job; every file here is invented."""

import math
import re
from collections import Counter
from pathlib import Path

import pandas as pd
import pytest
from lxml import etree

import heightnet
from heightnet import HeightnetError, InputErrors
from heightnet.job.bring_in import LOG, bring_in
from heightnet.job.readers.landxml_file import read_landxml
from heightnet.ledger.recorded import TABLES

FILES = Path(__file__).parent / "landxml"
FERRY = FILES / "ferry-landing.xml"
METRIC = (
    '<Units><Metric areaUnit="squareMeter" linearUnit="{linear}" volumeUnit="cubicMeter" temperatureUnit="celsius" '
    'pressureUnit="HPA"{more}/></Units>'
)
IMPERIAL = METRIC.replace("Metric", "Imperial")
SETUP = '<InstrumentSetup id="s" stationName="A" instrumentHeight="1.5">{}</InstrumentSetup>'
SHOT = (
    '<RawObservation targetHeight="1.6" slopeDistance="100" zenithAngle="{}"{}><TargetPoint name="B"/></RawObservation>'
)


DEGREES = METRIC.format(linear="meter", more=' angularUnit="decimal degrees"')
SPACE = "http://www.landxml.org/schema/LandXML-"


def write(tmp_path, body, units=DEGREES, version="1.2"):
    path = tmp_path / "invented.xml"
    path.write_text(
        f'<?xml version="1.0"?>\n<LandXML xmlns="{SPACE}{version}" version="{version}">\n'
        f'{units}\n<Survey><SurveyHeader name="Invented"/>\n{body}\n</Survey></LandXML>\n'
    )
    return path


def doubts(notes):
    return [n.text for n in notes if n.kind == "doubt"]


def read(tmp_path, body, **more):
    """The job that the file gives, and what is doubted of it; brought in as a folder it is the same job."""
    path = write(tmp_path, body, **more)
    job = heightnet.read_job(path)
    got = bring_in(path, tmp_path / "job")
    assert_same(job, heightnet.read_job(tmp_path / "job"))
    assert doubts(got.notes) == doubts(job.notes)
    return job, doubts(job.notes)


def assert_same(job, other):
    """One job, row numbers apart."""
    for table in TABLES:
        one, two = (getattr(j, table).drop(columns="row") for j in (job, other))
        pd.testing.assert_frame_equal(one, two, check_exact=True)
    assert job.settings == other.settings


@pytest.fixture(scope="module")
def ferry(tmp_path_factory):
    home = tmp_path_factory.mktemp("ferry") / "job"
    bring_in(FERRY, home)
    job = heightnet.read_job(FERRY)
    assert_same(job, heightnet.read_job(home))
    return job, doubts(job.notes), (home / LOG).read_text()


class TestFerry:
    def test_units_precision_and_refraction(self, ferry):
        settings = ferry[0].settings
        assert settings.title == "Ferry landing (invented)"
        assert (settings.units.length, settings.units.angle) == ("m", "packed")
        p = settings.precision
        assert (p.zenith_sec, p.distance_mm, p.distance_ppm, settings.air.refraction) == (2.0, 1.5, 2.0, 0.14)

    def test_known_heights_and_positions(self, ferry):
        marks = ferry[0].marks.set_index("mark")
        assert marks["height"].dropna().to_dict() == {"FL1": 12.3456, "FL2": 14.1, "FL3": 13.05, "P2": 12.905}
        assert marks.loc["FL1", "sd"] == 0.0015  # elevationStdError
        assert (marks.loc["P1", "north"], marks.loc["P1", "east"]) == (520.0, 220.0)
        assert "far" not in marks.index

    def test_setups(self, ferry):
        setups = ferry[0].setups.set_index("setup")
        assert setups["mark"].to_dict() == {"su1": "P1", "su2": "P2"}
        assert setups["height"].to_dict() == {"su1": 1.552, "su2": 0.0}

    def test_shots_with_faces_and_angles(self, ferry):
        shots = ferry[0].shots
        assert shots["face"].tolist() == ["L", "R", "L", "L", "R", "L", "L", "L"]
        assert shots["zenith_angle"].iloc[0] == pytest.approx(math.radians(88 + 15 / 60 + 30 / 3600), abs=1e-14)
        # packed 90.1 has lost its zeros: 90 degrees 10 minutes
        assert shots["zenith_angle"].iloc[2] == pytest.approx(math.radians(90 + 10 / 60), abs=1e-14)
        assert shots["slope_distance"].iloc[3] == pytest.approx(25 / math.sin(math.radians(88)), rel=1e-12)

    def test_target_heights_from_three_places(self, ferry):
        job = ferry[0]
        height = job.shots["target"].map(dict(zip(job.targets["target"], job.targets["height"], strict=True))).tolist()
        assert height == [1.7, 1.7, 1.48, 2.0, 2.0, 1.6, 1.48, 1.49]
        assert job.targets["mark"].tolist() == ["FL2", "P2", "X5", "X6", "FL3", "FL3", "P2"]

    def test_the_level_run(self, ferry):
        staff = ferry[0].staff
        assert staff[["level_setup", "name", "reading", "sight"]].to_numpy().tolist() == [
            ["lev1", "FL1", 1.234, "BS"], ["lev1", "TP1", 0.987, "FS"],
        ]  # fmt: skip
        assert staff["distance"].tolist() == [30.0, 20.0]

    def test_time_stamps_are_when(self, tmp_path):
        stamp = ' timeStamp="2026-05-04T09:30:00Z"'
        rod = f'<RawObservation rod="1.2"{stamp}><TargetPoint name="B"/></RawObservation>'
        second = '<InstrumentSetup id="l" stationName="L" instrumentHeight="0">{}</InstrumentSetup>'
        shots = SHOT.format("90", stamp) + SHOT.format("90.5", "")
        path = write(tmp_path, SETUP.format(shots) + second.format(rod))
        job = heightnet.read_job(path)
        bring_in(path, tmp_path / "job")
        assert_same(job, heightnet.read_job(tmp_path / "job"))
        assert job.shots["when"].tolist() == ["2026-05-04T09:30:00Z", ""]
        assert job.staff["when"].tolist() == ["2026-05-04T09:30:00Z"]

    def test_doubts_are_said(self, ferry):
        said = "\n".join(ferry[1])
        for text in (
            "applySeaLevelCorrection", "line 15, CgPoint FL1: the name occurs before", "packed digits say 65 minutes",
            "line 33, RawObservation su1 to X2", "no slope distance", "face R by the value",
            "instrumentHeight 0 beside zenith",
            "not the middle of the stadia readings", "edmVertOffset 0.02 is not applied", "stands on another point",
        ):  # fmt: skip
            assert text in said

    def test_every_element_is_accounted_for(self, ferry):
        """Each element of the file has a line in the log, or stands inside one that has."""
        lines = {int(row.split("\t")[0]) for row in ferry[2].splitlines()[1:]}
        listed = ("Units", "LandXML", "CgPoints", "Survey", "Equipment", "ControlChecks", "ObservationGroup")
        for element in etree.parse(FERRY).iter(etree.Element):
            if element.tag.rpartition("}")[2] in listed:
                continue
            above = {
                e.sourceline for e in (element, *element.iterancestors()) if e.tag.rpartition("}")[2] not in listed
            }
            assert lines & above, (element.tag, element.sourceline)
        fates = Counter(row.split("\t")[1] for row in ferry[2].splitlines()[1:])
        said = ", ".join(f"{fates[fate]} {fate}" for fate in ("used", "ignored", "doubted"))
        assert f"elements: {said}" in [n.text for n in ferry[0].notes]

    def test_the_job_checks(self, ferry):
        assert heightnet.check(ferry[0]).to_json()


def test_radians_by_default(tmp_path):
    job, doubted = read(tmp_path, SETUP.format(SHOT.format("1.5", "")), units=METRIC.format(linear="meter", more=""))
    assert job.shots["zenith_angle"].iloc[0] == pytest.approx(1.5, abs=1e-14)
    assert "schema's default" in (tmp_path / "job" / LOG).read_text()
    assert doubted == []


@pytest.mark.parametrize(
    ("unit", "text", "radians", "job_unit"),
    [
        ("radians", "1.5E0", 1.5, "dms"), ("grads", "99.5", 99.5 * math.pi / 200, "gon"),
        ("decimal degrees", "89.25", math.radians(89.25), "deg"),
        ("decimal degrees", "8.925e1", math.radians(89.25), "deg"),
        ("decimal dd.mm.ss", "89.15", math.radians(89.25), "packed"),
    ],
)  # fmt: skip
def test_angular_units(tmp_path, unit, text, radians, job_unit):
    units = METRIC.format(linear="meter", more=f' angularUnit="{unit}"')
    job, _ = read(tmp_path, SETUP.format(SHOT.format(text, "")), units=units)
    assert job.shots["zenith_angle"].iloc[0] == pytest.approx(radians, abs=1e-14)
    assert job.settings.units.angle == job_unit


# 1 ft = 0.3048 m exactly, US survey foot 1200/3937 m: Federal Register 85 FR 62698
@pytest.mark.parametrize(
    ("units", "linear", "metres", "job_unit"),
    [
        (METRIC, "millimeter", 0.001, "m"),
        (IMPERIAL, "foot", 0.3048, "ft"),
        (IMPERIAL, "USSurveyFoot", 1200 / 3937, "ftUS"),
    ],
)
def test_linear_units(tmp_path, units, linear, metres, job_unit):
    shot = SHOT.format("89.5", "").replace('"100"', f'"{30 / metres}"').replace('"1.6"', f'"{1.6 / metres}"')
    body = SETUP.format(shot).replace('"1.5"', f'"{1.5 / metres}"')
    job, _ = read(tmp_path, body, units=units.format(linear=linear, more=' angularUnit="decimal degrees"'))
    assert job.settings.units.length == job_unit
    assert job.shots["slope_distance"].iloc[0] == pytest.approx(30, rel=1e-12)
    assert job.setups["height"].iloc[0] == pytest.approx(1.5, rel=1e-12)
    assert job.targets["height"].iloc[0] == pytest.approx(1.6, rel=1e-12)


@pytest.mark.parametrize("version", ["1.0", "1.1", "1.2"])
def test_versions(tmp_path, version):
    job, doubted = read(tmp_path, SETUP.format(SHOT.format("89.5", "")), version=version)
    assert len(job.shots) == 1 and doubted == []


def test_an_unknown_version_is_doubted(tmp_path):
    _, doubted = read(tmp_path, SETUP.format(SHOT.format("89.5", "")), version="3.0")
    assert "version 3.0" in doubted[0]


def test_faces_by_value_where_none_is_named(tmp_path):
    job, _ = read(tmp_path, SETUP.format(SHOT.format("89.5", "") + SHOT.format("270.5", "")))
    assert job.shots["face"].tolist() == ["", "R"]


def test_putting_ups(tmp_path):
    """Without a target set-up nothing says that a target stayed; with one it did."""
    again = SETUP.format(SHOT.format("90.5", "")).replace('"s"', '"s2"').replace('"A"', '"C"')
    job, _ = read(tmp_path, SETUP.format(SHOT.format("89.5", "")) + again)
    assert job.targets["target"].tolist() == ["B from s", "B from s2"]
    named = ' targetSetupID="t"'
    both = SETUP.format('<TargetSetup id="t"/>' + SHOT.format("89.5", named)) + again.replace(
        " zenith", f"{named} zenith"
    )
    bring_in(write(tmp_path, both), tmp_path / "named")
    assert heightnet.read_job(tmp_path / "named").targets["target"].tolist() == ["t"]


def test_elevations_are_known_only_where_something_says_so(tmp_path):
    points = (
        "<CgPoints>"
        + "".join(
            f'<CgPoint name="{n}"{k}>1 2 50</CgPoint>'
            for n, k in (("A", ""), ("B", ""), ("C", ' pntSurv="control"'), ("D", ' pntSurv="sideshot"'))
        )
        + "</CgPoints>"
    )
    shots = "".join(SHOT.format("89.5", ' purpose="backsight"').replace('"B"', f'"{n}"') for n in "BCD")
    body = points + SETUP.format(shots)
    doubted = doubts(bring_in(write(tmp_path, body), tmp_path / "one").notes)
    known = heightnet.read_job(tmp_path / "one").marks.set_index("mark")["height"].dropna()
    assert sorted(known.index) == ["B", "C"]
    assert sum("not taken as known" in d for d in doubted) == 2
    bring_in(write(tmp_path, body), tmp_path / "two", known=["A"])
    assert sorted(heightnet.read_job(tmp_path / "two").marks.dropna(subset="height")["mark"]) == ["A", "B", "C"]
    with pytest.raises(HeightnetError, match="read 'Z', expected a point with an elevation"):
        bring_in(write(tmp_path, body), tmp_path / "three", known=["Z"])
    assert not (tmp_path / "three").exists()


def test_a_shot_that_is_checked_later_is_not_known_for_it(tmp_path):
    """The elevation of B may well come from the first shot to it; that of C has no other source in the file."""
    points = '<CgPoints><CgPoint name="B">1 2 50</CgPoint><CgPoint name="C">1 2 50</CgPoint></CgPoints>'
    shots = SHOT.format("89.5", ' purpose="sideshot"') + SHOT.format("89.5", ' purpose="check"')
    check = SHOT.format("89.5", "").replace('"B"', '"C"')
    body = points + SETUP.format(f"{shots}<ControlChecks>{check.replace('RawOb', 'TestOb')}</ControlChecks>")
    job, _ = read(tmp_path, body)
    assert job.marks.dropna(subset="height")["mark"].tolist() == ["C"]


def test_setups_of_one_id_or_of_none_are_told_apart(tmp_path):
    first = SETUP.format(SHOT.format("89.5", ' setupID="s"'))
    second = first.replace('"1.5"', '"1.7"').replace('"A"', '"C"')
    third = SETUP.format(SHOT.format("89.5", "")).replace(' id="s"', "").replace('"1.5"', '"1.6"')
    job, doubted = read(tmp_path, "\n".join((first, second, third)))
    assert job.setups["setup"].tolist() == ["s", "s (line 6)", "(line 7)"]
    assert job.shots["setup"].tolist() == job.setups["setup"].tolist()
    assert job.setups["height"].tolist() == [1.5, 1.7, 1.6]
    assert len(doubted) == 2


def test_precision_that_cannot_be_is_not_taken(tmp_path):
    details = '<Equipment><InstrumentDetails id="I1" zenithAnglePrecision="1e300" edmAccuracyConstant="2"/></Equipment>'
    body = details + SETUP.format(SHOT.format("89.5", "")).replace('id="s"', 'id="s" instrumentDetailsID="I1"')
    job, doubted = read(tmp_path, body)
    assert (job.settings.precision.zenith_sec, job.settings.precision.distance_mm) == (3.0, 2.0)
    assert "zenith_sec 1e+300 cannot be" in doubted[0]


def test_a_target_height_on_the_backsight_alone_or_nowhere(tmp_path):
    bare = SHOT.format("89.5", "").replace(' targetHeight="1.6"', "")
    backsight = '<Backsight targetHeight="1.4"><BacksightPoint name="B"/></Backsight>'
    job, doubted = read(tmp_path, SETUP.format(backsight + bare + bare.replace('"B"', '"C"')))
    assert job.targets.set_index("mark")["height"].dropna().to_dict() == {"B": 1.4}
    assert [d for d in doubted if "no target height" in d] == doubted and "s to C" in doubted[0]


def test_elevations_in_a_unit_of_their_own_are_doubted(tmp_path):
    points = '<CgPoints><CgPoint name="B" pntSurv="control">1 2 50</CgPoint></CgPoints>'
    units = IMPERIAL.format(linear="foot", more=' angularUnit="decimal degrees" elevationUnit="meter"')
    vertical = '<ObservationGroup id="g"><RedVerticalObservation name="v" setupID="s" height="49"/></ObservationGroup>'
    _, doubted = read(tmp_path, points + SETUP.format(SHOT.format("89.5", "")) + vertical, units=units)
    assert ["elevationUnit says m" in d for d in doubted] == [True, True]


def test_another_instruments_precision_goes_with_its_shots(tmp_path):
    details = (
        '<Equipment><InstrumentDetails id="{}" zenithAnglePrecision="{}" edmAccuracyConstant="{}" edmAccuracyppm="{}">'
        "<Corrections/></InstrumentDetails></Equipment>"
    )
    first = SETUP.format(SHOT.format("89.5", "") * 2).replace('id="s"', 'id="s" instrumentDetailsID="I1"')
    second = SETUP.format(SHOT.format("90.5", "")).replace('id="s"', 'id="s2" instrumentDetailsID="I2"')
    body = details.format("I1", 1, 0.002, 2) + details.format("I2", 5, 3, 4) + first + second
    job, _ = read(tmp_path, body)
    assert job.settings.precision.zenith_sec == 1 and job.settings.precision.distance_mm == 2  # 0.002 m
    assert job.shots["sd_zenith"].isna().tolist() == [True, True, False]
    assert job.shots["sd_zenith"].iloc[2] == pytest.approx(math.radians(5 / 3600))
    assert job.shots["sd_distance"].iloc[2] == pytest.approx(math.hypot(0.003, 4e-6 * 100))


class TestRefused:
    def refused(self, path):
        with pytest.raises(InputErrors) as caught:
            read_landxml(path)
        return caught.value.problems[0]

    @pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
    def test_a_document_type(self, tmp_path, encoding):
        bomb = '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaa"><!ENTITY b "&a;&a;&a;&a;">]><LandXML>&b;</LandXML>'
        (tmp_path / "a.xml").write_bytes(bomb.encode(encoding))
        assert "document type" in self.refused(tmp_path / "a.xml").read

    def test_a_document_type_far_down(self, tmp_path):
        text = '<?xml version="1.0"?><!--' + "x" * 3_000_000 + "--><!DOCTYPE LandXML><LandXML/>"
        (tmp_path / "a.xml").write_text(text)
        assert "document type" in self.refused(tmp_path / "a.xml").read

    def test_damage_names_its_line(self, tmp_path):
        text = FERRY.read_text().replace('<TargetPoint name="X3"/>', "<TargetPoint")
        (tmp_path / "a.xml").write_text(text)
        assert self.refused(tmp_path / "a.xml").row == 34

    def test_cut_short(self, tmp_path):
        (tmp_path / "a.xml").write_bytes(FERRY.read_bytes()[:3000])
        assert "damaged or cut short" in self.refused(tmp_path / "a.xml").cause

    @pytest.mark.parametrize("data", [b"", b"hello", b"<html/>", b"PK\x03\x04", b"\xff" * 50])
    def test_other_files(self, tmp_path, data):
        (tmp_path / "a.xml").write_bytes(data)
        assert self.refused(tmp_path / "a.xml").expected

    def test_no_such_file(self, tmp_path):
        with pytest.raises(InputErrors, match="There is no such file or folder"):
            heightnet.read_job(tmp_path / "none.xml")

    def test_nothing_observed(self, tmp_path):
        plan = (
            '<InstrumentSetup id="s" stationName="A" instrumentHeight="0"/><ObservationGroup id="g">'
            '<ReducedObservation name="1" setupID="s" horizDistance="10"/></ObservationGroup>'
        )
        with pytest.raises(HeightnetError, match="no observation of heights"):
            bring_in(write(tmp_path, plan), tmp_path / "job")
        assert not (tmp_path / "job").exists()

    def test_nothing_is_overwritten(self, tmp_path):
        (tmp_path / "job").mkdir()
        (tmp_path / "job" / "mine.txt").write_text("mine")
        with pytest.raises(HeightnetError, match="there already"):
            bring_in(FERRY, tmp_path / "job")
        assert [p.name for p in (tmp_path / "job").iterdir()] == ["mine.txt"]

    @pytest.mark.parametrize("value", ["NaN", "INF", "0", "180", "360", "-5", "x", "", "1e999"])
    def test_odd_zenith_angles_are_doubted_not_used(self, tmp_path, value):
        good = SHOT.format("89.5", "")
        job, doubted = read(tmp_path, SETUP.format(good + SHOT.format(value, "")))
        assert len(job.shots) == 1
        assert len(doubted) == (0 if value == "" else 1)


def test_a_long_file_keeps_line_numbers_and_little_else(tmp_path):
    """Line numbers beyond 65,535, and passed-over parts that leave nothing behind."""
    surface = "<Surfaces>\n" + '<P id="1">1 2 3</P>\n' * 70_000 + "</Surfaces>\n"
    path = write(tmp_path, SETUP.format(SHOT.format("89.5", "")))
    text = path.read_text()
    path.write_text(text.replace("<Survey>", surface + "<Survey>"))
    document = read_landxml(path)
    assert document.observations[0].place.line > 70_000
    assert [e.text for e in document.log if e.place.element == "Surfaces"] == [
        "says nothing about heights (70000 elements inside)"
    ]


class TestPlaces:
    """What is said of a file points into that file."""

    def problem(self, path):
        with pytest.raises(InputErrors) as caught:
            heightnet.read_job(path)
        return caught.value.problems[0]

    @pytest.mark.parametrize(
        ("old", "new", "place"),
        [
            ('instrumentHeight="1.552"', 'instrumentHeight="15.52"', "set-ups, line 24, instrumentHeight"),
            ('id="ts1" targetHeight="1.480"', 'id="ts1" targetHeight="1480"', "observations, line 27, targetHeight"),
            ('Backsight targetHeight="1.700"', 'Backsight targetHeight="1700"', "observations, line 26, targetHeight"),
            ('slopeDistance="44.725"', 'slopeDistance="44725000"', "observations, line 30, slopeDistance"),
            ('rod="0.987"', 'rod="987"', "observations, line 56, rod"),
            ("200.000 12.3456<", "200.000 1234560<", "points, line 9, elevation"),
        ],
    )  # fmt: skip
    def test_a_value_that_cannot_be_is_named_with_its_line_and_attribute(self, tmp_path, old, new, place):
        text = FERRY.read_text()
        assert text.count(old) == 1
        path = tmp_path / "ferry.xml"
        path.write_text(text.replace(old, new))
        problem = self.problem(path)
        value = re.findall(r"[\d.]+", new)[-1]
        assert str(problem).startswith(f"ferry.xml, {place}: read '{value}', expected")
        assert value in path.read_text().splitlines()[problem.row - 1]

    def test_results_name_the_line(self):
        facts = heightnet.check(FERRY).facts
        lines = FERRY.read_text().splitlines()
        for shot in facts["shots"]:
            assert shot["id"] == f"shot:ferry-landing.xml, observations:{shot['row']}"
            assert "Observation" in lines[shot["row"] - 1]
        assert [n["text"] for n in facts["notes"] if "instrumentHeight 0 beside" in n["text"]] == [
            "line 44, InstrumentSetup su2: instrumentHeight 0 beside zenith angles: taken as it stands; a filler?"
        ]

    def test_a_file_without_line_breaks_counts_its_elements(self, tmp_path):
        path = tmp_path / "one.xml"
        path.write_text(FERRY.read_text().replace("\n", ""))
        job, lined = heightnet.read_job(path), heightnet.read_job(FERRY)
        assert_same(job, lined)
        seen = [
            e for e in etree.parse(FERRY).iter(etree.Element) if e.tag.endswith(("RawObservation", "TestObservation"))
        ]
        assert [seen[row - 1].sourceline for row in job.shots["row"]] == lined.shots["row"].tolist()
        path.write_text(path.read_text().replace('instrumentHeight="1.552"', 'instrumentHeight="15.52"'))
        assert str(self.problem(path)).startswith("one.xml, set-ups, number 1, instrumentHeight: read '15.52'")

    def test_many_doubts_of_one_kind_are_counted(self, tmp_path):
        bare = SHOT.format("89.5", "").replace(' targetHeight="1.6"', "")
        job = heightnet.read_job(
            write(tmp_path, SETUP.format("\n".join(bare.replace('"B"', f'"B{i}"') for i in range(50))))
        )
        said = doubts(job.notes)
        assert len(said) == 21 and said[-1].startswith(
            "30 more like these: RawObservation: no target height is recorded"
        )


class TestSeveralSurveys:
    """All surveys of a file are one job; what an id means ends with its survey."""

    def test_ids_are_those_of_their_survey(self, tmp_path):
        group = '<ObservationGroup id="g" setupID="s" targetSetupID="t">{}</ObservationGroup>'
        bare = SHOT.format("89.5", "").replace(' targetHeight="1.6"', "")
        setup = SETUP.format('<TargetSetup id="t" targetHeight="{}"/>')
        first = setup.format("1.6") + group.format(bare)
        second = setup.format("1.8").replace('"1.5"', '"1.7"').replace('"A"', '"C"') + "\n" + group.format(bare)
        body = f'{first}\n</Survey>\n<Survey><SurveyHeader name="Second"/>\n{second}'
        job, doubted = read(tmp_path, body)
        assert job.setups[["mark", "height"]].to_numpy().tolist() == [["A", 1.5], ["C", 1.7]]
        assert job.shots["setup"].tolist() == ["s", "s (line 8)"]
        assert job.targets["height"].tolist() == [1.6, 1.8]
        assert job.settings.title == "Invented"
        assert sum("the id occurs before" in d for d in doubted) == 2

    def test_on_one_line_too_ids_stay_apart(self, tmp_path):
        one = SETUP.format(SHOT.format("89.5", ""))
        job, _ = read(tmp_path, "".join(one.replace('"1.5"', f'"1.{i}"') for i in (5, 6, 7)))
        assert job.setups["setup"].tolist() == ["s", "s (line 5)", "s (line 5, 2)"]
        assert job.setups["height"].tolist() == [1.5, 1.6, 1.7]
        assert job.shots["setup"].tolist() == job.setups["setup"].tolist() and job.shots["row"].tolist() == [1, 2, 3]

    def test_observations_may_stand_before_their_set_up(self, tmp_path):
        early = (
            '<ObservationGroup id="g" setupID="s" targetSetupID="t">' + SHOT.format("89.5", "") + "</ObservationGroup>"
        )
        late = SETUP.format('<TargetSetup id="t" targetHeight="1.6"/>')
        job, _ = read(tmp_path, f"{late}{early}</Survey>\n<Survey>\n{early}\n{late.replace('1.5', '1.7')}")
        assert job.setups["height"].tolist() == [1.5, 1.7]
        assert job.shots["setup"].tolist() == job.setups["setup"].tolist()

    def test_target_set_ups_of_one_id_and_two_heights_in_one_survey(self, tmp_path):
        """A program that numbers target set-ups anew at each set-up: a reference means the latest before it."""
        of = '<TargetSetup id="t" targetHeight="{}"/>\n' + SHOT.format("89.5", ' targetSetupID="t"').replace(
            ' targetHeight="1.6"', ""
        )
        second = SETUP.format(of.format("1.9")).replace('"s"', '"s2"').replace('"A"', '"C"')
        job, doubted = read(tmp_path, SETUP.format(of.format("1.6")) + "\n" + second)
        assert job.targets["height"].tolist() == [1.6, 1.9]
        assert len(doubted) == 1 and "TargetSetup t (line 7): the id occurs before" in doubted[0]


HOSTILE = {
    "empty": b"",
    "text": b"hello",
    "html": b"<html/>",
    "a binary file": bytes(range(256)) * 40,
    "a document type": b'<?xml version="1.0"?><!DOCTYPE L [<!ENTITY a "&#97;&#97;">]><LandXML>&a;</LandXML>',
    "an entity nobody defined": b"<LandXML><Survey>&who;</Survey></LandXML>",
    "an encoding that is not so": b'<?xml version="1.0" encoding="UTF-8"?>\n<LandXML><Survey name="M\xfc"/></LandXML>',
    "an encoding that is none": b'<?xml version="1.0" encoding="klingon"?><LandXML/>',
    "far too deep": b"<LandXML>" + b"<Survey>" * 5_000,
    "an attribute without end": b'<LandXML a="' + b"x" * 11_000_000 + b'"/>',
    "cut short": FERRY.read_bytes()[:2_000],
    "a survey without observations": b'<LandXML version="1.2"><Survey/></LandXML>',
    "UTF-16 cut in a character": '<?xml version="1.0"?><LandXML/>'.encode("utf-16")[:-1],
}


@pytest.mark.parametrize("what", HOSTILE)
def test_hostile_files_are_refused_with_their_name(tmp_path, what):
    path = tmp_path / "a.xml"
    path.write_bytes(HOSTILE[what])
    with pytest.raises(InputErrors) as caught:
        heightnet.read_job(path)
    assert all(p.file == "a.xml" and p.expected and len(str(p)) < 600 for p in caught.value.problems)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "iso-8859-1"])
def test_the_encoding_is_that_of_the_first_line(tmp_path, encoding):
    text = FERRY.read_text().replace("UTF-8", encoding.removesuffix("-sig")).replace('"su1"', '"sü1"')
    (tmp_path / "a.xml").write_bytes(text.encode(encoding))
    assert heightnet.read_job(tmp_path / "a.xml").setups["setup"].tolist() == ["sü1", "su2"]
