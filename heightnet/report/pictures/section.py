"""The long section: the job as it was walked, mark heights above, and below how far an explanation moves them."""

from __future__ import annotations

from collections import Counter, defaultdict
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from heightnet.ledger.field import METRES
from heightnet.report.claims import claim
from heightnet.report.explained import CHOICES, settled
from heightnet.report.keys import Keys
from heightnet.report.pictures.culprits import Culprit, culprits, said
from heightnet.report.pictures.drawing import Drawing, nice_step
from heightnet.report.pictures.layout import node_of, ties
from heightnet.report.pictures.names import Names
from heightnet.report.words import Words
from heightnet.rows import Record

if TYPE_CHECKING:
    import networkx as nx


WIDTH, LEFT, RIGHT = 690.0, 66.0, 26.0
PROFILE, STRIP = 190.0, 96.0
LONGEST = 3000  # set-ups: a longer walk shows nothing
NAMED = 60  # up to so many stations every name is written where there is room


def walk(facts: Record) -> list[tuple[float, str]]:
    """Stations in the order walked: distance from the start, and the mark or free set-up there.

    From set-up to set-up in the order booked, along the shortest way the sights give; a known mark sighted from the
    first or the last set-up opens or closes it.
    """
    ways = ways_between(ties(facts))
    stops = list(dict.fromkeys(node_of(s["mark"], s["setup"]) for s in facts["setups"]))
    if not stops:
        stops = list(dict.fromkeys(node_of(r["from_mark"]) for r in facts["levels"]))
        stops += [node_of(r["mark"]) for r in facts["staff"]]
    if not stops:
        return []
    known = {node_of(m["mark"]) for m in facts["marks"] if m["known"]}
    outside = [n for n in ways.adj.get(stops[0], ()) if n in known and n not in stops]
    if outside and stops[0] not in known:
        stops.insert(0, outside[0])
    outside = [n for n in ways.adj.get(stops[-1], ()) if n in known and n not in stops]
    if outside and stops[-1] not in known:
        stops.append(outside[-1])
    stations, along = [(0.0, stops[0])], 0.0
    for goal in stops[1:]:
        for node, length in shortest_way(ways, stations[-1][1], goal):
            along += length
            stations.append((along, node))
    return stations


def ways_between(lengths: dict[tuple[str, str], float]) -> nx.Graph:
    """What ties which two places, with its length, m; in whole micrometres too, so that last digits choose no way."""
    import networkx as nx

    ways = nx.Graph()
    for (a, b), length in lengths.items():
        ways.add_edge(a, b, length=length, micrometres=round(length * 1e6))
    return ways


def shortest_way(ways: nx.Graph, start: str, goal: str) -> list[tuple[str, float]]:
    """Steps of the shortest way, each a place and how far it is from the one before; none where there is no way."""
    import networkx as nx

    try:
        way = nx.dijkstra_path(ways, start, goal, weight="micrometres")
    except (nx.NetworkXNoPath, nx.NodeNotFound):
        return []
    return [(there, ways.edges[here, there]["length"]) for here, there in pairwise(way)]


def section(words: Words, keys: Keys) -> Drawing | None:
    """The section, or None where fewer than two marks with a height lie along it, or far too many."""
    facts = words.facts
    if len(facts["setups"]) > LONGEST or facts.get("excerpt"):  # parts of a large job lie on no walk
        return None
    marks = {node_of(m["mark"]): m for m in facts["marks"]}
    stations = walk(facts)
    profile = [(x, marks[n]) for x, n in stations if n in marks and marks[n]["height_m"] is not None]
    if len({m["mark"] for _, m in profile}) < 2:
        return None
    shifts = _shifts(words)
    strip = STRIP if any(abs(mm) >= 0.05 for shift in shifts for mm in shift.values()) else 0.0
    total = stations[-1][0] or 1.0
    low, high = min(m["height_m"] for _, m in profile), max(m["height_m"] for _, m in profile)
    sheet = Drawing(
        "section",
        "Long section",
        f"Heights of the marks along {total / 1000:.2f} km as walked, with the set-ups over them; "
        "below, how far the chosen explanation moves each mark.",
        WIDTH,
        PROFILE + 34 + strip,
    )
    across = (WIDTH - LEFT - RIGHT) / total
    top, bottom = 52.0, PROFILE - 26
    scale = (bottom - top) / max(high - low, 0.02)

    def spot(x: float, mark: Record) -> tuple[float, float]:
        return LEFT + x * across, bottom - (mark["height_m"] - low) * scale

    _axes(sheet, words, low, high, bottom, scale, total, across)
    sheet.line([spot(x, mark) for x, mark in profile], "profile")
    _stations(sheet, words, keys, stations, profile, spot, across)
    if strip:
        _strip(sheet, words, keys, profile, shifts, across)
    return sheet


def _shifts(words: Words) -> list[dict[str, float]]:
    """For each explanation: by how many mm its height of each mark differs from the height as recorded.

    None of an explanation that leaves open which of several is wrong: nor is it known which marks it moves.
    """
    facts = words.facts
    recorded = {m["mark"]: m["height_m"] for m in facts["marks"]}
    return [
        {
            m["mark"]: round((m["height_m"] - recorded[m["mark"]]) * 1000, 4)
            for m in explanation["marks"]
            if m["height_m"] is not None and recorded.get(m["mark"]) is not None and settled(words, explanation)
        }
        for explanation in facts["explanations"][:CHOICES]
    ]


def _axes(
    sheet: Drawing, words: Words, low: float, high: float, bottom: float, scale: float, total: float, across: float
) -> None:
    unit = METRES[words.lengths.unit]
    step = nice_step(max(high - low, 0.02) / unit, 4)
    tick = step * -(-low / unit // step)
    decimals = max(0, -int(f"{step:e}".split("e")[1]))
    while tick * unit <= high + 1e-9:
        y = bottom - (tick * unit - low) * scale
        sheet.line([(LEFT, y), (WIDTH - RIGHT, y)], "grid")
        sheet.text(LEFT - 14, y + 3.5, f"{tick:.{decimals}f}", "tick", "end")
        tick += step
    sheet.text(6, 14, f"height, {words.lengths.name}", "tick")
    step = nice_step(total / unit, 6)
    for number in range(int(total / unit / step) + 1):
        x = LEFT + number * step * unit * across
        sheet.line([(x, PROFILE), (x, PROFILE + 4)], "axis")
        sheet.text(x, PROFILE + 15, f"{number * step:,.0f}" if step >= 1 else f"{number * step:g}", "tick", "middle")
    sheet.line([(LEFT, PROFILE), (WIDTH - RIGHT, PROFILE)], "axis")
    sheet.text(6, PROFILE + 15, f"{words.lengths.name} walked", "tick")


def _stations(
    sheet: Drawing, words: Words, keys: Keys, stations: list[tuple[float, str]], profile: list[tuple[float, Record]],
    spot: Any, across: float,
) -> None:  # fmt: skip
    """Marks and set-ups; on a long walk only those that need attention."""
    detailed = len(stations) <= NAMED
    names = Names()
    first: dict[str, tuple[float, float]] = {}
    for x, mark in profile:
        place = spot(x, mark)
        first.setdefault(node_of(mark["mark"]), place)
        if detailed or mark["known"]:
            with sheet.group(about=keys.mark(mark["mark"]), title=f"Mark {mark['mark']}"):
                sheet.sign("known" if mark["known"] else "found", place[0], place[1], 4.5 if detailed else 3)
            names.block(place[0], place[1], 4)
            names.want(place[0], place[1], mark["mark"], 2, "note", keys.mark(mark["mark"]), "below")
    at = {node: LEFT + x * across for x, node in reversed(stations)}
    setups: dict[str, list[Record]] = defaultdict(list)
    for setup in words.facts["setups"]:
        if detailed or setup["verdict"] in ("suspect", "either", "unproved", "missing"):
            setups[node_of(setup["mark"], setup["setup"])].append(setup)
    for node, here in setups.items():
        if node not in at:
            continue
        x, y = first.get(node, (at[node], _between(at[node], profile, spot)))
        for number, setup in enumerate(here):
            key, verdict = keys.setup(setup["setup"]), setup["verdict"]
            accused, id = verdict in ("suspect", "either"), words.key(setup)
            sy = y - 18 - 14 * number
            title = said(f"Set-up {setup['setup']}", id, verdict)
            with sheet.group(key=key, href=f"#{key}", title=title, cls=f"setup {verdict}"):
                sheet.line([(x, y), (x, sy)], "stem")
                sheet.sign(verdict, x, sy, 4.2 if detailed or accused else 3.0)
            names.block(x, sy, 5)
            told = said(setup["setup"], id, verdict) if accused else setup["setup"]
            letter = "accused-name" if accused else "strong"
            if detailed or accused:
                names.want(
                    x, sy, told, 0 if accused else 1, letter, key, "above" if number == len(here) - 1 else "right"
                )
    places = {node_of(mark["mark"]): spot(x, mark) for x, mark in reversed(profile)}
    _culprits(sheet, culprits(words, keys), places, names)
    names.write(sheet, PROFILE)


def _culprits(sheet: Drawing, found: list[Culprit], places: dict[str, tuple[float, float]], names: Names) -> None:
    """What is accused beside set-ups: a target hangs under its mark, a line between two has its sign in the middle."""
    hung: Counter[str] = Counter()
    for one in found:
        ends = [places[end] for end in one.ends if end in places]
        if not ends:
            continue
        x, y = (sum(values) / len(ends) for values in zip(*ends, strict=True))
        with sheet.group(key=one.key, about=one.about, href=one.href, title=one.title, cls=f"culprit {one.verdict}"):
            if len(ends) == 2:
                sheet.line(ends, "accused-line")
            else:
                aside = 14 * hung[one.ends[0]]
                hung[one.ends[0]] += 1
                sheet.line([(x, y), (x + aside, y + 16)], "stem")
                x, y = x + aside, y + 16
            sheet.sign(one.verdict, x, y, 4.2)
        names.block(x, y, 7)
        if one.name:
            names.want(x, y, one.name, 0 if one.verdict == "suspect" else 0.5, "accused-name", one.about, "below")


def _between(x: float, profile: list[tuple[float, Record]], spot: Any) -> float:
    """The height on the sheet of a free set-up: on the line between the marks beside it."""
    places = [spot(along, mark) for along, mark in profile]
    before = max((p for p in places if p[0] <= x), default=places[0])
    after = min((p for p in places if p[0] >= x), default=places[-1])
    if after[0] == before[0]:
        return float(before[1])
    return float(before[1] + (after[1] - before[1]) * (x - before[0]) / (after[0] - before[0]))


def _strip(
    sheet: Drawing, words: Words, keys: Keys, profile: list[tuple[float, Record]], shifts: list[dict[str, float]],
    across: float,
) -> None:  # fmt: skip
    """Each explanation's shift of the marks in mm; the page shows the chosen one, a figure the likeliest."""
    lengths = words.lengths
    most = max(abs(mm) for shift in shifts for mm in shift.values())
    middle, half = PROFILE + 36 + STRIP / 2, STRIP / 2 - 16
    sheet.line([(LEFT, middle), (WIDTH - RIGHT, middle)], "axis")
    step = nice_step(lengths.in_small_units(most) or 1.0, 1.5)
    scale = half / most
    for number in (-1, 0, 1):
        mm = number * step / (lengths.in_small_units(1.0) or 1.0)
        if abs(mm) <= most * 1.01:
            y = middle - mm * scale
            sheet.line([(LEFT, y), (WIDTH - RIGHT, y)], "grid")
            sheet.text(LEFT - 14, y + 3.5, f"{abs(number) * step:g}", "tick", "end")
    sheet.text(
        6,
        middle - half - 6,
        f"how far the explanation moves the marks, {lengths.small_name} (up: higher than recorded)",
        "tick",
    )
    for number, shift in enumerate(shifts):
        with sheet.group(cls=f"choice choice-{number}"):
            points = [(LEFT + x * across, middle - shift[m["mark"]] * scale) for x, m in profile if m["mark"] in shift]
            if len(points) > 1:
                sheet.line(points, "shifted")
            if len(profile) > NAMED:
                continue
            for (x, y), (_, mark) in zip(points, [p for p in profile if p[1]["mark"] in shift], strict=True):
                size = f"{lengths.column(shift[mark['mark']])} {lengths.small_short}"
                of = f"explanation:{number + 1}/{node_of(mark['mark'])}"
                title = f"{mark['mark']}: {claim(of, 'change_mm', shift[mark['mark']], size)}"
                with sheet.group(about=keys.mark(mark["mark"]), title=title):
                    sheet.sign("found", x, y, 3.5)
