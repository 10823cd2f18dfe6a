"""The demonstration: invented stories loaded as if they ended today, and what to try first."""

from importlib import resources
from pathlib import Path

from api.environment import Environment
from api.storage.errors import StorageError
from api.storage.unit_store import UnitStore
from api.use_cases.invite_device import invite_device
from api.use_cases.load_scenario import load_scenario
from api.use_cases.release_rule_files import propose_rule_file

DAY_MS = 86_400_000
STORIES = Path(str(resources.files("api"))).parent / "seed_scenarios"


def prepare_demonstration(
    store: UnitStore, folder: Path, address: str, environment: Environment
) -> str:
    """Load every story, invite a tablet and a desk for a day, and return what to tell people.

    Parameters
    ----------
    folder : Path
        Where the store lies: other commands are given it by ``--data`` while this one serves.

    Raises
    ------
    StorageError
        There is no story to load.
    ScenarioError
        A story cannot be played.
    """
    titles = load_stories(store, STORIES, environment)
    _state_letter_settings(store, environment)
    return _welcome(folder, address, invite_browsers(store, address, environment), titles)


def load_stories(store: UnitStore, folder: Path, environment: Environment) -> list[str]:
    """Load the stories of a folder as if they ended today, and return their titles.

    Raises
    ------
    StorageError
        There is no story to load.
    ScenarioError
        A story cannot be played.
    """
    titles = []
    for path in sorted(folder.glob("[0-9]*.json")):
        loaded = load_scenario(
            store,
            path.stem,
            path.read_bytes(),
            today_on=environment.today(),
            pictures=read_drawn_pictures(path.parent),
        )
        titles.append(loaded.title)
    if not titles:
        message = f"There are no stories in {folder}. Start the demonstration from the project."
        raise StorageError(message)
    return titles


def invite_browsers(store: UnitStore, address: str, environment: Environment) -> dict[str, str]:
    """Return a link for a tablet and one for a desk, each good once and for a day."""
    links = {}
    for role in ("bedside", "booking"):
        code = environment.new_code()
        invite_device(
            store,
            role,
            code=code,
            now_ms=environment.now_ms(),
            lasts_ms=DAY_MS,
            is_trusted=True,
        )
        links[role] = f"{address}/#join={code}"
    return links


def _state_letter_settings(store: UnitStore, environment: Environment) -> None:
    """Give the unit a name, an address and a phone number for its letters."""
    chance = environment.draw_chance()
    content = (STORIES / "letters" / "settings.v1001.json").read_bytes()
    propose_rule_file(store, content, by="staff/wren-quillfeather", chance=chance)


def read_drawn_pictures(stories: Path) -> dict[str, bytes]:
    """Return the drawn pictures beside the stories of a folder, by SHA-256."""
    return {path.stem: path.read_bytes() for path in sorted(stories.glob("pictures/*.png"))}


def _welcome(folder: Path, address: str, links: dict[str, str], titles: list[str]) -> str:
    loaded = "\n".join(f"  - {title}" for title in titles)
    return f"""
Crura runs at {address} with invented people (stop with Ctrl-C).
Its folder, thrown away at the end: --data {folder}

Open as a bedside tablet:  {links["bedside"]}
Open as a clinic desk:     {links["booking"]}
(Each link lets one browser join. Use two browsers, or a private window for the second.)

Loaded:
{loaded}

What to try first
  1. Open the tablet link, press "Join as this device", choose a person, a PIN and a
     case.
  2. Go through the procedure; stop this server in the middle (Ctrl-C) and go on: nothing at the
     bedside waits for it. A new start is a new unit; join it by its new link.
  3. Open the desk link in another browser, change the same phone number on both, and settle it
     under Decisions.

Not a certified medical device: local protocol and licensed practice decide.
"""
