"""What only the unit server may say: that a rule file counts, and that the unit is live (RL12)."""

from api.use_cases.server_log import SERVER_DEVICE
from api.use_cases.unit_rules import RELEASE_KIND
from sync.operation import Operation, decode_body

_WATCHED = (RELEASE_KIND, "site")


def refuse_server_words(operation: Operation, *, is_vouched: bool = False) -> str | None:
    """Return why an operation that came from outside may not say this, None where it may.

    Parameters
    ----------
    operation : Operation
        With its body; one whose body is withheld says nothing.
    is_vouched : bool
        A person of the unit vouches for what bears the unit server's name: without that, anybody
        could have written it.
    """
    if operation.body_text is None or (is_vouched and operation.device == SERVER_DEVICE):
        return None
    text, kind = operation.body_text, operation.kind
    # Most entries cannot: their body need not be read. A key with a backslash may be any key.
    if kind not in _WATCHED and '"retract"' not in text and "\\" not in text:
        return None
    body = decode_body(text)
    takes_back = any(reference.startswith(f"{SERVER_DEVICE}.") for reference in body.retract)
    is_live = kind == "site" and ("live_from" in body.set or "live_from" in body.over)
    if kind != RELEASE_KIND and not is_live and not takes_back:
        return None
    return (
        f"{operation.op_id} speaks for the unit server: rule files and going live are decided "
        "there (crura rules). It is kept aside; decide it there again if it was meant."
    )
