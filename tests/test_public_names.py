"""The names a script may rely on."""

import heightnet


def test_public_names():
    assert heightnet.__all__ == [
        "HeightnetError", "InputErrors", "Job", "Result", "Settings", "__version__", "check", "read_job",
    ]  # fmt: skip
    for name in heightnet.__all__:
        assert getattr(heightnet, name) is not None


def test_result_tables(tmp_path):
    from tests.networks import reciprocal

    result = heightnet.check(reciprocal().job(), test__tolerance_mm=25.0)
    for table in (
        "setups", "targets", "marks", "shots", "levels", "staff", "gnss", "separations", "known", "groups", "loops",
        "suspects",
    ):  # fmt: skip
        assert getattr(result, table) is not None
    assert result.facts["settings"]["test"]["tolerance_mm"] == 25.0
    assert set(result.setups["verdict"]) == {"proved"}
    assert "<" in result._repr_html_()
    written = result.write(tmp_path / "out")
    assert {p.name for p in written} >= {"results.json", "setups.csv", "targets.csv", "marks.csv", "report.html"}
    again = heightnet.Result.from_json(tmp_path / "out" / "results.json")
    assert again.to_json() == result.to_json()
