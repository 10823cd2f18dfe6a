"""By how many days dates are moved, so that intervals stay true (RG2), or told late (RG17)."""

import hmac

from api.clinical_rules.civil_date import add_days

# Unit setting (project default): half a year, so that neither season nor ward list gives it away.
MOST_DAYS = 182
# Unit setting (project default): two months, so that a stamp leaves as many days open.
MOST_DELAY = 60


def find_shift(site_key: bytes, subject: str) -> int:
    """Return by how many whole days the dates of a patient are moved.

    Parameters
    ----------
    subject : str
        The patient's record; where nobody knows the patient, the case's.

    Returns
    -------
    int
        From -182 to 182 and never 0; always the same for the same key and patient.
    """
    digest = hmac.digest(site_key, f"shift\0{subject}".encode(), "sha256")
    number = int.from_bytes(digest) % (2 * MOST_DAYS)
    return number - MOST_DAYS if number < MOST_DAYS else number - MOST_DAYS + 1


def find_delay(site_key: bytes, case: str) -> int:
    """Return how many days late it is told that a time after the treatment is over.

    Told on its day, the stamp of the operation would give the true day of treatment.

    Parameters
    ----------
    case : str
        The case's record.

    Returns
    -------
    int
        From 0 to 60; always the same for the same key and case.
    """
    digest = hmac.digest(site_key, f"delay\0{case}".encode(), "sha256")
    return int.from_bytes(digest) % (MOST_DELAY + 1)


def shift_date(on: str, days: int) -> str:
    """Return a civil date moved by so many days."""
    return add_days(on, days)
