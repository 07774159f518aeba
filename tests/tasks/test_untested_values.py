"""Values that nothing tests end in facts, not in numbers that are none."""

import json

import heightnet


def facts(tmp_path, **tables):
    for name, text in tables.items():
        (tmp_path / f"{name}.csv").write_text(text)
    return json.loads(heightnet.check(tmp_path).to_json())


def test_a_height_wrong_only_in_a_swap_has_no_causes_of_its_own(tmp_path):
    # S2 is seen by nothing that tests it, but its height and the target's may have been exchanged
    shots = (
        "setup,at,HI,mark,HT,placement,SD,ZA,face\n"
        "S1,A,1.536,B,1.600,,50.990,88-36-10,L\nS1,A,1.536,B,1.600,,50.990,271-23-50,R\n"
        "S2,C,1.480,B,1.600,again,70.120,89-10-05,\nS2,,,A,1.600,again,61.005,90-01-00,\n"
    )
    found = facts(tmp_path, marks="mark,height\nA,100.000\nB,101.250\n", shots=shots)
    untested = next(s for s in found["setups"] if s["setup"] == "S2")
    assert untested["verdict"] == "unproved" and untested["probability"] is not None
    assert (untested["error_mm"], untested["causes"]) == (None, [])


def test_a_known_mark_held_exactly_that_nothing_is_tied_to(tmp_path):
    levels = "from,to,rise,length\nA,B,0.502,90\nB,A,-0.501,90\n"
    found = facts(tmp_path, marks="mark,height,sd_mm\nX,100.000,0\n", levels=levels)
    assert found["suspects"] == []
    assert {m["mark"] for m in found["marks"]} == {"X", "A", "B"}
