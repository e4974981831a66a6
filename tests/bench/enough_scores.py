"""Scores of rolling answers: shares, deciles, Brier, coverage, CRPS; by trip."""

from __future__ import annotations

import math

import numpy as np

HORIZONS = (12, 24, 48, 72)
CHANCE_YES, CHANCE_NO = 0.95, 0.05


def crps(sample, x):
    """Energy form of the CRPS of an ensemble (facts S9-01)."""
    s = np.sort(np.asarray(sample, dtype=float))
    n = len(s)
    weight = 2 * np.arange(1, n + 1) - n - 1
    return float(np.abs(s - x).mean() - (weight * s).sum() / n**2)


def crps_fair(sample, x):
    """CRPS with the second term over m (m - 1) (facts S9-02)."""
    s = np.sort(np.asarray(sample, dtype=float))
    n = len(s)
    weight = 2 * np.arange(1, n + 1) - n - 1
    return float(np.abs(s - x).mean() - (weight * s).sum() / (n * (n - 1)))


def brier(p, o):
    return float(np.mean((np.asarray(p) - np.asarray(o, dtype=float)) ** 2))


def pinball(y, q, alpha):
    return float(np.mean(np.maximum(alpha * (y - q), (alpha - 1) * (y - q))))


def interval_score(y, lo, hi, alpha):
    below, above = np.maximum(lo - y, 0.0), np.maximum(y - hi, 0.0)
    return hi - lo + 2.0 / alpha * (below + above)


def _tail(k, n, p):
    """P(X <= k) of a binomial."""
    return sum(math.comb(n, i) * p**i * (1 - p) ** (n - i) for i in range(k + 1))


def _solve(f):
    lo, hi = 0.0, 1.0
    for _ in range(60):
        middle = 0.5 * (lo + hi)
        lo, hi = (middle, hi) if f(middle) else (lo, middle)
    return lo


def exact_band(k, n, level=0.9):
    """Exact (Clopper-Pearson) band of a share of k in n."""
    tail = (1 - level) / 2
    low = 0.0 if k == 0 else _solve(lambda p: 1 - _tail(k - 1, n, p) < tail)
    high = 1.0 if k == n else _solve(lambda p: _tail(k, n, p) > tail)
    return low, high


def judged(rows, floors):
    """Chance, baseline's chance and outcome for each floor; origins above it."""
    return [
        (
            r["case"],
            float((r["paths_low"] >= floor).mean()),
            float((r["base_low"] >= floor).mean()),
            float(r["low"] >= floor),
        )
        for r in rows
        for floor in floors(r)
        if r["soc"] > floor
    ]


def own_floor(r):
    return (r["floor"],)


def more_floors(r):
    own = r["floor"]
    return (own, 0.5, 0.7) if own < 0.4 else (own, 0.65)


def _share(good, trips):
    """Share with its exact 90 % band counted in trips."""
    good = np.asarray(good, dtype=float)
    if not good.size:
        return "none"
    n = len(set(trips))
    lo, hi = exact_band(round(good.mean() * n), n)
    return f"{good.mean():.1%} ({lo:.0%}-{hi:.0%}, {n} trips)"


def verdict_lines(rows, floors):
    j = judged(rows, floors)
    case = np.array([x[0] for x in j])
    p, b, y = (np.array([x[k] for x in j]) for k in (1, 2, 3))
    base = y.mean() * (1 - y.mean())
    yes, no = p >= CHANCE_YES, p <= CHANCE_NO
    close = ~yes & ~no
    lines = [
        f"| windows, trips, share that does not last | {len(j)}, {len(set(case))}, "
        f"{1 - y.mean():.1%} | at least a quarter |",
        f"| Brier: ours / half of the base rate's | {brier(p, y):.4f} / "
        f"{base / 2:.4f} | at most half |",
        f"| Brier: ours / baseline's | {brier(p, y) / max(brier(b, y), 1e-9):.3f} | "
        "<= 0.90 |",
        f"| Yes, false of them | {yes.mean():.1%}, {_share(1 - y[yes], case[yes])} "
        "| <= 3 % |",
        f"| No, false of them | {no.mean():.1%}, {_share(y[no], case[no])} | <= 5 % |",
        f"| Too close, of all | {_share(close, case)} | <= 20 % |",
        f"| Can't tell, of all | {_share(~np.isfinite(p), case)} | <= 2 % |",
    ]
    for k in range(10):
        lo, hi = k / 10, (k + 1) / 10 + (1e-9 if k == 9 else 0)
        m = (p >= lo) & (p < hi)
        n = len(set(case[m]))
        if m.any():
            counts = "" if m.sum() >= 200 and n >= 15 else " (too few to judge)"
            said = f"{p[m].mean():.3f}, {y[m].mean():.3f}"
            lines.append(
                f"| chance {lo:.1f}-{lo + 0.1:.1f}: stated, happened | {said} "
                f"({m.sum()} answers, {n} trips){counts} | within 0.05 |"
            )
    return lines


def charge_lines(rows):
    lines = []
    for hours in HORIZONS:
        s = [r for r in rows if r["hours"] == hours and r["soc"] > r["floor"]]
        if not s:
            continue
        inside = [
            np.quantile(r["paths_net"], 0.1)
            <= r["net"]
            <= np.quantile(r["paths_net"], 0.9)
            for r in s
        ]
        ours = np.mean([crps(r["paths_net"], r["net"]) for r in s])
        base = np.mean([crps(r["base_net"], r["net"]) for r in s])
        bias = np.mean([r["net"] - r["paths_net"].mean() for r in s])
        asked = "<= 0.95" if hours in {24, 48} else "-"
        lines += [
            f"| {hours} h: 80 % interval covers | "
            f"{_share(inside, [r['case'] for r in s])} | 77-83 % |",
            f"| {hours} h: CRPS ours / baseline's | {ours:.2f} / {base:.2f} = "
            f"{ours / base:.3f}, bias {bias:+.2f} Ah | {asked} |",
        ]
    return lines


def group_lines(rows, floors):
    """One line for each group of trips, all figures of the verdicts and intervals."""
    lines = [
        "| trips of | windows | do not last | Brier ours / base rate / baseline | yes "
        "(false) | no (false) | too close | 80 % covers at 12, 24, 48, 72 h |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for group in [*sorted({r["group"] for r in rows}), "all"]:
        mine = [r for r in rows if group in {r["group"], "all"}]
        j = judged(mine, floors)
        p, b, y = (np.array([x[k] for x in j]) for k in (1, 2, 3))
        yes, no = p >= CHANCE_YES, p <= CHANCE_NO
        false_yes = 1 - y[yes].mean() if yes.any() else 0.0
        false_no = y[no].mean() if no.any() else 0.0
        covered = " ".join(f"{_covered(mine, h):.0%}" for h in HORIZONS)
        lines.append(
            f"| {group} ({len({r['case'] for r in mine})} trips) | {len(j)} | "
            f"{1 - y.mean():.1%} | {brier(p, y):.3f} / {y.mean() * (1 - y.mean()):.3f}"
            f" / {brier(b, y):.3f} | {yes.mean():.1%} ({false_yes:.1%}) | "
            f"{no.mean():.1%} ({false_no:.1%}) | {(~yes & ~no).mean():.1%} | "
            f"{covered} |"
        )
    return lines


def _covered(rows, hours):
    s = [r for r in rows if r["hours"] == hours and r["soc"] > r["floor"]]
    if not s:
        return float("nan")
    ends = [np.quantile(r["paths_net"], [0.1, 0.9]) for r in s]
    return np.mean([a <= r["net"] <= b for r, (a, b) in zip(s, ends, strict=True)])


def table(rows):
    head = ["| what | measured | asked |", "|---|---|---|"]
    return "\n".join(
        [
            *head,
            *verdict_lines(rows, own_floor),
            *charge_lines(rows),
            "",
            "By group of trips, described floors:",
            "",
            *group_lines(rows, own_floor),
            "",
            "With higher floors tried on the same trips, so that more windows fail:",
            "",
            *head,
            *verdict_lines(rows, more_floors),
            "",
            *group_lines(rows, more_floors),
        ]
    )
