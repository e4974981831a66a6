"""
The command line: find the verb, parse, call it, turn exceptions into lines.

Exit codes: 0 done; 1 the tool's own fault; 2 input or usage refused; 3 with --strict
when the answer is not a good one. Only the chosen verb's module is imported.
"""

from __future__ import annotations

import argparse
import difflib
import importlib
import os
import sys
import traceback
import warnings
from typing import TYPE_CHECKING, NoReturn

from campledger import __version__
from campledger.errors import CampledgerError, Fault, InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

VERBS = {
    "demo": "load the shipped trip, print the answer and the statement, write a report",
    "log": "the daemon: poll the sensors (or replay a recording) and store",
    "import": "bulk-load recordings",
    "plan": "show, freeze or carry on a plan",
    "enough": "will it last: the four lines",
    "statement": "the account of each camp day, planned beside measured",
    "report": "the trip report, one HTML file",
    "fitout": "what the installer should know",
    "options": "the same trip again with other hardware or habits",
    "export": "measured and derived series to a file",
    "push": "send readings to a time-series server",
    "page": "the local page for a phone at camp",
    "check": "read rig, plan and store; probe sensors; what can be answered",
    "backup": "safe copy of the store while the daemon runs",
    "restore": "bring a copy of the store back",
    "note": "store a line with its time",
    "archive": "a whole trip in one file",
    "fleet": "many rigs side by side",
    "completion": "shell completion",
}


class Parser(argparse.ArgumentParser):
    """An argument parser whose complaints have the house form."""

    def error(self, message: str) -> NoReturn:
        """Refuse the command line in one line."""
        verb = self.prog.split()[-1]
        raise InputError(
            Fault(
                file=verb,
                field="command line",
                got=message,
                expected=f"what {self.prog} --help shows",
                effect="Nothing done.",
            )
        )


def build_parser(verb: str) -> Parser:
    """Build the parser of one verb."""
    module = importlib.import_module(f"campledger.app.commands.{verb}_")
    parser = Parser(
        prog=f"campledger {verb}",
        description=VERBS[verb],
        epilog=f"example: {module.EXAMPLE}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--rig", metavar="FILE", help="rig file (or CAMPLEDGER_RIG)")
    parser.add_argument("--store", metavar="FILE", help="store (or CAMPLEDGER_STORE)")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout")
    parser.add_argument("--debug", action="store_true", help="show tracebacks")
    module.add_arguments(parser)
    parser.set_defaults(run=module.run)
    return parser


def _known_options(parser: Parser) -> list[str]:
    return [o for a in parser._actions for o in a.option_strings]  # noqa: SLF001


def _refuse_unknown(verb: str, parser: Parser, left: list[str]) -> None:
    faults = []
    known = _known_options(parser)
    for word in left:
        near = difflib.get_close_matches(word.split("=")[0], known, 1)
        if word.startswith("-"):
            got = "no such option"
            expected = near[0] if near else "one of those in --help"
            field = word.split("=")[0]
        else:
            got, expected, field = f'"{word}"', "no further words", "command line"
        faults.append(
            Fault(file=verb, field=field, got=got, expected=expected, effect="")
        )
    raise InputError(*faults)


def parse(argv: Sequence[str]) -> tuple[str, argparse.Namespace]:
    """
    Parse a command line.

    Raises
    ------
    InputError
        Unknown verb or option, bad value.
    """
    verb = argv[0]
    if verb not in VERBS:
        near = difflib.get_close_matches(verb, VERBS, 1)
        expected = near[0] if near else "one of: " + " ".join(VERBS)
        raise InputError(
            Fault(
                file="campledger",
                field="command",
                got=f'"{verb}"',
                expected=expected,
                effect="",
            )
        )
    parser = build_parser(verb)
    known = _known_options(parser)
    odd = [w for w in argv[1:] if w.startswith("--") and w.split("=")[0] not in known]
    if odd:
        _refuse_unknown(verb, parser, odd)
    args, left = parser.parse_known_args(list(argv[1:]))
    if left:
        _refuse_unknown(verb, parser, left)
    return verb, args


def overview() -> str:
    """Give the text of ``campledger --help``."""
    width = max(map(len, VERBS))
    rows = [f"  {name:<{width}}  {text}" for name, text in VERBS.items()]
    return "\n".join(
        [
            "campledger: what the house battery of a touring vehicle can still do,",
            "whether the fit-out was done right, and whether more would have helped.",
            "",
            "usage: campledger COMMAND [--rig FILE] [--store FILE] [--json] ...",
            "",
            *rows,
            "",
            "campledger COMMAND --help shows its options and one example.",
            "example: campledger demo",
        ]
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Run campledger; give the exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    if not words or words[0] in {"-h", "--help", "help"}:
        print(overview())
        return 0 if words else 2
    if words[0] == "--version":
        print(f"campledger {__version__}")
        return 0
    debug = "--debug" in words
    if not debug:
        # A library's warning is for engineers; the tests turn each into an error.
        warnings.simplefilter("ignore")
    try:
        _, args = parse(words)
        return int(args.run(args))
    except CampledgerError as error:
        return _tell(error, 2, debug=debug)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 130
    except Exception as error:  # noqa: BLE001
        line = f"campledger: internal fault: {type(error).__name__}: {error}"
        return _tell(CampledgerError(line), 1, debug=debug)


def _tell(error: Exception, code: int, *, debug: bool) -> int:
    if debug:
        traceback.print_exc()
    print(str(error), file=sys.stderr)
    if code == 1 and not debug:
        print("campledger: run again with --debug and report it.", file=sys.stderr)
    return code
