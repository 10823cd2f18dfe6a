"""Which routes a server answers to: those of every server, of a unit, and of the hub."""

from typing import Any

from api.routes.access_events import get_access_events, get_access_head, post_access_events
from api.routes.backups import post_backup
from api.routes.bookings import get_closed_days, get_over_bookings, post_proposals
from api.routes.calculate import post_calculation
from api.routes.calendar import (
    get_calendar,
    get_calendars,
    post_calendar,
    post_calendar_revocation,
)
from api.routes.case_export import get_case_export
from api.routes.cleared_device import post_cleared
from api.routes.command_readings import get_held_by, get_rule_health
from api.routes.conflicts import get_conflicts, get_decisions
from api.routes.device_changes import post_device_name, post_recovery_refusal, post_revocation
from api.routes.device_standing import post_device_standing
from api.routes.devices import (
    get_devices,
    get_own_standing,
    get_unit_devices,
    post_confirmation,
    post_device,
    post_invitation,
    post_nonces,
)
from api.routes.documents import get_document, post_paper
from api.routes.exchange import exchange_router
from api.routes.failsafe import get_failsafe_list, get_failsafe_paper, post_failsafe_review
from api.routes.fhir import get_fhir_case, get_fhir_visits
from api.routes.follow_up import get_clinic_weeks, get_follow_up_measures
from api.routes.follow_up_check import get_follow_up_check
from api.routes.health import get_health
from api.routes.implants import post_implant_search
from api.routes.letters import get_reminders, post_letters
from api.routes.metrics import get_metrics
from api.routes.network_desk import (
    get_fleet,
    get_network_aside,
    get_network_quality,
)
from api.routes.network_exports import (
    get_export_files,
    get_export_outlook,
    get_exports,
    post_export,
    post_export_decision,
)
from api.routes.network_here import (
    get_links_here,
    get_recalls_here,
    post_link_answer,
    post_recall_answer,
    post_recall_closing,
)
from api.routes.network_line import (
    get_network_line,
    post_network_erasures,
    post_network_joining,
    post_network_leaving,
    post_network_round,
    post_network_standing,
)
from api.routes.network_links import get_network_links, post_link_act
from api.routes.network_recalls import (
    get_network_recalls,
    get_recall_csv,
    post_network_recall,
    post_recall_count,
    post_recall_end,
)
from api.routes.network_rules import (
    get_network_rule_files,
    get_rule_file_changes,
    get_rule_file_text,
    post_network_rule_file,
    post_rule_file_approval,
    post_rule_file_check,
    post_rule_file_draft,
    post_rule_file_withdrawal,
)
from api.routes.outcomes import get_outcomes
from api.routes.people import people_router
from api.routes.person_session import session_router
from api.routes.pictures import get_picture_piece, get_picture_standing, put_picture_piece
from api.routes.plan_checks import get_plan_checks
from api.routes.privacy import get_retention, post_patient_export
from api.routes.quality import get_offered_rule_files, get_quality, post_offer_act
from api.routes.recalls import (
    post_lot_search,
    post_recall,
    post_recall_search,
    post_recall_withdrawal,
)
from api.routes.sealed import sealed_router
from api.routes.second_factor import second_factor_router
from api.routes.snapshots import get_segment, get_snapshot
from api.routes.static_files import get_start, get_static_file
from api.routes.stock import get_stock

OF_EVERY_SERVER: tuple[Any, ...] = (
    exchange_router,
    post_device,
    get_devices,
    get_own_standing,
    get_unit_devices,
    post_nonces,
    post_invitation,
    post_confirmation,
    post_revocation,
    post_backup,
    post_access_events,
    get_access_events,
    get_access_head,
    get_health,
    get_metrics,
    get_outcomes,
    session_router,
    people_router,
    second_factor_router,
    get_start,
    get_static_file,
)
OF_A_UNIT: tuple[Any, ...] = (
    post_cleared,
    post_device_standing,
    post_device_name,
    post_recovery_refusal,
    get_network_line,
    post_network_joining,
    post_network_round,
    post_network_leaving,
    sealed_router,
    get_snapshot,
    get_segment,
    get_conflicts,
    get_decisions,
    get_plan_checks,
    get_picture_standing,
    get_picture_piece,
    put_picture_piece,
    get_calendar,
    get_calendars,
    post_calendar,
    post_calendar_revocation,
    get_follow_up_measures,
    get_follow_up_check,
    get_clinic_weeks,
    get_stock,
    post_letters,
    get_reminders,
    get_case_export,
    get_fhir_case,
    get_fhir_visits,
    get_failsafe_list,
    get_document,
    post_paper,
    post_recall,
    post_recall_withdrawal,
    post_recall_search,
    post_lot_search,
    post_implant_search,
    get_held_by,
    get_rule_health,
    get_retention,
    post_patient_export,
    get_failsafe_paper,
    post_failsafe_review,
    post_proposals,
    get_closed_days,
    get_over_bookings,
    post_calculation,
    get_recalls_here,
    post_recall_answer,
    post_recall_closing,
    get_links_here,
    post_link_answer,
    get_quality,
    get_offered_rule_files,
    post_offer_act,
)
# The hub holds no case: nothing of care or booking is asked there.
OF_THE_HUB: tuple[Any, ...] = (
    post_network_standing,
    post_network_erasures,
    get_fleet,
    get_network_aside,
    get_network_quality,
    get_network_rule_files,
    get_rule_file_changes,
    get_rule_file_text,
    post_rule_file_check,
    post_rule_file_draft,
    post_rule_file_approval,
    post_network_rule_file,
    post_rule_file_withdrawal,
    get_exports,
    get_export_outlook,
    post_export,
    post_export_decision,
    get_export_files,
    get_network_links,
    post_link_act,
    get_network_recalls,
    post_network_recall,
    post_recall_count,
    post_recall_end,
    get_recall_csv,
)


def routes_of(*, is_hub: bool) -> list[Any]:
    """Return the routes of a server."""
    return [*OF_EVERY_SERVER, *(OF_THE_HUB if is_hub else OF_A_UNIT)]
