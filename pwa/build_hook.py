"""Build the PWA into `api/static` whenever a wheel is made, so that the wheel carries it."""

import os
import sys
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

sys.path.insert(0, str(Path(__file__).resolve().parent))
from run_npm import run_npm


class PwaBuildHook(BuildHookInterface):  # type: ignore[type-arg]
    """Runs `npm ci` and the build; ``SKIP_PWA_BUILD=1`` leaves what is there."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Build before the files of the wheel are gathered."""
        del version, build_data
        if os.environ.get("SKIP_PWA_BUILD"):
            return
        run_npm("ci", "--ignore-scripts", "--no-fund", "--no-audit", "--loglevel=error")
        run_npm("run", "build")
