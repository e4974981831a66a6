"""``campledger completion``: words for the shell, made from the parsers themselves."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

from campledger.app.output import print_json

if TYPE_CHECKING:
    import argparse

EXAMPLE = 'eval "$(campledger completion bash)"'
SHELLS = ("bash", "zsh", "fish")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command line."""
    parser.add_argument("shell", metavar="SHELL", choices=SHELLS, help="bash zsh fish")


def words() -> dict[str, list[str]]:
    """Give the options and choices of every verb."""
    from campledger.app.cli import VERBS, build_parser  # noqa: PLC0415

    out: dict[str, list[str]] = {}
    for verb in VERBS:
        found: list[str] = []
        for action in build_parser(verb)._actions:  # noqa: SLF001
            found += [o for o in action.option_strings if o.startswith("--")]
            if not action.option_strings and action.choices is not None:
                found += [str(c) for c in action.choices]
        out[verb] = found
    return out


def script(shell: str) -> str:
    """Write the completion script of a shell."""
    table = words()
    if shell == "fish":
        lines = [
            f"complete -c campledger -n __fish_use_subcommand -a {v}" for v in table
        ]
        for verb, options in table.items():
            seen = f"-n '__fish_seen_subcommand_from {verb}'"
            for word in options:
                kind = f"-l {word[2:]}" if word.startswith("--") else f"-a {word}"
                lines.append(f"complete -c campledger {seen} {kind}")
        return "\n".join(lines)
    cases = "\n".join(
        f"    {verb}) words={shlex.quote(' '.join(options))} ;;"
        for verb, options in table.items()
    )
    body = (
        "_campledger() {\n"
        "  local words cur=${COMP_WORDS[COMP_CWORD]}\n"
        '  case "${COMP_WORDS[1]}" in\n'
        f"{cases}\n"
        f"    *) words={shlex.quote(' '.join(table))} ;;\n"
        "  esac\n"
        '  COMPREPLY=($(compgen -W "$words" -- "$cur"))\n'
        "}\n"
        "complete -o default -F _campledger campledger"
    )
    if shell == "zsh":
        return f"autoload -U +X bashcompinit && bashcompinit\n{body}"
    return body


def run(args: argparse.Namespace) -> int:
    """Print the script."""
    if args.json:
        print_json({"shell": args.shell, "script": script(args.shell)})
    else:
        print(script(args.shell))
    return 0
