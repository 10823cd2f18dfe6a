"""What a unit's record says of one treated case, as the network's records are made of it."""

import msgspec

from api.clinical_rules.clinic_facts import VisitFacts
from api.documents.shown_case import ShownCase
from api.registry.told_lots import Identity


class RegistryRecord(msgspec.Struct, frozen=True, kw_only=True):
    """One record for the network, with the names and days of the unit still in it.

    Parameters
    ----------
    kind : str
        As the record catalogue names it, `registry_...`.
    name : str
        What makes it the same record next time; no two of a kind share one.
    subject : str
        By whom its dates are moved: the patient, or the case where no patient is known.
    fields : dict
        By the catalogue; a reference names a record by the `name` it has here.
    """

    kind: str
    name: str
    subject: str
    fields: dict[str, object]


class ToldCase(msgspec.Struct, frozen=True, kw_only=True):
    """One case that was treated and is over.

    Parameters
    ----------
    shown : ShownCase
        The case with what lies under it; entries made in error are left out.
    visits : list of VisitFacts
        Its visits, as the clinic knows them.
    torn : set of str
        Kinds of which a record names this case and another one.
    coils_in_doubt, injections_in_doubt : bool
        Two records of them may speak of one thing, and nobody has decided.
    died_on : str
        Civil date on which the patient died, as it was given; "" where nobody vouches for one.
    is_death_in_doubt : bool
        Somebody said so, and no clinician vouches for it or no day is given.
    has_two_deaths : bool
        It is vouched for on several days.
    identity : Identity
        Of every patient that the case names, in all answers that stand.
    """

    shown: ShownCase
    visits: list[VisitFacts] = []
    torn: frozenset[str] = frozenset()
    coils_in_doubt: bool = False
    injections_in_doubt: bool = False
    died_on: str = ""
    is_death_in_doubt: bool = False
    has_two_deaths: bool = False
    identity: Identity = Identity()

    @property
    def record(self) -> str:
        """The case, `case/<id>`."""
        return self.shown.itself.record

    @property
    def patient(self) -> str:
        """The patient's record, "" where none or two are named."""
        return self.shown.itself.text("patient")

    @property
    def subject(self) -> str:
        """By whom the dates of the case are moved."""
        return self.patient or self.record
