"""Bring together what a report is made of."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from campledger.app.ageing import battery_ageing
from campledger.app.context import statement_of
from campledger.app.fitout_facts import judged
from campledger.app.replaying import faults_of, replayed
from campledger.present.battery_age import ageing_json
from campledger.present.jsonout import report_json
from campledger.present.report_data import ReportData, build_report_data
from campledger.present.report_installer import installer_section
from campledger.present.report_owner import owner_section

if TYPE_CHECKING:
    from campledger.app.context import ChosenTrip, Session
    from campledger.model.estimates import TripEstimates
    from campledger.model.series import TripRecord


def report_data(
    session: Session,
    chosen: ChosenTrip,
    record: TripRecord,
    estimates: TripEstimates,
    *,
    with_options: bool = False,
) -> ReportData:
    """Make the statement and everything that the report draws; options take longer."""
    statement = statement_of(session, chosen, record, estimates)
    ageing = battery_ageing(session, chosen, record, estimates)
    statement = replace(statement, ageing=ageing)
    fitout = judged(session, chosen, record, estimates)
    sections = [installer_section(fitout, chosen.utc_offset)]
    if with_options:
        options = replayed(
            record,
            session.rig,
            estimates,
            faults=faults_of(fitout),
            plan=chosen.plan,
        )
        sections.insert(0, owner_section(options, session.rig, chosen.utc_offset))
    return build_report_data(
        statement,
        record,
        estimates,
        session.rig,
        plan=chosen.plan,
        revisions=chosen.revisions,
        sections=tuple(sections),
    )


def report_object(data: ReportData, chosen: ChosenTrip, path: str) -> dict[str, object]:
    """Give the JSON of a report."""
    report = report_json(
        data.statement, data.estimates, plan=chosen.plan, revisions=chosen.revisions
    )
    aged = ageing_json(data.statement.ageing, data.statement.utc_offset)
    return {**report, "ageing": aged, "out": path}
