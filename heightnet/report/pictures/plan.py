"""The network in plan: marks, set-ups with their verdicts, sights."""

from __future__ import annotations

from collections import Counter, defaultdict

from heightnet.ledger.field import METRES
from heightnet.report.claims import claim
from heightnet.report.keys import Keys
from heightnet.report.pictures.culprits import Culprit, culprits, legs, said
from heightnet.report.pictures.drawing import Drawing, Line, nice_step, text_width
from heightnet.report.pictures.layout import Layout, layout, node_of
from heightnet.report.pictures.names import Names
from heightnet.report.words import VERDICTS, Words
from heightnet.rows import Record

WIDTH, MARGIN, LEAST, MOST = 690.0, 44.0, 170.0, 400.0
DETAIL = 60  # up to so many set-ups each sight is drawn by itself and every name is written
STEM = 15.0
LINES = 20_000  # no more sights are drawn: of more than that, every second or third ... set-up's
SIGNS = 3000  # beyond so many set-ups only those that need attention are drawn
QUIET = ("weak", "proved", "free")  # verdicts whose signs say enough without their word
NODES = 20_000  # beyond so many places a plan is drawn by coordinates only


def plan(words: Words, keys: Keys) -> Drawing:
    """The plan of a job; over 60 set-ups it names only what needs attention."""
    facts = words.facts
    where = layout(facts, NODES)
    at, scale, height = to_sheet(where)
    kind = "by coordinates" if where.surveyed else "in a drawn layout"
    sheet = Drawing(
        "plan",
        "The network in plan",
        f"Marks, set-ups and sights {kind}; each set-up has the sign of its verdict, what is accused its name.",
        WIDTH,
        height + 40,
    )
    if not at:
        return sheet
    detailed = len(facts["setups"]) <= DETAIL
    _sights(sheet, words, keys, at, detailed)
    names, found = Names(), culprits(words, keys)
    _marks(sheet, words, keys, at, names, detailed)
    _setups(sheet, words, keys, at, names, detailed)
    _culprits(sheet, found, at, names, detailed)
    names.write(sheet, height)
    _foot(sheet, words, found, where.surveyed, scale, height)
    return sheet


def to_sheet(where: Layout) -> tuple[dict[str, tuple[float, float]], float, float]:
    """Places on the sheet, points to a metre, and the height of the sheet."""
    if not where.places:
        return {}, 1.0, LEAST
    xs, ys = zip(*where.places.values(), strict=True)
    west, north = min(xs), max(ys)
    across, up = max(xs) - west, north - min(ys)
    scale = min((WIDTH - 2 * MARGIN) / max(across, 1e-9), (MOST - 2 * MARGIN) / max(up, 1e-9), 1e4)
    height = max(LEAST, up * scale + 2 * MARGIN)
    left = (WIDTH - across * scale) / 2
    top = (height - up * scale) / 2 + 4
    at = {node: (left + (x - west) * scale, top + (north - y) * scale) for node, (x, y) in where.places.items()}
    return at, scale, height


def _sights(sheet: Drawing, words: Words, keys: Keys, at: dict[str, tuple[float, float]], detailed: bool) -> None:
    facts = words.facts
    by_setup: dict[str, dict[str, str]] = defaultdict(dict)
    for shot in facts["shots"]:
        start, end = node_of(shot["from_mark"], shot["setup"]), node_of(shot["to_mark"])
        if start in at and end in at:
            by_setup[shot["setup"]][end] = keys.join(by_setup[shot["setup"]].get(end, ""), keys.of(shot))
    starts = {s["setup"]: at.get(node_of(s["mark"], s["setup"])) for s in facts["setups"]}
    every = 1 + len(facts["shots"]) // LINES
    for number, (setup, ends) in enumerate(by_setup.items()):
        start_at = starts.get(setup)
        if number % every or start_at is None:
            continue
        if detailed:
            for end, about in ends.items():
                with sheet.group(about=about, cls="sight"):
                    sheet.line([start_at, at[end]], "sight")
        else:
            with sheet.group(about=keys.setup(setup), cls="sight"):
                sheet.add(Line([[start_at, at[end]] for end in ends], "many-sights"))
    for leg in legs(facts, keys):
        if leg.start in at and leg.end in at and leg.accused is None:
            with sheet.group(about=leg.about, cls="sight"):
                sheet.line([at[leg.start], at[leg.end]], "level")


def _culprits(
    sheet: Drawing, found: list[Culprit], at: dict[str, tuple[float, float]], names: Names, detailed: bool
) -> None:
    """What is accused beside set-ups: a target hangs under its mark, a line has its sign in the middle."""
    hung: Counter[str] = Counter()
    for one in found:
        if not all(end in at for end in one.ends):
            continue
        x, y = (sum(values) / len(one.ends) for values in zip(*(at[end] for end in one.ends), strict=True))
        with sheet.group(key=one.key, about=one.about, href=one.href, title=one.title, cls=f"culprit {one.verdict}"):
            if len(one.ends) == 2:
                sheet.line([at[end] for end in one.ends], "accused-line")
            else:
                aside = 15 * hung[one.ends[0]]
                hung[one.ends[0]] += 1
                sheet.line([(x, y), (x + aside, y + STEM)], "stem")
                x, y = x + aside, y + STEM
            sheet.sign(one.verdict, x, y, 4.6 if detailed else 3.5)
        names.block(x, y, 8)
        if one.name:
            names.want(x, y, one.name, 0 if one.verdict == "suspect" else 0.5, "accused-name", one.about, "below")


def _marks(
    sheet: Drawing, words: Words, keys: Keys, at: dict[str, tuple[float, float]], names: Names, detailed: bool
) -> None:
    under = {setup["mark"] for setup in words.facts["setups"]}  # there the set-up's own sign says it
    for mark in words.facts["marks"]:
        x, y = at[node_of(mark["mark"])]
        known, key = mark["known"], keys.mark(mark["mark"])
        title = f"{'Known mark' if known else 'Mark'} {mark['mark']}"
        if not detailed and not known:
            continue  # hundreds of small circles would only hide the sights
        with sheet.group(about=key, title=title, cls="mark"):
            sheet.sign("known" if known else "found", x, y, 5.0 if detailed else 3.0 if known else 2.0)
        names.block(x, y, 5)
        if detailed and mark["mark"] not in under and (id := _untested(words, mark)):
            told = said(mark["mark"], id, "unproved")
            with sheet.group(about=key, title=told, cls="untested"):
                sheet.line([(x, y), (x, y + STEM)], "stem")
                sheet.sign("unproved", x, y + STEM, 4.6)
            names.block(x, y + STEM, 6)
            names.want(x, y, told, 1, "strong", key)
        elif detailed or (known and len(words.facts["known"]) <= DETAIL):
            names.want(x, y, mark["mark"], 3 if not known else 2, "name", key)


def _untested(words: Words, mark: Record) -> str:
    """The height, tested by nothing, that a mark hangs on and that nothing limits; "" where there is none."""
    id = mark["hidden_by"]
    if id is None or mark["hidden_mm"] is not None:
        return ""
    return id if (words.records.get(id) or {}).get("verdict") == "unproved" else ""


def _setups(
    sheet: Drawing, words: Words, keys: Keys, at: dict[str, tuple[float, float]], names: Names, detailed: bool
) -> None:
    """A set-up stands on a stem over its mark; the ones that need attention are drawn last, on top."""
    order = list(VERDICTS)
    at_mark: dict[str, list[Record]] = defaultdict(list)
    for setup in words.facts["setups"]:
        at_mark[node_of(setup["mark"], setup["setup"])].append(setup)
    drawn = []
    for node, setups in at_mark.items():
        if node not in at:
            continue
        x, y = at[node]
        for number, setup in enumerate(setups):
            aside = (number - (len(setups) - 1) / 2) * 15
            if len(words.facts["setups"]) > SIGNS and setup["verdict"] in QUIET:
                continue
            drawn.append((setup, x, y, x + aside if detailed else x, y - STEM if detailed and setup["mark"] else y))
    for setup, x, y, sx, sy in sorted(drawn, key=lambda item: -order.index(item[0]["verdict"])):
        key, verdict, id = keys.setup(setup["setup"]), setup["verdict"], words.key(setup)
        over = f" over {setup['mark']}" if setup["mark"] else ""
        title = said(f"Set-up {setup['setup']}{over}", id, verdict)
        with sheet.group(key=key, href=f"#{key}", title=title, cls=f"setup {verdict}"):
            if (sx, sy) != (x, y):
                sheet.line([(x, y), (sx, sy)], "stem")
            small = 2.5 if verdict in ("proved", "free") else 3.5
            sheet.sign(verdict, sx, sy, 4.6 if detailed else small)
        names.block(sx, sy, 6 if detailed else 3)
        if detailed or verdict not in QUIET:
            told = setup["setup"] if verdict in QUIET else said(setup["setup"], id, verdict)
            letter = "accused-name" if verdict in ("suspect", "either") else "strong"
            names.want(sx, sy, told, order.index(verdict) / 3, letter, key)


def _foot(sheet: Drawing, words: Words, found: list[Culprit], surveyed: bool, scale: float, height: float) -> None:
    """Scale and north, and the signs that occur."""
    y = height + 12
    if surveyed:
        unit = METRES[words.lengths.unit]
        step = nice_step(WIDTH / scale / unit, 6)
        long = step * unit * scale
        sheet.line([(8, y - 4), (8, y), (8 + long, y), (8 + long, y - 4)], "axis")
        sheet.text(14 + long, y + 2, f"{step:g} {words.lengths.name}", "tick")
        sheet.line([(WIDTH - 14, y + 2), (WIDTH - 14, y - 22)], "axis")
        sheet.area([(WIDTH - 18, y - 16), (WIDTH - 14, y - 26), (WIDTH - 10, y - 16)], "solid")
        sheet.text(WIDTH - 22, y - 10, "N", "tick", "end")
    elif sheet.root.items:
        sheet.text(8, y, "Drawn layout: the job has no coordinates. Lengths follow the sights.", "tick")
    x = 14.0
    occurring = {verdict for verdict, _ in words.verdict_counts("setups")}
    occurring |= {one.verdict for one in found} | {v for v, _ in words.verdict_counts("targets") if v == "unproved"}
    legend = [(v, claim("vocabulary", "verdict", v, word)) for v, word in VERDICTS.items() if v in occurring]
    for sign, told in [*legend, ("known", "known mark"), ("found", "mark to be found")]:
        if x + 11 + text_width(told, "tick") > WIDTH:
            x, y = 14.0, y + 16
            sheet.height += 16
        sheet.sign(sign, x, y + 20, 4.0)
        sheet.text(x + 11, y + 24, told, "tick")
        x += text_width(told, "tick") + 30
