"""What a simulated job is to be, before any number is observed."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np


@dataclass
class Design:
    """Who stands where and sees what, before any number is observed.

    marks : east, north, height of each, m.
    setups, targets : the mark each stands over.
    sights : set-up and target.
    ties : levelled differences, from and to.
    tripod : the shared stand, of set-ups and targets that have one.
    equipment : instrument of each set-up, prism of each target.
    tape : the tape of each stand, where tapes are named.
    twice : set-ups taped in feet too.
    observer : who taped each antenna.
    rises, heights : satellite rises, from and to, and heights of one antenna, each with its session.
    """

    marks: dict[str, tuple[float, float, float]]
    known: tuple[str, ...]
    setups: dict[str, str]
    targets: dict[str, str]
    sights: list[tuple[str, str]]
    ties: list[tuple[str, str]] = field(default_factory=list)
    tripod: dict[str, str] = field(default_factory=dict)
    equipment: dict[str, str] = field(default_factory=dict)
    tape: dict[str, str] = field(default_factory=dict)
    twice: tuple[str, ...] = ()
    observer: dict[str, str] = field(default_factory=dict)
    rises: list[tuple[str, str, str]] = field(default_factory=list)
    heights: list[tuple[str, str]] = field(default_factory=list)

    def distance(self, one: str, other: str) -> float:
        (e, n, _), (e2, n2, _) = self.marks[one], self.marks[other]
        return float(np.hypot(e - e2, n - n2))
