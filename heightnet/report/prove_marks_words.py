"""Check shots of a whole job, and one known mark, in words."""

from __future__ import annotations

from heightnet.report.check_words import state_word
from heightnet.report.claims import capital, claim, name
from heightnet.report.document import DOUBTFUL, SOUND, WRONG, Block, Document, Picture, Section, Table
from heightnet.report.numbers import NONE, chance, count, listing
from heightnet.report.pictures import signed
from heightnet.report.words import Words, read_with_doubt
from heightnet.report.writing import csv_text
from heightnet.rows import Record

SAID = {"accept": "accepted", "reject": "rejected", "too_weak": "too weak to decide", "untested": "nothing checks it"}
OF_A_MARK = {
    "accept": "{mark} is where it is listed",
    "reject": "{mark} is not where it is listed: disturbed, or its listed height is wrong",
    "too_weak": "Too weak to decide whether {mark} is where it is listed",
}
SHOT = (
    "setup", "mark", "target", "row", "known_m", "found_m", "difference_mm", "sd_mm", "allowed_mm", "risk", "verdict",
)  # fmt: skip
FOOT = (
    "Found: by this sight, from what the job makes of its set-up without other sights to the mark. Allowed: 95 of 100 "
    "differences are smaller. Beyond: the chance that a sight puts its mark wrong by more than the tolerance."
)


def prove_all_document(facts: Record) -> Document:
    words = Words(facts)
    verdicts = {shot["verdict"] for shot in facts["check_shots"]}
    sound = verdicts == {"accept"} and not facts["let_go"]
    tone = WRONG if "reject" in verdicts or facts["let_go"] else SOUND if sound else DOUBTFUL
    blocks: list[Block] = [
        *_let_go(words),
        *_picture(words),
        *(part for part in (_table(words), _setups(words)) if part),
    ]
    title, says = name(f"{words.title}: check shots"), capital(state_word(words))
    return Document(
        title, tone, _headline(words), says, blocks, facts["job"]["invented"], FOOT, doubted=read_with_doubt(facts)
    )


def prove_mark_document(facts: Record) -> Document:
    words = Words(facts)
    blocks: list[Block] = _picture(words)
    if facts["same_as"]:
        same = listing([words.label(id_) for id_ in facts["same_as"]], 4, "or")
        blocks.append(
            Section("What looks the same", [f"An error of {name(facts['mark'])} looks here as one of {same}."])
        )
    if table := _table(words):
        blocks.append(table)
    tone = {"accept": SOUND, "reject": WRONG}.get(facts["verdict"], DOUBTFUL)
    title, says = name(f"{words.title}: mark {facts['mark']}"), capital(state_word(words))
    return Document(
        title, tone, _of_mark(words), says, blocks, facts["job"]["invented"], FOOT, doubted=read_with_doubt(facts)
    )


def _let_go(words: Words) -> list[Block]:
    """What is taken as wrong elsewhere, so that the check shots say nothing of it."""
    lines = []
    for i, one in enumerate(words.facts["let_go"], start=1):
        more = f", or of {count(one['like_it'], 'other')} that nothing tells from it" if one["like_it"] else ""
        size = claim(f"let_go:{i}", "error_mm", one["error_mm"], words.lengths.small(abs(one["error_mm"])))
        lines.append(f"{capital(words.label(one['id']))}: an error of {size}{more}.")
    if not lines:
        return []
    said = "Taken as wrong elsewhere by the likeliest explanation; the check shots are held against the job without it:"
    return [Section("What is let go", [said, *lines])]


def _picture(words: Words) -> list[Block]:
    drawn = signed.check_shots(words)
    return [Picture("By how much each check shot finds its mark off", drawn)] if drawn else []


def check_shots_csv(facts: Record) -> str:
    """The check shots for a spreadsheet, lengths in metres and millimetres."""
    return csv_text(list(SHOT), [[shot[column] for shot in facts["check_shots"]] for column in SHOT])


def _headline(words: Words) -> str:
    shots, rms = words.facts["check_shots"], words.facts["rms_mm"]
    if not shots:
        return "No sight of this job goes to a known mark: there is no check shot. Shoot a pole of known height on one."
    each = {verdict: sum(shot["verdict"] == verdict for shot in shots) for verdict in SAID}
    parts = ", ".join(f"{number} {SAID[verdict]}" for verdict, number in each.items() if number)
    mean = "" if rms is None else f"; root mean square {claim('prove', 'rms_mm', rms, words.lengths.about(rms))}"
    wrong = "The job contradicts itself; what is let go is said below. " if words.facts["let_go"] else ""
    return f"{wrong}{capital(count(len(shots), 'check shot'))} at a tolerance of {words.limit}: {parts}{mean}."


def _of_mark(words: Words) -> str:
    facts = words.facts
    mark, risk = name(facts["mark"]), facts["risk"]

    def stated(text: str) -> str:
        return claim("prove", "verdict", facts["verdict"], text)

    if facts["error_mm"] is None or risk is None:
        return f"{stated(f'Nothing here tests the height of {mark}')}: shoot it from a proved set-up, or level to it."
    off = words.sized("prove", facts["error_mm"], facts["error_sd_mm"])
    side = "high" if facts["error_mm"] > 0 else "low"
    beyond = claim("prove", "risk", risk, chance(risk))
    said = stated(OF_A_MARK[facts["verdict"]].format(mark=mark))
    more = (
        " Put the pole up anew and shoot it from another proved set-up, or level to it."
        if facts["verdict"] == "too_weak"
        else ""
    )
    found = f"Listed {off} too {side} against the rest of the job"
    return f"{said}. {found}; that it is off by more than {words.limit} is {beyond}.{more}"


def _table(words: Words) -> Section | None:
    lengths, rows = words.lengths, []
    for i, shot in enumerate(words.facts["check_shots"], start=1):
        of = f"check_shots:{i}"
        sizes = [
            NONE if shot[fact] is None else claim(of, fact, shot[fact], lengths.column(shot[fact]))
            for fact in ("difference_mm", "allowed_mm")
        ]
        risk = NONE if shot["risk"] is None else words.of_100(of, shot["risk"], "risk")
        heights = [lengths.height(shot[fact]) for fact in ("known_m", "found_m")]
        verdict = claim(of, "verdict", shot["verdict"], SAID[shot["verdict"]])
        rows.append([name(shot["setup"]), name(shot["mark"]), str(shot["row"]), *heights, *sizes, risk, verdict])
    small = lengths.small_short
    header = ["set-up ", "mark ", "row", "known", "found", f"difference, {small}", f"allowed, {small}", "beyond",
              "so it is "]  # fmt: skip
    return Section("Each check shot", [Table(header, rows)]) if rows else None


def _setups(words: Words) -> Section | None:
    lengths, rows = words.lengths, []
    for i, one in enumerate(words.facts["by_setup"], start=1):
        of, rms = f"by_setup:{i}", one["rms_mm"]
        mean = NONE if rms is None else claim(of, "rms_mm", rms, lengths.column(rms))
        rows.append([name(one["setup"]), str(one["shots"]), mean, *(str(one[verdict]) for verdict in SAID)])
    header = ["set-up ", "shots", f"root mean square, {lengths.small_short}", *SAID.values()]
    return Section("By set-up", [Table(header, rows)]) if rows else None
