"""Places of the catalogue whose texts the walk of hostile texts does not see, with the reason.

A place that comes to a screen leaves this list, and a new one has to be seen or to be put here.
"""

_READ_BY_PROGRAMS = (
    *("case.needle.stock_id", "package_opened.stock_id", "coil_placed.coil.stock_id"),
    *("case.step_protocol.name", "case.step_protocol.sha256", "step_event.step"),
    *("step_event.round.target", "sign_off.digest", "picture.file.sha256", "decision.about"),
    *(
        f"step_event.override.{part}"
        for part in ("rule_file", "rule_sha256", "inputs_sha256", "text_sha256")
    ),
    *("visit.case", "visit.plan_visit", "visit.rule_file", "visit.booking.session"),
    *("document_given.sha256", "past_import.sha256", "erasure.of"),
    *(f"failsafe_review.{part}" for part in ("list_hash", "prepared_by", "signed_by")),
    *("rule_file_release.file.name", "rule_file_release.content"),
    *(f"rule_file_release.approval.{part}" for part in ("by", "name", "role", "sha256")),
    *("network_rule_file.file.name", "network_rule_file.content"),
    *(f"{kind}.unit" for kind in ("registry_patient", "registry_case")),
    *(f"{kind}.unit" for kind in ("registry_recall_answer", "registry_link_answer")),
    *("network_link.units", "network_link.joined_by", "network_link.parted_by"),
)
_HAS_A_FORM = (
    *("visit.booking.time", "clinic_session.held.starts", "clinic_session.held.time_zone"),
    *("site.time_zone", "site.holidays_of.country", "site.holidays_of.subdivision"),
)
_OF_A_LIST = (
    *("case.antithrombotics.profile", "case.antithrombotics.drugs", "case.antibiotic.agent"),
    *("case.no_follow_up_because", "adhesive_injected.amount.agent", "flush.amount.medium"),
    *("step_event.move", "step_event.override.cause", "stock_item.adhesive.agent"),
    *("visit.needs", "document_given.language", "network_link.score.traits"),
    *("registry_patient.doubts", "registry_case.doubts"),
    *("registry_look.doubts", "registry_event.doubts"),
)
_NAMES_A_PERSON = ("case.airway.decided_with", "case.consent.taken_by")
_ON_PAPER = (
    *("case.roster", "complication.note", "site.flush_note", "site.lay_out_lines"),
    *("package_opened.device.raw_label", "coil_placed.device.raw_label"),
    "adhesive_injected.device.raw_label",
)
_KEPT_ALONE = (
    *("decision.because", "past_import.file_name", "visit.elsewhere.place"),
    *("erasure.because", "erasure.decided_by", "erasure.agreed_by"),
    *(f"lot_search.criteria.{part}" for part in ("identifier", "lot", "serial")),
    *("lot_search.because", "recall_notice.reason"),
    *("recall_notice.criteria.identifier", "recall_notice.criteria.lots"),
)
_COUNTED = (
    *("stock_item.lots", "stock_movement.device.identifier", "stock_movement.device.serial"),
    "stock_movement.device.raw_label",
    *("registry_implant.identifier", "registry_implant.lot", "network_link.unit_names"),
    *(
        f"registry_patient.traits.{part}"
        for part in ("national", "born", "birth_year", "sex", "names", "keys")
    ),
)
NOT_SHOWN: dict[str, tuple[str, ...]] = {
    "names a record, a file or a hash, which programs read": _READ_BY_PROGRAMS,
    "a time, a zone or a region: what has another form is taken for missing": _HAS_A_FORM,
    "an id of a list of the screen, which says its own word and nothing for another": _OF_A_LIST,
    "names who was there: chosen from the staff, whose names are shown": _NAMES_A_PERSON,
    "on paper alone, which tests/unit/api/test_documents_pdf.py prints with these texts": _ON_PAPER,
    "kept of an act: the walk does not do it, and no place lists it by itself": _KEPT_ALONE,
    "counted or compared; sums and likenesses are shown": _COUNTED,
}
