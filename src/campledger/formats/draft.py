"""A first rig file from a dozen answers, commented so that a person can finish it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from campledger.formats.planfile import quote
from campledger.formats.rigkeys import ABSORPTION, FLOAT, FLOOR, NOMINAL
from campledger.formats.timetext import zone_of
from campledger.model.rig import CHEMISTRIES

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, kw_only=True)
class Question:
    """
    One question: its key, its words, what an empty answer means, and what it takes.

    ``kind`` is text, zone, choice, number or yes.
    """

    key: str
    text: str
    default: str = ""
    kind: str = "text"
    choices: tuple[str, ...] = ()
    low: float = 0.0
    high: float = 10000.0


QUESTIONS = (
    Question(key="name", text="What do you call the vehicle?", default="My van"),
    Question(
        key="timezone",
        text="Its time zone (e.g. Australia/Darwin)?",
        kind="zone",
        default="UTC",
    ),
    Question(
        key="chemistry",
        text="House battery: flooded, agm, gel or lfp?",
        kind="choice",
        choices=CHEMISTRIES,
        default="agm",
    ),
    Question(
        key="capacity",
        text="Its rated amp-hours (on the label)?",
        kind="number",
        low=1.0,
        high=5000.0,
        default="100",
    ),
    Question(
        key="start",
        text="Is the start battery measured too (yes or no)?",
        kind="yes",
        default="no",
    ),
    Question(
        key="panel",
        text="Watts of solar panel on the nameplate (0 for none)?",
        kind="number",
        default="0",
    ),
    Question(
        key="regulator",
        text="Its regulator: mppt or pwm?",
        kind="choice",
        choices=("mppt", "pwm"),
        default="mppt",
    ),
    Question(
        key="engine",
        text="Charging from the engine: none, dcdc or isolator?",
        kind="choice",
        choices=("none", "dcdc", "isolator"),
        default="none",
    ),
    Question(
        key="engine_amps",
        text="Amps of that charger (0 if not known)?",
        kind="number",
        high=500.0,
        default="0",
    ),
    Question(
        key="fridge",
        text="Amps of the fridge while it runs (0 for no fridge)?",
        kind="number",
        high=100.0,
        default="0",
    ),
    Question(
        key="inverter",
        text="Is there an inverter (yes or no)?",
        kind="yes",
        default="no",
    ),
    Question(
        key="logger",
        text="Amps that this logger draws (0 if not known)?",
        kind="number",
        high=10.0,
        default="0",
    ),
    Question(
        key="nights",
        text="Nights away in a year (0 if you would rather not say)?",
        kind="number",
        high=366.0,
        default="0",
    ),
)


def check_answer(question: Question, answer: str) -> str:
    """
    Check an answer.

    Returns
    -------
    problem : str
        Empty if the answer will do, else what was expected.
    """
    text = answer.strip() or question.default
    if question.kind == "choice" and text not in question.choices:
        return ", ".join(question.choices[:-1]) + f" or {question.choices[-1]}"
    if question.kind == "yes" and text.lower() not in {"yes", "no", "y", "n"}:
        return "yes or no"
    if question.kind == "zone" and zone_of(text) is None:
        return 'a zone name, e.g. "Australia/Darwin"'
    if question.kind == "number":
        try:
            value = float(text)
        except ValueError:
            return f"a number {question.low:g}..{question.high:g}"
        if not question.low <= value <= question.high:
            return f"a number {question.low:g}..{question.high:g}"
    return ""


def draft_rig(answers: Mapping[str, str]) -> str:
    """
    Write a commented rig file from answers.

    Parameters
    ----------
    answers : mapping of str to str
        Key of a question to what was typed; what is absent or empty takes its default.

    Raises
    ------
    ValueError
        An answer that ``check_answer`` refuses.
    """
    said = {}
    for question in QUESTIONS:
        text = answers.get(question.key, "").strip() or question.default
        problem = check_answer(question, text)
        if problem:
            msg = f"drafting a rig: {question.key} is {text!r}, expected {problem}"
            raise ValueError(msg)
        said[question.key] = text
    parts = (_head(said), _house(said), _sources(said), _loads(said), _rest(said))
    return "\n".join(line for part in parts for line in part) + "\n"


def _head(said: Mapping[str, str]) -> list[str]:
    return [
        "# A draft from a few answers. Lines with a leading # are yours to fill in;",
        "# whatever stays out is assumed, and said so wherever it decides an answer.",
        "[rig]",
        f"name = {quote(said['name'])}",
        f"timezone = {quote(said['timezone'])}",
        "# latitude_deg = 0.0       # north positive; for sunrise and sun",
        "# longitude_deg = 0.0      # east positive",
        "",
    ]


def _house(said: Mapping[str, str]) -> list[str]:
    kind = said["chemistry"]
    lines = [
        "[house]",
        f'chemistry = "{kind}"',
        f"capacity_rated_ah = {_number(said['capacity'])}",
        "# capacity_rated_h = 20    # hours of that rating",
        "# capacity_now_ah =        # if it was measured",
        f"# nominal_v = {NOMINAL[kind]:g}",
        f"# floor = {FLOOR[kind]:g}            # share you will not go below",
        f"# absorption_v = {ABSORPTION[kind]:g}    # see the battery's sheet",
        f"# float_v = {FLOAT[kind]:g}",
        "# charge_max_a =           # see the battery's sheet",
        "# mass_kg =",
        "",
    ]
    if _yes(said["start"]):
        lines += ["[start]", 'chemistry = "flooded"', ""]
    return lines


def _sources(said: Mapping[str, str]) -> list[str]:
    lines = []
    if float(said["panel"]) > 0:
        lines += [
            "[source.solar]",
            'kind = "solar"',
            f"panel_w = {_number(said['panel'])}",
            f'regulator = "{said["regulator"]}"',
            "# tilt_deg = 0             # 0 flat",
            "# azimuth_deg = 0          # 0 north, 90 east",
            "",
        ]
    if said["engine"] != "none":
        lines += ["[source.alternator]", f'kind = "{said["engine"]}"']
        amps = float(said["engine_amps"])
        lines.append(f"rated_a = {amps:g}" if amps else "# rated_a =")
        lines += [
            "",
            "[engine]",
            '# alternator = "fixed"     # fixed, variable or unknown',
            "",
        ]
    return lines


def _loads(said: Mapping[str, str]) -> list[str]:
    lines = []
    if float(said["fridge"]) > 0:
        lines += [
            "[load.fridge]",
            'kind = "fridge"',
            f"on_a = {_number(said['fridge'])}",
            "# set_c = 3",
            "# cut_out_v =              # see its sheet",
            "",
        ]
    if _yes(said["inverter"]):
        lines += [
            "[load.inverter]",
            'kind = "inverter"',
            "# idle_a =                 # on, with nothing plugged in",
            "",
        ]
    lines += ["[load.logger]", 'kind = "logger"']
    amps = float(said["logger"])
    lines.append(f"on_a = {amps:g}" if amps else "# on_a =")
    return [
        *lines,
        "",
        "# One table for each further load, and for each run of cable worth judging:",
        "# [load.lights]",
        '# kind = "lights"',
        "# on_a = 0.8",
        "# [cable.fridge]",
        '# from = "house"',
        '# to = "fridge"',
        "# length_m = 5.0           # one way",
        '# size = "6 mm2"           # copper; "6 mm auto" is the outside size',
        "",
    ]


def _rest(said: Mapping[str, str]) -> list[str]:
    nights = float(said["nights"])
    lines = ["[owner]", f"nights_per_year = {nights:g}", ""] if nights else []
    return [
        *lines,
        "# Sensors on this computer; leave out when only recordings are used.",
        "# [[sensor]]",
        '# driver = "ina226"',
        '# bus = "i2c:1"',
        "# address = 0x40",
        "# shunt_mohm = 0.5",
        "# max_a = 150",
        '# channels = { current = "current_house_a", voltage = "voltage_house_v" }',
    ]


def _number(text: str) -> str:
    return f"{float(text):g}"


def _yes(text: str) -> bool:
    return text.lower() in {"yes", "y"}
