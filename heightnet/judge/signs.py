"""What the record of a height shows by itself, before any sight: how much likelier it is wrong than others.

    odds with the sign = odds without * P(sign | wrong) / P(sign | right)

Assumed, by common practice: 5 in 100 wrong heights are that of the set-up before, which otherwise happens by chance
alone, and the more often the coarser heights are booked; of heights in parts with one part, and of the one vertical
among slants to a point (or the one slant among verticals), a good part is wrong.
"""

from __future__ import annotations

from heightnet.job.model import Job
from heightnet.judge.screening import lone_parts, other_kind, same_as_before
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing
from heightnet.network.model import Network
from heightnet.reduce.tape import reading_ids

LONE_PART, OTHER_KIND = 15.0, 5.0
SAME_WHEN_WRONG = 0.05
USUAL_DENSITY = 4.0  # of instrument heights about their usual value, per m


def signs_of(net: Network) -> dict[str, float]:
    """By how much a record itself raises the odds that a height or a reading is wrong, by the id of its hypothesis."""
    job, readings = net.job, net.readings
    found = [(one["id"], LONE_PART) for one in lone_parts(readings)]
    found += [(one["id"], OTHER_KIND) for one in other_kind(job, readings)]
    same = [one["id"] for one in same_as_before(job, readings)]
    if not found and not same:
        return {}
    records = Records(job, readings)
    out = {id: _same(job, records, id, len(same)) for id in same}
    stands = zip(readings["stand_kind"], readings["stand"], strict=True)
    stand_of = dict(zip(reading_ids(readings), stands, strict=True)) if found else {}
    for id, factor in found:
        stand = stand_of[id]
        alone = len(records.at[stand]) == 1  # the only reading of a stand is its height
        of = str(Thing(*stand)) if alone else id
        out[of] = out.get(of, 1.0) * factor
    return out


def _same(job: Job, records: Records, id: str, number: int) -> float:
    """Of a height that is that of the set-up before, one of so many in the job."""
    (reading, *_) = records.positions("setup", Thing.of(id).name)
    by_chance = USUAL_DENSITY * 2 * records.reading(reading).rounding
    habit = (number - 1) / max(1, len(job.setups) - 2)
    return max(1.0, SAME_WHEN_WRONG / max(by_chance, habit, 1e-6))
