"""results.json: every key of it, in the order in which it is written."""

from __future__ import annotations

from heightnet.ledger.field import METRES, put
from heightnet.ledger.record import (
    NUMBER,
    SHARE,
    TEXT,
    WHOLE,
    YES,
    Fact,
    Keyed,
    Many,
    Maybe,
    Record,
    Words,
    each,
    record_of,
)  # fmt: skip

SCHEMA = "heightnet-results/2"

VERDICT = Words(("suspect", "either", "unproved", "missing", "doubted", "weak", "proved", "free"), "verdict")
"""Of a height or an observation, worst first."""
STATE = Words(("closes", "scatters", "unclear", "wrong", "many", "unexplained", "untested"), "state")
LENGTH_UNIT = Words(tuple(METRES))

# ---- what several tables share ----

HEIGHT = Record(
    (
        *each("number", "height_m sd_mm"),
        Fact("probability", SHARE),
        *each("number", "low_m high_m"),
    ),
    "height",
    "one of the heights that a place may have; low and high hold 95 of 100 of it",
)
CAUSE = Record(
    (
        Fact("cause", "text", "its id, in causes.md"),
        Fact("text", "text", "in words"),
        Fact("expected_mm", NUMBER, "the error that it makes"),
        Fact("found_mm", NUMBER, "the error found"),
        Fact(
            "spread_mm", NUMBER,
            "where expected_mm rests on a constant that nobody recorded: how widely it usually varies",
        ),
        Fact("probability", SHARE, "among the causes"),
    ),
    "cause",
)  # fmt: skip
MOVE = Record((*each("text", "mark"), Fact("per_mm", NUMBER, "for one millimetre of undetected error")), "move")
MOVED = Record((*each("text", "mark"), Fact("moved_mm", NUMBER, "what the error does to its height")))

MARKS = "95 of 100 such heights lie between lowest and highest"
TWO_MINDS = "the height has two minds"


def _heights(name: str, heading: str, meaning: str, sd: str, sd_meaning: str) -> tuple[Fact, ...]:
    """A height as it is told: one number, or each that it may have."""
    return (
        Fact(name, Maybe("number", TWO_MINDS), meaning, heading),
        Fact(sd, Maybe("number", TWO_MINDS), sd_meaning, "sd"),
        Fact("low_m", Maybe("number", TWO_MINDS), MARKS, "Lowest"),
        Fact("high_m", Maybe("number", TWO_MINDS), MARKS, "Highest"),
        Fact(
            "heights", Many(HEIGHT),
            "where the height falls apart: each height it may have, likeliest first; else empty, or with rarer ones "
            "beside the one",
        ),
    )  # fmt: skip


_W = Fact("w", NUMBER, "the error over its standard deviation as stated (w)", "Error / sd")
_SHOWS = Fact(
    "redundancy", NUMBER, "redundancy number: the part of an error that the residuals show", "Share that shows"
)
_FOUND = Fact("smallest_found_mm", NUMBER, "the smallest error that would show", "Shows from")
_CHANCE = Fact("probability", SHARE, "how likely it is wrong, of all that could explain the job", "Wrong")
_VERDICT = Fact("verdict", VERDICT, "", "Verdict")
_ERROR_SD = Fact("error_sd_mm", NUMBER, "standard deviation of that error", "sd")
_STATED_SD = Fact("sd_mm", NUMBER, "standard deviation as stated", "Stated sd")
RESIDUAL = Fact("residual_mm", NUMBER, "observed less adjusted, nothing left out", "Residual")
_ROW = (Fact("id", "text"), Fact("file", "text"), Fact("row", "whole", "row of the file", "Row"))


def tested(error: str) -> tuple[Fact, ...]:
    """What the test of a hypothesis gives; ``error`` says what its error is."""
    return (Fact("error_mm", NUMBER, error, "Error"), _ERROR_SD, _W, _SHOWS, _FOUND, _CHANCE, _VERDICT)


def observed(*own: Fact, error: str) -> Many:
    """A table of observations: where each stands, what it is, its residual and its test."""
    return Many(Record((*_ROW, *own, Fact("sd_mm", NUMBER, "standard deviation as stated"), RESIDUAL, *tested(error))))


RISE_ERROR = "by how much its rise seems too large (minus: too small)"
HEIGHT_ERROR = "by how much it seems too high (minus: too low)"

# ---- set-ups, targets, marks ----

READING = Record(
    (
        *each("text", "id file"),
        Fact("rows", Many("whole"), "of one reading, or of its parts"),
        Fact("text", "text", "as read"),
        Fact("scale", "text", "of the tape"),
        Fact("kind", Words(("booked", "vertical", "slant", "parts"))),
        Fact("point", TEXT, "the tape was held to"),
        *each(NUMBER, "radius_mm offset_mm"),
        *each(TEXT, "tape by when"),
        Fact("value_m", NUMBER, "the number read"),
        Fact("sd_mm", NUMBER, "standard deviation as stated"),
        Fact("height_m", NUMBER, "reduced to the vertical"),
        Fact("difference_mm", NUMBER, "height_m less found_m of its stand"),
        *each(NUMBER, "w redundancy"),
        Fact("probability", SHARE, "that this is a blunder"),
        Fact("verdict", VERDICT),
    ),
    "reading",
)


PROVED_AGAINST = Words(("misreading", "wrong_point", "equipment", "mark", "movement"))
"""Kinds of error that a height may be proved against, as `heightnet.judge.proof` has them."""

PROOF_OF_A_HEIGHT = Record(
    (
        Fact("kind", PROVED_AGAINST, "what would be wrong"),
        Fact("found_mm", Maybe("number", "nothing tests it"), "from what size of the height, or of marks, on it shows"),
        Fact("proved", "yes", "it shows within the tolerance"),
        Fact("least", TEXT, "the error of the kind that shows least, its id"),
        Fact("shown_in", Many("text"), "observations in which most of it stays, at most three; empty in large jobs"),
    ),
    "proof",
)


def _stand(kind: str, heading: str, over: str, thing: str) -> Record:
    return Record(
        (
            Fact(kind, "text", "", heading),
            Fact("mark", Maybe("text", "over no mark"), "the mark below", over),
            *each(TEXT, f"{thing} observer when tripod"),
            Fact("hypothesis", Maybe("text", "a free set-up, or no height recorded"), "the id that tests this height"),
            Fact("recorded_m", NUMBER, "the height recorded, reduced to the vertical", "Recorded"),
            Fact("booked_m", NUMBER, "the column `height` as booked"),
            Fact("sd_mm", NUMBER, "standard deviation as stated"),
            Fact(
                "error_mm", NUMBER, "recorded too high by so much, says the rest of the job (minus: too low)", "Error"
            ),
            _ERROR_SD, _W, _SHOWS, _FOUND,
            Fact(
                "smallest_named_mm", Maybe("number", "never"),
                "the smallest error that would be laid on this height and no other", "Named from",
            ),
            Fact("independent_checks", WHOLE, "independent ways by which the rest of the job knows it", "Ways"),
            _VERDICT, _CHANCE,
            Fact(
                "proofs", Many(PROOF_OF_A_HEIGHT),
                "each kind of error that can be there; the verdict goes by `misreading` and `wrong_point`",
            ),
            *_heights(
                "corrected_m", "Corrected", "the height to use; two where the job cannot tell which",
                "corrected_sd_mm", "its standard deviation",
            ),
            Fact("same_as", Many("text"), "ids about other things that nothing tells from this one"),
            Fact("causes", Many(CAUSE), "likeliest first, from a probability of being wrong of 5 % on"),
            Fact("readings", Many(READING), "the reduction of each reading"),
            Fact("moves", Many(MOVE), "the marks that an error would move most, at most eight"),
            Fact("found_m", NUMBER, "the height the rest of the job gives, without this stand's own readings"),
            Fact("found_sd_mm", NUMBER, "its standard deviation"),
            Fact("piece", WHOLE, "of the job that it stands in"),
        ),
        kind,
    )  # fmt: skip


MARK = Record(
    (
        Fact("mark", "text", "", "Mark"),
        Fact("height_m", NUMBER, "adjusted height, nothing left out", "As recorded"),
        Fact("sd_mm", NUMBER, "standard deviation", "sd"),
        Fact("known_m", NUMBER, "the known height; none: to be found", "Known"),
        *_heights(
            "corrected_height_m", "Corrected", "what is wrong taken into account; two where nothing tells which",
            "corrected_sd_mm", "standard deviation, with the doubt about what is wrong",
        ),
        Fact(
            "hidden_mm", Maybe("number", "nothing limits it, where hidden_by is set"),
            "the most an undetected error could move it, and whose",
        ),
        Fact("hidden_by", TEXT, "whose error that is, its id"),
        *each(NUMBER, "east_m north_m"),
        Fact("piece", WHOLE, "of the job that it lies in"),
        Fact("known", "yes", "whether its height was recorded"),
    )
)  # fmt: skip

# ---- what has a test ----

SHOTS = observed(
    Fact("setup", "text", "", "Set-up"),
    Fact("target", "text", "", "Target"),
    Fact("from_mark", TEXT),
    Fact("to_mark", TEXT, "", "To mark"),
    *each(TEXT, "session face"),
    Fact("slope_distance_m", NUMBER),
    Fact("zenith_deg", NUMBER),
    Fact("horizontal_m", NUMBER, "horizontal", "Distance"),
    Fact("rise_m", NUMBER, "target centre above instrument axis", "Rise"),
    Fact(
        "faces_mm",
        Maybe("number", "not observed in both faces"),
        "rise in face L less that in face R, of this set-up and target: the first of each, the second of each",
        "L - R",
        required=False,
    ),
    Fact(
        "index_sec",
        Maybe("number", "not observed in both faces"),
        "the index error that makes this difference",
        "Index error",
        required=False,
    ),
    Fact(
        "forward_back_mm",
        Maybe("number", "no sight the other way"),
        "rise from mark to mark, heights as taped, and the mean of the sights the other way: they would add up to 0",
        "Forward + back",
        required=False,
    ),
    error=RISE_ERROR,
)
LEVELS = observed(
    Fact("from_mark", "text", "", "From"),
    Fact("to_mark", "text", "", "To"),
    Fact("run", TEXT, "", "Run"),
    Fact("rise_m", NUMBER, "", "Rise"),
    Fact("length_m", NUMBER),
    error=RISE_ERROR,
)
STAFF = observed(
    Fact("level_setup", "text", "", "Level set-up"),
    Fact("mark", "text", "change points are made unique to their run"),
    Fact("name", "text", "where the staff stood, as written", "On"),
    Fact("run", TEXT),
    Fact("sight", TEXT, "", "Sight"),
    Fact("reading_m", NUMBER, "", "Reading"),
    Fact("distance_m", NUMBER),
    error="by how much it seems read too high (minus: too low)",
)
GNSS = observed(
    Fact("from", TEXT, "set-up of the antenna; none: a height by itself", "From"),
    Fact("to", "text", "set-up of the antenna", "To"),
    Fact("from_mark", TEXT),
    Fact("to_mark", TEXT, "", "To mark"),
    Fact("session", TEXT, "", "Session"),
    Fact("rise_m", NUMBER, "ellipsoidal, reference point of `to` less that of `from`"),
    Fact("height_m", NUMBER, "ellipsoidal, of the reference point of `to`"),
    Fact("separation_m", NUMBER, "of geoid and ellipsoid: at to, less at from", "Separation"),
    Fact("length_m", NUMBER),
    error=HEIGHT_ERROR,
)
SEPARATIONS = Many(
    Record(
        (
            Fact("id", "text"),
            Fact("mark", "text", "", "Mark"),
            Fact("separation_m", NUMBER, "as recorded: geoid above ellipsoid", "Separation"),
            _STATED_SD,
            Fact("residual_mm", NUMBER, "recorded less adjusted, without the job-wide model", "Residual"),
            Fact("adjusted_sd_mm", NUMBER),
            *tested(HEIGHT_ERROR),
        )
    )
)
KNOWN = Many(
    Record(
        (
            Fact("id", "text"),
            Fact("mark", "text", "", "Mark"),
            Fact("height_m", NUMBER, "as recorded", "Known height"),
            _STATED_SD,
            RESIDUAL,
            *tested("by how much the known height seems too high (minus: too low)"),
        )
    )
)
GROUPS = Many(
    Record(
        (
            Fact("id", "text"),
            Fact("group", "text", "its name"),
            Fact("kind", "text", "what its members have in common"),
            Fact("members", "whole", "how many share it", "Members"),
            Fact("member_ids", Many("text"), "empty above 10,000"),
            *tested("common to all members; above 0: recorded too high"),
            Fact("reason", "text", 'why it cannot be tested, or ""'),
        )
    )
)

# ---- the job as a whole ----

JOB = Record(
    (
        *each("text", "name title"),
        Fact("length_unit", LENGTH_UNIT),
        Fact("angle_unit", Words(("dms", "packed", "deg", "gon"))),
        Fact("invented", "yes", "its title says so"),
    )
)
FIT = Record(
    (
        *each("whole", "observations unknowns"),
        Fact("redundancy", "whole", "how many measurements are more than needed"),
        *each(NUMBER, "variance_factor chi2 chi2_limit"),
        Fact("passed", Maybe("yes", "nothing is redundant"), "the test of the whole; decides nothing"),
        Fact("hypotheses", "whole", "blunders considered"),
        Fact("classes", "whole", "of them that can be told apart"),
        Fact("critical_w", NUMBER, "the limit k of largest_w"),
        Fact("critical_log_odds", NUMBER, "the limit theta that log_odds must exceed for something to be said"),
        Fact(
            "critical_by", Words(("simulation", "formula", "none")),
            "how the limits were found; none: nothing can contradict anything, and both are null",
        ),
        Fact("largest_w", NUMBER, "the largest test of a single hypothesis with nothing freed"),
        Fact("largest_w_id", TEXT, "whose it is"),
        Fact("log_odds", NUMBER, "log O, the odds that one class is wrong, averaged over the factors"),
        Fact(
            "alarm", "yes",
            "whether anything is said: largest_w beyond critical_w, or log_odds beyond critical_log_odds",
        ),
        Fact(
            "largest_tau", NUMBER,
            "largest_w over the root of the variance factor: the test of a job that does not trust its sds; decides "
            "nothing",
        ),
        Fact("critical_tau", NUMBER, "its limit"),
        Fact("tape_factor", NUMBER, "how many times larger than stated the sds of tape readings probably are"),
        Fact("sight_factor", NUMBER, "the same of sights and levels"),
    )
)  # fmt: skip
JUDGEMENT = Record(
    (
        Fact("state", STATE, "[what each means](judging.md#the-states-of-a-job)"),
        Fact("relative", "yes", "no known mark: every height is relative, beside any state"),
        Fact("said", "yes", "the job contradicts itself; the same as `fit.alarm`"),
        Fact("probability", SHARE, "that anything is wrong; without `said` it accuses nobody"),
        Fact("explained", "yes", "the likeliest blunders leave nothing that contradicts, and are few enough"),
        Fact("blunders", "whole", "in the likeliest explanation; a common error counts once"),
        Fact("bears", Maybe("whole", "from a redundancy of 20"), "blunders that so small a job can bear"),
        Fact(
            "survives", Maybe("whole", "no heights"),
            "errors at once that every height survives: half of the fewest independent checks",
        ),
        Fact("checked_under_two", "whole", "heights with fewer than two independent checks"),
        Fact("checked_under_four", "whole", "the same of four"),
        Fact(
            "neighbourhoods", "whole",
            "searched; 1: the whole job at once; of a large job those around what stands out, 0 where nothing is said",
        ),
        Fact("searched", SHARE, "about the share of probability that was looked at; no probability is above it"),
        Fact("stopped", Words(("", "budget", "seconds")), "what ended a search before its time"),
        Fact("second_search", Words(("made", "not made")), "not made where there was nothing to search"),
        Fact(
            "events", Words(("weighed", "not weighed")),
            "what began at a moment, moved or had another name; not weighed above 20,000 observations",
        ),
        Fact("found_at_most", "yes", "smallest_found_mm are upper bounds (large jobs)"),
        Fact("named_sizes", "yes", "smallest_named_mm was worked out; then null: never named alone"),
    )
)  # fmt: skip
MEMBER = Record((Fact("id", "text"), Fact("probability", SHARE), *each(NUMBER, "error_mm error_sd_mm")), "member")
PLACE = Record(
    (
        Fact(
            "kind", Words(("thing", "setup", "target", "mark", "section", "class", "alike", "list")),
            "[what they hold](judging.md#where-slots-and-the-smallest-place); of the names those that apply",
        ),
        *each(TEXT, "setup target mark from_mark to_mark"),
        Fact("run", Maybe("text", "all runs")),
        Fact("setups", NUMBER, "set-ups of a section's levelling"),
    ),
    "place",
)  # fmt: skip
SURE, PERHAPS = 0.98, 0.02
"""Probability of a use, given its event, from which it is told as wrong, and as perhaps wrong."""

WHEN = "as recorded; in an order of readings what was read"
USE = Maybe(
    Record((Fact("id", "text", "a height, a sight or a staff reading"), Fact("when", TEXT, WHEN))), "there is none"
)

BETWEEN = Record((Fact("after", USE, "the last use before it"), Fact("before", USE, "the first use after it")))

EVENT = Record(
    (
        Fact("order", Words(("times", "rows", "readings")), "what the order of the uses goes by"),
        Fact("began", Maybe(BETWEEN, "from the first use on"), "the moments that hold 95 of 100 of where it began"),
        Fact("ended", Maybe(BETWEEN, "with the last use"), "likewise where it ended"),
        Fact(
            "uses",
            Many(
                Record(
                    (
                        Fact("id", "text", "of a height, a sight or a staff reading"),
                        Fact("when", TEXT, WHEN),
                        Fact("probability", SHARE, "that it is wrong with it, if it is wrong at all"),
                    )
                )
            ),
            f"of what is named, in their order: from {SURE:g} on they are told as wrong, below {PERHAPS:g} as not",
        ),
    )
)

FINDINGS = Many(
    Record(
        (
            Fact("order", "whole", "likeliest first"),
            Fact(
                "level", "number",
                "0.9 is wrong, 0.5 is probably wrong, 0 where no place holds a half (`unclear`) or nothing is accused "
                "(`unexplained`)",
            ),
            Fact("named", "yes", "one thing, and the evidence says so; else id is null and moved empty"),
            Fact(
                "probability", SHARE,
                "that the place holds a blunder; of what is named that it is wrong, one way or another, as in its own "
                "record",
            ),
            Fact("place", PLACE, "the smallest that holds it"),
            Fact("members", Many(MEMBER), "a thing once, likeliest first, at most 2,000"),
            Fact("count", "whole", "how many members there are"),
            Fact(
                "kinds",
                Many(Record((*each("text", "what"), *each("whole", "count"), Fact("id", TEXT)))),
                "how many members there are of each kind, the most first; id where it is one",
            ),
            Fact(
                "slip",
                Maybe(Record((*each("text", "cause text"), *each("whole", "count"), *each("text", "id"))), "none fits"),
                "the [usual slip](causes.md) that likeliest made the error, how many members it fits (it makes an "
                "error within two standard deviations of what each would need) and the first of them",
            ),
            Fact("error_mm", NUMBER, "of the first member"),
            Fact("error_sd_mm", NUMBER, "standard deviation of that error"),
            Fact("same_sign", "yes", "every member would be off by as much and the same way"),
            Fact("id", TEXT, "of what is named"),
            Fact("moved", Many(MOVED), "marks, by the error of what is named"),
            Fact(
                "mates", Many(Record((Fact("id", "text"), Fact("probability", SHARE)))),
                "what nothing parts from what is named, though it is much less likely",
                required=False,
            ),
            Fact(
                "event", Maybe(EVENT, "nothing is named that began or ended"), "when what is named began and ended",
                required=False,
            ),
            Fact("parted_by", TEXT, "what would part common errors that nothing tells from one another, in words"),
            Fact(
                "shown_by", Many(Record(each("text", "id what"))),
                "what would show the common errors among the members, the likeliest three, in words; of what is named "
                "only of that",
            ),
        )
    )
)  # fmt: skip
PIECES = Many(
    Record(
        (
            Fact("piece", "whole"),
            Fact("tied", "yes", "to known heights"),
            Fact("datum", "text", '"known marks", "heights by a positioning service" or "first mark held at 0"'),
            Fact("datum_mark", TEXT, "the mark held at 0"),
            Fact("marks", Many("text")),
            Fact("setups", Many("text")),
        )
    )
)
UNDETERMINED = Many(Record((Fact("kind", Words(("mark", "setup", "target"))), *each("text", "name reason"))))
_MODEL = " ".join(
    f"{what}{word}_{unit}"
    for what, unit in (("offset", "mm"), ("tilt_east", "mm_km"), ("tilt_north", "mm_km"))
    for word in ("", "_sd", "_prior_sd")
)
SEPARATION_MODEL = Maybe(
    Record(
        (
            Fact(
                "same_as", Many("text"),
                "groups that the job cannot tell, or practically not, from separations that are all wrong alike",
            ),
            *each(NUMBER, _MODEL),
        )
    ),
    "no antennas",
)  # fmt: skip
LOOPS = Many(
    Record(
        (
            Fact("marks", Many("text"), "", "Marks"),
            Fact("ids", Many("text"), "of what it is made of"),
            Fact("length_km", NUMBER, "", "Length"),
            Fact("misclosure_mm", NUMBER, "", "Misclosure"),
            Fact("expected_sd_mm", NUMBER, "from the stated precision", "Expected sd"),
            Fact("allowed_mm", NUMBER, "what it may miss", "May"),
            Fact("tolerance", "text", "the rule that says so", "By"),
            Fact("closes", YES, "whether the misclosure is within that", "Limit"),
        )
    )
)
TRAVERSE = Record(
    (
        Fact("loop", "whole", "its place in `loops`, from 1: of several the one that misses most for its expected sd"),
        Fact("from_mark", "text", "a known mark"),
        Fact("to_mark", "text", "another one; the same where the job has only one"),
        Fact("sights", "whole", "how many it is made of"),
        Fact("ways", "whole", "how many such ways there are among the loops"),
    )
)
OWN_PRECISION = Many(
    Record(
        (
            Fact(
                "kind", Words(("zenith", "distance", "tape", "target", "rise")),
                "zenith angles, slope distances, taped heights (of targets, where a precision of their own is stated), "
                "rises from mark to mark forward and back",
            ),
            Fact("stated_sec", NUMBER, "standard deviation as stated, of zenith angles"),
            Fact("own_sec", Maybe("number", "not to be estimated"), "as the repeats have it"),
            *each(NUMBER, "low_sec high_sec"),
            Fact("stated_mm", NUMBER, "of all others; the mean square of what is stated for those that were repeated"),
            Fact("own_mm", Maybe("number", "not to be estimated"), "as the repeats have it"),
            *each(NUMBER, "low_mm high_mm"),
            Fact("dof", "whole", "degrees of freedom; 95 of 100 such estimates hold the true sd from low to high"),
            Fact("sets", "whole", "sights, stands or pairs that were measured more than once and used"),
            Fact("left_out", "whole", "sets left out because they lie more than four of their own sds apart"),
            Fact("wrong", "whole", "measurements left out because the judgement tells them as wrong"),
            Fact("alike", "yes", "most repeats are the same to the last digit, so that nothing was estimated"),
            Fact("differs", "yes", "from the stated one by more than the false alarm allows; of 5 dof or more"),
            Fact("lines", Many("text"), "for job.toml, below [precision], where it differs"),
        )
    )
)  # fmt: skip
SUSPECTS = Many(
    Record(
        (
            Fact("order", "whole"),
            Fact("finding", "whole", "its order"),
            Fact("verdict", Words(("suspect", "either"))),
            Fact("id", "text"),
            Fact("what", "text", "the kind in its id"),
            Fact("name", "text", "the rest of its id"),
            *each(NUMBER, "error_mm error_sd_mm"),
            Fact("probability", SHARE, "that it is wrong"),
            Fact("cause", TEXT, "the likeliest [cause](causes.md)"),
            Fact("cause_text", TEXT, "in words"),
            Fact("moved", Many(MOVED), "marks, by its error"),
        )
    )
)
EXPLANATIONS = Many(
    Record(
        (
            Fact("probability", SHARE, "of exactly this set, which is not that of one of its members"),
            Fact("odds_against_best", NUMBER, "how many times less likely than the likeliest"),
            Fact("members", Many(Record((*each("text", "id"), *each(NUMBER, "error_mm error_sd_mm")))), "of the set"),
            Fact("also", Many(Many("text")), "for each member, the ids that nothing in the job can tell from it"),
            Fact(
                "marks", Many(Record((*each("text", "mark"), *each(NUMBER, "height_m sd_mm")))),
                "heights, if this set is the truth and each member is the one that it names",
            ),
            Fact("residuals_mm", Keyed(NUMBER), "of each observation by its id; empty above 20,000"),
            Fact(
                "setups", Many(Record((*each("text", "setup"), *each(NUMBER, "corrected_m")))),
                "instrument heights that follow for the set-ups it touches",
            ),
        )
    )
)  # fmt: skip
CROSS_CHECK = Record(
    (
        Fact("agrees", "yes", "best_subset is the likeliest explanation"),
        Fact("best_subset", Many("text"), "ids a second way of searching would accuse"),
        Fact("one_at_a_time", Many("text"), "ids a third way would accuse"),
    )
)
SCREENING = Many(
    Record(
        (
            Fact(
                "rule", "text",
                "`zero`, `negative`, `outside`, `same_as_before`, `same_as_target`, `booked_differs`, "
                "`readings_disagree`, `lone_part` or `other_kind`",
            ),
            Fact("id", "text"), Fact("value_m", NUMBER), Fact("other_id", TEXT), Fact("other_value_m", NUMBER),
        )
    )
)  # fmt: skip
READING_CHECKS = Many(
    Record(
        (
            Fact("stand", "text", "its id"),
            *each("text", "what first second"),
            *each(NUMBER, "difference_mm allowed_mm"),
            Fact("agrees", "yes"),
            *each(TEXT, "slip slip_text"),
            Fact(
                "change_mm", NUMBER,
                "the later height less the earlier, only of readings whose times say which is which", required=False,
            ),
            Fact(
                "sides_with",
                Maybe(Words(("first", "second", "both", "neither")), "nothing else determines the height"),
                "which reading the rest of the job sides with", required=False,
            ),
        )
    )
)  # fmt: skip
NEXT_MEASUREMENTS = Many(
    Record(
        (
            Fact("order", "whole"),
            Fact(
                "kind",
                Words(("second_tape", "pole_shot", "check_shot", "level_tie", "antenna_reoccupation", "reoccupation")),
                "what to do about the stand",
            ),
            Fact("stand", "text", "id of the stand it is about: setup:S4, target:P7"),
            Fact("setup", TEXT, "the set-up it is made from or at, where there is one"),
            Fact("from_mark", TEXT, "the mark under the stand"),
            Fact("mark", TEXT, "the mark measured to"),
            Fact("tests", "text", "id whose sizes are given before and after"),
            Fact("why", "text"),
            Fact("proves", Many("text"), "ids that are proved then and are not today"),
            Fact("found_before_mm", NUMBER),
            Fact("found_after_mm", NUMBER, "an upper bound"),
        )
    )
)
COMMON_ERRORS = Many(
    Record(
        (
            *each("text", "id group kind"),
            Fact("members", "whole", "how many"),
            Fact("moves", Many(Record(MOVE.facts))),
            Fact("harmless", "yes", "it cancels out of every height in the job"),
            Fact("shot_that_would_show", TEXT, "null too where it is harmless"),
        )
    )
)
NOTES = Many(
    Record(
        (
            Fact("kind", Words(("understood", "filled", "doubt"))),
            Fact("text", "text"),
            Fact("file", TEXT),
            Fact("row", WHOLE),
        )
    )
)


PARTS: dict[str, Fact] = {}
"""The top level of results.json by key, in the order in which it is written."""


def declare(part: Fact, after: str = "") -> None:
    """Make something a part of results.json, after another part or last; ValueError where its key is taken."""
    put(PARTS, part.name, part, after)


for _part in (
    Fact("schema", Words((SCHEMA,))),
    Fact("job", JOB),
    Fact("heightnet", Record(each("text", "version")), "what wrote it"),
    Fact("settings", "object", "every setting of the job, as in job.toml"),
    Fact("fit", FIT, "the adjustment as a whole"),
    Fact("judgement", JUDGEMENT, "the state of the job and how it was reached"),
    Fact("findings", FINDINGS, "what is told, each in the smallest place that holds it"),
    Fact("pieces", PIECES, "parts that nothing ties together"),
    Fact("undetermined", UNDETERMINED, "what has no height"),
    Fact("setups", Many(_stand("setup", "Set-up", "Over", "instrument")), "the instrument heights"),
    Fact("targets", Many(_stand("target", "Target", "On", "equipment")), "the target heights"),
    Fact(
        "proof_kinds",
        Many(Record((Fact("kind", PROVED_AGAINST), *each("whole", "heights proved")))),
        "kinds of error: how many heights can have one, and in how many it shows within the tolerance",
    ),
    Fact("marks", Many(MARK)),
    Fact("shots", SHOTS, "sights"),
    Fact("levels", LEVELS, "levelled differences"),
    Fact("staff", STAFF, "staff readings"),
    Fact("gnss", GNSS, "satellite heights", required=False),
    Fact("separations", SEPARATIONS, "of geoid and ellipsoid, under antennas", required=False),
    Fact(
        "separation_model", SEPARATION_MODEL,
        "the error common to all separations, to be added to them, and its tilts, null where the settings ask for none",
        required=False,
    ),
    Fact("known", KNOWN, "known heights"),
    Fact("groups", GROUPS, "what many things may have wrong together"),
    Fact("loops", LOOPS, "a basis of the job's loops, short ones first"),
    Fact(
        "traverse", Maybe(TRAVERSE, "no known marks joined by sights alone, no such loop through the only one"),
        "the misclosure in height between known marks along sights", required=False,
    ),
    Fact(
        "own_precision", OWN_PRECISION, "standard deviations that the job's own repeats show, beside the stated ones",
        required=False,
    ),
    Fact("suspects", SUSPECTS, "what is named, then the likeliest twelve of each finding that is not"),
    Fact("explanations", EXPLANATIONS, "sets of blunders within 20 : 1 of the likeliest, which comes first"),
    Fact("cross_check", CROSS_CHECK),
    Fact("screening", SCREENING, "hard checks of the values themselves"),
    Fact("reading_checks", READING_CHECKS, "readings of one stand against each other, before any sight is used"),
    Fact("next_measurements", NEXT_MEASUREMENTS, "what would prove more, the most useful first"),
    Fact("common_errors", COMMON_ERRORS, "groups that nothing can test"),
    Fact("notes", NOTES, "what reading understood, filled in or doubts"),
    Fact(
        "read_with_doubt", NOTES, "those doubts that touch what the headline names, all where it names nothing",
        required=False,
    ),
    Fact(
        "pages", Many(Record((Fact("file", "text"), Fact("row", "whole"), *each(TEXT, "page line")))),
        "where the rows of the tables stand in the field book they were copied from", required=False,
    ),
):  # fmt: skip
    declare(_part)


def results() -> Record:
    """The whole of results.json."""
    return Record(
        tuple(PARTS.values()),
        meaning="The facts a check of one job finds. Lengths end in _m or _mm, angles in _sec or _deg; null where a "
        "number does not exist. A list in the order written here.",
    )


def tables() -> list[str]:
    """The keys under which there is a list of records."""
    return [name for name, part in PARTS.items() if isinstance(part.type, Many)]


def table(name: str) -> Record:
    """The records of a list of results.json.

    >>> table("loops").names[:3]
    ['marks', 'ids', 'length_km']
    """
    found = record_of(PARTS[name].type)
    assert found
    return found
