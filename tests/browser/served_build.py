"""A unit server that serves a build of our own choice, and a second build of changed sources."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

from pwa.run_npm import npm_command
from tests.browser.unit_server import ROOT, UnitServer

# The app to test; another folder while it is being worked on.
BUILT_APP = Path(os.environ.get("BUILT_APP", ROOT / "api/static"))
_RUN = [sys.executable, "-c", "from api.command_line import main; main()"]


class ServedBuild(UnitServer):
    """A unit server whose app can be exchanged between a stop and a start."""

    def __init__(self, folder: Path, app: Path = BUILT_APP) -> None:
        program = folder / "program"
        (program / "api").mkdir(parents=True)
        (program / "sync").symlink_to(ROOT / "sync")
        for part in (ROOT / "api").iterdir():
            if part.name not in ("static", "__pycache__"):
                (program / "api" / part.name).symlink_to(part)
        super().__init__(folder / "unit", _RUN, program)
        self.serve_app(app)

    def serve_app(self, app: Path) -> None:
        """Serve this app from the next start on."""
        served = self._program / "api/static"
        served.unlink(missing_ok=True)
        served.symlink_to(app)


def build_changed_app(folder: Path, old: str, new: str) -> Path:
    """Build the app with one sentence of en.json changed; return the folder of the build.

    Parameters
    ----------
    folder : Path
        Where the changed sources go; the sources of the repository stay as they are.
    """
    sources = folder / "pwa"
    shutil.copytree(ROOT / "pwa", sources, ignore=shutil.ignore_patterns("node_modules", "*.py"))
    (sources / "node_modules").symlink_to(ROOT / "pwa/node_modules")
    for part in ("clinical_rules/data", "record_catalogue", "documents/words/papers"):
        shutil.copytree(ROOT / "api" / part, folder / "api" / part)
    text = sources / "src/text/messages/en.json"
    before = text.read_text(encoding="utf-8")
    assert before.count(old) == 1
    text.write_text(before.replace(old, new), encoding="utf-8")
    app = folder / "static"
    command, environment = npm_command()
    subprocess.run(
        [*command, "exec", "--", "vite", "build", "--outDir", str(app), "--logLevel", "error"],
        cwd=sources,
        env=environment,
        check=True,
        capture_output=True,
    )
    return app
