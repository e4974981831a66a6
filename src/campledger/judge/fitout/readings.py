"""C40-C44: sensors that are stuck, clipped, fooled, apart, or that took a reboot."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.steps import runs
from campledger.judge.finding import LimitKind, Picture, Sure, Verdict
from campledger.judge.fitout.row import Result, Row, cannot_tell
from campledger.model.series import Series, parse_channel

if TYPE_CHECKING:
    from campledger.judge.fitout.evidence import Array, Evidence

STUCK_READINGS = 60
STUCK_SECONDS = 1200.0
STUCK_TEMP_SECONDS = 8 * 3600.0
TEMP_CODES = (85.0, -127.0)
CODE_READINGS = 5
LIVE_AMPS = 0.05
LOST_SHARE = 0.25
CHIP_FULL_SCALE = 0.08192
"""Largest shunt volts of a common 16-bit monitor: datasheet, 2.5 uV steps."""
RIPPLE = 0.20
APART = 0.05
REST_AMPS, REST_MINUTES = 0.1, 10
REBOOTS = 2
REBOOT_NEAR = 5.0
"""Limits and figures of this group: each row of ``ROWS`` names the kind and source;
what no row names is common practice, no source."""


def _long_runs(series: Series) -> list[tuple[int, int]]:
    """Give long runs of one and the same reading."""
    change = np.flatnonzero(np.diff(series.value) != 0.0) + 1
    edges = np.concatenate(([0], change, [len(series.value)]))
    long = np.flatnonzero(np.diff(edges) > STUCK_READINGS)
    return [(int(edges[k]), int(edges[k + 1])) for k in long]


def _moved(evidence: Evidence, channel: str, start: float, end: float) -> bool:
    """Tell whether something that this channel must feel moved meanwhile."""
    quantity = channel.split("_", maxsplit=1)[0]
    if quantity == "temp":
        others = [c for c in evidence.record.channels if c.startswith("temp_")]
        least = 5.0
    elif channel == "current_house_a":
        others = [f"current_{x.name}_a" for x in evidence.rig.loads]
        least = 1.0
    elif quantity == "voltage":
        others = ["current_house_a", f"current_{channel.split('_')[1]}_a"]
        least = 2.0
    else:
        return False
    for name in others:
        if name == channel or not evidence.has(name):
            continue
        part = evidence.series(name).between(start, end).value
        part = part[np.isfinite(part)]
        if len(part) > 10 and float(np.ptp(part)) > least:
            return True
    return False


def stuck_at(evidence: Evidence, channel: str) -> tuple[float, str] | None:
    """Give (since, why) if a channel is stuck, unplugged or lost."""
    series = evidence.series(channel)
    value = series.value
    if len(value) < STUCK_READINGS:
        return None
    good = np.isfinite(value)
    if not good.any():
        return float(series.time_utc[0]), "gives no readings"
    tail = np.flatnonzero(good)[-1]
    lost = series.time_utc[-1] - series.time_utc[tail]
    if lost > LOST_SHARE * (series.time_utc[-1] - series.time_utc[0]):
        return float(series.time_utc[tail]), "gives no readings from then on"
    is_temp = channel.startswith("temp_")
    if is_temp:
        for code in TEMP_CODES:
            spans = [r for r in runs(value == code) if r[1] - r[0] >= CODE_READINGS]
            if spans:
                a = spans[0][0]
                return float(series.time_utc[a]), f"reads {code:.1f} every time"
    return _frozen(evidence, channel, series, is_temp=is_temp)


def _frozen(
    evidence: Evidence, channel: str, series: Series, *, is_temp: bool
) -> tuple[float, str] | None:
    seconds = STUCK_TEMP_SECONDS if is_temp else STUCK_SECONDS
    for a, b in _long_runs(series):
        if b - a <= STUCK_READINGS:
            continue
        start, end = float(series.time_utc[a]), float(series.time_utc[b - 1])
        if end - start < seconds:
            continue
        if channel.startswith("current_") and channel != "current_house_a":
            continue
        if _moved(evidence, channel, start, end):
            return start, f"says {series.value[a]:g} without a change"
    return None


def stuck(evidence: Evidence) -> Result:
    """C40: one and the same word, a power-up code, or nothing at all."""
    judged, bad = 0, []
    for channel in sorted(evidence.record.channels):
        known = parse_channel(channel)
        if known is None or known.quantity in ("state", "speed"):
            continue
        if known.qualifier in ("min", "max"):
            continue
        judged += 1
        found = stuck_at(evidence, channel)
        if found is not None:
            bad.append((found[0], channel, found[1]))
    errors = _bus_errors(evidence)
    if not bad and not errors:
        return Result(
            verdict=Verdict.PASS,
            reads=f"{judged} channels, none stuck or lost.",
            count=judged,
        )
    if not bad:
        return Result(
            verdict=Verdict.WORTH_A_LOOK,
            reads=f"Bus errors on {', '.join(errors)}.",
            count=judged,
            place=errors[0],
        )
    bad.sort()
    text = "; ".join(
        f"{channel} {why}, since {evidence.clock(since)}" for since, channel, why in bad
    )
    return Result(
        verdict=Verdict.FAULT,
        reads=f"{text}: connector, or the sensor.",
        value=float(len(bad)),
        count=judged,
        place=" ".join(channel for _, channel, _ in bad),
    )


def _bus_errors(evidence: Evidence) -> list[str]:
    found = []
    for channel, counts in evidence.record.counters.items():
        wrong = sum(n for key, n in counts.items() if "error" in key)
        if evidence.has(channel) and wrong > 0.01 * len(evidence.series(channel).value):
            found.append(channel)
    return found


def clipped(evidence: Evidence) -> Result:
    """C41: readings at the end of the scale."""
    judged, worst = 0, (0, "", 0.0)
    for sensor in evidence.rig.sensors:
        if not sensor.shunt:
            continue
        top = CHIP_FULL_SCALE / sensor.shunt
        if "226" not in sensor.driver:
            top = min(top, sensor.current_max or top)
        for role, channel in sensor.channels:
            if role != "current" or not evidence.has(channel):
                continue
            judged += 1
            value = np.nan_to_num(evidence.series(channel).value)
            count = int(np.sum(np.abs(value) >= 0.9985 * top))
            if count > worst[0]:
                worst = (count, channel, top)
    if not judged:
        return cannot_tell(
            "The rig file describes no shunt sensor.", "[[sensor]] with shunt_mohm"
        )
    count, channel, top = worst
    return Result(
        verdict=Verdict.FAULT if count else Verdict.PASS,
        reads=(
            f"{channel} went past the meter's {top:.0f} A {count} times; the charge of "
            "those moments is missing."
            if count
            else "No reading at the end of a meter's scale."
        ),
        value=float(count),
        count=judged,
        place=channel,
    )


def ripple(evidence: Evidence) -> Result:
    """C42: how far readings swing inside their own interval."""
    worst, where, judged = 0.0, "", 0
    for channel in sorted(evidence.record.channels):
        known = parse_channel(channel)
        if known is None or known.quantity != "current" or known.qualifier != "min":
            continue
        place = known.place
        names = [f"current_{place}_{x}a" for x in ("", "min_", "max_")]
        if not all(evidence.has(n) for n in names):
            continue
        base = evidence.series(names[0])
        low, high = (evidence.on(base.time_utc, n) for n in names[1:])
        size = np.abs(base.value)
        use = np.isfinite(size) & (size > 0.3)
        if int(np.sum(use)) < 60:
            continue
        judged += 1
        share = float(np.nanmedian((high - low)[use] / size[use]))
        if share > worst or not where:
            worst, where = max(share, worst), place
    if not judged:
        return cannot_tell(
            "No least and largest reading of an interval is kept.",
            "current_house_min_a",
            "current_house_max_a",
        )
    bad = worst > RIPPLE
    return Result(
        verdict=Verdict.WORTH_A_LOOK if bad else Verdict.PASS,
        reads=(
            f"{where} swings by {worst:.0%} within a reading: pulsed; average long."
            if bad
            else f"At most {worst:.0%} of swing within a reading."
        ),
        value=worst,
        count=judged,
        place=where,
    )


def _pairs(evidence: Evidence) -> list[tuple[str, str, Array, bool]]:
    """Give (channel, beside, minutes at rest, strict) of voltmeters on one node."""
    house = "voltage_house_v"
    amps = np.abs(evidence.current)
    with np.errstate(invalid="ignore"):
        quiet = (amps < REST_AMPS) & (np.abs(evidence.loads_measured) < 0.15)
    found = []
    for load in evidence.rig.loads:
        name = f"voltage_{load.name}_v"
        if not (evidence.has(name) and evidence.has(house)):
            continue
        strict = quiet & np.isfinite(evidence.minute(name))
        if int(np.sum(strict)) >= REST_MINUTES:
            found.append((name, house, strict, True))
        elif evidence.has(f"current_{load.name}_a"):
            own = np.abs(evidence.minute(f"current_{load.name}_a")) < REST_AMPS
            found.append((name, house, own, False))
    source = evidence.source_of("dcdc")
    inlet = f"voltage_{source.name}_in_v" if source else ""
    if source and evidence.has(inlet) and evidence.has("voltage_start_v"):
        out = np.abs(evidence.minute(f"current_{source.name}_a")) < REST_AMPS
        if evidence.engine is not None:
            out &= ~evidence.engine[0]
        found.append((inlet, "voltage_start_v", out, True))
    return found


def voltmeters(evidence: Evidence) -> Result:
    """C43: two voltmeters on one node, at rest."""
    rows = []
    for name, beside, use, strict in _pairs(evidence):
        gap = evidence.minute(name) - evidence.minute(beside)
        good = use & np.isfinite(gap)
        if int(np.sum(good)) >= REST_MINUTES:
            rows.append((float(np.median(gap[good])), name, beside, strict, good))
    if not rows:
        return cannot_tell(
            "Never ten minutes at rest with two voltmeters on one node.",
            "ten minutes with everything off",
        )
    apart, name, beside, strict, good = max(rows, key=lambda r: abs(r[0]))
    bad = abs(apart) > APART
    way = "low" if apart < 0 else "high"
    return Result(
        verdict=Verdict.FAULT if bad else Verdict.PASS,
        reads=(
            f"{name} reads {abs(apart):.2f} V {way} beside {beside} at rest; slopes "
            "are used instead."
            if bad
            else f"{len(rows)} pairs of voltmeters agree within {abs(apart):.2f} V at "
            "rest."
        ),
        value=apart,
        count=int(np.sum(good)),
        sure=Sure.MEASURED if strict else Sure.LIKELY,
        place=name if bad else "",
        picture=Picture(
            kind="series",
            title="Difference of the two voltmeters at rest",
            x=tuple(evidence.minute_utc[good].tolist()),
            y=tuple((evidence.minute(name) - evidence.minute(beside))[good].tolist()),
            x_label="Time",
            y_label="Difference, V",
        )
        if bad
        else None,
    )


def reboots(evidence: Evidence) -> Result:
    """C44: reboots that follow the same kind of event."""
    boots = evidence.record.boots
    if not boots:
        return cannot_tell("Boots are not recorded.", "a boot number")
    if len(boots) == 1:
        return Result(verdict=Verdict.PASS, reads="No reboot.", count=1)
    cranks = sum(1 for b in boots[:-1] if _crank_near(evidence, b.end_utc))
    surges = sum(1 for b in boots[:-1] if _surge_near(evidence, b.end_utc))
    count, kind = max((cranks, "crank"), (surges, "start of a heavy load"))
    if count >= REBOOTS:
        return Result(
            verdict=Verdict.FAULT,
            reads=(
                f"The logger restarted on {count} of {len(boots) - 1} occasions with a "
                f"{kind}: feed it through its own converter with hold-up."
            ),
            value=float(count),
            count=len(boots) - 1,
            place="logger",
        )
    return Result(
        verdict=Verdict.PASS,
        reads=f"{len(boots) - 1} reboots, not with one kind of event.",
        value=float(count),
        count=len(boots) - 1,
    )


def _crank_near(evidence: Evidence, end: float) -> bool:
    """Tell whether the engine came on at the end of a boot."""
    if not evidence.has("state_engine"):
        return False
    series = evidence.series("state_engine")
    k = int(np.searchsorted(series.time_utc, end, side="right"))
    last = int(np.searchsorted(series.time_utc, end - REBOOT_NEAR - 60.0))
    before = series.value[last:k]
    after = series.value[k : k + 3]
    if len(before) == 0 or len(after) == 0:
        return False
    return bool(np.nanmin(before) < 0.5 and np.nanmax(after) > 0.5)


def _surge_near(evidence: Evidence, end: float) -> bool:
    """Tell whether a load of 10 A or more came on in the last seconds of a boot."""
    if not evidence.has("current_house_a"):
        return False
    part = evidence.series("current_house_a").between(end - 60.0, end).value
    part = part[np.isfinite(part)]
    return len(part) > 3 and bool(np.median(part) - part[-1] > 10.0)


ROWS: tuple[Row, ...] = (
    Row(
        id="C40",
        title="Sensor stuck, unplugged, or lying",
        rule=stuck,
        needs=(),
        limit=STUCK_READINGS,
        unit="equal readings",
        kind=LimitKind.DERIVED,
        source="one word on a live circuit; power-up codes of the chips' datasheets "
        "(85.0 degC), -127 from memory",
        counts="channels",
        next="Re-seat the connector; resistance of the lead.",
        care="85.0 once can be real near a charger: run length decides.",
    ),
    Row(
        id="C41",
        title="Clipped readings",
        rule=clipped,
        needs=(),
        limit=0.0,
        unit="readings",
        kind=LimitKind.MAKER,
        source="full scale of the chip over the shunt of the rig file",
        counts="shunts",
        next="Peak-hold clamp at the inverter's start.",
        care="A signed word may wrap a big + into a big -; a fuse or shunt rating may "
        "be passed as well.",
    ),
    Row(
        id="C42",
        title="Ripple or pulsing load fools the sampling",
        rule=ripple,
        needs=(),
        limit=RIPPLE,
        unit="share of the mean",
        counts="channels with least and largest",
        next="Frequency on the meter.",
        care="25 Hz still errs at 70 ms: average half a second or more.",
    ),
    Row(
        id="C43",
        title="Voltmeters disagree at rest",
        rule=voltmeters,
        needs=("voltage_house_v",),
        limit=APART,
        unit="V",
        minimum=REST_MINUTES,
        counts="minutes at rest",
        next="One meter on both places.",
        care="They differ; which is right is not known. Corrected only after a typed "
        "reading.",
    ),
    Row(
        id="C44",
        title="Logger reboots with events",
        rule=reboots,
        needs=(),
        limit=REBOOTS,
        unit="reboots",
        counts="boots",
        sure=Sure.LIKELY,
        next="Min-hold meter on the logger's 12 V and 5 V during a start.",
        care="The cause may be the isolator opening.",
    ),
)
