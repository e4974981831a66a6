"""``check --draft-rig``: a dozen questions, a commented rig file."""

from __future__ import annotations

from typing import IO

from campledger.formats.draft import QUESTIONS, check_answer, draft_rig


def draft(answers: IO[str], out: IO[str], talk: IO[str]) -> int:
    """
    Ask on ``talk``, read from ``answers``, write the file to ``out``.

    An answer that will not do is asked again; at the end of input defaults are taken.
    """
    said: dict[str, str] = {}
    ended = False
    for question in QUESTIONS:
        default = f" [{question.default}]" if question.default else ""
        while not ended:
            talk.write(f"{question.text}{default} ")
            talk.flush()
            line = answers.readline()
            ended = line == ""
            problem = check_answer(question, line)
            if not problem:
                said[question.key] = line.strip()
                break
            talk.write(f'got "{line.strip()}", expected {problem}\n')
    talk.write("\n")
    out.write(draft_rig(said))
    return 0
