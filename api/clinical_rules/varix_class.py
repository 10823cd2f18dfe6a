"""Class of gastric varices, from where they lie and whether they go on from the oesophagus."""

from collections.abc import Collection

from api.clinical_rules.errors import ShapeError

SITES = ("lesser-curve", "fundus", "body", "antrum", "duodenum")
UNCLASSIFIED = "unclassified"
_CONTINUOUS = {
    frozenset({"lesser-curve"}): "GOV1",
    frozenset({"fundus"}): "GOV2",
    frozenset({"lesser-curve", "fundus"}): "GOV1+GOV2",
}


def classify_varix(is_continuous: bool | None, sites: Collection[str]) -> str:
    """Return GOV1, GOV2, GOV1+GOV2, IGV1, IGV2 or unclassified.

    Parameters
    ----------
    is_continuous : bool or None
        Whether the varices go on from those of the oesophagus; None when it was not seen.
    sites : collection of str
        Where they lie, among `SITES`; the fundus includes the greater curve toward it.

    Raises
    ------
    ShapeError
        A site is not among `SITES`.

    Notes
    -----
    Rules VC1-VC3. Pure. In a series of 400 patients 10.5 % fitted no class (Singh 2021,
    J Dig Endosc 12:24-30), so what does not fit is never forced into one.

    References
    ----------
    Sarin 1992, Hepatology 16:1343-9, as tabulated by Singh 2021.

    Examples
    --------
    >>> classify_varix(True, ["lesser-curve", "fundus"])
    'GOV1+GOV2'
    """
    for site in sites:
        if site not in SITES:
            message = f"{site} is no site. Take one of {', '.join(SITES)}."
            raise ShapeError(message)
    found = frozenset(sites)
    if is_continuous is None or not found:
        return UNCLASSIFIED
    if is_continuous:
        return _CONTINUOUS.get(found, UNCLASSIFIED)
    if found == {"fundus"}:
        return "IGV1"
    return UNCLASSIFIED if found & {"fundus", "lesser-curve"} else "IGV2"
