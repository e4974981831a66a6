"""The installer's findings: what the record says about the fit-out."""

from campledger.judge.fitout.assemble import judge_fitout
from campledger.judge.fitout.description import check_description

__all__ = ["check_description", "judge_fitout"]
