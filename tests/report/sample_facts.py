"""Invented results, in the shape of results.json, for looking at the report without adjusting anything.

Every place, person and number is made up; the numbers are plausible but come from no adjustment.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from typing import Any

from heightnet.ledger.record import Many, blank
from heightnet.ledger.results import PARTS, PLACE, READING, table

Facts = dict[str, Any]


def settings(unit: str = "m", title: str = "") -> Facts:
    return {
        "title": title,
        "units": {"length": unit, "angle": "dms"},
        "precision": {
            "zenith_sec": 3.0,
            "distance_mm": 1.0,
            "distance_ppm": 1.5,
            "tape_mm": 1.0,
            "known_mm": 1.0,
        },
        "air": {"refraction": 0.13, "refraction_sd": 0.05},
        "earth": {"radius_m": 6371000.0},
        "test": {"false_alarm": 0.01, "power": 0.8, "alpha": 0.001, "tolerance_mm": 10.0},
        "rates": {"setup": 0.02, "target": 0.01, "shot": 0.003, "known": 0.01},
    }


def reading(text: str, height: float, found: float, **values: Any) -> Facts:
    return {
        **blank(READING),
        "id": "reading:tape.csv:2",
        "file": "tape.csv",
        "rows": [2],
        "text": text,
        "scale": "m",
        "kind": "vertical",
        "value_m": height,
        "height_m": height,
        "sd_mm": 1.0,
        "difference_mm": (height - found) * 1000,
        "w": (height - found) * 1000 / 1.4,
        "redundancy": 0.7,
        "probability": 0.01,
        "verdict": "proved",
        "radius_mm": 0.0,
        "offset_mm": 0.0,
        **values,
    }


def corrected(name: str, height: float, sd: float) -> Facts:
    """A height of one mind with the range that holds 95 of 100."""
    far = 1.96 * sd / 1000
    return {name: height, name.removesuffix("_m").removesuffix("_height") + "_sd_mm": sd, "low_m": height - far,
            "high_m": height + far}  # fmt: skip


class Sample:
    """A traverse BM1, P1 ... Pn, BM2: one set-up over each P, with a target back and one forward."""

    def __init__(self, name: str, title: str, setups: int, unit: str = "m", seed: int = 1) -> None:
        self.random = random.Random(seed)
        self.count, self.rows = setups, 100
        n = 4 * setups
        self.facts: Facts = {
            "schema": "heightnet-results/2",
            "job": {"name": name, "title": title, "length_unit": unit, "angle_unit": "dms", "invented": True},
            "heightnet": {"version": "0.1.0"},
            "settings": settings(unit, title),
            "fit": {
                **blank(table("fit")),
                "observations": n,
                "unknowns": n - setups - 2,
                "redundancy": setups + 2,
                "variance_factor": 1.08,
                "chi2": 10.8,
                "chi2_limit": 21.0,
                "passed": True,
                "hypotheses": 4 * setups + 8,
                "classes": 3 * setups,
                "critical_w": 3.62,
                "critical_by": "simulation",
                "largest_w": 2.1,
                "largest_w_id": "shot:shots.csv:7",
                "log_odds": 0.2,
                "critical_log_odds": 4.4,
                "alarm": False,
                "largest_tau": 1.9,
                "critical_tau": 2.8,
                "tape_factor": 1.02,
                "sight_factor": 0.96,
            },
            "judgement": {
                **blank(table("judgement")),
                "state": "closes",
                "probability": 0.03,
                "explained": True,
                "bears": 2,
                "survives": 1,
                "checked_under_four": 3 * setups,
                "neighbourhoods": 1,
                "searched": 1.0,
                "second_search": "made",
                "events": "weighed",
                "named_sizes": True,
            },
            "cross_check": {"agrees": True, "best_subset": [], "one_at_a_time": []},
        }
        for key, part in PARTS.items():
            if isinstance(part.type, Many):
                self.facts.setdefault(key, [])
        self.facts.setdefault("separation_model", None)
        self.facts.setdefault("traverse", None)
        self.names = ["BM1", *[f"P{i}" for i in range(1, setups + 1)], "BM2"]
        self._marks()
        self._stands()
        self._loops()
        self.facts["explanations"] = [self.explanation([], 0.97)]

    def noise(self, sd: float) -> float:
        return self.random.gauss(0, sd)

    def tested(self, sd: float = 2.0) -> Facts:
        error = self.noise(sd)
        return {
            "error_mm": error,
            "error_sd_mm": sd,
            "w": error / sd,
            "redundancy": 0.62,
            "smallest_found_mm": 4.13 * sd,
            "probability": 0.004,
            "verdict": "proved",
        }

    def _marks(self) -> None:
        east, north, height = 5200.0, 1810.0, 212.4
        bearing = 1.1
        for i, name in enumerate(self.names):
            known = name.startswith("BM")
            self.facts["marks"].append(
                {
                    **blank(table("marks")),
                    "mark": name,
                    "height_m": height,
                    "sd_mm": 1.0 if known else 1.6 + 0.1 * i,
                    "known_m": height if known else None,
                    **corrected("corrected_height_m", height, 1.0 if known else 1.8),
                    "hidden_mm": 3.1 + 0.2 * i,
                    "hidden_by": f"setup:S{max(1, i)}",
                    "east_m": east,
                    "north_m": north,
                    "piece": 1,
                    "known": known,
                }
            )
            bearing += self.random.uniform(-0.7, 0.7)
            step = self.random.uniform(90, 240)
            east += step * math.sin(bearing)
            north += step * math.cos(bearing)
            height += self.random.uniform(-3.5, 4.5)
        for row, name in enumerate(("BM1", "BM2"), 2):
            self.facts["known"].append(
                {
                    **blank(table("known")),
                    "id": f"known:{name}",
                    "mark": name,
                    "height_m": self.mark(name)["height_m"],
                    "sd_mm": 1.0,
                    "residual_mm": 0.3 * row,
                    **self.tested(2.5),
                }
            )
        self.facts["pieces"] = [
            {
                "piece": 1,
                "tied": True,
                "datum": "known marks",
                "datum_mark": None,
                "marks": self.names,
                "setups": [f"S{i}" for i in range(1, self.count + 1)],
            }
        ]

    def mark(self, name: str) -> Facts:
        return next(m for m in self.facts["marks"] if m["mark"] == name)

    def _row(self) -> Facts:
        """Row and id of the next reading."""
        self.rows += 1
        return {"rows": [self.rows], "id": f"reading:tape.csv:{self.rows}"}

    def _stand(self, kind: str, name: str, mark: str, height: float) -> Facts:
        tested, of = self.tested(2.0), f"{kind}:{name}"
        found = height - tested["error_mm"] / 1000
        return {
            **blank(table(f"{kind}s")),
            kind: name,
            "mark": mark,
            "instrument" if kind == "setup" else "equipment": "I1" if kind == "setup" else "P-A",
            "observer": self.random.choice(["N. Brandt", "O. Adeyemi"]),
            "when": "2024-03-12 09:40",
            "hypothesis": f"{kind}:{name}",
            "recorded_m": height,
            "booked_m": height,
            "sd_mm": 1.0,
            **tested,
            "smallest_named_mm": 11.5,
            "independent_checks": 2,
            "proofs": [
                {"kind": kind, "found_mm": size, "proved": size is not None, "least": of, "shown_in": []}
                for kind, size in (("misreading", 8.0), ("wrong_point", 8.0), ("equipment", 3.0), ("movement", None))
            ],
            **corrected("corrected_m", height, 1.1),
            "piece": 1,
            "found_m": found,
            "found_sd_mm": 1.8,
            "moves": [{"mark": mark, "per_mm": -0.5}],
            "readings": [reading(f"{height:.3f}", height, found, by="N. Brandt", tape="tape 1", **self._row())],
        }

    def _stands(self) -> None:
        facts, row, target = self.facts, 2, 1
        for i in range(1, self.count + 1):
            name, mark = f"S{i}", self.names[i]
            facts["setups"].append(self._stand("setup", name, mark, round(self.random.uniform(1.48, 1.66), 3)))
            for to in (self.names[i - 1], self.names[i + 1]):
                facts["targets"].append(
                    self._stand("target", f"T{target}", to, round(self.random.uniform(1.3, 1.7), 3))
                )
                a, b = self.mark(mark), self.mark(to)
                horizontal = math.hypot(a["east_m"] - b["east_m"], a["north_m"] - b["north_m"])
                rise = b["height_m"] - a["height_m"]
                facts["shots"].append(
                    {
                        **blank(table("shots")),
                        "id": f"shot:shots.csv:{row}",
                        "file": "shots.csv",
                        "row": row,
                        "setup": name,
                        "target": f"T{target}",
                        "from_mark": mark,
                        "to_mark": to,
                        "slope_distance_m": math.hypot(horizontal, rise),
                        "zenith_deg": 90 - math.degrees(math.atan2(rise, horizontal)),
                        "horizontal_m": horizontal,
                        "rise_m": rise,
                        "sd_mm": 2.2,
                        "residual_mm": self.noise(1.5),
                        **self.tested(2.6),
                    }
                )
                row, target = row + 1, target + 1

    def _loops(self) -> None:
        shots = [s["id"] for s in self.facts["shots"]]
        for i in range(1, self.count):
            self.facts["loops"].append(
                {
                    "marks": [self.names[i], self.names[i + 1]],
                    "ids": shots[2 * i - 1 : 2 * i + 1],
                    "length_km": 0.3,
                    "misclosure_mm": self.noise(3),
                    "expected_sd_mm": 3.4,
                    "allowed_mm": 8.9,
                    "tolerance": "3 times its expected sd",
                    "closes": True,
                }
            )
        self.facts["loops"].append(
            {
                "marks": self.names,
                "ids": shots,
                "length_km": 0.16 * self.count,
                "misclosure_mm": 4.0,
                "expected_sd_mm": 6.1,
                "allowed_mm": 15.9,
                "tolerance": "3 times its expected sd",
                "closes": True,
            }
        )

    def explanation(
        self,
        members: list[tuple[str, float]],
        probability: float,
        also: list[list[str]] | None = None,
        from_mark: int = 1,
    ) -> Facts:
        """An explanation in which every mark from a number on moves by the error of the first member."""
        moved = members[0][1] / 1000 if members else 0.0
        return {
            "probability": probability,
            "odds_against_best": 1.0,
            "members": [{"id": id, "error_mm": error, "error_sd_mm": 1.9} for id, error in members],
            "also": also or [[] for _ in members],
            "marks": [
                {
                    "mark": m["mark"],
                    "height_m": m["height_m"] - (moved if i >= from_mark and not m["known"] else 0),
                    "sd_mm": 1.9,
                }
                for i, m in enumerate(self.facts["marks"])
            ],
            "residuals_mm": {s["id"]: s["residual_mm"] * (0.5 if members else 1.0) for s in self.facts["shots"]},
            "setups": [
                {
                    "setup": s["setup"],
                    "corrected_m": s["recorded_m"]
                    - (moved if (f"setup:{s['setup']}", members[0][1]) in members else 0),
                }
                for s in self.facts["setups"]
                if members
            ],
        }

    def accuse(self, table: str, number: int, error: float, probability: float, verdict: str = "suspect") -> Facts:
        record = self.facts[table][number]
        record.update(error_mm=error, error_sd_mm=1.9, w=error / 1.9, probability=probability, verdict=verdict)
        if "found_m" in record:
            record["found_m"] = record["recorded_m"] - error / 1000
            record |= corrected("corrected_m", record["found_m"], 1.8)
            for one in record["readings"]:
                one["difference_mm"] = (one["height_m"] - record["found_m"]) * 1000
        return record

    def find(self, members: list[Facts], probability: float, **values: Any) -> Facts:
        """Something wrong, in the smallest place that holds it: of one member it is named."""
        first, named = members[0], len(members) == 1
        ids = [m["hypothesis"] if "hypothesis" in m else m["id"] for m in members]
        kinds = Counter(id_.partition(":")[0] for id_ in ids)
        finding = {
            **blank(table("findings")),
            "order": len(self.facts["findings"]) + 1,
            "level": 0.9 if probability >= 0.9 else 0.5,
            "named": named,
            "probability": probability,
            "place": {**blank(PLACE), "kind": "thing" if named else "class"},
            "members": [
                {"id": id_, **{key: m[key] for key in ("probability", "error_mm", "error_sd_mm")}}
                for id_, m in zip(ids, members, strict=True)
            ],
            "count": len(members),
            "kinds": [
                {"what": kind, "count": n, "id": next(i for i in ids if i.startswith(f"{kind}:")) if n == 1 else None}
                for kind, n in kinds.most_common()
            ],
            "error_mm": first["error_mm"],
            "error_sd_mm": first["error_sd_mm"],
            "same_sign": len({m["error_mm"] > 0 for m in members}) == 1,
            "id": ids[0] if named else None,
            "parted_by": None,
            **values,
        }  # fmt: skip
        self.facts["findings"].append(finding)
        several = len(self.facts["findings"])
        self.facts["judgement"].update(state="wrong", said=True, probability=0.999, blunders=several)
        return finding


def suspect(unit: str = "m") -> Facts:
    """One instrument height taped to a wrong point; two readings, one of them in feet and inches."""
    s = Sample("millrace", "Millrace traverse", 8, unit)
    f = s.facts
    wrong = s.accuse("setups", 3, 24.2, 0.973)
    found = wrong["found_m"]
    wrong["readings"] = [
        reading(
            "1.612",
            found + 0.0243,
            found,
            kind="vertical",
            point="handle mark",
            offset_mm=0.0,
            by="N. Brandt",
            tape="tape 1",
            rows=[5],
            id="reading:tape.csv:5",
            probability=0.2,
            verdict="weak",
            when="09:40",
        ),
        reading(
            "5' 3 7/16\"",
            found + 0.0239,
            found,
            scale="ftin",
            kind="slant",
            point="side mark",
            radius_mm=102.0,
            by="O. Adeyemi",
            tape="tape 2",
            rows=[6],
            id="reading:tape.csv:6",
            value_m=1.6113,
            probability=0.2,
            verdict="weak",
            when="09:44",
        ),
    ]
    wrong["causes"] = [
        {
            "cause": "other_point",
            "text": "fits a tape held to the top of the side cover instead of the side mark",
            "expected_mm": 24.0,
            "found_mm": 24.2,
            "spread_mm": None,
            "probability": 0.81,
        },
        {
            "cause": "misread_1in",
            "text": "fits a tape misread by one inch",
            "expected_mm": 25.4,
            "found_mm": 24.2,
            "spread_mm": None,
            "probability": 0.11,
        },
        {
            "cause": "none",
            "text": "none of the causes known here",
            "expected_mm": None,
            "found_mm": 24.2,
            "spread_mm": None,
            "probability": 0.08,
        },
    ]
    wrong["moves"] = [{"mark": "P4", "per_mm": -1.0}]
    moved = [{"mark": f"P{i}", "moved_mm": 24.2 - i} for i in range(4, 9)]
    f["suspects"] = [
        {
            "order": 1,
            "finding": 1,
            "verdict": "suspect",
            "id": "setup:S4",
            "what": "setup",
            "name": "S4",
            "error_mm": 24.2,
            "error_sd_mm": 1.9,
            "probability": 0.973,
            "cause": "other_point",
            "cause_text": wrong["causes"][0]["text"],
            "moved": moved,
        }
    ]
    s.find([wrong], 0.973, moved=moved)
    f["fit"].update(alarm=True, largest_w=12.7, largest_w_id="setup:S4", passed=False, chi2=172.0, variance_factor=17.2)
    f["explanations"] = [
        s.explanation([("setup:S4", 24.2)], 0.973, [[]], 4),
        s.explanation([("shot:shots.csv:8", 23.1), ("shot:shots.csv:9", -22.0)], 0.018, [[], []], 5),
    ]
    f["explanations"][1]["odds_against_best"] = 54.0
    f["loops"][3].update(misclosure_mm=24.6, closes=False)
    f["reading_checks"] = [
        {
            "stand": "S4",
            "what": "setup",
            "first": "reading:tape.csv:5",
            "second": "reading:tape.csv:6",
            "difference_mm": 0.4,
            "allowed_mm": 3.4,
            "agrees": True,
            "slip": None,
            "slip_text": None,
        }
    ]
    f["setups"][6].update(
        verdict="weak",
        smallest_found_mm=14.2,
        independent_checks=1,
        smallest_named_mm=None,
        same_as=["target:T13"],
    )
    f["next_measurements"] = [
        {
            "order": 1,
            "kind": "pole_shot",
            "setup": "S3",
            "stand": "setup:S3",
            "from_mark": "P3",
            "tests": "setup:S3",
            "mark": "P4",
            "why": "a sight that does not use the height of S4",
            "proves": ["setup:S4"],
            "found_before_mm": 8.3,
            "found_after_mm": 5.2,
        },
        {
            "order": 2,
            "kind": "second_tape",
            "setup": "S7",
            "stand": "setup:S7",
            "from_mark": "P7",
            "tests": "setup:S7",
            "mark": None,
            "why": "an error of 14 mm could hide in it",
            "proves": ["setup:S7"],
            "found_before_mm": 14.2,
            "found_after_mm": 5.9,
        },
    ]
    f["notes"] = [
        {
            "kind": "understood",
            "text": "angles as degrees, minutes, seconds",
            "file": "shots.csv",
            "row": None,
        },
        {
            "kind": "doubt",
            "text": "the same instrument height 1.586 as at the set-up before",
            "file": "setups.csv",
            "row": 7,
        },
    ]
    return f


def either() -> Facts:
    """An instrument height or a target height is wrong, and nothing in the job can tell which."""
    s = Sample("quarry", "Quarry haul road", 6, seed=3)
    f = s.facts
    one, other = s.accuse("setups", 4, 18.1, 0.62, "either"), s.accuse("targets", 8, -18.1, 0.31, "either")
    one["same_as"], other["same_as"] = ["target:T9"], ["setup:S5"]
    s.find([one, other], 0.93)
    for i, mark in enumerate(f["marks"]):
        if i >= 5 and not mark["known"]:  # wrong or right, as the set-up is
            sd, low = mark["corrected_sd_mm"], mark["height_m"] - 0.0181
            mark["heights"] = [
                {"height_m": h, "sd_mm": sd, "probability": p, "low_m": h - 0.0035, "high_m": h + 0.0035}
                for h, p in ((low, 0.66), (mark["height_m"], 0.34))
            ]
            mark.update(corrected_height_m=None, corrected_sd_mm=None, low_m=None, high_m=None)
    f["fit"].update(alarm=True, largest_w=9.5, largest_w_id="setup:S5", passed=False)
    f["explanations"] = [s.explanation([("setup:S5", 18.1)], 0.93, [["target:T9"]], 5)]
    f["next_measurements"] = [
        {
            "order": 1,
            "kind": "check_shot",
            "setup": "S5",
            "stand": "setup:S5",
            "from_mark": "P5",
            "tests": "setup:S5",
            "mark": "BM2",
            "why": "it tells the instrument height from the target height",
            "proves": ["setup:S5", "target:T9"],
            "found_before_mm": 8.3,
            "found_after_mm": 4.9,
        }
    ]
    return f


def clean() -> Facts:
    return Sample("ridge", "Ridge water main", 10, seed=5).facts


def unproved() -> Facts:
    """Forced centring that closes perfectly, with heights that nothing tests."""
    s = Sample("tunnel", "Tunnel approach", 7, seed=7)
    f = s.facts
    for number in (1, 2, 3):
        f["setups"][number].update(
            verdict="unproved",
            error_mm=None,
            error_sd_mm=None,
            w=None,
            redundancy=0.0,
            smallest_found_mm=None,
            smallest_named_mm=None,
            independent_checks=0,
            found_m=None,
            found_sd_mm=None,
            probability=0.02,
            tripod=f"K{number}",
            hypothesis=f"tripod:K{number}",
        )
        s.mark(f"P{number + 1}").update(hidden_mm=None, hidden_by=f"tripod:K{number}")
    f["common_errors"] = [
        {
            "id": "group:tape:tape 1",
            "group": "tape 1",
            "kind": "tape",
            "members": 21,
            "moves": [],
            "harmless": True,
            "shot_that_would_show": None,
        },
        {
            "id": "group:equipment:P-A",
            "group": "P-A",
            "kind": "equipment",
            "members": 14,
            "moves": [{"mark": "P4", "per_mm": 1.0}, {"mark": "P5", "per_mm": 1.0}],
            "harmless": False,
            "shot_that_would_show": "a sight from S4 to a pole on BM1",
        },
    ]
    f["groups"] = [
        {
            **blank(table("groups")),
            "id": "group:equipment:P-A",
            "group": "P-A",
            "kind": "equipment",
            "members": 14,
            "member_ids": [f"target:T{i}" for i in range(1, 15)],
            "redundancy": 0.0,
            "verdict": "unproved",
            "probability": 0.005,
            "reason": "every mark but one is reached through it",
        },
        {
            **blank(table("groups")),
            "id": "group:instrument:I1",
            "group": "I1",
            "kind": "instrument",
            "members": 7,
            "member_ids": [f"setup:S{i}" for i in range(1, 8)],
            **s.tested(1.1),
            "reason": "",
        },
    ]
    f["undetermined"] = [{"kind": "mark", "name": "P99", "reason": "no sight and no levelled difference reaches it"}]
    f["next_measurements"] = [
        {
            "order": i,
            "kind": "second_tape",
            "setup": f"S{i + 1}",
            "stand": f"setup:S{i + 1}",
            "from_mark": f"P{i + 1}",
            "tests": f"setup:S{i + 1}",
            "mark": None,
            "why": "nothing tests this height",
            "proves": [f"tripod:K{i}"],
            "found_before_mm": None,
            "found_after_mm": 5.9,
        }
        for i in (1, 2, 3)
    ]
    return f


def feet() -> Facts:
    return suspect("ft")


def big(setups: int = 1000, shots_each: int = 10) -> Facts:
    """A grid of set-ups over marks, each with sights to marks round about; two of them wrong."""
    s = Sample("district", "District heights", 2, seed=11)
    f = s.facts
    tables = ("marks", "setups", "targets", "shots", "loops")
    for name in tables:
        f[name] = []
    across = math.isqrt(setups * 3 // 2)
    rng = s.random
    grid = [(i // across, i % across) for i in range(setups)]
    for i, (r, c) in enumerate(grid):
        known = i % 97 == 0
        height = 200 + 12 * math.sin(r / 5) + 9 * math.cos(c / 7)
        f["marks"].append(
            {
                **blank(table("marks")),
                "mark": f"M{i}",
                "height_m": height,
                "sd_mm": 1.4,
                "known_m": height if known else None,
                **corrected("corrected_height_m", height, 1.5),
                "hidden_mm": 4.2,
                "hidden_by": f"setup:S{i}",
                "east_m": 150.0 * c + rng.uniform(-40, 40),
                "north_m": -150.0 * r + rng.uniform(-40, 40),
                "piece": 1,
                "known": known,
            }
        )
    row = 2
    for i in range(setups):
        f["setups"].append(s._stand("setup", f"S{i}", f"M{i}", round(rng.uniform(1.45, 1.68), 3)))
        for k in range(shots_each):
            to = (i + (1, -1, across, -across, across + 1, 2, -2, across - 1, 3, -3)[k % 10]) % setups
            target = f"T{(row - 2) // 2}"
            if (row - 2) % 2 == 0:
                f["targets"].append(s._stand("target", target, f"M{to}", round(rng.uniform(1.3, 1.7), 3)))
            f["shots"].append(
                {
                    **blank(table("shots")),
                    "id": f"shot:shots.csv:{row}",
                    "file": "shots.csv",
                    "row": row,
                    "setup": f"S{i}",
                    "target": target,
                    "from_mark": f"M{i}",
                    "to_mark": f"M{to}",
                    "slope_distance_m": 160.0,
                    "zenith_deg": 90.1,
                    "horizontal_m": 160.0,
                    "rise_m": rng.uniform(-5, 5),
                    "sd_mm": 2.0,
                    "residual_mm": rng.gauss(0, 1.4),
                    **s.tested(2.4),
                }
            )
            row += 1
    for i in range(0, setups - across - 1, 2):
        f["loops"].append(
            {
                "marks": [f"M{i}", f"M{i + 1}", f"M{i + across + 1}", f"M{i + across}"],
                "ids": [f"shot:shots.csv:{2 + 10 * i}"],
                "length_km": 0.6,
                "misclosure_mm": rng.gauss(0, 4),
                "expected_sd_mm": 4.2,
                "allowed_mm": 11.0,
                "tolerance": "3 times its expected sd",
                "closes": True,
            }
        )
    f["pieces"] = [
        {
            "piece": 1,
            "tied": True,
            "datum": "known marks",
            "datum_mark": None,
            "marks": [m["mark"] for m in f["marks"]],
            "setups": [x["setup"] for x in f["setups"]],
        }
    ]
    for number, error in ((setups // 3, 31.0), (setups // 2, -304.8)):
        wrong = s.accuse("setups", number, error, 0.99)
        f["suspects"].append(
            {
                "order": len(f["suspects"]) + 1,
                "finding": len(f["suspects"]) + 1,
                "verdict": "suspect",
                "id": wrong["hypothesis"],
                "what": "setup",
                "name": wrong["setup"],
                "error_mm": error,
                "error_sd_mm": 1.9,
                "probability": 0.99,
                "cause": None,
                "cause_text": None,
                "moved": [{"mark": wrong["mark"], "moved_mm": -error / 2}],
            }
        )
        s.find([wrong], 0.99, moved=f["suspects"][-1]["moved"])
    for number in range(0, setups, 41):
        f["setups"][number].update(
            verdict="unproved",
            error_mm=None,
            error_sd_mm=None,
            w=None,
            smallest_found_mm=None,
            smallest_named_mm=None,
            independent_checks=0,
            redundancy=0.0,
        )
    f["fit"].update(observations=2 * len(f["shots"]), unknowns=len(f["shots"]), redundancy=len(f["shots"]), alarm=True)
    members = [(x["id"], x["error_mm"]) for x in f["suspects"]]
    f["explanations"] = [s.explanation(members, 0.98, [[], []], setups)]
    f["explanations"][0]["marks"][setups // 3]["height_m"] += 0.0155
    return f


JOBS = {"suspect": suspect, "either": either, "clean": clean, "unproved": unproved, "feet": feet, "big": big}
