"""Would more have helped? The same trip again with other hardware or habits."""

from campledger.judge.options.evaluate import evaluate
from campledger.judge.options.money import words_of
from campledger.judge.options.several import Several, TripOptions, together
from campledger.judge.options.types import Change, Options
from campledger.judge.options.verdict import describe

__all__ = [
    "Change",
    "Options",
    "Several",
    "TripOptions",
    "describe",
    "evaluate",
    "together",
    "words_of",
]
