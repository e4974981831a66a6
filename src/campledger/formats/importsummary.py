"""What became of a recording: rows loaded, kept as missing, set aside."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from campledger.errors import Fault

if TYPE_CHECKING:
    from campledger.formats.rowparse import Trouble

KEPT_OF_A_KIND = 20
"""Lines of one kind of trouble that are spelt out; the rest is counted."""


@dataclass(kw_only=True)
class Summary:
    """What became of a file; complete when its last chunk was taken."""

    file: str
    rows: int = 0
    missing: int = 0
    aside: int = 0
    unused: tuple[str, ...] = ()
    notes: list[str] = field(default_factory=list)
    trouble: list[Trouble] = field(default_factory=list)
    kinds: Counter[str] = field(default_factory=Counter)
    warnings: list[Fault] = field(default_factory=list)
    groups: dict[tuple[str, str], list[int]] = field(default_factory=dict)
    asides: list[tuple[int, str]] = field(default_factory=list)
    rejected: str = ""

    def add(self, trouble: Trouble) -> None:
        """Count one trouble and keep it if it is among the first of its kind."""
        self.kinds[trouble.kind] += 1
        if self.kinds[trouble.kind] <= KEPT_OF_A_KIND:
            self.trouble.append(trouble)
        if trouble.effect == "missing":
            self.missing += 1
            key = (trouble.field, trouble.got.strip('"'))
            if len(self.groups) < KEPT_OF_A_KIND or key in self.groups:
                self.groups.setdefault(key, []).append(trouble.line)

    def faults(self) -> tuple[Fault, ...]:
        """Give every warning as a line of the house, in file order."""
        effects = {
            "missing": "Kept as missing.",
            "aside": f"Set aside; {thousands(self.rows)} rows loaded.",
            "stretch": "New stretch begun; nothing dropped.",
            "twice": "First kept, second in .rejected.",
        }
        out = list(self.warnings)
        out.extend(
            Fault(
                file=self.file,
                line=t.line,
                field=t.field,
                got=t.got,
                expected=t.expected,
                effect=effects[t.effect],
            )
            for t in self.trouble
        )
        out.sort(key=lambda f: f.line)
        for kind, count in self.kinds.items():
            if count > KEPT_OF_A_KIND:
                more = f"{thousands(count - KEPT_OF_A_KIND)} more of this kind"
                out.append(
                    Fault(
                        file=self.file,
                        field=kind,
                        got=more,
                        expected="",
                        effect="Treated like those above.",
                    )
                )
        return tuple(out)

    def sentence(self) -> str:
        """Say in one line what was loaded, kept as missing and set aside."""
        text = f"{thousands(self.rows)} rows loaded"
        if self.missing:
            detail = "; ".join(
                f"lines {_list(lines)}: {name} '{got}'"
                if len(lines) > 1
                else f"line {lines[0]}: {name} '{got}'"
                for (name, got), lines in self.groups.items()
            )
            text += f", {thousands(self.missing)} values kept as missing ({detail})"
        if self.aside:
            detail = "; ".join(f"{line}: {why}" for line, why in self.asides)
            more = self.aside - len(self.asides)
            detail += f"; {thousands(more)} more" if more > 0 else ""
            text += f"; {thousands(self.aside)} lines set aside ({detail})"
            text += f" in {self.rejected}" if self.rejected else ""
        return text + "."


def thousands(count: int) -> str:
    """Write a count with spaces between thousands."""
    return f"{count:,}".replace(",", " ")


def _list(lines: list[int]) -> str:
    shown = ", ".join(str(n) for n in lines[:10])
    return shown + (f" and {len(lines) - 10} more" if len(lines) > 10 else "")
