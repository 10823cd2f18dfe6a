"""Rule files that a hub offers to its units: a proposal there, and never in force by itself.

What a unit takes is laid beside its files as a draft; two of its own people approve it as ever.
"""

import hashlib
from collections.abc import Mapping

import msgspec

from api.storage.unit_store import UnitStore
from api.use_cases.compared_rule_files import ComparedWith, find_compared, say_changes
from api.use_cases.errors import CalculationError, NotAllowedError
from api.use_cases.release_rule_files import (
    ReleaseLine,
    list_rule_files,
    propose_rule_file,
    record_of,
)
from api.use_cases.rule_file_offers import KIND, Offer, read_offers
from api.use_cases.server_log import Chance, write_as_server
from api.use_cases.unit_rules import (
    FIRST_OWN_VERSION,
    contents_of,
    read_unit_rules,
)
from api.use_cases.withdrawn_rule_files import standings_here

_APPROVED = ("approved", "in force")
_FACT = "answer to"


class OfferedRuleFile(msgspec.Struct, frozen=True, kw_only=True):
    """One version of a rule file that the hub offers, and how it stands here.

    Parameters
    ----------
    proposal : str
        Its record.
    came_ms : int
        When it was written, by the clock of the hub.
    sentences : list of str
        What it changes against the version in force here today, else against the program's own.
    against : ComparedWith
        That version, and why that one.
    standing : str
        ``new``, ``taken`` (a draft, or further in the unit's own release), ``set-aside``, or
        ``withdrawn`` by the hub.
    is_withdrawn : bool
        The hub withdrew it, for the reason beside; also after it was taken or set aside.
    here : str
        Where it stands in the unit's own release: ``draft``, ``approved``, ``in force`` or
        ``retired``; "" where the unit does not hold it.
    """

    proposal: str
    file: str
    version: int
    came_ms: int
    because: str
    against: ComparedWith
    sentences: list[str]
    standing: str
    is_withdrawn: bool
    withdrawn_because: str
    here: str


class KeptAnswer(msgspec.Struct, frozen=True):
    """What people said of an offer; ``sha256`` is of the content that they said it of (WD6)."""

    answer: str
    at_ms: int
    by: str
    because: str
    sha256: str = ""


def send_rule_file(
    store: UnitStore, name: str, version: int, *, by: str, because: str, on: str, chance: Chance
) -> str:
    """Offer to all units a version that the hub's own people have approved; return its record.

    Raises
    ------
    NotAllowedError
        No such version, one that comes with the program, one that two people have not approved,
        one that is offered already, or nobody says why.
    """
    if not because.strip():
        raise NotAllowedError("Say why the units should take it: they decide by that.")
    lines = {(one.name, one.version): one for one in list_rule_files(store, on=on)}
    line = lines.get((name, version))
    _refuse_unfit(name, version, line)
    record = record_of(name, version).replace("rule_file_release/", f"{KIND}/")
    with store.transaction():
        held = contents_of(read_unit_rules(store))[f"{name}.v{version}.json"]
        if any(one.record == record and not one.is_withdrawn for one in read_offers(store)):
            raise NotAllowedError(f"{name} version {version} is offered already.")
        fields = {
            "file": {"name": name, "version": version},
            "content": held.decode(),
            "state": "offered",
        }
        state = store.views.state_of(record)
        held_fields = state.fields if state else {}
        over = {one: held_fields[one].references for one in fields if one in held_fields}
        write_as_server(
            store, record, fields, by=by, because=because.strip(), chance=chance, over=over
        )
    return record


def withdraw_rule_file(
    store: UnitStore, name: str, version: int, *, by: str, because: str, chance: Chance
) -> None:
    """Take an offer back: who has not taken it cannot any more, and who has keeps it.

    Raises
    ------
    NotAllowedError
        It is not offered, or nobody says why.
    """
    if not because.strip():
        raise NotAllowedError("Say why it is withdrawn.")
    with store.transaction():
        offer = next(
            (one for one in read_offers(store) if (one.name, one.version) == (name, version)), None
        )
        if offer is None or offer.is_withdrawn:
            message = f"{name} version {version} is not offered. Look at the list of offers again."
            raise NotAllowedError(message)
        state = store.views.state_of(offer.record)
        over = {"state": state.fields["state"].references} if state else {}
        fields = {"state": "withdrawn"}
        write_as_server(
            store, offer.record, fields, by=by, because=because.strip(), chance=chance, over=over
        )


def _refuse_unfit(name: str, version: int, line: ReleaseLine | None) -> None:
    if line is None:
        message = f"There is no rule file {name} version {version}. List them: crura rules list."
        raise NotAllowedError(message)
    if version < FIRST_OWN_VERSION:
        message = f"{name} version {version} comes with the program: every unit has it already."
        raise NotAllowedError(message)
    if line.standing not in _APPROVED:
        why = f" ({line.why})" if line.why else ""
        message = (
            f"{name} version {version} is {line.standing} here{why}. Two people approve it first, "
            "one of them an endoscopist: on the hub's desk, or by crura rules approve."
        )
        raise NotAllowedError(message)


def list_offered_rule_files(store: UnitStore, *, on: str) -> list[OfferedRuleFile]:
    """Return what the hub offers, each with its changes against what counts here (DM-11)."""
    with store.transaction():
        rules = read_unit_rules(store)
        offers = list(read_offers(store))
        answers = {one.record: answer_of(store, one) for one in offers}
        here = standings_here(rules, offers, on=on)
        compared = {
            one.record: find_compared(store, rules, one.name, on=on, but=one.version)
            for one in offers
        }
    held = contents_of(rules)
    rows = [
        OfferedRuleFile(
            proposal=one.record,
            file=one.name,
            version=one.version,
            came_ms=one.came_ms,
            because=one.because,
            against=compared[one.record],
            sentences=_say(held, one, compared[one.record]),
            standing=answers[one.record],
            is_withdrawn=one.is_withdrawn,
            withdrawn_because=one.withdrawn_because,
            here=here.get(one.record, ""),
        )
        for one in offers
    ]
    return sorted(rows, key=lambda row: (-row.came_ms, row.proposal))


def take_offered(store: UnitStore, proposal: str, *, by: str, chance: Chance) -> ReleaseLine:
    """Lay an offered rule file beside the unit's own as a draft.

    Raises
    ------
    NotAllowedError
        No such offer, one that was withdrawn, taken or set aside, a file that this release cannot
        compute by, another of the same number in the unit, or a person who may not propose one.
        Nothing is written.
    """
    with store.transaction():
        offer = _open_offer(store, proposal)
        if f"{offer.name}.v{offer.version}.json" in contents_of(read_unit_rules(store)):
            message = (
                f"This unit holds another {offer.name} version {offer.version}, which never "
                "changes. Ask the hub to offer its own under the next version."
            )
            raise NotAllowedError(message)
        line = propose_rule_file(store, offer.content.encode(), by=by, chance=chance)
        _keep(store, offer, KeptAnswer("taken", chance.now_ms, by, "", _sha256_of(offer)))
    return line


def set_offer_aside(store: UnitStore, proposal: str, *, by: str, because: str, now_ms: int) -> None:
    """Keep that the unit does not take an offer, and why.

    Raises
    ------
    NotAllowedError
        No such offer, one that is answered already, or nobody says why.
    """
    if not because.strip():
        raise NotAllowedError("Say why it is set aside.")
    with store.transaction():
        offer = _open_offer(store, proposal)
        answer = KeptAnswer("set-aside", now_ms, by, because.strip(), _sha256_of(offer))
        _keep(store, offer, answer)


def list_sent(store: UnitStore) -> list[Offer]:
    """Return what the hub offers, also what it withdrew, by record."""
    with store.transaction():
        return list(read_offers(store))


def _say(held: Mapping[str, bytes], offer: Offer, against: ComparedWith) -> list[str]:
    content = offer.content.encode()
    try:
        return say_changes(held, offer.name, offer.version, content, against).sentences
    except CalculationError as error:
        return [str(error)]


def _open_offer(store: UnitStore, proposal: str) -> Offer:
    offer = next((one for one in read_offers(store) if one.record == proposal), None)
    if offer is None:
        raise NotAllowedError(f"The hub offers no {proposal[:80]!r}. Look at the list again.")
    standing = answer_of(store, offer)
    if standing != "new":
        message = f"{offer.name} version {offer.version} is {standing} already."
        raise NotAllowedError(message)
    return offer


def read_answer(store: UnitStore, offer: Offer) -> KeptAnswer | None:
    """Return what people of this unit said of an offer; inside a transaction."""
    kept = store.fact(f"{_FACT} {offer.record}")
    answer = msgspec.json.decode(kept, type=KeptAnswer) if kept is not None else None
    # Another hub may offer another file under the same number: what was said was not of that one.
    return answer if answer is not None and answer.sha256 == _sha256_of(offer) else None


def answer_of(store: UnitStore, offer: Offer) -> str:
    """Return how an offer stands here (`OfferedRuleFile`); inside a transaction."""
    answer = read_answer(store, offer)
    if answer is not None:
        return answer.answer
    held = contents_of(read_unit_rules(store)).get(f"{offer.name}.v{offer.version}.json")
    if held == offer.content.encode():
        return "taken"
    return "withdrawn" if offer.is_withdrawn else "new"


def _keep(store: UnitStore, offer: Offer, answer: KeptAnswer) -> None:
    store.keep_fact(f"{_FACT} {offer.record}", msgspec.json.encode(answer).decode())


def _sha256_of(offer: Offer) -> str:
    return hashlib.sha256(offer.content.encode()).hexdigest()
