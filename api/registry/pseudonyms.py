"""Names of records that tell nobody whose they are, without the site key (RG1)."""

import hmac

_DIGITS = 32


def make_pseudonym(site_key: bytes, kind: str, record: str) -> str:
    """Return the id under which a record is known to the network, 32 hexadecimal digits.

    Parameters
    ----------
    site_key : bytes
        The site's own, which never leaves it; another key gives another pseudonym.
    kind : str
        Kind of the record of the network: one record of the unit has another id in each.
    record : str
        How the unit names it.

    Notes
    -----
    HMAC-SHA-256 (RFC 2104), cut to 128 bits.
    """
    return hmac.digest(site_key, f"{kind}\0{record}".encode(), "sha256").hex()[:_DIGITS]


def pseudonym_of(site_key: bytes, record: str) -> str:
    """Return how the network knows a record of the unit: `registry_<kind>/<pseudonym>`."""
    kind = f"registry_{record.partition('/')[0]}"
    return f"{kind}/{make_pseudonym(site_key, kind, record)}"
