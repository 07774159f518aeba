"""The height of an instrument or a target above its mark, or of the stand that both share."""

from __future__ import annotations

from heightnet.job.tapes import INCH
from heightnet.kinds import slips
from heightnet.kinds.cause import SAME_AS_BEFORE, SWAP, ZERO, Cause, Evidence
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing
from heightnet.reduce.moments import is_later
from heightnet.reduce.reading import DECIMAL_FEET, FEET, FOOT, METRIC
from heightnet.reduce.tape import mean_height

USUAL_HOOK = (0.03, 0.01)  # size and sd, m, where the equipment table is silent
SETTLED = (0.006, 0.004)  # how far a tripod usually sinks, where it does

CAUSES = (
    Cause("slant_not_reduced", "a slant reading used as if it were vertical", 0.10, slips.slant_not_reduced),
    Cause("slant_reduced_twice", "a vertical reading reduced as if it were slant", 0.02, slips.slant_reduced_twice),
    Cause("feet_as_metres", "a reading in feet taken as metres", 0.02, slips.feet_as_metres),
    Cause("metres_as_feet", "a reading in metres taken as feet", 0.02, slips.metres_as_feet),
    Cause("inches_as_decimal", "feet and inches booked as decimal feet", 0.06, slips.inches_as_decimal),
    Cause("decimal_as_inches", "decimal feet read as feet and inches (tenths as inches)", 0.06,
          slips.decimal_as_inches),
    Cause("transposed", "two neighbouring digits changed places", 0.08, slips.transposed),
    Cause("misread_1cm", "a reading one centimetre off", 0.09, slips.misread(0.01, METRIC)),
    Cause("misread_1dm", "a reading one decimetre off", 0.09, slips.misread(0.1, METRIC)),
    Cause("misread_1m", "a reading one metre off", 0.03, slips.misread(1.0, METRIC)),
    Cause("misread_1in", "a reading one inch off", 0.09, slips.misread(INCH, ("ftin",))),
    Cause("misread_tenth_ft", "a reading a tenth of a foot off", 0.09, slips.misread(0.1 * FOOT, DECIMAL_FEET)),
    Cause("misread_1ft", "a reading one foot off", 0.06, slips.misread(FOOT, FEET)),
    Cause("hook", "the tape's end or hook counted in, or left out", 0.05, slips.constant("hooks", USUAL_HOOK, 0.7)),
    Cause(SWAP, "instrument and target height of the sight to {detail} in each other's place", 0.05, slips.swapped),
    Cause(SAME_AS_BEFORE, "the height of the set-up before carried over", 0.05, slips.same_as_before),
    Cause("other_point", "the tape held to {detail}", 0.10, slips.other_point),
    Cause(ZERO, "no height entered: it was left at zero", 0.02, slips.left_at_zero),
    Cause("tripod_head", "the tape held to the tripod head, not to the {detail}", 0.06, slips.tripod_head),
    Cause("sign", "the height with the wrong sign", 0.01, slips.wrong_sign),
    Cause("offset_twice", "the offset of the measuring point applied twice", 0.03, slips.offset_twice),
    Cause("offset_left_out", "the offset of the measuring point left out", 0.03, slips.offset_left_out),
    Cause("offset_sign", "the offset of the measuring point with the wrong sign", 0.01, slips.offset_sign),
    Cause("part_left_out", "a part of the measurement left out", 0.03, slips.part_left_out),
    Cause("part_twice", "a part of the measurement counted twice", 0.03, slips.part_twice),
    Cause("section", "a pole section drawn out too far or not far enough", 0.05, slips.constant("sections")),
    Cause("controller", "a slant that the controller had made vertical already, reduced again", 0.06,
          slips.reduced_by_controller, only="antenna"),
    Cause("phase_left_out", "the phase-centre offset of the antenna left out: the solution is of its phase centre",
          0.04, slips.phase_centre(1), only="antenna"),
    Cause("phase_twice", "the phase-centre offset of the antenna applied twice, in the height and in the solution",
          0.04, slips.phase_centre(-1), only="antenna"),
    Cause("settled", "the stand settled since the reading before", 0.15, slips.usually(SETTLED[1], -SETTLED[0]),
          only="later"),
)  # fmt: skip


def evidence(records: Records, thing: Thing) -> Evidence:
    """About the height of a stand, or one reading of it."""
    column = records.column
    kind, stand = thing.kind, thing.name
    if thing.kind == "reading":
        found = records.position(thing.file, thing.row)
        kind, stand = (column["stand_kind"][found[0]], column["stand"][found[0]]) if found else ("", "")
    else:
        found = records.positions(kind, stand)
    if not found:
        raise KeyError(f"no reading behind {thing}")
    equipment = records.equipment_of(kind, stand)
    others = (str(column["when"][i]) for i in records.at.get((kind, stand), ()))
    return Evidence(
        kind,
        mean_height(*([column[of][i] for i in found] for of in ("height", "sd")))[0],
        readings=tuple(records.reading(i) for i in found),
        points=records.points(equipment),
        hooks=records.sizes("hook", {column["tape"][i] for i in found}),
        sections=records.sizes("section", {equipment}),
        usual_parts=records.usual_parts(kind, stand),
        previous=records.previous(stand, equipment) if kind == "setup" else None,
        partners=records.partners(kind, stand),
        population=records.population(kind, equipment),
        antenna=kind == "setup" and stand in records.antennas,
        later=thing.kind == "reading" and any(is_later(str(column["when"][found[0]]), when) for when in others),
    )
