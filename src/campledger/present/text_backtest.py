"""Past answers beside what happened: one plain line, then a row each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.present.jsonout import num, when
from campledger.present.wording import stamp

if TYPE_CHECKING:
    from campledger.judge.backtest import Backtest

VERDICTS = {
    "yes": "Yes",
    "no": "No",
    "too_close": "Too close to call",
    "cannot_tell": "Can't tell",
}
HAPPENED = {True: "lasted", False: "did not last", None: "not recorded"}


def backtest_text(result: Backtest, utc_offset: float) -> str:
    """Write the line that counts evenings, and every answer under it."""
    rows = [result.line, ""]
    for past in result.answers:
        asked = stamp(past.at, utc_offset)
        until = stamp(past.until, utc_offset)
        said = VERDICTS.get(past.verdict, past.verdict)
        rows.append(f"{asked}: {said}, until {until}: {HAPPENED[past.lasted]}")
    return "\n".join(rows)


def backtest_json(result: Backtest, utc_offset: float) -> dict[str, object]:
    """Give the answers as JSON."""
    return {
        "line": result.line,
        "brier": num(result.brier),
        "answers": [
            {
                "at": when(past.at, utc_offset),
                "until": when(past.until, utc_offset),
                "verdict": past.verdict,
                "chance_lasts": num(past.chance),
                "lasted": past.lasted,
                "evening": past.evening,
            }
            for past in result.answers
        ],
    }
