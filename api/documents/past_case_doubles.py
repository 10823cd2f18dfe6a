"""Rows of a file that are one case: taken once, and asked where they differ. Pure."""

from collections.abc import Sequence

from api.documents.past_case_file import Fault, PastCase, PastCaseFile

_NAMED_AT_MOST = 4


def leave_out_doubles(file: PastCaseFile) -> PastCaseFile:
    """Make a fault of each row that brings a case a second time.

    Notes
    -----
    Of rows that say the same the first is taken. Of rows that differ none is: nobody but who wrote
    them knows whether they are one case or two.
    """
    places: dict[tuple[str, str, int], list[PastCase]] = {}
    for case in file.cases:
        places.setdefault(case.place(), []).append(case)
    faults = list(file.faults)
    left_out: set[int] = set()
    for cases in places.values():
        found = _find_doubles(cases)
        faults += found
        left_out |= {one.line for one in found}
    return PastCaseFile(
        file.rows,
        [one for one in file.cases if one.line not in left_out],
        sorted(faults, key=lambda one: one.line),
    )


def _find_doubles(cases: Sequence[PastCase]) -> list[Fault]:
    first, *others = cases
    if not others:
        return []
    headers = {name: None for one in cases for name in one.values}
    differ = [
        name
        for name in headers
        if name not in ("local_number", "case_of_day")
        and any(one.values.get(name) != first.values.get(name) for one in others)
    ]
    if not differ:
        sentence = f"Line {first.line} is this case already: it is taken once, this row left out."
        return [Fault(one.line, "procedure_on", sentence) for one in others]
    more = " and others" if len(differ) > _NAMED_AT_MOST else ""
    lines = ", ".join(str(one.line) for one in cases)
    sentence = (
        f"Lines {lines} are one patient on one day and differ in "
        f"{', '.join(differ[:_NAMED_AT_MOST])}{more}. If they are one case, make one row of them; "
        "if they are several, number them in the column case_of_day: 1, 2."
    )
    return [Fault(one.line, "procedure_on", sentence) for one in cases]
