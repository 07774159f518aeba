"""Before going out: known marks worth a sight from the set-ups near them, and the heights that would prove."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from heightnet.network.model import Network
from heightnet.tasks.design import EPS
from heightnet.tasks.facts import Record
from heightnet.tasks.measurements import Minutes
from heightnet.tasks.next import Candidate, sight_sd, stand_name
from heightnet.tasks.options import Option, Poles
from heightnet.tasks.route import Ground

if TYPE_CHECKING:
    from heightnet.tasks.plan import Aims

WEIGHED = 12  # marks, those within reach of most set-ups


def check_marks(aims: Aims, minutes: Minutes, ground: Ground) -> list[Record]:
    """Known marks, what proves most heights for its minutes first.

    Of each the sights to a pole on it from the fewest set-ups that do what those from all within reach would; only
    marks that prove a height which the job as it is designed does not.
    """
    if not aims.wanted.any():
        return []
    sights = sorted(sights_of(aims.bench.net, minutes, ground).items(), key=lambda one: (-len(one[1]), one[0]))
    out = []
    for mark, options in sights[:WEIGHED]:
        best = aims.design(options, aims.delta).best()
        chosen = [options[p] for p in sorted(best)]
        after = np.minimum(aims.of_verdict(aims.after(chosen)), aims.before)
        newly = np.flatnonzero((aims.before > aims.goal) & (after <= aims.goal * (1 + EPS)))
        if len(newly):
            takes = sum(option.minutes for option in chosen)
            out.append(
                {
                    "mark": mark,
                    "setups": [option.step(())["setup"] for option in chosen],
                    "metres": [option.base.distance for option in chosen],
                    "minutes": takes,
                    "proves": [aims.ids[i] for i in newly],
                    "count": len(newly),
                    "per_min": len(newly) / takes,
                }
            )
    return sorted(out, key=lambda one: -round(one["per_min"], 9))


def sights_of(net: Network, minutes: Minutes, ground: Ground) -> dict[str, list[Option]]:
    """Of each known mark a sight to it from each set-up within reach that does not sight it yet.

    Within reach is what is no further than the job's longest sight; where a mark or set-up has no east and north,
    nobody knows.
    """
    names = net.nodes.name
    known = [*net.held.tolist(), *net.head[net.rows("known")].tolist()]
    reach = float(np.max(net.sights.horizontal, initial=0.0))
    under = net.nodes.mark[net.target_node[net.shot_target]].tolist()
    planned = set(zip(net.setup_node[net.shot_setup].tolist(), under, strict=True))
    poles = Poles(net, ())
    stands = dict.fromkeys(net.setup_node[~net.antennas].tolist())
    out: dict[str, list[Option]] = {}
    for mark in dict.fromkeys(known):
        for stand in stands:
            at = int(net.nodes.mark[stand])
            far = ground.metres(str(names[at]), str(names[mark])) if at >= 0 else None
            if far is None or not 0 < far <= reach or (stand, mark) in planned:
                continue
            shot = Candidate(
                "check_shot", stand_name(net, stand), str(names[at]), str(names[mark]), stand, mark,
                sight_sd(net, far), stand, distance=far, pole=poles.about(stand),
            )  # fmt: skip
            out.setdefault(str(names[mark]), []).append(Option("check_shot", shot, minutes.check_shot))
    return out
