"""The only reader of the wall clock, of chance, of new ids and of environment variables."""

import datetime
import os
import secrets
import time
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from api.use_cases.server_log import Chance

# No letters or digits that are mistaken for each other when read aloud.
_CODE_LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
_ID_LETTERS = "abcdefghijklmnopqrstuvwxyz0123456789"


@dataclass(frozen=True)
class Environment:
    """What changes from call to call; tests hand in one that stands still.

    Parameters
    ----------
    time_zone : str
        IANA name of the zone that holds where the unit's record names none.
    """

    time_zone: str = "Europe/London"

    def now_ms(self) -> int:
        """Return the wall clock, whole milliseconds since 1970-01-01T00:00Z."""
        return time.time_ns() // 1_000_000

    def monotonic_ms(self) -> int:
        """Return milliseconds that only go on, whatever is done to the wall clock."""
        return time.monotonic_ns() // 1_000_000

    def draw_bytes(self, count: int) -> bytes:
        """Return so many random bytes."""
        return secrets.token_bytes(count)

    def today(self, zone: str = "") -> str:
        """Return today's civil date in a zone, ``YYYY-MM-DD``; "" is the one of this environment.

        Whoever has the store asks with the zone of the unit (`read_unit_zone`).
        """
        moment = datetime.datetime.fromtimestamp(self.now_ms() / 1_000, datetime.UTC)
        return moment.astimezone(ZoneInfo(zone or self.time_zone)).date().isoformat()

    def new_token(self) -> str:
        """Return 256 random bits as text."""
        return secrets.token_hex(32)

    def new_salt(self) -> str:
        """Return 128 random bits as 32 hexadecimal digits."""
        return secrets.token_hex(16)

    def new_id(self) -> str:
        """Return a new id of 12 random letters and digits, for records, epochs and stores."""
        return "".join(secrets.choice(_ID_LETTERS) for _ in range(12))

    def draw_chance(self) -> Chance:
        """Return what one act of the server draws: ids, a salt and the time."""
        return Chance(
            new_id=self.new_id(),
            new_epoch=self.new_id(),
            salt=self.new_salt(),
            now_ms=self.now_ms(),
        )

    def new_code(self) -> str:
        """Return an invitation code of 79 random bits that is easy to read aloud."""
        letters = "".join(secrets.choice(_CODE_LETTERS) for _ in range(16))
        return "-".join(letters[start : start + 4] for start in range(0, 16, 4))

    def data_folder(self) -> Path:
        """Return the folder that ``CRURA_DATA`` names, else ``crura-data`` where one stands."""
        return Path(os.environ.get("CRURA_DATA") or "crura-data")
