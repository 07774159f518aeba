"""The slips that any value in a book or a field record suffers from, whatever it is."""

from __future__ import annotations

from heightnet.kinds import slips
from heightnet.kinds.cause import Cause
from heightnet.reduce.reading import FEET, FOOT, METRIC

NOMINAL = 1.75
"""What the priors of all causes of written values come to: where few of them are possible for one kind of value, each
does not weigh more for it than for another kind."""

USUAL_SECTION = (1.2, 0.2)  # size and sd, m, where the equipment table is silent
USUAL_FOOT = (0.010, 0.008)
USUAL_GAP = (0.010, 0.005)

TRANSPOSED = Cause("transposed", "two neighbouring digits changed places", 0.10, slips.transposed)
CAUSES = (
    Cause("misread_1m", "a reading one metre off", 0.12, slips.misread(1.0, METRIC)),
    Cause("misread_1dm", "a reading one decimetre off", 0.12, slips.misread(0.1, METRIC)),
    Cause("misread_1cm", "a reading one centimetre off", 0.12, slips.misread(0.01, METRIC)),
    Cause("misread_1ft", "a reading one foot off", 0.12, slips.misread(FOOT, FEET)),
    Cause("misread_tenth_ft", "a reading a tenth of a foot off", 0.12, slips.misread(0.1 * FOOT, FEET)),
    Cause("misread_hundredth_ft", "a reading a hundredth of a foot off", 0.06, slips.misread(0.01 * FOOT, FEET)),
    TRANSPOSED,
    Cause("zero_dropped", "a zero after the point left out", 0.04, slips.zero_dropped),
    Cause("feet_as_metres", "feet in a metre book", 0.02, slips.feet_as_metres),
    Cause("metres_as_feet", "metres in a feet book", 0.02, slips.metres_as_feet),
)
MINUS = Cause(
    "minus_lost", "the minus of a staff held upside down left out, or put where none belongs", 0.03, slips.minus_lost
)
SIGN = Cause("sign", "the sign of the rise wrong", 0.06, slips.wrong_sign)
JOINT = "a joint of the staff not seated: what is read above it is too small"
EXCHANGED = "backsight and foresight in each other's place"
STAFF = (
    Cause("section", "a section of the staff or pole not drawn out, or not locked", 0.04,
          slips.constant("sections", USUAL_SECTION)),
    Cause("staff_foot", "the foot of the staff: its zero, a shoe, or dirt under it", 0.05,
          slips.constant("feet", USUAL_FOOT)),
    Cause("joint", JOINT, 0.02,
          slips.joint(*USUAL_GAP, USUAL_SECTION[0])),
)  # fmt: skip
